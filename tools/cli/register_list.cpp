#include "tools/cli/register_list.hpp"

#include <span>
#include <utility>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/permissive_registers.hpp"
#include "service/interlock/reason.hpp"
#include "tools/cli/coil_list.hpp"
#include "tools/cli/text.hpp"

namespace tautgate::cli {
namespace {

using config::WireRole;
using nlohmann::json;
using protocol::RegisterText;

constexpr std::uint32_t reference_of_first = 400'001;

// Of the first four registers of either block.
std::optional<std::uint16_t> fixed_value(std::size_t offset, const config::Station& station,
                                         const config::Bay& bay, const config::Permissive& permissive) {
    switch (offset) {
    case 0: return protocol::layout_version;
    case 1: return station.number;
    case 2: return bay.number;
    case 3: return permissive.number;
    default: return std::nullopt;
    }
}

ListedBlock listed_block(std::span<const RegisterText> texts, std::uint32_t start,
                         const config::Station& station, const config::Bay& bay,
                         const config::Permissive& permissive) {
    ListedBlock block{.start = start, .registers = {}};
    for (const RegisterText& text : texts)
        for (std::size_t i = 0; i < text.registers; ++i) {
            const bool both = text.registers == 2;
            const std::string_view half = i == 0 ? "high word" : "low word";
            block.registers.push_back(
                {.address = start + static_cast<std::uint32_t>(text.offset + i),
                 .in_block = text.offset + i,
                 .name = both ? fmt::format("{}, {}", text.name, half) : std::string(text.name),
                 .type = both ? fmt::format("{} of uint32", half) : "uint16",
                 .always = fixed_value(text.offset + i, station, bay, permissive),
                 .meaning = text.meaning});
        }
    return block;
}

ListedBay listed_bay(const config::Station& station, const config::Bay& bay,
                     config::BayController controller) {
    ListedBay listed{.bay = &bay, .controller = std::move(controller), .permissives = {}};
    const config::ControllerLink& link = *listed.controller.link;
    for (const config::Permissive* permissive : listed.controller.permissives) {
        if (config::is_by_coils(bay)) {
            listed.permissives.push_back({.permissive = permissive, .to_plc = {}, .to_station = {}});
            continue;
        }
        const auto place = static_cast<std::uint32_t>(listed.permissives.size());
        const auto start_of = [&](std::uint16_t first, std::size_t length) {
            return first + place * static_cast<std::uint32_t>(length);
        };
        listed.permissives.push_back(
            {.permissive = permissive,
             .to_plc = listed_block(protocol::permissive_registers(),
                                    start_of(link.permissive_address, protocol::permissive_words), station,
                                    bay, *permissive),
             .to_station = listed_block(protocol::feedback_registers(),
                                        start_of(link.feedback_address, protocol::feedback_words), station,
                                        bay, *permissive)});
    }
    return listed;
}

std::string always_text(const ListedRegister& one) {
    return one.always ? fmt::format("{}", *one.always) : "";
}

// ---- Markdown -------------------------------------------------------------------------------------------

std::string who_asks(const config::ControllerLink& link) {
    switch (link.role) {
    case WireRole::client:
        return "The station is the Modbus client, the PLC the server: the station writes the permissive "
               "blocks "
               "into the PLC's holding registers and reads the feedback blocks there.";
    case WireRole::server:
        return "The station is the Modbus server, the PLC the client: the PLC reads the permissive blocks "
               "from "
               "the station and writes the feedback blocks to it, each block whole in one request.";
    }
    std::unreachable();
}

std::string pace(const config::ControllerLink& link) {
    switch (link.role) {
    case WireRole::client:
        return fmt::format("scan the PLC's program at least every {} ms", link.beat_interval.count());
    case WireRole::server:
        return fmt::format("read the permissive blocks at least every {} ms", link.beat_interval.count());
    }
    std::unreachable();
}

std::string link_table(const ListedBay& listed) {
    const auto& link = *listed.controller.link;
    const auto count = listed.permissives.size();
    const auto row = [](std::string_view what, const std::string& value) {
        return fmt::format("| {} | {} |\n", what, value);
    };
    const auto row_of_blocks = [&](std::string_view what, std::size_t length, std::uint16_t first) {
        return row(what, fmt::format("{} of {} registers, from {} ({}) on", count, length, first,
                                     reference_of(first)));
    };
    return "| line | |\n|---|---|\n" +
           row(link.role == WireRole::client ? "address of the PLC" : "address of the station",
               markdown_cell(link.host)) +
           row("TCP port", fmt::format("{}", link.port)) + row("unit", fmt::format("{}", link.unit)) +
           row("functions", "3 (read holding registers), 16 (write multiple registers)") +
           row_of_blocks("permissive blocks", protocol::permissive_words, link.permissive_address) +
           row_of_blocks("feedback blocks", protocol::feedback_words, link.feedback_address) +
           row("pace", pace(link)) +
           row("the station withholds",
               fmt::format("after {} ms without a good echo", link.echo_timeout.count())) +
           row("it releases again", fmt::format("after {} ms of good echoes", link.settling.count()));
}

std::string settings_table(const config::Station& station, const ListedBay& bay,
                           const config::Permissive& permissive) {
    return fmt::format("| setting | value |\n|---|---|\n| Station | {} |\n| Bay | {} |\n| Permissive | {} |\n"
                       "| OneShot | {} |\n| BeatLimit | {} |\n",
                       station.number, bay.bay->number, permissive.number,
                       permissive.one_shot ? "TRUE" : "FALSE",
                       time_literal(config::beat_timeout_of(*bay.controller.link)));
}

std::string block_table(std::string_view title, const ListedBlock& block) {
    std::string text =
        fmt::format("#### {}, from {} on\n\n| address | reference | in block | name | type | always | "
                    "meaning |\n|---|---|---|---|---|---|---|\n",
                    title, block.start);
    for (const ListedRegister& one : block.registers)
        text += fmt::format("| {} | {} | {} | {} | {} | {} | {} |\n", one.address, reference_of(one.address),
                            one.in_block, one.name, one.type, always_text(one), one.meaning);
    return text;
}

std::string consequence(const config::Permissive& permissive) {
    if (permissive.leaving)
        return " With that the unit has left the bay.";
    return permissive.moves_to.empty()
               ? ""
               : fmt::format(" With that the unit goes to bay {}, and keeps its token.", permissive.moves_to);
}

std::string permissive_section(const config::Station& station, const ListedBay& bay,
                               const ListedPermissive& listed) {
    const config::Permissive& permissive = *listed.permissive;
    return fmt::format("\n### {} ({})\n\nIt lets one movement happen: {}.{}\n\n{}\n{}\n{}",
                       markdown_cell(permissive.name), permissive.id, markdown_cell(permissive.movement),
                       consequence(permissive), settings_table(station, bay, permissive),
                       block_table("Permissive block, station to PLC", listed.to_plc),
                       block_table("Feedback block, PLC to station", listed.to_station));
}

std::string code_tables() {
    std::string text = "\n## State codes\n\n| code | meaning |\n|---|---|\n";
    for (const auto& code : protocol::state_code_texts())
        text += fmt::format("| 0x{:04X} | {} |\n", static_cast<unsigned>(code.code), code.meaning);
    text += "| any other | withheld |\n\n## Tokens\n\n| from | to | meaning |\n|---|---|---|\n";
    for (const auto& token : protocol::token_texts())
        text += fmt::format("| 0x{:08X} | 0x{:08X} | {} |\n", token.first, token.last, token.meaning);
    text += "\n## Fault numbers of the PLC\n\n| fault | meaning |\n|---|---|\n";
    for (const auto& fault : protocol::fault_texts())
        text += fmt::format("| {} | {} |\n", static_cast<unsigned>(fault.fault), fault.meaning);
    text +=
        "\n## Reason numbers, for a panel\n\nWhat is meant in full, and what helps, says `tautgate why`.\n\n"
        "| number | reason |\n|---|---|\n| 0 | none |\n";
    text += fmt::format("| {} | the station itself |\n", protocol::reason_of_station);
    for (const auto& reason : interlock::reason_table())
        text += fmt::format("| {} | {} |\n", static_cast<unsigned>(reason.code),
                            words(boost::describe::enum_to_string(reason.code, "unnamed")));
    return text;
}

// ---- CSV ------------------------------------------------------------------------------------------------

std::string csv_lines(const ListedBay& bay, const config::Permissive& permissive, std::string_view block,
                      std::string_view direction, const ListedBlock& listed) {
    const auto& link = *bay.controller.link;
    std::string text;
    for (const ListedRegister& one : listed.registers)
        text += fmt::format("{},{},{},{},{},{},{},{},{},{},{},{},{},{},\r\n", csv_field(bay.bay->id),
                            csv_field(permissive.id), csv_field(link.host), link.port, link.unit, block,
                            direction, one.address, reference_of(one.address), one.in_block,
                            csv_field(one.name), one.type, always_text(one), csv_field(one.meaning));
    return text;
}

// ---- JSON -----------------------------------------------------------------------------------------------

json block_view(const ListedBlock& block) {
    json registers = json::array();
    for (const ListedRegister& one : block.registers)
        registers.push_back({{"address", one.address},
                             {"reference", reference_of(one.address)},
                             {"in_block", one.in_block},
                             {"name", one.name},
                             {"type", one.type},
                             {"always", one.always ? json(*one.always) : json(nullptr)},
                             {"meaning", one.meaning}});
    return {{"start", block.start}, {"registers", registers}};
}

json bay_view(const ListedBay& listed) {
    const auto& link = *listed.controller.link;
    json permissives = json::array();
    for (const auto& one : listed.permissives) {
        permissives.push_back(
            {{"id", one.permissive->id},
             {"number", one.permissive->number},
             {"name", one.permissive->name},
             {"movement", one.permissive->movement},
             {"leaving", one.permissive->leaving},
             {"moves_to", one.permissive->moves_to.empty() ? json(nullptr) : json(one.permissive->moves_to)},
             {"one_shot", one.permissive->one_shot}});
        if (config::is_by_coils(*listed.bay))
            continue;
        permissives.back()["station_to_plc"] = block_view(one.to_plc);
        permissives.back()["plc_to_station"] = block_view(one.to_station);
    }
    json view{{"id", listed.bay->id},
              {"number", listed.bay->number},
              {"name", listed.bay->name},
              {"controller", listed.controller.id.empty() ? json(nullptr) : json(listed.controller.id)},
              {"station_is", link.role == WireRole::client ? "client" : "server"},
              {"host", link.host},
              {"port", link.port},
              {"unit", link.unit},
              {"beat_interval_ms", link.beat_interval.count()},
              {"beat_limit_ms", config::beat_timeout_of(link).count()},
              {"echo_timeout_ms", link.echo_timeout.count()},
              {"settling_ms", link.settling.count()},
              {"permissives", permissives}};
    if (config::is_by_coils(*listed.bay))
        view["coils"] = coils_as_json(*listed.bay);
    return view;
}

json code_views() {
    json codes = json::array();
    for (const auto& code : protocol::state_code_texts())
        codes.push_back({{"code", static_cast<unsigned>(code.code)}, {"meaning", code.meaning}});
    json tokens = json::array();
    for (const auto& token : protocol::token_texts())
        tokens.push_back({{"first", token.first}, {"last", token.last}, {"meaning", token.meaning}});
    json faults = json::array();
    for (const auto& fault : protocol::fault_texts())
        faults.push_back({{"fault", static_cast<unsigned>(fault.fault)}, {"meaning", fault.meaning}});
    json reasons = json::array({{{"number", protocol::reason_of_station}, {"code", "station"}}});
    for (const auto& reason : interlock::reason_table())
        reasons.push_back({{"number", static_cast<unsigned>(reason.code)},
                           {"code", boost::describe::enum_to_string(reason.code, "unnamed")}});
    return {{"state_codes", codes}, {"tokens", tokens}, {"faults", faults}, {"reasons", reasons}};
}

}  // namespace

std::vector<ListedBay> list_registers(const config::Station& station) {
    std::vector<ListedBay> bays;
    bays.reserve(station.bays.size());
    for (const config::Bay& bay : station.bays)
        for (config::BayController& controller : config::controllers_of(station, bay))
            bays.push_back(listed_bay(station, bay, std::move(controller)));
    return bays;
}

std::string csv_field(std::string_view text) {
    std::string shown = plain(text);
    if (shown.find_first_of("\",") == std::string::npos)
        return shown;
    std::string result = "\"";
    for (const char c : shown)
        result += c == '"' ? std::string("\"\"") : std::string(1, c);
    return result + '"';
}

std::uint32_t reference_of(std::uint32_t address) noexcept { return reference_of_first + address; }

std::string time_literal(std::chrono::milliseconds time) { return fmt::format("T#{}ms", time.count()); }

std::string markdown_cell(std::string_view text) {
    std::string result;
    for (const char c : plain(text)) {
        if (std::string_view("|*_`<[\\").find(c) != std::string_view::npos)
            result += '\\';
        result += c;
    }
    return result;
}

std::string heading_of(const ListedBay& listed) {
    std::string heading = fmt::format("Bay {} ({})", markdown_cell(listed.bay->name), listed.bay->id);
    return listed.bay->further_controllers.empty()
               ? heading
               : fmt::format("{}, {}", heading, config::name_of(listed.controller));
}

std::string markdown_head(std::string_view about, const config::Station& station, std::string_view source) {
    return fmt::format("# {} of {} ({})\n\n{}, station number {}. Made from {}; make it anew whenever that "
                       "changes.\n\n> **Caution.** {}\n\n",
                       about, markdown_cell(station.name), station.id, markdown_cell(station.site),
                       station.number, markdown_cell(source), protocol::caution_text());
}

std::string registers_as_markdown(const config::Station& station, std::string_view source) {
    std::string text = markdown_head("Registers", station, source);
    text +=
        "Addresses count from zero, as on the wire. A reference is what many PLC tools show for the same "
        "register: one "
        "more, with a 4 before it; some write it with one digit less (40001). All are holding registers; of "
        "32 "
        "bits the high word comes first. `protocol/PERMISSIVE.md` says how the PLC uses them, `deploy/plc/` "
        "has it in Structured Text, whose names the settings have here.\n";
    for (const ListedBay& listed : list_registers(station)) {
        if (config::is_by_coils(*listed.bay)) {
            text += fmt::format("\n## Bay {} ({})\n\n{}", markdown_cell(listed.bay->name), listed.bay->id,
                                coils_as_markdown(station, *listed.bay));
            continue;
        }
        text += fmt::format("\n## {}\n\n{}\n\n{}", heading_of(listed), who_asks(*listed.controller.link),
                            link_table(listed));
        for (const ListedPermissive& one : listed.permissives)
            text += permissive_section(station, listed, one);
    }
    return text + code_tables();
}

std::string registers_as_csv(const config::Station& station) {
    std::string text = "bay,permissive,host,port,unit,block,direction,address,reference,in_block,name,type,"
                       "always,meaning,active\r\n";
    for (const ListedBay& listed : list_registers(station)) {
        if (config::is_by_coils(*listed.bay)) {
            text += coils_as_csv(*listed.bay);
            continue;
        }
        for (const ListedPermissive& one : listed.permissives) {
            text += csv_lines(listed, *one.permissive, "permissive", "station to PLC", one.to_plc);
            text += csv_lines(listed, *one.permissive, "feedback", "PLC to station", one.to_station);
        }
    }
    return text;
}

json registers_as_json(const config::Station& station, std::string_view source) {
    json bays = json::array();
    for (const ListedBay& listed : list_registers(station))
        bays.push_back(bay_view(listed));
    json all{{"source", source},
             {"caution", protocol::caution_text()},
             {"station", {{"id", station.id}, {"number", station.number}, {"name", station.name}}},
             {"layout_version", protocol::layout_version},
             {"bays", bays}};
    all.update(code_views());
    return all;
}

}  // namespace tautgate::cli
