// Reasons about joints and steps: what is open, not OK, or waits for hands and decisions.
#include "tests/end_to_end/reason_stand.hpp"

#include <fmt/format.h>

#include "protocol/quantity.hpp"
#include "tools/simulation/wrench.hpp"

namespace tautgate::end_to_end {

using enum interlock::ReasonCode;
using nlohmann::json;
using simulation::Mishap;
using simulation::Where;

namespace {

const Where first_mount{"motor-mounts", 0, 0};
const Where first_bolt{"bracket-mirrored", 0, 0};

json override_of(int people, bool hand_checked_value) {
    return {{"people", people},
            {"roles", {"production_supervisor", "quality_engineer"}},
            {"hand_checked_value", hand_checked_value}};
}

// Of class A.
Told mount_told(std::string sentence, std::string remedy, std::string clears) {
    return {.sentence = std::move(sentence),
            .remedy = std::move(remedy),
            .clears = std::move(clears),
            .override_ = override_of(2, true),
            .joint = "Motor mounts",
            .fastener = "front left"};
}

Told open_told(Stand& stand) {
    stand.identified();
    Told told = mount_told("Motor mounts: 4 of 4 still to do in snug, next front left.",
                           "Tighten front left.", "by_itself");
    told.fastener.clear();
    told.facts = {{"open", "4"},
                  {"all", "4"},
                  {"pass", "snug"},
                  {"next", "front left"},
                  {"fasteners", "front left, rear right, front right, rear left"}};
    return told;
}

Told not_ok_told(Stand& stand) {
    stand.identified();
    const auto run = stand.turns(first_mount, Mishap::let_go_early);
    const auto resolution = stand.tool("NR-20").description().torque_resolution;
    const auto torque = protocol::torque_from_text(simulation::in_steps(run.torque, resolution.micro_nm),
                                                   protocol::TorqueUnit::newton_metre, resolution);
    stand.need(torque.has_value(), "the simulated torque is no number");
    const std::string found = protocol::to_text(*torque);
    const std::string allowed = "130 N·m to 170 N·m";
    Told told =
        mount_told("Motor mounts, front left: not OK, the torque is below the window (" + found +
                       "; allowed " + allowed + ").",
                   "look for an early stop or soft parts, then loosen and tighten again.", "by_itself");
    told.facts = {{"finding", "the torque is below the window"},
                  {"advice", "look for an early stop or soft parts, then loosen and tighten again"},
                  {"found", found},
                  {"allowed", allowed}};
    return told;
}

Told loosening_told(Stand& stand) {
    stand.identified();
    static_cast<void>(stand.turns(first_mount, Mishap::let_go_early));
    return mount_told("Motor mounts, front left: must be loosened before it is tightened again.",
                      "Loosen it with the tool, then tighten again.", "by_itself");
}

Told locked_told(Stand& stand) {
    stand.identified();
    static_cast<void>(stand.turns(first_mount, Mishap::let_go_early));
    stand.loosens(first_mount);
    static_cast<void>(stand.turns(first_mount, Mishap::let_go_early));
    return mount_told("Motor mounts, front left: the allowed attempts are used up.",
                      "A supervisor decides: one more attempt, override or rework.", "by_decision");
}

Told replacement_told(Stand& stand) {
    stand.identified("MB2");
    static_cast<void>(stand.turns(first_bolt, Mishap::let_go_early));
    return {.sentence = "Torque-arm bracket, mirrored, 1: the fastener must be replaced.",
            .remedy = "Replace it; a supervisor confirms that.",
            .clears = "by_decision",
            .override_ = override_of(1, false),
            .joint = "Torque-arm bracket, mirrored",
            .fastener = "1"};
}

Told check_told(Stand& stand) {
    stand.finished();
    return {.sentence = "Not confirmed yet: Cable clamps.",
            .remedy = "Do it and confirm it.",
            .clears = "by_itself",
            .facts = {{"step", "Cable clamps"}}};
}

void unlock(Stand& stand, const std::string& joint, const std::string& fastener) {
    stand.decides({{"unlock_fastener", {{"joint", joint}, {"fastener", fastener}}}});
}

void confirm_clamps(Stand& stand) {
    stand.floor().account().confirmed("cable-clamps");
    stand.need(stand.plant().crew().confirm(stand.plant().bay(), "cable-clamps"));
}

// From the first fastener on, which was low: loosened, and everything tightened.
void do_again(Stand& stand) {
    stand.loosens(first_mount);
    stand.need(stand.plant().shift().tighten("motor-mounts"), "the motor mounts are not tightened");
}

// The tool sends no curves, and the station waits for one.
Told awaited_told(Stand& stand) {
    stand.identified();
    static_cast<void>(stand.turns(first_mount));
    Told told = mount_told(
        "Motor mounts, front left: waiting for the curve of attempt 1 in snug.",
        "Wait until tool NR-20 has sent it; if it does not come, the attempt may not count.", "by_itself");
    told.tool = "NR-20";
    told.facts = {{"attempt", "1"}, {"pass", "snug"}};
    return told;
}

Told relaxing_told(Stand& stand) {
    stand.identified();
    stand.tightens_selected();
    return {.sentence = "Motor mounts: relaxes for 1 min before check may be made.",
            .remedy = "Wait; do not touch its fasteners until check is asked for.",
            .clears = "by_itself",
            .override_ = mount_told("", "", "").override_,
            .joint = "Motor mounts",
            .facts = {{"pass", "check"}, {"wait", "1 min"}}};
}

}  // namespace

// The time itself is waited for in passes_test.cpp.
const std::vector<ReasonCase>& check_cases() {
    static const std::vector<ReasonCase> cases{{check_waits,
                                                "a tight joint is held while it relaxes before its check",
                                                "lift-beam",
                                                {"check_waits"},
                                                relaxing_told,
                                                [](Stand& stand) {
                                                    stand.selects("motor-mounts", "front left");
                                                    stand.loosens(first_mount);
                                                }}};
    return cases;
}

const std::vector<ReasonCase>& curve_cases() {
    static const std::vector<ReasonCase> cases{{curve_awaited,
                                                "a good tightening is held until its curve came",
                                                "lift-beam",
                                                {"joint_open", "curve_awaited"},
                                                awaited_told,
                                                [](Stand& stand) { stand.loosens(first_mount); }}};
    return cases;
}

const std::vector<ReasonCase>& joint_cases() {
    const std::vector<std::string> low{"loosening_due", "joint_not_ok", "joint_open"};
    static const std::vector<ReasonCase> cases{
        {joint_open,
         "an open joint is held until all its fasteners are proven",
         "lift-beam",
         {"joint_open"},
         open_told,
         [](Stand& stand) {
             stand.need(stand.plant().shift().tighten("motor-mounts"), "the motor mounts are not tightened");
         },
         true},
        {loosening_due, "a bolt that was not OK is held until it is loosened", "lift-beam", low,
         loosening_told, [](Stand& stand) { stand.loosens(first_mount); }},
        {joint_not_ok, "a bolt that was not OK is held until it is done again", "lift-beam", low, not_ok_told,
         do_again, true},
        {fastener_locked,
         "used up attempts are held until a supervisor allows one more",
         "lift-beam",
         {"fastener_locked", "loosening_due", "joint_not_ok", "joint_open"},
         locked_told,
         [](Stand& stand) { unlock(stand, "motor-mounts", "front left"); }},
        {replacement_due,
         "a bolt to be replaced is held until a supervisor confirms that",
         "lift-beam",
         {"replacement_due", "joint_not_ok", "joint_open"},
         replacement_told,
         [](Stand& stand) {
             stand.floor().replace_bolt(first_bolt);
             unlock(stand, "bracket-mirrored", "1");
         }},
        {check_open,
         "an open check holds the way out until it is confirmed",
         "carrier",
         {"check_open"},
         check_told,
         confirm_clamps,
         true},
    };
    return cases;
}

}  // namespace tautgate::end_to_end
