#include "service/evaluation/judgement.hpp"

#include <algorithm>
#include <string>

namespace tautgate::evaluation {
namespace {

using config::AngleWindow;
using config::RiskClass;
using config::TorqueWindow;
using protocol::Absent;
using protocol::Angle;
using protocol::Measured;
using protocol::Reading;
using protocol::to_text;
using protocol::ToolVerdict;
using protocol::Torque;
using protocol::Unreadable;

template <class Quantity>
std::string range_text(Quantity min, Quantity max) {
    return to_text(min) + " to " + to_text(max);
}

std::string_view name_of(protocol::Unusable why) noexcept {
    switch (why) {
    case protocol::Unusable::not_a_number: return "not a number";
    case protocol::Unusable::infinite: return "infinite";
    case protocol::Unusable::negative: return "negative";
    case protocol::Unusable::too_large: return "too large";
    case protocol::Unusable::unreadable: return "unreadable";
    case protocol::Unusable::out_of_sensor_range: return "outside the sensor's range";
    }
    return "unreadable";
}

// What a finding does to the verdict.
enum class Weight { not_ok, not_decidable, undefined };

Weight weight_of(FindingCode code) noexcept {
    switch (code) {
    case FindingCode::aborted:
    case FindingCode::no_values: return Weight::undefined;
    case FindingCode::program_missing:
    case FindingCode::torque_missing:
    case FindingCode::torque_unusable:
    case FindingCode::angle_missing:
    case FindingCode::angle_unusable:
    case FindingCode::tool_verdict_missing:
    case FindingCode::out_of_tool_range:
    case FindingCode::curve_missing:
    case FindingCode::curve_damaged:
    case FindingCode::curve_changed:
    case FindingCode::curve_value_missing:
    case FindingCode::tool_overdue: return Weight::not_decidable;
    case FindingCode::wrong_program:
    case FindingCode::torque_low:
    case FindingCode::torque_high:
    case FindingCode::angle_low:
    case FindingCode::angle_high:
    case FindingCode::angle_without_torque:
    case FindingCode::torque_without_angle:
    case FindingCode::tool_says_not_ok:
    case FindingCode::verdicts_disagree:
    case FindingCode::tool_limits_differ:
    case FindingCode::not_loosened:
    case FindingCode::not_replaced:
    case FindingCode::attempts_used_up:
    case FindingCode::hand_check_outside:
    case FindingCode::curve_disagrees:
    case FindingCode::curve_target_outside:
    case FindingCode::curve_place_outside:
    case FindingCode::curve_rate_outside:
    case FindingCode::curve_prevailing_outside:
    case FindingCode::curve_clamp_outside:
    case FindingCode::curve_time_outside:
    case FindingCode::curve_yield_outside:
    case FindingCode::curve_no_yield:
    case FindingCode::too_early: return Weight::not_ok;
    }
    return Weight::not_ok;
}

template <class Quantity>
struct Codes {
    FindingCode low;
    FindingCode high;
    FindingCode missing;
    FindingCode unusable;
};

template <class Quantity>
void judge_quantity(const Measured<Quantity>& measured, Quantity min, Quantity max, Codes<Quantity> codes,
                    std::vector<Finding>& findings) {
    if (std::holds_alternative<Absent>(measured)) {
        findings.push_back({codes.missing, "", range_text(min, max)});
    } else if (const auto* unreadable = std::get_if<Unreadable>(&measured)) {
        findings.push_back({codes.unusable, std::string(name_of(unreadable->why)), range_text(min, max)});
    } else {
        const Quantity value = std::get<Quantity>(measured);
        if (value < min)
            findings.push_back({codes.low, to_text(value), range_text(min, max)});
        if (value > max)
            findings.push_back({codes.high, to_text(value), range_text(min, max)});
    }
}

void judge_torque(const TorqueWindow& window, const Reading& reading, std::vector<Finding>& findings) {
    judge_quantity<Torque>(reading.torque, window.min, window.max,
                           {FindingCode::torque_low, FindingCode::torque_high, FindingCode::torque_missing,
                            FindingCode::torque_unusable},
                           findings);
}

void judge_angle(const AngleWindow& window, const Reading& reading, std::vector<Finding>& findings) {
    judge_quantity<Angle>(reading.angle, window.min, window.max,
                          {FindingCode::angle_low, FindingCode::angle_high, FindingCode::angle_missing,
                           FindingCode::angle_unusable},
                          findings);
}

// Two patterns of their own, because the remedy differs: a stripped thread turns without getting tight, a
// crossed one is tight without turning.
void judge_pattern(const config::Window& window, const Reading& reading, std::vector<Finding>& findings) {
    const auto* torque = std::get_if<Torque>(&reading.torque);
    const auto* angle = std::get_if<Angle>(&reading.angle);
    if (torque == nullptr || angle == nullptr || !window.angle)
        return;
    const std::string both = to_text(*torque) + " at " + to_text(*angle);
    const bool loose = *torque < window.torque.min;
    const bool turned_on = *angle > window.angle->max;
    if (loose && turned_on) {
        findings.push_back({FindingCode::angle_without_torque, both, ""});
    }
    if (*torque >= window.torque.min && *angle < window.angle->min) {
        findings.push_back({FindingCode::torque_without_angle, both, ""});
    }
}

void judge_program(const config::Pass& pass, const Reading& reading, std::vector<Finding>& findings) {
    if (pass.program.empty() || pass.program == reading.program)
        return;
    // What the plan names is no limit within which a value is allowed, so both stand in what was found.
    if (reading.program.empty())
        findings.push_back({FindingCode::program_missing, "the plan names " + pass.program, ""});
    else
        findings.push_back({FindingCode::wrong_program,
                            "tool ran " + reading.program + "; the plan names " + pass.program, ""});
}

template <class Quantity>
bool differs(const std::optional<Quantity>& of_tool, Quantity ours) {
    return of_tool.has_value() && *of_tool != ours;
}

void judge_tool_limits(const config::Window& window, const Reading& reading, std::vector<Finding>& findings) {
    const auto& limits = reading.tool_limits;
    const auto show = [](const auto& limit) { return limit ? to_text(*limit) : std::string("open"); };
    if (differs(limits.torque_min, window.torque.min) || differs(limits.torque_max, window.torque.max)) {
        findings.push_back({FindingCode::tool_limits_differ,
                            show(limits.torque_min) + " to " + show(limits.torque_max),
                            range_text(window.torque.min, window.torque.max)});
    }
    if (window.angle &&
        (differs(limits.angle_min, window.angle->min) || differs(limits.angle_max, window.angle->max))) {
        findings.push_back({FindingCode::tool_limits_differ,
                            show(limits.angle_min) + " to " + show(limits.angle_max),
                            range_text(window.angle->min, window.angle->max)});
    }
}

void judge_tool_range(const config::Tool& tool, const Reading& reading, std::vector<Finding>& findings) {
    const auto* torque = std::get_if<Torque>(&reading.torque);
    if (torque == nullptr)
        return;
    if (*torque < tool.torque_min || *torque > tool.torque_max) {
        findings.push_back(
            {FindingCode::out_of_tool_range, to_text(*torque), range_text(tool.torque_min, tool.torque_max)});
    }
}

// Class A needs the tool's verdict beside ours; class B needs it where no second variable is measured.
bool needs_tool_verdict(const config::Joint& joint, const config::Pass& pass) noexcept {
    switch (joint.risk) {
    case RiskClass::a: return true;
    case RiskClass::b: return !pass.window.angle.has_value();
    case RiskClass::c: return false;
    }
    return true;
}

// Compared is the tool's verdict with ours on the values, before anything else is added.
void judge_tool_verdict(const config::Joint& joint, const config::Pass& pass, const Reading& reading,
                        std::vector<Finding>& findings) {
    // A station that cannot decide has no verdict with which the tool's could disagree.
    const Verdict ours = verdict_of(findings);
    switch (reading.tool_verdict) {
    case ToolVerdict::absent:
        if (needs_tool_verdict(joint, pass))
            findings.push_back({FindingCode::tool_verdict_missing, "", ""});
        return;
    case ToolVerdict::ok:
        if (ours == Verdict::not_ok)
            findings.push_back({FindingCode::verdicts_disagree, "tool: OK; station: not OK", ""});
        return;
    case ToolVerdict::not_ok:
        findings.push_back({FindingCode::tool_says_not_ok, reading.tool_reason, ""});
        if (ours == Verdict::ok)
            findings.push_back({FindingCode::verdicts_disagree, "tool: not OK; station: OK", ""});
        return;
    }
}

// A click is the tool's own word that its torque was reached; nothing is measured that could be judged beside
// it.
void judge_click(const Reading& reading, std::vector<Finding>& findings) {
    if (reading.aborted) {
        findings.push_back({FindingCode::aborted, reading.tool_reason, ""});
        return;
    }
    switch (reading.tool_verdict) {
    case ToolVerdict::absent: findings.push_back({FindingCode::no_values, "", ""}); return;
    case ToolVerdict::ok: return;
    case ToolVerdict::not_ok:
        findings.push_back({FindingCode::tool_says_not_ok, reading.tool_reason, ""});
        return;
    }
}

}  // namespace

// Nothing measured outweighs all else: there is no value on which "not OK" could rest.
Verdict verdict_of(const std::vector<Finding>& findings) noexcept {
    const auto any = [&](Weight weight) {
        return std::ranges::any_of(findings, [&](const Finding& f) { return weight_of(f.code) == weight; });
    };
    if (any(Weight::undefined))
        return Verdict::undefined;
    if (any(Weight::not_ok))
        return Verdict::not_ok;
    if (any(Weight::not_decidable))
        return Verdict::not_decidable;
    return Verdict::ok;
}

Judgement judge(const config::Joint& joint, const config::Pass& pass, const config::Tool& tool,
                const Reading& reading) {
    std::vector<Finding> findings;
    if (joint.method == config::Method::click) {
        judge_click(reading, findings);
        return {verdict_of(findings), std::move(findings)};
    }
    const bool nothing =
        std::holds_alternative<Absent>(reading.torque) && std::holds_alternative<Absent>(reading.angle);
    if (reading.aborted)
        findings.push_back({FindingCode::aborted, reading.tool_reason, ""});
    if (nothing && !reading.aborted)
        findings.push_back({FindingCode::no_values, "", ""});
    if (!nothing) {
        judge_torque(pass.window.torque, reading, findings);
        if (pass.window.angle)
            judge_angle(*pass.window.angle, reading, findings);
        judge_pattern(pass.window, reading, findings);
    }
    judge_tool_verdict(joint, pass, reading, findings);
    judge_program(pass, reading, findings);
    judge_tool_limits(pass.window, reading, findings);
    judge_tool_range(tool, reading, findings);
    const Verdict verdict = verdict_of(findings);
    return {verdict, std::move(findings)};
}

bool is_rehit(const config::Joint& joint, const config::Pass& pass, const Reading& reading) noexcept {
    if (!joint.rehit_angle_max || reading.aborted || reading.tool_verdict == ToolVerdict::not_ok)
        return false;
    if (!pass.program.empty() && pass.program != reading.program)
        return false;
    const auto* torque = std::get_if<Torque>(&reading.torque);
    const auto* angle = std::get_if<Angle>(&reading.angle);
    return torque != nullptr && angle != nullptr && *torque >= pass.window.torque.min &&
           *torque <= pass.window.torque.max && *angle <= *joint.rehit_angle_max;
}

FindingText text_of(FindingCode code) noexcept {
    switch (code) {
    case FindingCode::aborted:
        return {"the tightening was aborted before anything was measured", "tighten again"};
    case FindingCode::no_values:
        return {"the tool sent no values", "check what the tool is set to send, then tighten again"};
    case FindingCode::wrong_program:
        return {"the tool ran another program than the plan names", "select the right program on the tool"};
    case FindingCode::program_missing:
        return {"the tool did not name its program", "check what the tool is set to send"};
    case FindingCode::torque_low:
        return {"the torque is below the window",
                "look for an early stop or soft parts, then loosen and tighten again"};
    case FindingCode::torque_high:
        return {"the torque is above the window", "replace the fastener if the plan asks for it"};
    case FindingCode::angle_low:
        return {"the angle is below the window",
                "check for crossed thread, dirt or a bolt that was tight already"};
    case FindingCode::angle_high:
        return {"the angle is above the window", "check for a missing or soft part, or a stretched bolt"};
    case FindingCode::torque_missing: return {"the torque is missing", "check what the tool is set to send"};
    case FindingCode::torque_unusable: return {"the torque cannot be used", "check the tool's sensor"};
    case FindingCode::angle_missing: return {"the angle is missing", "check what the tool is set to send"};
    case FindingCode::angle_unusable: return {"the angle cannot be used", "check the tool's sensor"};
    case FindingCode::angle_without_torque:
        return {"it turned without getting tight",
                "look for a stripped thread or a missing part; do not just tighten on"};
    case FindingCode::torque_without_angle:
        return {"it got tight too early",
                "look for a crossed thread or a bolt that was tight already; loosen and start by hand"};
    case FindingCode::tool_says_not_ok: return {"the tool itself says not OK", "read the tool's reason"};
    case FindingCode::tool_verdict_missing:
        return {"the tool sent no verdict of its own, and this class of joint needs one",
                "check what the tool is set to send"};
    case FindingCode::verdicts_disagree:
        return {"tool and station judge differently", "compare the limits in the tool with the plan"};
    case FindingCode::tool_limits_differ:
        return {"the tool judged by other limits than the plan's", "bring the tool's program up to the plan"};
    case FindingCode::out_of_tool_range:
        return {"the torque lies outside the tool's capable range", "use a tool of the right size"};
    case FindingCode::tool_overdue:
        return {"the calibration of its tool was over or not known",
                "tighten with a calibrated tool, or let a supervisor verify it by hand"};
    case FindingCode::not_loosened:
        return {"it was tightened again without being loosened first", "loosen it, then tighten again"};
    case FindingCode::not_replaced:
        return {"it was tightened again without being replaced",
                "replace it and let a supervisor confirm that"};
    case FindingCode::attempts_used_up:
        return {"the attempts that the plan allows were used up", "call a supervisor"};
    case FindingCode::hand_check_outside:
        return {"the torque measured by hand is outside the audit limits",
                "call a supervisor; do not just tighten on"};
    case FindingCode::curve_missing:
        return {"its curve did not come", "check what the tool is set to send, then tighten again"};
    case FindingCode::curve_damaged:
        return {"its curve cannot be looked at", "check the tool and its link, then tighten again"};
    case FindingCode::curve_changed:
        return {"its curve came twice, with different content", "have the tool checked; call a supervisor"};
    case FindingCode::curve_value_missing:
        return {"its curve lacks what the pass limits", "check what the tool records, then tighten again"};
    case FindingCode::curve_disagrees:
        return {"the tool's values are not those of its curve", "have the tool checked"};
    case FindingCode::curve_target_outside:
        return {"by its curve it missed its target", "look for an early stop, then loosen and tighten again"};
    case FindingCode::curve_place_outside:
        return {"its curve is outside the limits on the way",
                "look at thread, parts and washer before it is tightened again"};
    case FindingCode::curve_rate_outside:
        return {"the torque did not rise as it does at this joint",
                "look whether it is the right bolt, with the right washer and coating"};
    case FindingCode::curve_prevailing_outside:
        return {"turning freely took a torque outside its limits",
                "look at the thread, and whether it is the right nut"};
    case FindingCode::curve_clamp_outside:
        return {"what is left of the torque for the joint is outside its limits",
                "look at the thread; loosen and tighten again"};
    case FindingCode::curve_time_outside:
        return {"the run took a time outside its limits", "look whether the tool was moved or stopped"};
    case FindingCode::curve_yield_outside:
        return {"it yielded outside the limits for that",
                "replace the bolt; look whether it is the right one"};
    case FindingCode::curve_no_yield:
        return {"it never yielded, and the pass tightens to yield", "look at the tool's program"};
    case FindingCode::too_early:
        return {"it was checked before the joint had relaxed for as long as it has to",
                "wait until the check is asked for, then check it again"};
    }
    return {"", ""};
}

}  // namespace tautgate::evaluation
