// Bits and registers at one device: that nobody writes what another writes, that the station never reads its
// own word for the equipment's, and that no bit tells two things.
#include <algorithm>
#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "config/controllers.hpp"
#include "config/findings.hpp"
#include "config/modbus_place.hpp"
#include "protocol/permissive_block.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::config {

namespace {

using protocol::RegisterTable;

// ---- what the station writes ------------------------------------------------------------------------------

// Coils or holding registers: [begin, end).
struct Written {
    std::string place;  // in the description
    ModbusPlace device;
    RegisterTable table = RegisterTable::coils;
    std::size_t begin = 0;
    std::size_t end = 0;
    bool is_release = false;  // of equipment by coils, or its alive coil
};
using WrittenList = std::vector<Written>;

void add_outputs(WrittenList& all, const Station& station) {
    for (std::size_t index = 0; index < station.io.size(); ++index) {
        const IoModule& module = station.io[index];
        for (std::size_t output = 0; output < module.outputs.size(); ++output) {
            const std::size_t number = module.outputs[output].number;
            all.push_back({fmt::format("/io/{}/outputs/{}/number", index, output), modbus_place_of(module),
                           RegisterTable::coils, number, number + 1});
        }
    }
}

void add_tool(WrittenList& all, const Tool& tool, const ModbusPlace& device, const NamedProfile& named,
              const std::string& pointer) {
    const auto* profile = register_profile(&named);
    if (profile == nullptr) {
        return;
    }
    const auto add = [&](std::string_view key, RegisterTable table, std::size_t begin, std::size_t count) {
        all.push_back({fmt::format("{}/layout/{} of tool \"{}\"", pointer, key, tool.id), device, table,
                       begin, begin + count});
    };
    if (profile->acknowledge) {
        add("acknowledge", RegisterTable::holding, *profile->acknowledge,
            profile->counter ? protocol::width(profile->counter->field.type) : std::size_t{1});
    }
    if (profile->handshake) {
        add("handshake", profile->handshake->table, profile->handshake->address, 1);
    }
    if (profile->control && tool.control) {
        add("control/enable", profile->control->enable.table, profile->control->enable.address, 1);
        if (profile->control->program) {
            add("control/program", RegisterTable::holding, *profile->control->program, 1);
        }
    }
}

void add_tools(WrittenList& all, const Station& station) {
    for (const Tool& tool : station.tools) {
        const auto* link = std::get_if<RegisterLink>(&tool.link);
        for (std::size_t index = 0; index < station.profiles.size() && link != nullptr; ++index) {
            if (station.profiles[index].id == link->profile) {
                add_tool(all, tool, modbus_place_of(*link), station.profiles[index],
                         fmt::format("/profiles/{}", index));
                break;
            }
        }
    }
}

void add_release_coils(WrittenList& all, const ControllerLink& link, const std::string& pointer) {
    const auto add = [&](const std::string& place, std::size_t number) {
        all.push_back(
            {pointer + place, modbus_place_of(link), RegisterTable::coils, number, number + 1, true});
    };
    add("/alive", link.coils->alive);
    for (std::size_t point = 0; point < link.coils->permissives.size(); ++point) {
        add(fmt::format("/permissives/{}/release", point), link.coils->permissives[point].release);
    }
}

void add_controllers(WrittenList& all, const Station& station) {
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        for (const BayController& controller : controllers_of(station, station.bays[index])) {
            const ControllerLink& link = *controller.link;
            const auto pointer = fmt::format("/bays/{}{}", index, controller.key);
            if (link.coils) {
                add_release_coils(all, link, pointer + "/coils");
            } else if (link.role == WireRole::client) {
                const std::size_t begin = link.permissive_address;
                all.push_back({pointer + "/permissive_address", modbus_place_of(link), RegisterTable::holding,
                               begin, begin + controller.permissives.size() * protocol::permissive_words});
            }
        }
    }
}

WrittenList written_by(const Station& station) {
    WrittenList all;
    add_outputs(all, station);
    add_tools(all, station);
    add_controllers(all, station);
    return all;
}

void check_written_once(Findings& findings, const WrittenList& written) {
    for (auto late = written.begin(); late != written.end(); ++late) {
        const auto early = std::find_if(written.begin(), late, [&](const Written& one) {
            return one.device == late->device && one.table == late->table && one.begin == late->begin;
        });
        if (late->is_release && early != late) {
            findings.error(
                late->place,
                fmt::format("coil {} of this device is written already, by {}", late->begin, early->place),
                "give each its own coil");
        }
    }
}

// ---- what it reads ----------------------------------------------------------------------------------------

// One bit, or a whole register.
struct BitRead {
    std::string pointer;
    ModbusPlace device;
    RegisterTable table = RegisterTable::discrete_inputs;
    std::size_t number = 0;
    bool of_module = false;
};
using BitReadList = std::vector<BitRead>;

void add_inputs(BitReadList& all, const ControllerLink& link, const std::string& pointer) {
    const CoilPlan& plan = *link.coils;
    const auto add = [&](const std::string& place, const std::optional<ControllerBit>& bit) {
        if (bit) {
            all.push_back({pointer + place, modbus_place_of(link), bit->table, bit->number});
        }
    };
    add("/echo", plan.echo);
    add("/heartbeat", plan.heartbeat);
    add("/present", plan.present);
    for (std::size_t index = 0; index < plan.permissives.size(); ++index) {
        add(fmt::format("/permissives/{}/moved", index), plan.permissives[index].moved);
        add(fmt::format("/permissives/{}/acting", index), plan.permissives[index].acting);
    }
}

BitReadList read_by(const Station& station) {
    BitReadList all;
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        if (is_by_coils(station.bays[index])) {
            add_inputs(all, station.bays[index].controller, fmt::format("/bays/{}/controller/coils", index));
        }
    }
    for (std::size_t index = 0; index < station.io.size(); ++index) {
        const IoModule& module = station.io[index];
        for (std::size_t input = 0; input < module.inputs.size(); ++input) {
            all.push_back({fmt::format("/io/{}/inputs/{}", index, input), modbus_place_of(module),
                           module.inputs[input].table, module.inputs[input].number, true});
        }
    }
    return all;
}

// Two inputs of modules are compared with the modules (check_io.cpp).
bool is_same_bit(const BitRead& one, const BitRead& other) {
    return one.device == other.device && one.table == other.table && one.number == other.number &&
           !(one.of_module && other.of_module);
}

// An input that only shows what the station wrote would prove nothing, and one that shows the unit of another
// bay as little.
void check_read_apart(Findings& findings, const BitReadList& read, const WrittenList& written) {
    for (auto late = read.begin(); late != read.end(); ++late) {
        const auto early =
            std::find_if(read.begin(), late, [&](const BitRead& one) { return is_same_bit(one, *late); });
        if (early != late) {
            findings.error(late->pointer, fmt::format("the same bit is {} already", early->pointer),
                           "give each its own");
        }
        const auto own = std::ranges::find_if(written, [&](const Written& one) {
            return one.device == late->device && one.table == late->table && one.begin <= late->number &&
                   late->number < one.end;
        });
        if (own != written.end()) {
            findings.error(
                late->pointer,
                fmt::format("the station itself writes this {}, for {}, so that it would read back its own "
                            "word",
                            late->table == RegisterTable::coils ? "coil" : "register", own->place),
                "name a bit that the equipment writes");
        }
    }
}

}  // namespace

void check_bits(Findings& findings, const Station& station) {
    const auto written = written_by(station);
    check_written_once(findings, written);
    check_read_apart(findings, read_by(station), written);
}

}  // namespace tautgate::config
