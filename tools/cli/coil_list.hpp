// The coils and inputs of a bay whose equipment knows nothing else, laid out for whoever connects it, and
// what is tried there. Made from the station's description alone; the bay must be by coils. Pure; any thread.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "config/station.hpp"

namespace tautgate::cli {

struct ListedBit {
    std::string permissive;  // empty: of the whole bay
    protocol::RegisterTable table = protocol::RegisterTable::coils;
    std::uint16_t address = 0;  // from zero, as on the wire
    std::string_view name;
    bool to_equipment = false;
    bool active_low = false;
    std::string_view meaning;
};

// Those at the equipment itself; what an I/O module tells is not among them.
[[nodiscard]] std::vector<ListedBit> list_bits(const config::Bay& bay);

// The one-based reference as many PLC tools write it: 1 for coil 0, 100001 for discrete input 0.
[[nodiscard]] std::string reference_of_bit(const ListedBit& bit);

[[nodiscard]] std::string coils_as_markdown(const config::Station& station, const config::Bay& bay);
[[nodiscard]] std::string coils_as_csv(const config::Bay& bay);  // lines of registers_as_csv
[[nodiscard]] nlohmann::json coils_as_json(const config::Bay& bay);

// Of the commissioning list, what coils need instead of what registers do; without the reasons to hold.
[[nodiscard]] std::string coil_checklist(const config::Station& station, const config::Bay& bay);

// What a release by coils does not keep that one by registers does.
[[nodiscard]] const std::vector<std::string_view>& coil_losses();

}  // namespace tautgate::cli
