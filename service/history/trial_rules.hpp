// A proposed station description, made fit to be tried on units of the past. Rules are the proposal's:
// windows, plans, classes, retries, scopes of permissives, who may decide. Equipment is as it was then: bays,
// links, tools, orders. What nobody was asked for then (a new joint, a new fastener, another pass) is left
// out and named: what would have come of it cannot be told, and is never guessed. Pure; any thread.
#pragma once

#include <compare>
#include <map>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/curve_measure.hpp"

namespace tautgate::history {

// Something of the proposal that past units say nothing about.
struct Untold {
    std::string about;  // "joint caps, fastener 9"
    std::string why;    // a clause
    auto operator<=>(const Untold&) const = default;
};

struct TrialRules {
    config::Station station;
    std::vector<std::string> gone_joints;  // ids: asked for then, and by the proposal no longer
    std::vector<std::string> gone_steps;
    std::vector<Untold> untold;  // in the order of the proposal
    // Tools of whose curves the proposal wants to know something else than was asked then, and what.
    std::map<std::string, std::vector<protocol::CurveMeasure>> curves_anew;
};

[[nodiscard]] TrialRules trial_rules(const config::Station& then, const config::Station& proposed);

}  // namespace tautgate::history
