// Judges one tightening against its spec window. The verdict has the four values of OPC 40001-101; only OK
// proves. Every violated limit is named, not just the first. Pure: no clock, no I/O; any thread.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "config/station.hpp"
#include "protocol/reading.hpp"

namespace tautgate::evaluation {

// OPC 40001-101 ResultEvaluation: ok, not ok, not decidable, undefined.
enum class Verdict : std::uint8_t { ok, not_ok, not_decidable, undefined };
TAUTGATE_ENUM(Verdict, ok, not_ok, not_decidable, undefined);

// What was found about one tightening. The names are stored in the journal: never rename one.
enum class FindingCode : std::uint8_t {
    aborted,          // ended before anything was measured
    no_values,        // neither torque nor angle was sent
    wrong_program,    // the tool ran another program than the plan names
    program_missing,  // the plan names a program and the tool named none
    torque_low,
    torque_high,
    angle_low,
    angle_high,
    torque_missing,
    torque_unusable,
    angle_missing,
    angle_unusable,
    angle_without_torque,  // turns without getting tight: stripped, or a part is missing
    torque_without_angle,  // tight too early: cross-threaded, or already tight
    tool_says_not_ok,
    tool_verdict_missing,  // the class needs the tool's own verdict
    verdicts_disagree,     // tool and station judge differently
    tool_limits_differ,    // the tool judged by other limits than the plan's
    out_of_tool_range,     // torque outside the tool's capable range
    // about the fastener's past, found by the interlock
    not_loosened,        // tightened again although a loosening had to be seen first
    not_replaced,        // tightened again although the fastener had to be replaced
    attempts_used_up,    // tightened again although the plan's attempts were used up
    hand_check_outside,  // a torque measured by hand afterwards was outside the audit limits
    // about the curve of a tightening whose values are good (curve_judgement.hpp)
    curve_missing,
    curve_damaged,         // it cannot be looked at
    curve_changed,         // it came twice, with different content
    curve_value_missing,   // it lacks a value that the pass limits
    curve_disagrees,       // tool and curve say different things
    curve_target_outside,  // what the tightening goes by, as the curve has it
    curve_place_outside,
    curve_rate_outside,
    curve_prevailing_outside,
    curve_clamp_outside,
    curve_time_outside,
    curve_yield_outside,
    curve_no_yield,
    too_early,    // checked before the joint had relaxed as long as it has to; found by the interlock
    tool_overdue  // the tool's calibration was over or not known; says nothing of the values, found by the
                  // interlock
};
TAUTGATE_ENUM(FindingCode, aborted, no_values, wrong_program, program_missing, torque_low, torque_high,
              angle_low, angle_high, torque_missing, torque_unusable, angle_missing, angle_unusable,
              angle_without_torque, torque_without_angle, tool_says_not_ok, tool_verdict_missing,
              verdicts_disagree, tool_limits_differ, out_of_tool_range, not_loosened, not_replaced,
              attempts_used_up, hand_check_outside, curve_missing, curve_damaged, curve_changed,
              curve_value_missing, curve_disagrees, curve_target_outside, curve_place_outside,
              curve_rate_outside, curve_prevailing_outside, curve_clamp_outside, curve_time_outside,
              curve_yield_outside, curve_no_yield, too_early, tool_overdue);

struct Finding {
    FindingCode code = FindingCode::aborted;
    std::string found;  // as people read it, with unit; empty where there is nothing to show
    std::string allowed;
    bool operator==(const Finding&) const = default;
};
TAUTGATE_FIELDS(Finding, code, found, allowed);

struct Judgement {
    Verdict verdict = Verdict::undefined;
    std::vector<Finding>
        findings;  // of a verdict that is ok none but tool_overdue, and then it proves nothing
    bool operator==(const Judgement&) const = default;
};
TAUTGATE_FIELDS(Judgement, verdict, findings);

// One sentence for people and the advice that goes with it.
struct FindingText {
    std::string_view sentence;
    std::string_view advice;
};
[[nodiscard]] FindingText text_of(FindingCode code) noexcept;

// What all of them together make of a tightening.
[[nodiscard]] Verdict verdict_of(const std::vector<Finding>& findings) noexcept;

[[nodiscard]] Judgement judge(const config::Joint& joint, const config::Pass& pass, const config::Tool& tool,
                              const protocol::Reading& reading);

// Torque inside the window with almost no angle: a fastener that was tight already. False where the joint
// states no re-hit angle, where the angle is not known, or where anything else speaks against the tightening.
[[nodiscard]] bool is_rehit(const config::Joint& joint, const config::Pass& pass,
                            const protocol::Reading& reading) noexcept;

}  // namespace tautgate::evaluation
