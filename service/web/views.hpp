// What the API shows: the station, why it is held, its health, its people, a unit's history, as JSON texts.
// Everything shown comes from the decided state, its rules and the reason table; nothing is worked out here a
// second time. Called by the loop; no I/O.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "service/history/unit_record.hpp"
#include "service/journal/stored_trace.hpp"
#include "service/people/roster.hpp"
#include "service/people/sign_ins.hpp"
#include "service/web/http.hpp"
#include "service/web/refusals.hpp"
#include "service/web/station_port.hpp"

namespace tautgate::web {

// The rules of the stay in the bay, or else those in force; nothing if there are none.
[[nodiscard]] const config::Station* rules_of(const StationPort& station, const interlock::BayId& bay);
[[nodiscard]] const config::Station* rules_in_force(const StationPort& station);
[[nodiscard]] const interlock::BayState* find_bay(const StationPort& station, std::string_view id);
// While no rules are in force the state knows no bay, and those of the file that waits for approval are held:
// such a bay, empty, with what the core says holds it.
[[nodiscard]] std::optional<interlock::BayState> bay_before_rules(const StationPort& station,
                                                                  std::string_view id);

[[nodiscard]] std::string_view name_of(domain::Role role) noexcept;
[[nodiscard]] std::optional<domain::Role> role_from(std::string_view name) noexcept;

[[nodiscard]] std::string station_view(const StationPort& station, const people::Roster& roster);
[[nodiscard]] std::string why_view(const StationPort& station, const interlock::BayState& bay);
[[nodiscard]] std::string health_view(const StationPort& station);
[[nodiscard]] std::string rules_view(const StationPort& station);
[[nodiscard]] std::string people_view(const StationPort& station, const people::Roster& roster,
                                      const people::SignIns& sign_ins);
[[nodiscard]] std::string unit_view(const history::UnitRecord& record, const people::Roster& roster);
// Those that wait to be built.
[[nodiscard]] std::string orders_view(const StationPort& station);
// One JSON object a line.
[[nodiscard]] std::string event_lines(const std::vector<StoredEvent>& events);

// What a changing call was about.
struct ReceiptFor {
    std::string where;
    const StationPort& station;
    RefusedAt at;
    std::optional<interlock::PersonNumber> enrolled;  // whom it enrolled
};
// The answer to a changing call, once it is durable. Refused becomes an error of status 409.
[[nodiscard]] Response receipt(const Recorded& recorded, const ReceiptFor& asked);

}  // namespace tautgate::web
