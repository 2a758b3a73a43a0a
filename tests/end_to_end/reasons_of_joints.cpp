// Reasons about joints and steps: what is open, not OK, or waits for hands and decisions.
#include "tests/end_to_end/reason_stand.hpp"

#include <chrono>

#include <fmt/format.h>

#include "protocol/quantity.hpp"
#include "protocol/utc.hpp"
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

const std::string bypassed_joint = first_bolt.joint;

void bypass(Stand& stand) {
    const auto until = std::chrono::system_clock::now() + std::chrono::hours(2);
    stand.decides_as(
        "quality_engineer",
        {{"place_bypass",
          {{"joint", bypassed_joint},
           {"alternate", "hand-wrench"},
           {"until",
            protocol::utc_text(
                std::chrono::duration_cast<std::chrono::microseconds>(until.time_since_epoch()).count())},
           {"units", 5}}}});
}
void end_bypass(Stand& stand) { stand.decides({{"end_bypass", {{"joint", bypassed_joint}}}}); }
void verify_restart(Stand& stand) {
    stand.decides_as(
        "quality_engineer",
        {{"verify_restart", {{"joint", bypassed_joint}, {"verified", "six bolts of a test plate"}}}});
}

Told restart_told(Stand& stand) {
    bypass(stand);
    end_bypass(stand);
    stand.identified("MB2");
    const auto station = stand.plant().crew().api().get("/v1/station");
    stand.need(station.has_value(), "the station does not answer");
    const auto ended = std::to_string(station->body.at("bypasses").at(0).at("ended").get<std::uint64_t>());
    return {.sentence = "Torque-arm bracket, mirrored: it was done as Setting wrench by hand until event " +
                        ended + ", and nobody has verified that it can be done as planned again.",
            .remedy =
                "Try what was out of order, then let an entitled person record how; or bypass it again.",
            .clears = "by_decision",
            .joint = "Torque-arm bracket, mirrored",
            .facts = {{"way", "Setting wrench by hand"}, {"alternate", "hand-wrench"}, {"ended", ended}}};
}

// Somebody says that it is done, and is the one who did it.
Told unwitnessed_told(Stand& stand) {
    bypass(stand);
    stand.identified("MB2");
    stand.need(stand.plant().crew().confirm(stand.plant().bay(), bypassed_joint));
    return {.sentence =
                "Torque-arm bracket, mirrored: done as Setting wrench by hand, and nobody has witnessed it.",
            .remedy = "Somebody who did not do it looks at it and records that.",
            .clears = "by_decision",
            .override_ = override_of(1, false),
            .joint = "Torque-arm bracket, mirrored",
            .facts = {{"way", "Setting wrench by hand"}}};
}

// The next case begins without a bypass.
void witness(Stand& stand) {
    // The simulated floor knows nothing of wrenches that no tool tells of: people vouch for the joint.
    stand.floor().account().overridden(bypassed_joint);
    stand.decides({{"witness_joint", {{"joint", bypassed_joint}}}});
    end_bypass(stand);
    verify_restart(stand);
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

const std::vector<ReasonCase>& bypass_cases() {
    static const std::vector<ReasonCase> cases{
        {restart_unverified,
         "a joint that is done as planned again is held until the restart is verified",
         "lift-beam",
         {"restart_unverified", "joint_open"},
         restart_told,
         verify_restart},
        {witness_missing,
         "a joint that is done as a watched way is held until somebody else has seen it done",
         "lift-beam",
         {"witness_missing"},
         unwitnessed_told,
         witness,
         true},
    };
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
