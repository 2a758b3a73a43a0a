// What a person reads: answers of the service (service/web/openapi.json describes them) as tables and
// sentences. Nothing is judged here; every word of a reason comes from the decision itself. A value that is
// missing or of another kind than described shows as "-", so that a newer service can still be read. Pure;
// any thread.
#pragma once

#include <map>
#include <string>
#include <string_view>
#include <vector>

#include <nlohmann/json_fwd.hpp>

namespace tautgate::cli {

struct Style {
    bool colours = false;
    std::size_t screen = 0;  // characters in a line; 0: as many as it takes
};

// What a stored event says by a place in a list, by its name: of each joint the names of its fasteners and
// passes, in order.
struct JointNames {
    std::vector<std::string> fasteners;
    std::vector<std::string> passes;
};
using NamesOfJoints = std::map<std::string, JointNames>;
// Of the units that stand at the station, from GET /v1/station.
[[nodiscard]] NamesOfJoints names_of_joints(const nlohmann::json& station);
// The joints that an event speaks of.
[[nodiscard]] std::vector<std::string> joints_in(const nlohmann::json& event);

// GET /v1/station
[[nodiscard]] std::string state_text(const nlohmann::json& station, Style style);
// GET /v1/bays/{bay}/why
[[nodiscard]] std::string why_text(const nlohmann::json& why, Style style);
// GET /v1/past-why
[[nodiscard]] std::string past_why_text(const nlohmann::json& why, Style style);
// Why a scan counted for nothing, without what is said before it here anyway.
[[nodiscard]] std::string scan_words(const std::string& sentence);
// Whether anything of that answer is held; so is whatever it does not show as free.
[[nodiscard]] bool anything_held(const nlohmann::json& why);
// GET /v1/units/{serial}
[[nodiscard]] std::string unit_text(const nlohmann::json& unit, Style style);
// GET /v1/orders
// GET /v1/bypasses/{event}/units.
[[nodiscard]] std::string bypassed_text(const nlohmann::json& answer, Style style);
[[nodiscard]] std::string orders_text(const nlohmann::json& orders, Style style);
// The answer to POST /v1/orders with one order, accepted or rejected
[[nodiscard]] std::string typed_order_text(const nlohmann::json& answer);
// GET /v1/health
[[nodiscard]] std::string health_text(const nlohmann::json& health, Style style);
// GET /v1/rules
[[nodiscard]] std::string rules_text(const nlohmann::json& rules);
// GET /v1/people
[[nodiscard]] std::string people_text(const nlohmann::json& people, Style style);
// One line of GET /v1/events, and a further one for each permissive whose output or reasons changed with it.
[[nodiscard]] std::string event_text(const nlohmann::json& event, Style style,
                                     const NamesOfJoints& names = {});
// An error answer as one sentence for a person: what, where, why, remedy. Paths and headers of the API become
// the words of this program.
[[nodiscard]] std::string error_text(const nlohmann::json& error, unsigned status);

// The value under a key as text; "" where there is none.
[[nodiscard]] std::string text_at(const nlohmann::json& object, std::string_view key);
// The value under a key; null where there is none or `object` is no object.
[[nodiscard]] const nlohmann::json& at(const nlohmann::json& object, std::string_view key);

}  // namespace tautgate::cli
