// Addresses that were perhaps copied from a paper that counts otherwise: there the first digit says the
// table, and the first register of each is 1.
#include <algorithm>
#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include <fmt/format.h>

#include "config/controllers.hpp"
#include "config/findings.hpp"
#include "protocol/register_places.hpp"

namespace tautgate::config {

namespace {

using protocol::RegisterProfile;
using protocol::RegisterTable;

struct Addressed {
    std::string pointer;
    RegisterTable table = RegisterTable::holding;
    std::uint32_t address = 0;
};
using AddressedList = std::vector<Addressed>;

// The numbering in which the first digit says the table; MODBUS Application Protocol V1.1b3, 4.4 counts from
// 0 on the wire, and names registers from 1. References of coils look like any other number.
struct Numbering {
    RegisterTable table = RegisterTable::holding;
    std::string_view name;
    std::uint32_t first = 0;  // its first reference
};
constexpr std::array<Numbering, 3> numberings{{{RegisterTable::holding, "holding", 40'001},
                                               {RegisterTable::input, "input", 30'001},
                                               {RegisterTable::discrete_inputs, "discrete_inputs", 10'001}}};

// Nothing where the number is no reference.
const Numbering* numbering_of(const Addressed& one) {
    constexpr std::uint32_t references = 9'999;
    const auto* const found = std::ranges::find_if(numberings, [&](const Numbering& each) {
        return one.address >= each.first && one.address < each.first + references;
    });
    return found == numberings.end() ? nullptr : found;
}

bool looks_copied(const Addressed& one) {
    const Numbering* numbering = numbering_of(one);
    return numbering != nullptr && numbering->table == one.table;
}

// As if copied to the wrong table. Many devices do have registers from 10000 on, and no paper calls a
// register by the reference of a bit.
bool looks_misplaced(const Addressed& one) {
    const Numbering* numbering = numbering_of(one);
    return numbering != nullptr && numbering->table != one.table &&
           (protocol::is_bit_table(one.table) || !protocol::is_bit_table(numbering->table));
}

std::string beside_it(const AddressedList& all, AddressedList::const_iterator told,
                      bool (*is_like_it)(const Addressed&)) {
    const auto others = std::count_if(told + 1, all.end(), is_like_it);
    return others == 0 ? std::string{} : fmt::format("; beside it {} more", others);
}

// One for each part of the description: where one was copied, all were.
void warn_of_copied(Findings& findings, const AddressedList& all) {
    const auto copied = std::ranges::find_if(all, looks_copied);
    if (copied == all.end()) {
        return;
    }
    const auto first = numbering_of(*copied)->first;
    findings.warning(copied->pointer,
                     fmt::format("addresses are zero-based wire offsets; {} looks like a traditional {}xxxx "
                                 "reference, which would be {}{}",
                                 copied->address, first / 10'000, copied->address - first,
                                 beside_it(all, copied, looks_copied)),
                     fmt::format("give {}, or leave it where the device's own paper counts from 0",
                                 copied->address - first));
}

std::string_view table_name(RegisterTable table) {
    const auto* const found = std::ranges::find(numberings, table, &Numbering::table);
    return found == numberings.end() ? "coils" : found->name;
}

void warn_of_misplaced(Findings& findings, const AddressedList& all) {
    const auto misplaced = std::ranges::find_if(all, looks_misplaced);
    if (misplaced == all.end()) {
        return;
    }
    const Numbering& numbering = *numbering_of(*misplaced);
    findings.warning(
        misplaced->pointer,
        fmt::format("addresses are zero-based wire offsets; {} looks like a traditional {}xxxx reference, "
                    "which would be {} of the table {}, and the table here is {}{}",
                    misplaced->address, numbering.first / 10'000, misplaced->address - numbering.first,
                    numbering.name, table_name(misplaced->table), beside_it(all, misplaced, looks_misplaced)),
        "correct the address or the table, or leave both where the device's own paper says them so");
}

void warn_of_first(Findings& findings, const AddressedList& all) {
    warn_of_copied(findings, all);
    warn_of_misplaced(findings, all);
}

AddressedList addressed_in(const RegisterProfile& profile, const std::string& pointer) {
    AddressedList all;
    const auto field = [&](const std::string& place, const protocol::RegisterField& at) {
        all.push_back({pointer + place + "/address", at.table.value_or(profile.table), at.address});
    };
    for (const auto& one : protocol::places_in(profile)) {
        all.push_back({pointer + one.place + "/address", one.at.table, one.at.address});
    }
    if (profile.acknowledge) {
        all.push_back({pointer + "/acknowledge", RegisterTable::holding, *profile.acknowledge});
    }
    if (profile.handshake) {
        all.push_back({pointer + "/handshake/address", profile.handshake->table, profile.handshake->address});
    }
    if (profile.control) {
        const auto& enable = profile.control->enable;
        all.push_back({pointer + "/control/enable/address", enable.table, enable.address});
        if (profile.control->program) {
            all.push_back({pointer + "/control/program", RegisterTable::holding, *profile.control->program});
        }
        field("/control/enabled", profile.control->enabled);
    }
    if (profile.trace) {
        field("/trace/belongs_to", profile.trace->belongs_to);
        field("/trace/torque/field", profile.trace->torque.field);
    }
    return all;
}

AddressedList addressed_in(const CoilPlan& plan, const std::string& pointer) {
    AddressedList all;
    const auto take = [&](const std::string& place, const std::optional<ControllerBit>& bit) {
        if (bit) {
            all.push_back({pointer + place + "/number", bit->table, bit->number});
        }
    };
    all.push_back({pointer + "/alive", RegisterTable::coils, plan.alive});
    take("/echo", plan.echo);
    take("/heartbeat", plan.heartbeat);
    take("/present", plan.present);
    for (std::size_t i = 0; i < plan.permissives.size(); ++i) {
        all.push_back({fmt::format("{}/permissives/{}/release", pointer, i), RegisterTable::coils,
                       plan.permissives[i].release});
        take(fmt::format("/permissives/{}/moved", i), plan.permissives[i].moved);
        take(fmt::format("/permissives/{}/acting", i), plan.permissives[i].acting);
    }
    return all;
}

AddressedList addressed_in(const ControllerLink& link, const std::string& pointer) {
    if (link.coils) {
        return addressed_in(*link.coils, pointer + "/coils");
    }
    return {{pointer + "/permissive_address", RegisterTable::holding, link.permissive_address},
            {pointer + "/feedback_address", RegisterTable::holding, link.feedback_address}};
}

AddressedList addressed_in(const IoModule& module, const std::string& pointer) {
    AddressedList all;
    for (std::size_t i = 0; i < module.inputs.size(); ++i) {
        all.push_back({fmt::format("{}/inputs/{}/number", pointer, i), module.inputs[i].table,
                       module.inputs[i].number});
    }
    for (std::size_t i = 0; i < module.outputs.size(); ++i) {
        all.push_back({fmt::format("{}/outputs/{}/number", pointer, i), RegisterTable::coils,
                       module.outputs[i].number});
    }
    return all;
}

}  // namespace

void warn_of_references(Findings& findings, const Station& station) {
    for (std::size_t i = 0; i < station.profiles.size(); ++i) {
        if (const auto* registers = register_profile(&station.profiles[i])) {
            warn_of_first(findings, addressed_in(*registers, fmt::format("/profiles/{}/layout", i)));
        }
    }
    for (std::size_t i = 0; i < station.bays.size(); ++i) {
        for (const auto& controller : controllers_of(station, station.bays[i])) {
            warn_of_first(findings,
                          addressed_in(*controller.link, fmt::format("/bays/{}{}", i, controller.key)));
        }
    }
    for (std::size_t i = 0; i < station.io.size(); ++i) {
        warn_of_first(findings, addressed_in(station.io[i], fmt::format("/io/{}", i)));
    }
}

}  // namespace tautgate::config
