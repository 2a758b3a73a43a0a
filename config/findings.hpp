// What the checks of a station share. Used by check*.cpp only.
#pragma once

#include <algorithm>
#include <chrono>
#include <functional>
#include <set>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "config/config_error.hpp"
#include "config/shortest_exchange.hpp"
#include "config/station.hpp"

namespace tautgate::config {

class Findings {
  public:
    void error(std::string pointer, std::string what, std::string remedy) {
        found_.push_back({Severity::error, std::move(pointer), std::move(what), std::move(remedy)});
    }
    void warning(std::string pointer, std::string what, std::string remedy) {
        found_.push_back({Severity::warning, std::move(pointer), std::move(what), std::move(remedy)});
    }
    [[nodiscard]] bool has_error() const {
        return std::any_of(found_.begin(), found_.end(),
                           [](const ConfigFinding& finding) { return finding.severity == Severity::error; });
    }
    [[nodiscard]] std::vector<ConfigFinding> take() { return std::move(found_); }

  private:
    std::vector<ConfigFinding> found_;
};

template <class Item>
const Item* by_id(const std::vector<Item>& items, std::string_view id) {
    const auto found =
        std::find_if(items.begin(), items.end(), [id](const Item& item) { return item.id == id; });
    return found == items.end() ? nullptr : &*found;
}

template <class Item>
std::vector<std::string> ids_of(const std::vector<Item>& items) {
    std::vector<std::string> ids;
    ids.reserve(items.size());
    for (const auto& item : items) {
        ids.push_back(item.id);
    }
    return ids;
}

// "there is no tool "NR-2""; the remedy lists the ids that exist.
template <class Item>
void check_reference(Findings& findings, const std::vector<Item>& items, const std::string& id,
                     std::string_view what, const std::string& pointer) {
    if (by_id(items, id) == nullptr) {
        const auto remedy = items.empty() ? fmt::format("describe it first; there is no {} yet", what)
                                          : fmt::format("give one of {}", fmt::join(ids_of(items), ", "));
        findings.error(pointer, fmt::format("there is no {} \"{}\"", what, id), remedy);
    }
}

// Reports each value that an earlier item of the list has already; `pointer_of(index)` names its place.
template <class Items, class ValueOf, class PointerOf>
void check_unique(Findings& findings, const Items& items, ValueOf value_of, PointerOf pointer_of,
                  std::string_view what) {
    for (std::size_t index = 0; index < items.size(); ++index) {
        for (std::size_t earlier = 0; earlier < index; ++earlier) {
            if (value_of(items[index]) == value_of(items[earlier])) {
                findings.error(pointer_of(index),
                               fmt::format("the {} {} is taken already, at {}", what, value_of(items[index]),
                                           pointer_of(earlier)),
                               "give each its own");
                break;
            }
        }
    }
}

[[nodiscard]] inline std::string_view letter(RiskClass risk) {
    switch (risk) {
    case RiskClass::a: return "A";
    case RiskClass::b: return "B";
    case RiskClass::c: return "C";
    }
    return "?";
}

// ---- bays that a unit moves between (check_moves.cpp) -----------------------------------------------------

// Where a unit at the bay may come, the bay itself included.
[[nodiscard]] std::set<std::string> bays_from(const Station& station, const std::string& bay);
// Whether a unit at the bay can leave the station by the movements that `is_way` names.
[[nodiscard]] bool comes_out(const Station& station, const std::string& bay,
                             const std::function<bool(const Permissive&)>& is_way);
// Whether a unit that stands at the bay passes one of these bays, before or afterwards.
[[nodiscard]] bool meets_tool(const Station& station, const std::set<std::string>& tools_at,
                              const std::string& bay);

// ---- other ways of doing a joint (check_alternates.cpp)
// ----------------------------------------------------

using CheckOfStation = std::vector<ConfigFinding> (*)(const Station& station);
// What `check` finds of the station as it is planned, and then of it with each joint done in each other way.
[[nodiscard]] std::vector<ConfigFinding> check_with_alternates(const Station& station, CheckOfStation check);

// Each fills in what it finds about its part of the station.
void check_alternates(Findings& findings, const Station& station);
// Roles that may do `what` ("approve an override"): somebody, and no operator.
void check_roles(Findings& findings, const std::vector<Role>& roles, const std::string& pointer,
                 std::string_view what);
void check_matrix(Findings& findings, const Station& station);
void check_addresses(Findings& findings, const Station& station);
void check_moves(Findings& findings, const Station& station);
// Permissives that wait for tools which the unit has not met. Told only where references are right.
void warn_of_tools_behind(Findings& findings, const Station& station);
void check_joint_alone(Findings& findings, const Joint& joint, const std::string& pointer);
void check_joint_tools(Findings& findings, const Station& station);
// What the passes want of curves, and whether the tools can send those.
void check_curves_alone(Findings& findings, const Joint& joint, const std::string& pointer);
void check_curves(Findings& findings, const Station& station);
// Friction and scatter that cannot be; and what bolt, tool and scatter make of the windows.
void check_design(Findings& findings, const Station& station);
void warn_of_design(Findings& findings, const Station& station);
// Equipment whose permissives are coils: what it must have, and what is lost, told of a station without
// errors.
void check_coils(Findings& findings, const Station& station);
void warn_of_coils(Findings& findings, const Station& station);
// Bits and registers that the station writes or reads at one device.
void check_bits(Findings& findings, const Station& station);
// Controllers of one bay: which permissives each has, and that nobody takes one for another.
void check_controllers(Findings& findings, const Station& station);
// Tools that the station lets run and stops, and those that bays share.
void check_control(Findings& findings, const Station& station);
void check_plans(Findings& findings, const Station& station);
void check_pair_and_variants(Findings& findings, const Station& station);
void check_devices(Findings& findings, const Station& station);
void check_io(Findings& findings, const Station& station);
// Tools that send frames.
void check_frames(Findings& findings, const Station& station);
// Programs that a pass names and the tool cannot tell.
void check_programs(Findings& findings, const Station& station);
// Names of programs that no pass has.
void warn_of_profiles(Findings& findings, const Station& station);
// Addresses that look like references of the other numbering.
void warn_of_references(Findings& findings, const Station& station);
// Joints, plans and kinds of ticket that nothing uses.
void warn_of_unused_plans_and_joints(Findings& findings, const Station& station);

// Of what tells whether a unit is there: an absence that lasts as long as an exchange must not pass unseen.
// Where the looks alone are too seldom, that is another finding.
inline void check_settles(Findings& findings, const std::string& pointer, std::chrono::milliseconds look,
                          std::chrono::milliseconds debounce) {
    const auto after = settled_after(look, debounce);
    if (look > slowest_look || after <= shortest_exchange)
        return;
    findings.error(
        pointer + "/debounce_ms",
        fmt::format("with {} ms and a look every {} ms a change is taken after {} ms only, and a unit "
                    "could be exchanged for another in {} ms",
                    debounce.count(), look.count(), after.count(), shortest_exchange.count()),
        "debounce for a shorter time, or look more often");
}

}  // namespace tautgate::config
