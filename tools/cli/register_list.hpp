// The registers of a station's permissives, laid out for whoever programs the equipment's controller: every
// register with its address, the numbers to copy, and what the codes mean. Made from the station's
// description alone; the words are those of protocol/permissive_registers.hpp. Pure; any thread.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "config/controllers.hpp"
#include "config/station.hpp"

namespace tautgate::cli {

struct ListedRegister {
    std::uint32_t address = 0;  // from zero, as on the wire
    std::size_t in_block = 0;   // offset from the start of its block
    std::string name;           // "token, high word"
    std::string type;
    std::optional<std::uint16_t> always;  // the value that never changes
    std::string_view meaning;
};

struct ListedBlock {
    std::uint32_t start = 0;
    std::vector<ListedRegister> registers;
};

struct ListedPermissive {
    const config::Permissive* permissive = nullptr;
    ListedBlock to_plc;
    ListedBlock to_station;
};

// A bay and one of its controllers, with what that carries.
struct ListedBay {
    const config::Bay* bay = nullptr;
    config::BayController controller;
    std::vector<ListedPermissive> permissives;  // in the order of their blocks; empty ones of a bay by coils
};

// Every bay of the station, once for each of its controllers, the main one first. The station must outlive
// the list.
[[nodiscard]] std::vector<ListedBay> list_registers(const config::Station& station);

// "Bay B1 (B1)", and which of its controllers where there are several.
[[nodiscard]] std::string heading_of(const ListedBay& listed);
// The one-based reference of a holding register as many PLC tools write it: 400001 for address 0.
[[nodiscard]] std::uint32_t reference_of(std::uint32_t address) noexcept;
// As in a file of the controller: T#500ms.
[[nodiscard]] std::string time_literal(std::chrono::milliseconds time);
// As RFC 4180 has it, on one line.
[[nodiscard]] std::string csv_field(std::string_view text);
// Text of the description for a line or a cell of Markdown.
[[nodiscard]] std::string markdown_cell(std::string_view text);

// The first lines of a document about the station, with the caution; `about` is "Registers". `source` is the
// name of the file that the station was read from, here and below.
[[nodiscard]] std::string markdown_head(std::string_view about, const config::Station& station,
                                        std::string_view source);
[[nodiscard]] std::string registers_as_markdown(const config::Station& station, std::string_view source);
// RFC 4180, one line for each register.
[[nodiscard]] std::string registers_as_csv(const config::Station& station);
[[nodiscard]] nlohmann::json registers_as_json(const config::Station& station, std::string_view source);

}  // namespace tautgate::cli
