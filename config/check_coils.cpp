// Equipment whose permissives are coils: that it tells what a coil does not carry, and what it may be used
// for.
#include <algorithm>
#include <string>
#include <variant>
#include <vector>

#include "config/findings.hpp"
#include "config/shortest_exchange.hpp"

namespace tautgate::config {

namespace {

// Inputs of I/O modules at the bay that tell of a unit, or of a movement of one permissive.
template <class Wanted>
std::size_t module_inputs(const Station& station, const Bay& bay, const Wanted& is_wanted) {
    std::size_t count = 0;
    for (const IoModule& module : station.io) {
        if (module.bay == bay.id) {
            count += static_cast<std::size_t>(
                std::count_if(module.inputs.begin(), module.inputs.end(), is_wanted));
        }
    }
    return count;
}

bool tells_presence(const IoInput& input) { return std::holds_alternative<PresentInput>(input.use); }

// A coil cannot say whether a unit is there or has moved; exactly one input must.
void check_told(Findings& findings, const std::string& pointer, std::string_view key, bool own,
                std::size_t of_modules) {
    const auto told = (own ? std::size_t{1} : std::size_t{0}) + of_modules;
    if (told == 0) {
        findings.error(
            pointer, fmt::format("nothing tells \"{}\", and a coil carries neither a unit nor a count", key),
            fmt::format("add \"{}\", or an input of an I/O module with that use", key));
    } else if (told > 1) {
        findings.error(pointer, fmt::format("{} inputs tell \"{}\"", told, key), "keep one of them");
    }
}

// ---- its permissives -----------------------------------------------------------------------------------

// Which joints a release of this permissive speaks for.
bool speaks_for(const Permissive& permissive, RiskClass risk) {
    switch (permissive.scope) {
    case Scope::every_joint:
    case Scope::stages: return true;  // any joint may be part of one
    case Scope::classes:
        return std::find(permissive.classes.begin(), permissive.classes.end(), risk) !=
               permissive.classes.end();
    }
    return true;
}

void check_class(Findings& findings, const Station& station, const Permissive& permissive,
                 const std::string& pointer) {
    const auto too_high = std::find_if(station.joints.begin(), station.joints.end(), [&](const Joint& joint) {
        return joint.risk != RiskClass::c && speaks_for(permissive, joint.risk);
    });
    const bool named = permissive.scope == Scope::classes &&
                       (speaks_for(permissive, RiskClass::a) || speaks_for(permissive, RiskClass::b));
    if (too_high == station.joints.end() && !named) {
        return;
    }
    const std::string about =
        too_high == station.joints.end()
            ? "joints of class A or B"
            : fmt::format("the joint \"{}\" of class {}", too_high->id, letter(too_high->risk));
    findings.error(
        pointer,
        fmt::format("\"{}\" waits for {}, but a coil does not say for which unit it is on; without "
                    "a waiver on record that serves class C only, and no waiver can be recorded yet",
                    permissive.id, about),
        "connect the equipment by registers, or give the permissive scope classes with [\"C\"]");
}

void check_point(Findings& findings, const Station& station, const Bay& bay, const CoilPoint& point,
                 const std::string& pointer) {
    const Permissive* permissive = by_id(station.permissives, point.permissive);
    if (permissive == nullptr) {
        return check_reference(findings, station.permissives, point.permissive, "permissive",
                               pointer + "/permissive");
    }
    if (permissive->bay != bay.id) {
        findings.error(pointer + "/permissive",
                       fmt::format("\"{}\" is a permissive of bay \"{}\"", permissive->id, permissive->bay),
                       "name a permissive of this bay");
        return;
    }
    if (!permissive->one_shot) {
        findings.error(pointer + "/permissive",
                       fmt::format("\"{}\" is not one-shot, and a coil that stays on would let the next unit "
                                   "move as well",
                                   permissive->id),
                       "add \"one_shot\": true to the permissive");
    }
    check_class(findings, station, *permissive, pointer + "/permissive");
    check_told(findings, pointer, "moved", point.moved.has_value(),
               module_inputs(station, bay, [&](const IoInput& input) {
                   const auto* moved = std::get_if<MovedInput>(&input.use);
                   return moved != nullptr && moved->permissive == point.permissive;
               }));
}

void check_points(Findings& findings, const Station& station, const Bay& bay, const CoilPlan& plan,
                  const std::string& pointer) {
    const auto at_point = [&](std::size_t index) { return fmt::format("{}/permissives/{}", pointer, index); };
    for (std::size_t index = 0; index < plan.permissives.size(); ++index) {
        check_point(findings, station, bay, plan.permissives[index], at_point(index));
    }
    check_unique(
        findings, plan.permissives,
        [](const CoilPoint& point) { return fmt::format("\"{}\"", point.permissive); },
        [&](std::size_t index) { return at_point(index) + "/permissive"; }, "permissive");
    for (const Permissive& permissive : station.permissives) {
        const bool listed =
            std::any_of(plan.permissives.begin(), plan.permissives.end(),
                        [&](const CoilPoint& point) { return point.permissive == permissive.id; });
        if (permissive.bay == bay.id && !listed) {
            findings.error(pointer + "/permissives",
                           fmt::format("the bay's permissive \"{}\" has no coil", permissive.id),
                           "list every permissive of the bay");
        }
    }
}

// ---- the bay -------------------------------------------------------------------------------------------

void check_coil_bay(Findings& findings, const Station& station, const Bay& bay, const std::string& pointer) {
    const CoilPlan& plan = *bay.controller.coils;
    const auto here = pointer + "/controller/coils";
    if (bay.controller.role != WireRole::client) {
        findings.error(pointer + "/controller/role", "coils are only written by the station",
                       "give client, or connect the equipment by registers");
    }
    check_settles(findings, here, bay.controller.beat_interval, plan.debounce);
    check_told(findings, here, "present", plan.present.has_value(),
               module_inputs(station, bay, tells_presence));
    check_points(findings, station, bay, plan, here);
}

}  // namespace

void check_coils(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        if (is_by_coils(station.bays[index])) {
            check_coil_bay(findings, station, station.bays[index], fmt::format("/bays/{}", index));
        }
    }
}

void warn_of_coils(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.bays.size(); ++index) {
        if (!is_by_coils(station.bays[index])) {
            continue;
        }
        findings.warning(
            fmt::format("/bays/{}/controller/coils", index),
            "a release by coils does not say for which unit it is on, has no check characters and "
            "no sequence, and says neither why it is withheld nor that a unit leaves incomplete; "
            "what passes while the line is down is not counted; the wiring cannot be tried",
            "connect the equipment by registers where it can do that (protocol/PERMISSIVE.md, Coils)");
    }
}

}  // namespace tautgate::config
