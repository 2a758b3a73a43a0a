#include "config/findings.hpp"

namespace tautgate::config {

namespace {

using protocol::to_text;

// The part of a window that torque and angle have in common.
template <class Limits>
void check_limits(Findings& findings, const Limits& limits, const std::string& pointer) {
    if (limits.max < limits.min) {
        findings.error(pointer + "/max",
                       fmt::format("{} is below min ({})", to_text(limits.max), to_text(limits.min)),
                       "give a max of at least the min");
    }
}

void check_torque_window(Findings& findings, const TorqueWindow& window, const std::string& pointer) {
    check_limits(findings, window, pointer);
    if (window.min <= Torque{0}) {
        findings.error(pointer + "/min",
                       fmt::format("{} would let an untightened fastener pass", to_text(window.min)),
                       "give a min above 0");
    }
    if (window.target && window.min <= window.max &&
        (*window.target < window.min || window.max < *window.target)) {
        findings.error(pointer + "/target",
                       fmt::format("{} is outside the window ({} to {})", to_text(*window.target),
                                   to_text(window.min), to_text(window.max)),
                       "give a target within min and max");
    }
}

void check_angle_window(Findings& findings, const Window& window, const std::string& pointer) {
    const AngleWindow& angle = *window.angle;
    check_limits(findings, angle, pointer);
    const bool wants_threshold = angle.origin == AngleOrigin::threshold_torque;
    if (wants_threshold && !angle.threshold) {
        findings.error(pointer, "the angle is counted from a threshold torque, but there is no threshold",
                       "add \"threshold\" with value and unit");
    }
    if (!wants_threshold && angle.threshold) {
        findings.error(pointer + "/threshold",
                       "a threshold means something with origin threshold_torque only",
                       "remove it or change the origin");
    }
    // A min of 0 is a fault of its own, or was not readable.
    if (wants_threshold && angle.threshold && window.torque.min > Torque{0} &&
        *angle.threshold >= window.torque.min) {
        findings.error(pointer + "/threshold",
                       fmt::format("{} is not below the torque window (min {})", to_text(*angle.threshold),
                                   to_text(window.torque.min)),
                       "give a threshold below the min torque");
    }
}

// One tightened twice must not count for two. Its angle tells that of every pass but a check, which a good
// fastener stands without turning: there it must be known which one it was.
void check_told_twice(Findings& findings, const Joint& joint, const Pass& pass, const std::string& here) {
    const bool counted = joint.placement == Placement::counted;
    const bool serious = joint.risk != RiskClass::c;
    if (pass.check && (counted || serious) && !knows_position(joint.placement)) {
        findings.error(
            here, "a good fastener hardly turns in a check pass, so one checked twice would count for two",
            "let tool, arm or operator tell the position (by_tool, by_arm, selected)");
    } else if (counted && serious && !pass.check && pass.window.angle && pass.window.angle->min <= Angle{0}) {
        findings.error(here + "/window/angle/min",
                       "with an angle of 0 one fastener tightened twice would count for two",
                       "give the angle that a good tightening turns at least, or list the fasteners");
    }
}

void check_passes(Findings& findings, const Joint& joint, const std::string& pointer) {
    if (joint.method == Method::click) {
        return;  // of a click nothing is measured, and no window judged
    }
    for (std::size_t index = 0; index < joint.passes.size(); ++index) {
        const Window& window = joint.passes[index].window;
        const auto here = fmt::format("{}/passes/{}/window", pointer, index);
        check_told_twice(findings, joint, joint.passes[index], fmt::format("{}/passes/{}", pointer, index));
        if (joint.passes[index].check && index == 0) {
            findings.error(fmt::format("{}/passes/0/check", pointer),
                           "the first pass has no pass before it that could be checked",
                           "put the pass that tightens before it, or remove \"check\"");
        }
        check_torque_window(findings, window.torque, here + "/torque");
        if (window.angle) {
            check_angle_window(findings, window, here + "/angle");
        } else if (joint.risk == RiskClass::a) {
            findings.error(here, "a class A joint needs torque and angle, and this window has no angle",
                           "add \"angle\" with its limits and origin");
        } else if (joint.placement == Placement::counted && joint.risk == RiskClass::b) {
            findings.error(here, "without an angle one fastener tightened twice would count for two",
                           "add \"angle\" with its limits and origin, or list the fasteners");
        }
        if (window.angle && !joint.passes[index].check && joint.rehit_angle_max &&
            *joint.rehit_angle_max >= window.angle->min) {
            findings.error(pointer + "/rehit_angle_max",
                           fmt::format("{} is not below the angle window of pass {} (min {})",
                                       to_text(*joint.rehit_angle_max), index, to_text(window.angle->min)),
                           "give an angle that no good tightening stays within");
        }
    }
    check_unique(
        findings, joint.passes, [](const Pass& pass) { return fmt::format("\"{}\"", pass.name); },
        [&](std::size_t index) { return fmt::format("{}/passes/{}/name", pointer, index); }, "pass name");
}

// Where nothing is measured, somebody else has to have seen it done.
bool serves_unmeasured(const Joint& joint) {
    return joint.risk == RiskClass::c ||
           (joint.risk == RiskClass::b && joint.alternate && joint.alternate->witness);
}
std::string_view remedy_unmeasured(const Joint& joint) {
    return joint.risk == RiskClass::b && joint.alternate
               ? "let somebody witness it, or use tightening with a tool that measures"
               : "use tightening with a tool that measures, or show that the joint is class C";
}

// A click says that a torque was reached, not which, and not at which fastener; it never says that one was
// loosened.
void check_click(Findings& findings, const Joint& joint, const std::string& pointer) {
    if (!serves_unmeasured(joint)) {
        findings.error(
            pointer + "/method",
            fmt::format("a click is no proof for class {}, since nothing is measured", letter(joint.risk)),
            std::string(remedy_unmeasured(joint)));
    }
    if (joint.placement == Placement::by_tool) {
        findings.error(pointer + "/placement", "a click does not say at which fastener it was",
                       "give listed, counted, by_arm or selected");
    }
    if (joint.rehit_angle_max) {
        findings.error(pointer + "/rehit_angle_max", "a click has no angle", "remove it");
    }
    if (joint.retry.loosening_between) {
        findings.error(pointer + "/retry/loosening_between", "a click never tells of a loosening",
                       "remove it");
    }
}

void check_method(Findings& findings, const Joint& joint, const std::string& pointer) {
    if (joint.method == Method::click) {
        check_click(findings, joint, pointer);
    }
    if (joint.method == Method::confirmed_check) {
        if (!serves_unmeasured(joint)) {
            findings.error(pointer + "/method",
                           fmt::format("a confirmed check is no proof for class {}", letter(joint.risk)),
                           std::string(remedy_unmeasured(joint)));
        }
        if (!joint.passes.empty()) {
            findings.error(pointer + "/passes", "a confirmed check has no passes",
                           "remove them, or use the method tightening");
        }
        if (!joint.tools.empty()) {
            findings.error(pointer + "/tools", "a confirmed check is bound to no tool",
                           "remove them, or use the method tightening");
        }
        return;
    }
    if (joint.passes.empty()) {
        findings.error(pointer, "there is no pass, so nothing could prove the joint",
                       "add at least one pass");
    }
    if (joint.tools.empty()) {
        findings.error(pointer, "no tool may tighten the joint", "add at least one tool");
    }
}

// ---- joint and tool together ------------------------------------------------------------------------------

std::string nearest_steps(std::int64_t micro, std::int64_t step, const auto& make) {
    const std::int64_t below = micro / step * step;
    return fmt::format("give {} or {}", to_text(make(below)), to_text(make(below + step)));
}

void check_step(Findings& findings, Torque limit, const Tool& tool, const std::string& pointer) {
    const auto step = tool.torque_resolution.micro_nm;
    if (step > 0 && limit.micro_nm % step != 0) {
        findings.error(pointer,
                       fmt::format("{} is no multiple of {}, the resolution of tool \"{}\"", to_text(limit),
                                   to_text(tool.torque_resolution), tool.id),
                       nearest_steps(limit.micro_nm, step, [](std::int64_t value) { return Torque{value}; }));
    }
}

void check_step(Findings& findings, Angle limit, const Tool& tool, const std::string& pointer) {
    const auto step = tool.angle_resolution.micro_deg;
    if (step > 0 && limit.micro_deg % step != 0) {
        findings.error(pointer,
                       fmt::format("{} is no multiple of {}, the resolution of tool \"{}\"", to_text(limit),
                                   to_text(tool.angle_resolution), tool.id),
                       nearest_steps(limit.micro_deg, step, [](std::int64_t value) { return Angle{value}; }));
    }
}

void check_fit(Findings& findings, const Window& window, const Tool& tool, const std::string& pointer) {
    const TorqueWindow& torque = window.torque;
    const auto range = fmt::format("the range of tool \"{}\" ({} to {})", tool.id, to_text(tool.torque_min),
                                   to_text(tool.torque_max));
    constexpr auto remedy = "narrow the window or choose a tool that covers it";
    if (torque.min < tool.torque_min) {
        findings.error(pointer + "/torque/min", fmt::format("{} is below {}", to_text(torque.min), range),
                       remedy);
    }
    if (torque.max > tool.torque_max) {
        findings.error(pointer + "/torque/max", fmt::format("{} is above {}", to_text(torque.max), range),
                       remedy);
    }
    check_step(findings, torque.min, tool, pointer + "/torque/min");
    check_step(findings, torque.max, tool, pointer + "/torque/max");
    if (window.angle) {
        check_step(findings, window.angle->min, tool, pointer + "/angle/min");
        check_step(findings, window.angle->max, tool, pointer + "/angle/max");
    }
}

// What a profile says that a result of the tool has.
struct Reported {
    bool torque = false;
    bool angle = false;
    bool verdict = false;
    bool program = false;
    bool position = false;
};

Reported reported_by(const protocol::RegisterProfile& profile) {
    return {.torque = profile.torque.has_value(),
            .angle = profile.angle.has_value(),
            .verdict = profile.verdict.has_value(),
            .program = profile.program || profile.program_text,
            .position = profile.position.has_value()};
}

Reported reported_by(const protocol::FrameProfile& profile) {
    const auto* result = protocol::result_of(profile);
    if (result == nullptr) {
        return {true, true, true, true, true};  // the check of the profile says so
    }
    return {.torque = result->torque.has_value(),
            .angle = result->angle.has_value(),
            .verdict = result->verdict.has_value(),
            .program = result->program.has_value(),
            .position = result->position.has_value()};
}

// What the tool must report, or every result would lack something that the joint needs.
void check_profile_serves(Findings& findings, const Joint& joint, const Tool& tool,
                          const NamedProfile& profile, const std::string& pointer) {
    const auto lacking = [&](std::string_view what, std::string_view why) {
        findings.error(pointer,
                       fmt::format("the profile \"{}\" of tool \"{}\" has no {}, and {}", profile.id, tool.id,
                                   what, why),
                       "add it to the profile or choose another tool");
    };
    const auto any_pass = [&joint](auto has) {
        return std::any_of(joint.passes.begin(), joint.passes.end(), has);
    };
    const Reported has = std::visit([](const auto& one) { return reported_by(one); }, profile.profile);
    if (!has.torque) {
        lacking("torque", "every window has one");
    }
    if (!has.angle && any_pass([](const Pass& pass) { return pass.window.angle.has_value(); })) {
        lacking("angle", "a window of the joint has one");
    }
    if (!has.verdict && joint.risk == RiskClass::a) {
        lacking("verdict", "class A needs the tool's own");
    }
    if (!has.program && any_pass([](const Pass& pass) { return !pass.program.empty(); })) {
        lacking("program", "a pass names one");
    }
    if (!has.position && joint.placement == Placement::by_tool) {
        lacking("position", "the tool is to say which fastener it was");
    }
}

void check_arm_of(Findings& findings, const Station& station, const Joint& joint, const std::string& tool,
                  const std::string& pointer) {
    if (joint.placement == Placement::by_arm && arms_of(station, tool) == 0) {
        findings.error(pointer, fmt::format("no input says where the arm of tool \"{}\" is", tool),
                       "add an input with \"arm\" to an I/O module, or choose another placement");
    }
}

void check_tools_of(Findings& findings, const Station& station, const Joint& joint,
                    const std::string& pointer) {
    std::set<std::string> bays;
    for (std::size_t index = 0; index < joint.tools.size(); ++index) {
        const auto here = fmt::format("{}/tools/{}", pointer, index);
        check_reference(findings, station.tools, joint.tools[index], "tool", here);
        const Tool* tool = by_id(station.tools, joint.tools[index]);
        if (tool == nullptr) {
            continue;
        }
        for (const std::string& bay : bays_of(*tool)) {
            bays.insert(bay);
        }
        check_arm_of(findings, station, joint, tool->id, here);
        const bool clicks = std::holds_alternative<PulseLink>(tool->link);
        if (clicks != (joint.method == Method::click)) {
            findings.error(
                here,
                clicks
                    ? fmt::format("tool \"{}\" only clicks, and the joint is proven by tightening", tool->id)
                    : fmt::format("tool \"{}\" measures, and the joint is proven by a click", tool->id),
                clicks ? "choose a tool that measures, or give the joint the method click"
                       : "choose a tool with a pulse link, or give the joint the method tightening");
        }
        if (clicks || joint.method == Method::click) {
            continue;  // nothing is measured that a window could be compared with
        }
        for (std::size_t pass = 0; pass < joint.passes.size(); ++pass) {
            check_fit(findings, joint.passes[pass].window, *tool,
                      fmt::format("{}/passes/{}/window", pointer, pass));
        }
        const std::string* named = profile_id(*tool);
        const NamedProfile* profile = named == nullptr ? nullptr : by_id(station.profiles, *named);
        if (profile != nullptr) {
            check_profile_serves(findings, joint, *tool, *profile, here);
        }
    }
    check_unique(
        findings, joint.tools, [](const std::string& id) { return fmt::format("\"{}\"", id); },
        [&](std::size_t index) { return fmt::format("{}/tools/{}", pointer, index); }, "tool");
    for (const auto& bay : station.bays) {
        if (!bays.empty() && !meets_tool(station, bays, bay.id)) {
            findings.error(pointer + "/tools", fmt::format("none of the tools is at bay \"{}\"", bay.id),
                           "add a tool of that bay, since a unit may stand in any bay");
        }
    }
}

}  // namespace

void check_joint_alone(Findings& findings, const Joint& joint, const std::string& pointer) {
    check_method(findings, joint, pointer);
    check_passes(findings, joint, pointer);
    check_curves_alone(findings, joint, pointer);
    if (joint.fasteners.empty()) {
        findings.error(pointer + "/fasteners", "the joint has no fastener", "list its fasteners");
    }
    if (joint.retry.attempts == 0) {
        findings.error(pointer + "/retry/attempts", "with 0 attempts no fastener could ever be tightened",
                       "give at least 1");
    }
    if (joint.audit) {
        check_torque_window(findings, *joint.audit, pointer + "/audit");
    }
    check_unique(
        findings, joint.fasteners,
        [](const Fastener& fastener) { return fmt::format("\"{}\"", fastener.name); },
        [&](std::size_t index) { return fmt::format("{}/fasteners/{}/name", pointer, index); },
        "fastener name");
}

void check_joint_tools(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        check_tools_of(findings, station, station.joints[index], fmt::format("/joints/{}", index));
    }
}

}  // namespace tautgate::config
