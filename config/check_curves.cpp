// What a pass wants of the curves of its tightenings: limits that can be met, places that a curve has, and
// tools that send curves at all.
#include "config/findings.hpp"

namespace tautgate::config {

namespace {

using protocol::to_text;

template <class Quantity>
void check_curve_limits(Findings& findings, const Limits<Quantity>& limits, const std::string& pointer,
                        std::string_view max_key = "max") {
    if (limits.max < limits.min) {
        findings.error(fmt::format("{}/{}", pointer, max_key),
                       fmt::format("{} is below min ({})", to_text(limits.max), to_text(limits.min)),
                       "give a max of at least the min");
    }
}

// ---- one pass ---------------------------------------------------------------------------------------------

// One pass and where its curve stands in the file.
struct CurveOf {
    const Joint& joint;
    const Window& window;
    const CurveWindow& curve;
    std::string pointer;
};

bool counts_angles(const CurveWindow& curve) {
    const bool angle_of_yield = curve.yield && curve.yield->angle;
    return !curve.places.empty() || curve.rate || angle_of_yield || curve.target == CurveTarget::angle;
}

// Without an origin an angle of a curve means nothing; and a curve does not say where the tool changed its
// step.
void check_origin(Findings& findings, const CurveOf& of) {
    if (!counts_angles(of.curve)) {
        return;
    }
    if (!of.window.angle) {
        findings.error(of.pointer, "it limits angles, and the window has no angle that says from where",
                       "add \"angle\" with its limits and origin to the window");
    } else if (of.window.angle->origin == AngleOrigin::step_change) {
        findings.error(of.pointer,
                       "it limits angles, and a curve does not show where the tool changes its step",
                       "count the angle of the window from threshold_torque, snug_point or start");
    }
}

void check_reach(Findings& findings, const CurveOf& of, Angle angle, const std::string& pointer) {
    if (of.window.angle && angle > of.window.angle->max) {
        findings.error(pointer,
                       fmt::format("{} is beyond the angle window (max {}), so no good curve comes that far",
                                   to_text(angle), to_text(of.window.angle->max)),
                       "give an angle within the window");
    }
}

void check_curve_place(Findings& findings, const CurveOf& of, const TorqueThere& there,
                       const std::string& pointer) {
    check_curve_limits(findings, there.torque, pointer + "/torque");
    check_reach(findings, of, there.at, pointer + "/at_angle");
}

void check_curve_place(Findings& findings, const CurveOf& of, const AngleThere& there,
                       const std::string& pointer) {
    check_curve_limits(findings, there.angle, pointer + "/angle");
    if (there.at > of.window.torque.max) {
        findings.error(pointer + "/at_torque",
                       fmt::format("{} is beyond the torque window (max {}), so no good curve comes that far",
                                   to_text(there.at), to_text(of.window.torque.max)),
                       "give a torque within the window");
    }
    check_reach(findings, of, there.angle.min, pointer + "/angle/min");
}

void check_places(Findings& findings, const CurveOf& of) {
    const auto pointer_of = [&](std::size_t index) { return fmt::format("{}/places/{}", of.pointer, index); };
    for (std::size_t index = 0; index < of.curve.places.size(); ++index) {
        std::visit([&](const auto& there) { check_curve_place(findings, of, there, pointer_of(index)); },
                   of.curve.places[index].limits);
    }
    check_unique(
        findings, of.curve.places, [](const CurvePlace& one) { return fmt::format("\"{}\"", one.name); },
        [&](std::size_t index) { return pointer_of(index) + "/name"; }, "name of a place");
}

void check_rate(Findings& findings, const CurveOf& of) {
    if (!of.curve.rate) {
        return;
    }
    const RateLimits& rate = *of.curve.rate;
    const auto here = of.pointer + "/rate";
    check_curve_limits(findings, rate.rate, here);
    if (rate.to <= rate.from) {
        findings.error(here + "/to",
                       fmt::format("{} is not beyond from ({})", to_text(rate.to), to_text(rate.from)),
                       "give two angles, the smaller one as from");
    } else {
        check_reach(findings, of, rate.to, here + "/to");
    }
}

// Prevailing torque and what is left of the final one have to add up to a torque of the window.
void check_compensation(Findings& findings, const CurveOf& of) {
    const CurveWindow& curve = of.curve;
    if (curve.prevailing) {
        check_curve_limits(findings, *curve.prevailing, of.pointer + "/prevailing");
        if (curve.prevailing->min >= of.window.torque.max) {
            findings.error(
                of.pointer + "/prevailing/min",
                fmt::format("{} is not below the torque window (max {}), so nothing would be left to "
                            "clamp",
                            to_text(curve.prevailing->min), to_text(of.window.torque.max)),
                "give a prevailing torque below the window");
        }
    }
    if (curve.clamp) {
        check_curve_limits(findings, *curve.clamp, of.pointer + "/clamp");
        if (curve.clamp->min > of.window.torque.max) {
            findings.error(of.pointer + "/clamp/min",
                           fmt::format("{} is above the torque window (max {}), so no good tightening has it",
                                       to_text(curve.clamp->min), to_text(of.window.torque.max)),
                           "give a min within the torque window");
        }
    }
}

void check_curve_target(Findings& findings, const CurveOf& of) {
    const CurveWindow& curve = of.curve;
    const bool to_yield = curve.target == CurveTarget::yield;
    if (curve.yield && !to_yield) {
        findings.error(of.pointer + "/yield",
                       "limits of the yield point mean something with target yield only",
                       "remove them or change the target");
    }
    if (to_yield && !of.window.angle) {
        findings.error(of.pointer + "/target",
                       "tightening to yield needs torque and angle monitored, and the window has no angle",
                       "add \"angle\" with its limits and origin to the window");
    }
    if (curve.yield && curve.yield->torque) {
        check_curve_limits(findings, *curve.yield->torque, of.pointer + "/yield/torque");
        if (curve.yield->torque->min > of.window.torque.max) {
            findings.error(of.pointer + "/yield/torque/min",
                           fmt::format("{} is above the torque window (max {})",
                                       to_text(curve.yield->torque->min), to_text(of.window.torque.max)),
                           "give a min within the torque window");
        }
    }
    if (curve.yield && curve.yield->angle) {
        check_curve_limits(findings, *curve.yield->angle, of.pointer + "/yield/angle");
        check_reach(findings, of, curve.yield->angle->min, of.pointer + "/yield/angle/min");
    }
    if (to_yield && !of.joint.retry.replace_fastener) {
        findings.warning(of.pointer + "/target",
                         "the pass stretches its bolts for good, and one that was not OK may be used again",
                         "add \"replace_fastener\": true to the retry of the joint");
    }
}

void check_agreement(Findings& findings, const CurveOf& of) {
    constexpr int whole = 100;
    const protocol::Decimal percent = of.curve.agreement.torque_percent;
    const auto as_torque = protocol::torque_from(percent, protocol::TorqueUnit::newton_metre, Torque{1});
    if (!as_torque || *as_torque > Torque{std::int64_t{whole} * 1'000'000}) {
        findings.error(of.pointer + "/agreement/torque_percent",
                       fmt::format("{} % is no tolerance", to_text(percent)), "give one from 0 to 100");
    }
}

void check_curve_of(Findings& findings, const CurveOf& of) {
    if (of.joint.risk == RiskClass::a && of.curve.without == WithoutCurve::accept) {
        findings.error(of.pointer + "/if_missing_or_damaged",
                       "class A counts nothing of which the curve is missing or damaged",
                       "give not_decidable");
    }
    if (of.curve.time)
        check_curve_limits(findings, *of.curve.time, of.pointer + "/time", "max_ms");
    check_origin(findings, of);
    check_places(findings, of);
    check_rate(findings, of);
    check_compensation(findings, of);
    check_curve_target(findings, of);
    check_agreement(findings, of);
}

// ---- the tools
// ----------------------------------------------------------------------------------------------

// What the curves of a tool have.
struct SentCurves {
    bool any = false;
    bool angle = false;
    bool times = false;
};

SentCurves sent_by(const Station& station, const Tool& tool) {
    if (std::holds_alternative<LineLink>(tool.link)) {
        return {true, true, true};  // as each of its curves says
    }
    if (const auto* profile = register_profile(station, tool); profile != nullptr && profile->trace) {
        const auto& trace = *profile->trace;
        return {true, trace.angle.has_value(), trace.interval_us || trace.interval || trace.time};
    }
    SentCurves sent;
    if (const auto* profile = frame_profile(station, tool)) {
        for (const auto& message : profile->messages) {
            if (const auto* trace = std::get_if<protocol::TraceMessage>(&message.what)) {
                const auto& layout = trace->layout;
                sent.any = true;
                sent.angle = sent.angle || layout.angle.has_value();
                sent.times = sent.times || layout.interval_us || layout.interval || layout.time;
            }
        }
    }
    return sent;
}

void check_sender(Findings& findings, const Tool& tool, const SentCurves& sent, const CurveWindow& curve,
                  const std::string& pointer) {
    const auto lacking = [&](const std::string& what) {
        findings.error(pointer, what,
                       "describe it in the tool's profile, choose another tool, or remove it here");
    };
    if (!sent.any) {
        lacking(fmt::format("tool \"{}\" of the joint cannot send curves, so none of its results would count",
                            tool.id));
    } else if (!sent.angle) {
        lacking(fmt::format("the curves of tool \"{}\" have no angle, so nothing could be read from them",
                            tool.id));
    } else if (curve.time && !sent.times) {
        lacking(fmt::format("the curves of tool \"{}\" have no times, and the time of the run is limited",
                            tool.id));
    }
}

}  // namespace

void check_curves_alone(Findings& findings, const Joint& joint, const std::string& pointer) {
    for (std::size_t pass = 0; pass < joint.passes.size(); ++pass) {
        const Window& window = joint.passes[pass].window;
        if (window.curve) {
            check_curve_of(findings, {joint, window, *window.curve,
                                      fmt::format("{}/passes/{}/window/curve", pointer, pass)});
        }
    }
}

void check_curves(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        const Joint& joint = station.joints[index];
        for (std::size_t pass = 0; pass < joint.passes.size(); ++pass) {
            const auto& curve = joint.passes[pass].window.curve;
            for (const std::string& id : joint.tools) {
                const Tool* tool = by_id(station.tools, id);
                if (!curve || tool == nullptr) {
                    continue;
                }
                check_sender(findings, *tool, sent_by(station, *tool), *curve,
                             fmt::format("/joints/{}/passes/{}/window/curve", index, pass));
            }
        }
    }
}

}  // namespace tautgate::config
