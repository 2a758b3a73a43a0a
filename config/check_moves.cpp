// Movements that take a unit from one bay to another: where they lead, what a unit needs before them and on
// its way, and whether it comes out of the station in the end.
#include <algorithm>
#include <functional>
#include <set>

#include "config/findings.hpp"
#include "config/scope.hpp"

namespace tautgate::config {

namespace {

std::string at(std::size_t permissive, std::string_view key) {
    return fmt::format("/permissives/{}/{}", permissive, key);
}

void check_target(Findings& findings, const Station& station, std::size_t index) {
    const Permissive& permissive = station.permissives[index];
    check_reference(findings, station.bays, permissive.moves_to, "bay", at(index, "moves_to"));
    if (permissive.moves_to == permissive.bay) {
        findings.error(
            at(index, "moves_to"),
            fmt::format("the unit is at bay \"{}\" already, so it would move nowhere", permissive.bay),
            "name another bay, or leave the key out");
    }
    if (permissive.leaving) {
        findings.error(at(index, "moves_to"), "a movement that ends the stay takes the unit to no bay",
                       "give either \"leaving\": true or \"moves_to\"");
    }
    const Bay* from = by_id(station.bays, permissive.bay);
    const Bay* to = by_id(station.bays, permissive.moves_to);
    for (const Bay* end : {from, to}) {
        if (end != nullptr && is_by_coils(*end)) {
            findings.error(
                at(index, "moves_to"),
                fmt::format("the equipment of bay \"{}\" is spoken to by coils, which carry no token, "
                            "so that nothing would tell it which unit moves",
                            end->id),
                "move units only between bays whose controllers have registers");
        }
    }
    if (from != nullptr && to != nullptr && from->simulated != to->simulated) {
        findings.error(at(index, "moves_to"),
                       fmt::format("bay \"{}\" is simulated and bay \"{}\" is not, so what proves a unit at "
                                   "one would not prove it at the other",
                                   from->simulated ? from->id : to->id, from->simulated ? to->id : from->id),
                       "simulate both bays or neither");
    }
}

void check_through_stage(Findings& findings, const Station& station, std::size_t index) {
    const Permissive& permissive = station.permissives[index];
    if (permissive.scope != Scope::stages) {
        if (!permissive.through_stage.empty()) {
            findings.error(at(index, "through_stage"), "only the scope stages ends with a stage",
                           "remove it, or use the scope stages");
        }
        return;
    }
    if (permissive.through_stage.empty()) {
        findings.error(fmt::format("/permissives/{}", index),
                       "the scope names no stage, so it is not known what would have to be done",
                       "name the last stage in \"through_stage\"");
        return;
    }
    for (const Plan& plan : station.plans) {
        const auto named = std::ranges::count(plan.stages, permissive.through_stage, &Stage::name);
        if (named != 1) {
            findings.error(at(index, "through_stage"),
                           fmt::format("plan \"{}\" has {} \"{}\"", plan.id,
                                       named == 0 ? "no stage" : "more than one stage",
                                       permissive.through_stage),
                           "name a stage that each plan has once, since any unit may stand in the bay");
        }
    }
}

// A bay that is not described is told by itself; any may have been meant, and nothing else is wrong yet.
void add_target(std::set<std::string>& reached, const Station& station, const std::string& bay) {
    if (by_id(station.bays, bay) != nullptr) {
        reached.insert(bay);
        return;
    }
    for (const Bay& each : station.bays) {
        reached.insert(each.id);
    }
}

// Where a unit at the bay may come by the movements meant, the bay itself included.
std::set<std::string> bays_by(const Station& station, const std::string& bay,
                              const std::function<bool(const Permissive&)>& is_meant) {
    std::set<std::string> reached{bay};
    for (std::size_t known = 0; known != reached.size();) {
        known = reached.size();
        for (const Permissive& permissive : station.permissives) {
            if (!permissive.moves_to.empty() && reached.contains(permissive.bay) && is_meant(permissive)) {
                add_target(reached, station, permissive.moves_to);
            }
        }
    }
    return reached;
}

std::set<std::string> tool_bays(const Station& station, const Joint& joint) {
    std::set<std::string> bays;
    for (const std::string& id : joint.tools) {
        const Tool* tool = by_id(station.tools, id);
        for (const std::string& bay : tool == nullptr ? std::vector<std::string>{} : bays_of(*tool)) {
            bays.insert(bay);
        }
    }
    return bays;
}

bool any_in(const std::set<std::string>& some, const std::set<std::string>& others) {
    return std::ranges::any_of(some, [&](const std::string& one) { return others.contains(one); });
}

// The bays from which a unit may have come to this one, and this one.
std::set<std::string> before(const Station& station, const std::string& bay) {
    std::set<std::string> bays;
    for (const Bay& each : station.bays) {
        if (bays_from(station, each.id).contains(bay)) {
            bays.insert(each.id);
        }
    }
    return bays;
}

// A part of a plan that must be done before a movement is done with tools that the unit has met by then.
void warn_of_tools_to_come(Findings& findings, const Station& station, std::size_t index) {
    const Permissive& permissive = station.permissives[index];
    const std::set<std::string> met = before(station, permissive.bay);
    std::set<std::string> told;
    for (const Plan& plan : station.plans) {
        for (std::size_t stage = 0; stage < plan.stages.size(); ++stage) {
            for (const Step& step : plan.stages[stage].steps) {
                const auto* tighten = std::get_if<TightenStep>(&step);
                const Joint* joint = tighten == nullptr ? nullptr : by_id(station.joints, tighten->joint);
                if (joint == nullptr || joint->tools.empty() || !covers(permissive, plan, *joint, stage) ||
                    any_in(tool_bays(station, *joint), met) || !told.insert(joint->id).second) {
                    continue;
                }
                findings.warning(
                    fmt::format("/permissives/{}", index),
                    fmt::format(
                        "\"{}\" waits for the joint \"{}\", whose tools are neither at bay \"{}\" nor "
                        "at a bay from which a unit comes there",
                        permissive.id, joint->id, permissive.bay),
                    "let its scope end with an earlier stage, or add a tool of that bay");
            }
        }
    }
}

}  // namespace

std::set<std::string> bays_from(const Station& station, const std::string& bay) {
    return bays_by(station, bay, [](const Permissive&) { return true; });
}

bool meets_tool(const Station& station, const std::set<std::string>& tools_at, const std::string& bay) {
    return any_in(tools_at, bays_from(station, bay)) || any_in(tools_at, before(station, bay));
}

bool comes_out(const Station& station, const std::string& bay,
               const std::function<bool(const Permissive&)>& is_way) {
    return std::ranges::any_of(station.permissives, [&](const Permissive& permissive) {
        return permissive.leaving && is_way(permissive) &&
               bays_by(station, bay, is_way).contains(permissive.bay);
    });
}

void check_moves(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.permissives.size(); ++index) {
        check_through_stage(findings, station, index);
        if (!station.permissives[index].moves_to.empty()) {
            check_target(findings, station, index);
        }
    }
}

void warn_of_tools_behind(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.permissives.size(); ++index) {
        warn_of_tools_to_come(findings, station, index);
    }
}

}  // namespace tautgate::config
