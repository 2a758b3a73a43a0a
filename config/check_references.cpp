// Addresses that were perhaps copied from a paper that counts otherwise: there the first digit says the
// table, and the first register of each is 1.
#include <algorithm>
#include <cstdint>
#include <optional>
#include <string>
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

// The first reference of the numbering in which the first digit says the table; MODBUS Application Protocol
// V1.1b3, 4.4 counts from 0 on the wire, and names registers from 1.
std::uint32_t first_reference(RegisterTable table) {
    switch (table) {
    case RegisterTable::holding: return 40'001;
    case RegisterTable::input: return 30'001;
    case RegisterTable::discrete_inputs: return 10'001;
    case RegisterTable::coils: return 0;  // its references look like any other number
    }
    return 0;
}

bool looks_copied(const Addressed& one) {
    constexpr std::uint32_t references = 9'999;
    const auto first = first_reference(one.table);
    return first != 0 && one.address >= first && one.address < first + references;
}

// One for each part of the description: where one was copied, all were.
void warn_of_first(Findings& findings, const AddressedList& all) {
    const auto copied = std::ranges::find_if(all, looks_copied);
    if (copied == all.end()) {
        return;
    }
    const auto first = first_reference(copied->table);
    const auto others = std::ranges::count_if(copied + 1, all.end(), looks_copied);
    findings.warning(copied->pointer,
                     fmt::format("addresses are zero-based wire offsets; {} looks like a traditional {}xxxx "
                                 "reference, which would be {}{}",
                                 copied->address, first / 10'000, copied->address - first,
                                 others == 0 ? std::string{} : fmt::format("; beside it {} more", others)),
                     fmt::format("give {}, or leave it where the device's own paper counts from 0",
                                 copied->address - first));
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
    take("/echo", plan.echo);
    take("/heartbeat", plan.heartbeat);
    take("/present", plan.present);
    for (std::size_t i = 0; i < plan.permissives.size(); ++i) {
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
