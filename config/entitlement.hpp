// Who may decide what, and how many of them: the authorisation matrix of a station, put together from what
// its description says and from what holds where it says nothing. Overrides and leaving incomplete have rules
// of their own (PeopleRules). Pure; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>
#include <vector>

#include "config/station.hpp"

namespace tautgate::config {

struct Entitlement {
    std::uint32_t people = 1;  // different ones who must agree
    std::vector<Role> roles;   // any of which each of them has
    bool operator==(const Entitlement&) const = default;
};

// A row for the class comes before one for every class, and that before what holds without any. `risk` is the
// class of the joint, or the worst of the unit's; none: it is about neither.
[[nodiscard]] Entitlement entitlement(const PeopleRules& people, DecisionKind what,
                                      std::optional<RiskClass> risk);

// As in a station's description: "assign_result".
[[nodiscard]] std::string_view name_of(DecisionKind what) noexcept;

// Whether it is about a joint or a unit, so that rows may differ by class.
[[nodiscard]] bool has_class(DecisionKind what) noexcept;
// Whether it may have to be decided while no unit is there, with which a first signature could wait.
[[nodiscard]] bool needs_no_unit(DecisionKind what) noexcept;
// The fewest people that any row may ask for.
[[nodiscard]] std::uint32_t fewest_people(DecisionKind what, std::optional<RiskClass> risk) noexcept;

}  // namespace tautgate::config
