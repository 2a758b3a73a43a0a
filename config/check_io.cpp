// Modules of digital inputs and outputs: whether a pulse can be told from a bounce, and who uses what.
#include <algorithm>
#include <chrono>
#include <optional>
#include <variant>

#include "config/findings.hpp"
#include "config/modbus_place.hpp"
#include "config/shortest_exchange.hpp"

namespace tautgate::config {

namespace {

using std::chrono::milliseconds;

// ---- one input ------------------------------------------------------------------------------------------

void check_pulse(Findings& findings, const IoModule& module, const IoInput& input, const PulseInput& pulse,
                 const std::string& pointer, const std::string& limits) {
    if (pulse.longest < pulse.shortest) {
        findings.error(
            limits + "/max_ms",
            fmt::format("{} ms is below min_ms ({} ms)", pulse.longest.count(), pulse.shortest.count()),
            "give a max_ms of at least the min_ms");
    }
    if (pulse.shortest < input.debounce) {
        findings.error(limits + "/min_ms",
                       fmt::format("a pulse of {} ms could not be told from a bounce of up to {} ms",
                                   pulse.shortest.count(), input.debounce.count()),
                       fmt::format("give at least {}, or a shorter debounce_ms", input.debounce.count()));
    }
    // Seen by two looks at least, whenever they come.
    if (2 * module.poll_interval > pulse.shortest) {
        findings.error(
            pointer,
            fmt::format("looked at every {} ms, a pulse of {} ms could pass between two looks",
                        module.poll_interval.count(), pulse.shortest.count()),
            fmt::format("poll every {} ms or more often, or let the module count the pulses itself",
                        std::max<milliseconds::rep>(pulse.shortest.count() / 2, 1)));
    }
}

void check_place(Findings& findings, const IoInput& input, const std::string& pointer) {
    const bool bits = protocol::is_bit_table(input.table);
    const bool arm = std::holds_alternative<ArmInput>(input.use);
    const bool counts = arm || std::holds_alternative<CountInput>(input.use);
    if (bits && counts) {
        findings.error(pointer + "/table",
                       arm ? "a position stands in a register, not in a single bit"
                           : "a count stands in a register, not in a single bit",
                       "give holding or input");
    } else if (bits && input.bit) {
        findings.error(pointer + "/bit", "the inputs of this table are single bits", "remove it");
    } else if (counts && input.bit) {
        findings.error(pointer + "/bit",
                       arm ? "a position is the whole register" : "a count is the whole register",
                       "remove it");
    } else if (!bits && !counts && !input.bit) {
        findings.error(pointer, "a register has 16 bits, and none is named", "add \"bit\", 0 to 15");
    }
}

bool is_confirmed_somewhere(const Station& station, const std::string& step) {
    return std::ranges::any_of(station.plans, [&](const Plan& plan) {
        return std::ranges::any_of(plan.stages, [&](const Stage& stage) {
            return std::ranges::any_of(stage.steps, [&](const Step& each) {
                const auto* confirm = std::get_if<ConfirmStep>(&each);
                const auto* tighten = std::get_if<TightenStep>(&each);
                const Joint* joint = tighten != nullptr ? by_id(station.joints, tighten->joint) : nullptr;
                return (confirm != nullptr && confirm->id == step) ||
                       (joint != nullptr && joint->id == step && joint->method == Method::confirmed_check);
            });
        });
    });
}

void check_use(Findings& findings, const Station& station, const IoModule& module, const IoInput& input,
               const std::string& pointer) {
    if (const auto* pulse = std::get_if<PulseInput>(&input.use)) {
        check_pulse(findings, module, input, *pulse, pointer, pointer + "/pulse");
    }
    if (const auto* button = std::get_if<ButtonInput>(&input.use)) {
        check_pulse(findings, module, input, button->pulse, pointer, pointer + "/button/pulse");
        if (!button->step.empty() && !is_confirmed_somewhere(station, button->step)) {
            findings.error(pointer + "/button/step",
                           fmt::format("no plan has a step \"{}\" that is confirmed", button->step),
                           "give the id of a confirm step or of a joint with the method confirmed_check");
        }
    }
    if (const auto* moved = std::get_if<MovedInput>(&input.use)) {
        check_reference(findings, station.permissives, moved->permissive, "permissive",
                        pointer + "/moved/permissive");
        const Permissive* permissive = by_id(station.permissives, moved->permissive);
        if (permissive != nullptr && permissive->bay != module.bay) {
            findings.error(pointer + "/moved/permissive",
                           fmt::format("\"{}\" is a permissive of bay \"{}\", and the module is at \"{}\"",
                                       permissive->id, permissive->bay, module.bay),
                           "name a permissive of the module's bay");
        }
    }
}

// The arm is told by number, and holds a tool of the module's bay.
void check_arm(Findings& findings, const Station& station, const IoModule& module, const ArmInput& arm,
               const std::string& pointer) {
    check_reference(findings, station.tools, arm.tool, "tool", pointer + "/tool");
    const Tool* tool = by_id(station.tools, arm.tool);
    if (tool != nullptr && !is_at(*tool, module.bay)) {
        findings.error(
            pointer + "/tool",
            fmt::format("tool \"{}\" is not at bay \"{}\", where the module is", arm.tool, module.bay),
            "name a tool of the module's bay");
    }
    const std::size_t arms = arms_of(station, arm.tool);
    if (arms > 1) {
        findings.error(pointer + "/tool",
                       fmt::format("{} inputs tell the position of tool \"{}\"", arms, arm.tool),
                       "keep one of them");
    }
}

// ---- one module -----------------------------------------------------------------------------------------

bool is_whole_register(const IoInput& input) {
    return std::holds_alternative<CountInput>(input.use) || std::holds_alternative<ArmInput>(input.use);
}

// A number in a register changes with each of the register's bits.
bool share_a_bit(const IoInput& one, const IoInput& other) {
    const bool same_bit = one.bit == other.bit || is_whole_register(one) || is_whole_register(other);
    return one.table == other.table && one.number == other.number && same_bit;
}

void check_module(Findings& findings, const Station& station, const IoModule& module,
                  const std::string& pointer) {
    const auto input_at = [&](std::size_t index) { return fmt::format("{}/inputs/{}", pointer, index); };
    for (std::size_t index = 0; index < module.inputs.size(); ++index) {
        const IoInput& input = module.inputs[index];
        check_place(findings, input, input_at(index));
        check_use(findings, station, module, input, input_at(index));
        if (const auto* arm = std::get_if<ArmInput>(&input.use))
            check_arm(findings, station, module, *arm, input_at(index) + "/arm");
        const bool again =
            std::any_of(module.inputs.begin(), module.inputs.begin() + static_cast<std::ptrdiff_t>(index),
                        [&](const IoInput& earlier) { return share_a_bit(earlier, input); });
        if (again) {
            findings.error(input_at(index), "another input of the module stands at the same place",
                           "give each its own number or bit");
        }
    }
    check_unique(
        findings, module.inputs, [](const IoInput& input) { return fmt::format("\"{}\"", input.id); },
        [&](std::size_t index) { return input_at(index) + "/id"; }, "id");
    check_unique(
        findings, module.outputs, [](const IoOutput& output) { return output.number; },
        [&](std::size_t index) { return fmt::format("{}/outputs/{}/number", pointer, index); }, "number");
    if (module.silence_limit < 2 * module.poll_interval) {
        findings.error(pointer + "/silence_limit_ms",
                       fmt::format("{} ms is less than 2 polls of {} ms, so one late answer would count as a "
                                   "lost link",
                                   module.silence_limit.count(), module.poll_interval.count()),
                       fmt::format("give at least {}", 2 * module.poll_interval.count()));
    }
    const auto sees_unit = [](const IoInput& input) {
        return std::holds_alternative<PresentInput>(input.use) ||
               std::holds_alternative<MovedInput>(input.use);
    };
    const bool sees_units = std::ranges::any_of(module.inputs, sees_unit);
    if (sees_units && module.poll_interval > slowest_look) {
        findings.error(
            pointer + "/poll_interval_ms",
            fmt::format("the module tells of units and is looked at every {} ms only, so that a unit "
                        "could be exchanged for another between two looks",
                        module.poll_interval.count()),
            fmt::format("give at most {}", slowest_look.count()));
    }
    for (std::size_t index = 0; index < module.inputs.size(); ++index)
        if (sees_unit(module.inputs[index]))
            check_settles(findings, input_at(index), module.poll_interval, module.inputs[index].debounce);
    const Bay* bay = by_id(station.bays, module.bay);
    if (bay != nullptr && module.simulated && !bay->simulated) {
        findings.error(
            pointer + "/simulated",
            fmt::format("a simulated module would act for bay \"{}\", whose equipment is real", bay->id),
            "simulate the bay as well, or use a real module");
    }
}

// ---- modules among each other and with tools --------------------------------------------------------------

void check_apart_from(Findings& findings, const Station& station, std::size_t index,
                      const std::string& pointer) {
    const IoModule& module = station.io[index];
    std::string other;
    for (std::size_t early = 0; early < index; ++early) {
        const IoModule& one = station.io[early];
        if (modbus_place_of(one) == modbus_place_of(module))
            other = fmt::format("module \"{}\"", one.id);
    }
    for (const Tool& tool : station.tools) {
        const auto* link = std::get_if<RegisterLink>(&tool.link);
        if (link != nullptr && modbus_place_of(*link) == modbus_place_of(module))
            other = fmt::format("tool \"{}\"", tool.id);
        const bool same_line =
            link != nullptr && link->serial && module.serial && link->serial->device == module.serial->device;
        if (same_line && *link->serial != *module.serial) {
            findings.error(
                pointer + "/serial",
                fmt::format("{} is described otherwise at tool \"{}\"", module.serial->device, tool.id),
                "give both the same baud, parity and stop_bits");
        }
    }
    if (!other.empty()) {
        findings.error(pointer, fmt::format("the same device is {} already", other),
                       "give each its own host, port or unit");
    }
}

void check_line(Findings& findings, const IoModule& module, const std::string& pointer) {
    // MODBUS over Serial Line V1.02, 2.2: 0 is for all, 248 to 255 are reserved.
    constexpr std::uint8_t highest_serial_unit = 247;
    if (!module.serial) {
        return;
    }
    if (!module.serial->device.starts_with('/')) {
        findings.error(pointer + "/serial/device",
                       fmt::format("\"{}\" is no path of a device", module.serial->device),
                       "give the whole path, best the one below /dev/serial/by-path");
    }
    if (module.unit == 0 || module.unit > highest_serial_unit) {
        findings.error(pointer + "/unit", fmt::format("no device on a serial line has unit {}", module.unit),
                       "give 1 to 247, as set at the module");
    }
}

void check_pulse_tool(Findings& findings, const Station& station, const Tool& tool, const PulseLink& link,
                      const std::string& pointer) {
    check_reference(findings, station.io, link.io, "I/O module", pointer + "/io");
    const IoModule* module = by_id(station.io, link.io);
    if (module == nullptr) {
        return;
    }
    check_reference(findings, module->inputs, link.input, "input", pointer + "/input");
    const IoInput* input = by_id(module->inputs, link.input);
    const bool pulses = input != nullptr && (std::holds_alternative<PulseInput>(input->use) ||
                                             std::holds_alternative<CountInput>(input->use));
    if (input != nullptr && !pulses) {
        findings.error(pointer + "/input", fmt::format("the input \"{}\" is for something else", input->id),
                       "name an input with pulse or count");
    }
    if (module->bay != tool.bay) {
        findings.error(pointer + "/io",
                       fmt::format("the module is at bay \"{}\", the tool at \"{}\"", module->bay, tool.bay),
                       "name a module of the tool's bay");
    }
    if (module->simulated != tool.simulated) {
        findings.error(pointer + "/io",
                       module->simulated ? "the module is simulated and the tool is not"
                                         : "the tool is simulated and the module is not",
                       "give both the same \"simulated\"");
    }
}

void check_pulse_tools(Findings& findings, const Station& station) {
    std::vector<std::pair<std::string, std::string>> taken;
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const auto* link = std::get_if<PulseLink>(&station.tools[index].link);
        if (link == nullptr) {
            continue;
        }
        const auto pointer = fmt::format("/tools/{}/link/pulse", index);
        check_pulse_tool(findings, station, station.tools[index], *link, pointer);
        if (station.tools[index].control) {
            findings.error(fmt::format("/tools/{}/control", index),
                           "a wrench that only clicks cannot be kept from clicking", "leave it out");
        }
        if (std::ranges::find(taken, std::pair(link->io, link->input)) != taken.end()) {
            findings.error(pointer + "/input",
                           "another tool has the same input, so a pulse could be of either",
                           "give each tool an input of its own");
        }
        taken.emplace_back(link->io, link->input);
    }
}

}  // namespace

void check_io(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.io.size(); ++index) {
        const auto pointer = fmt::format("/io/{}", index);
        check_module(findings, station, station.io[index], pointer);
        check_line(findings, station.io[index], pointer);
        check_apart_from(findings, station, index, pointer);
    }
    check_pulse_tools(findings, station);
}

}  // namespace tautgate::config
