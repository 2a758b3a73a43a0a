#include "tools/cli/coil_list.hpp"

#include <algorithm>
#include <optional>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "tools/cli/register_list.hpp"

namespace tautgate::cli {
namespace {

using nlohmann::json;
using protocol::RegisterTable;

std::string_view table_name(RegisterTable table) {
    return table == RegisterTable::coils ? "coil" : "discrete input";
}

std::string in_brackets(const ListedBit& bit) {
    return fmt::format("{} {} (reference {})", table_name(bit.table), bit.address, reference_of_bit(bit));
}

std::chrono::milliseconds heartbeat_time(const config::ControllerLink& link) {
    return 2 * link.beat_interval;
}

// Longer than the station can be away without the equipment noticing.
std::chrono::milliseconds moved_time(const config::ControllerLink& link) {
    return 2 * config::beat_timeout_of(link);
}

std::vector<const config::Permissive*> permissives_of(const config::Station& station,
                                                      const config::Bay& bay) {
    std::vector<const config::Permissive*> found;
    for (const config::Permissive& permissive : station.permissives)
        if (permissive.bay == bay.id)
            found.push_back(&permissive);
    return found;
}

const ListedBit* bit_named(const std::vector<ListedBit>& bits, std::string_view permissive,
                           std::string_view name) {
    const auto found = std::ranges::find_if(
        bits, [&](const ListedBit& bit) { return bit.permissive == permissive && bit.name == name; });
    return found == bits.end() ? nullptr : &*found;
}

std::string task(const std::string& text) { return fmt::format("- [ ] {}\n", text); }

std::string permissive_part(const config::Permissive& permissive, const std::vector<ListedBit>& bits) {
    std::string text =
        fmt::format("\n### Movement: {} ({})\n\nIt lets happen: {}.\n\n", markdown_cell(permissive.name),
                    permissive.id, markdown_cell(permissive.movement));
    if (const auto* release = bit_named(bits, permissive.id, "release"))
        text += task(fmt::format("with everything proven {} comes on, and the movement can be made",
                                 in_brackets(*release)));
    if (const auto* moved = bit_named(bits, permissive.id, "moved"))
        text +=
            task(fmt::format("one movement switches {} on, at the point of no return and not at the end of "
                             "the way, and the station counts exactly 1 (`tautgate follow`)",
                             in_brackets(*moved)));
    else
        text +=
            task("one movement switches its input at the I/O module on, and the station counts exactly 1");
    return text + task("the release goes off with that, and a second movement cannot be begun") +
           task("while it is withheld the movement cannot be begun, by any of the ways there are (automatic, "
                "by "
                "hand, setting up, remote); ways tried:") +
           task("release coil forced on at the equipment before a unit comes: the movement cannot be begun") +
           task("release coil left on by hand while the unit is changed: the movement cannot be begun") +
           task("withheld while the movement is under way: the machine does what its assessment says, which "
                "is:");
}

}  // namespace

std::vector<ListedBit> list_bits(const config::Bay& bay) {
    const config::CoilPlan& plan = *bay.controller.coils;
    std::vector<ListedBit> bits;
    const auto back = [&](const std::string& permissive, const std::optional<config::ControllerBit>& bit,
                          std::string_view name, std::string_view meaning) {
        if (bit)
            bits.push_back({permissive, bit->table, bit->number, name, false, bit->active_low, meaning});
    };
    bits.push_back({"", RegisterTable::coils, plan.alive, "alive", true, false,
                    "the station switches it over with its beats; standing still, it withholds everything"});
    for (const config::CoilPoint& point : plan.permissives)
        bits.push_back({point.permissive, RegisterTable::coils, point.release, "release", true, false,
                        "on while the movement is released"});
    back("", plan.echo, "echo", "the alive coil, as the equipment's program has it");
    back("", plan.heartbeat, "heartbeat", "the equipment's program switches it over by itself");
    back("", plan.present, "present", "a unit stands in the bay, debounced");
    for (const config::CoilPoint& point : plan.permissives) {
        back(point.permissive, point.moved, "moved", "comes on when the movement was made");
        back(point.permissive, point.acting, "acting", "the equipment lets the movement happen");
    }
    return bits;
}

std::string reference_of_bit(const ListedBit& bit) {
    constexpr unsigned first_discrete_input = 100'001;
    return bit.table == RegisterTable::coils ? fmt::format("{:06}", bit.address + 1U)
                                             : fmt::format("{}", bit.address + first_discrete_input);
}

const std::vector<std::string_view>& coil_losses() {
    static const std::vector<std::string_view> losses{
        "A release is for the place, not for the unit: nothing tells for which unit a coil is on.",
        "Nothing shows that a coil was written in another's place, or by somebody else.",
        "A release coil that is wrong for two beats in a row is a release, until the acting input shows it.",
        "A release that the station can no longer take back stands until the equipment's own time-out.",
        "What comes and goes while the line is down is not counted; the ticket must be scanned again.",
        "A second movement while moved is still shown is not counted, even if nothing had released it.",
        "A unit that people let leave incomplete leaves by the same coil as one that is proven.",
        "The equipment is not told why it is withheld, and the wiring cannot be tried from the station."};
    return losses;
}

std::string coils_as_markdown(const config::Station& station, const config::Bay& bay) {
    const auto& link = bay.controller;
    const auto row = [](std::string_view what, const std::string& value) {
        return fmt::format("| {} | {} |\n", what, value);
    };
    std::string text = "The station is the Modbus client; the equipment knows coils and inputs only. "
                       "`protocol/PERMISSIVE.md` "
                       "says under Coils how they are used, `deploy/plc/coils.st` has it in Structured Text, "
                       "whose names the "
                       "settings have here. For joints of class C only.\n\n| line | |\n|---|---|\n";
    text +=
        row("address of the equipment", markdown_cell(link.host)) +
        row("TCP port", fmt::format("{}", link.port)) + row("unit", fmt::format("{}", link.unit)) +
        row("functions", "1 (read coils), 2 (read discrete inputs), 5 (write single coil)") +
        row("pace", fmt::format("scan the program at least every {} ms", link.beat_interval.count())) +
        row("the station withholds",
            fmt::format("after {} ms without a good echo and heartbeat", link.echo_timeout.count())) +
        row("it releases again", fmt::format("after {} ms of both", link.settling.count())) +
        row("BeatLimit, after which the equipment withholds", time_literal(config::beat_timeout_of(link))) +
        row("HeartbeatTime", time_literal(heartbeat_time(link))) +
        row("MovedTime", time_literal(moved_time(link)));
    text += "\n| address | reference | table | permissive | name | direction | on | meaning |\n"
            "|---|---|---|---|---|---|---|---|\n";
    for (const ListedBit& bit : list_bits(bay))
        text += fmt::format("| {} | {} | {} | {} | {} | {} | {} | {} |\n", bit.address, reference_of_bit(bit),
                            table_name(bit.table), bit.permissive, bit.name,
                            bit.to_equipment ? "station to equipment" : "equipment to station",
                            bit.active_low ? "low" : "high", bit.meaning);
    for (const config::Permissive* permissive : permissives_of(station, bay))
        text += fmt::format("\n{} ({}) lets one movement happen: {}.{}\n", markdown_cell(permissive->name),
                            permissive->id, markdown_cell(permissive->movement),
                            permissive->leaving ? " With that the unit has left the bay." : "");
    text += "\nWhat coils do not keep:\n\n";
    for (const std::string_view loss : coil_losses())
        text += fmt::format("- {}\n", loss);
    return text;
}

std::string coils_as_csv(const config::Bay& bay) {
    std::string text;
    for (const ListedBit& bit : list_bits(bay))
        text += fmt::format(
            "{},{},{},{},{},{},{},{},{},0,{},bit,,{},{}\r\n", csv_field(bay.id), csv_field(bit.permissive),
            csv_field(bay.controller.host), bay.controller.port, bay.controller.unit, table_name(bit.table),
            bit.to_equipment ? "station to PLC" : "PLC to station", bit.address, reference_of_bit(bit),
            bit.name, csv_field(bit.meaning), bit.active_low ? "low" : "high");
    return text;
}

json coils_as_json(const config::Bay& bay) {
    const auto& link = bay.controller;
    json bits = json::array();
    for (const ListedBit& bit : list_bits(bay))
        bits.push_back({{"permissive", bit.permissive.empty() ? json(nullptr) : json(bit.permissive)},
                        {"table", bit.table == RegisterTable::coils ? "coils" : "discrete_inputs"},
                        {"address", bit.address},
                        {"reference", reference_of_bit(bit)},
                        {"name", bit.name},
                        {"to_equipment", bit.to_equipment},
                        {"active", bit.active_low ? "low" : "high"},
                        {"meaning", bit.meaning}});
    return {{"heartbeat_ms", heartbeat_time(link).count()},
            {"moved_ms", moved_time(link).count()},
            {"bits", bits},
            {"losses", coil_losses()}};
}

std::string coil_checklist(const config::Station& station, const config::Bay& bay) {
    const auto& link = bay.controller;
    const auto bits = list_bits(bay);
    const auto limit = config::beat_timeout_of(link).count();
    const auto at_equipment =
        fmt::format("nothing can move after at most {} ms and one scan; measured: ____ ms", limit);
    const auto at_station =
        fmt::format("the release coils are off after at most {} ms and one beat interval; "
                    "measured: ____ ms",
                    link.echo_timeout.count());
    std::string text = "\n### Coils\n\n";
    text +=
        task("every joint for which a permissive of this bay waits is of class C: who says so, and where");
    for (const ListedBit& bit : bits)
        text += task(fmt::format("{}{}: {} is wired and named as in the list",
                                 bit.permissive.empty() ? "" : bit.permissive + ", ", bit.name,
                                 in_brackets(bit)));
    text +=
        task(fmt::format("the settings are BeatLimit {}, HeartbeatTime {}, MovedTime {}",
                         time_literal(config::beat_timeout_of(link)), time_literal(heartbeat_time(link)),
                         time_literal(moved_time(link)))) +
        task("nobody else writes these coils: every other master and panel is named, and why it does not") +
        task("`tautgate health` shows the controller's link as good") +
        task("each MayMove stands in an AND wherever its movement can begin, and in an OR nowhere; places "
             "looked at:") +
        task("what coils do not keep (in the list of registers) was read, and is accepted by:");
    text += "\n### The line fails\n\nEach with everything released.\n\n";
    text += task("network cable pulled at the equipment: " + at_equipment);
    text += task("the same: " + at_station);
    text += task("cable back: nothing is released before the unit's ticket was scanned again");
    text +=
        task("alive coil held at ON, then at OFF, at the equipment: " + at_equipment + "; and " + at_station);
    text += task("echo held at ON, then at OFF: " + at_station);
    text += task("heartbeat held: " + at_station);
    text += task("service stopped in order: the release coils go off, and the alive coil stands still");
    text += task("power of the station's computer cut: " + at_equipment);
    text += task("power of the equipment cut with a unit in the bay: comes back withheld");
    text += "\n### Unit present\n\n";
    text += task("a unit that is set down, slowly and with a bounce, is counted as exactly 1 arrival");
    text += task("a unit that is taken away is counted as exactly 1 departure");
    text +=
        task("sensor unplugged, sensor covered, its fuse taken out: none of them shows a unit where there is "
             "none");
    for (const config::Permissive* permissive : permissives_of(station, bay))
        text += permissive_part(*permissive, bits);
    return text;
}

}  // namespace tautgate::cli
