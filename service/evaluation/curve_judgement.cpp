#include "service/evaluation/curve_judgement.hpp"

#include <algorithm>
#include <optional>
#include <string>
#include <utility>

namespace tautgate::evaluation {
namespace {

using config::AngleOrigin;
using config::CurveTarget;
using config::CurveWindow;
using config::Limits;
using protocol::Angle;
using protocol::CurveMeasure;
using protocol::CurveOrigin;
using protocol::CurveReport;
using protocol::Torque;

// Where the angles of the window begin on a curve; nothing: it has none, or a curve does not show it.
std::optional<CurveOrigin> origin_of(const config::Window& window) {
    if (!window.angle)
        return std::nullopt;
    switch (window.angle->origin) {
    case AngleOrigin::start: return protocol::FromStart{};
    case AngleOrigin::threshold_torque:
        if (!window.angle->threshold)
            return std::nullopt;
        return protocol::FromThreshold{*window.angle->threshold};
    case AngleOrigin::snug_point: return protocol::FromSnug{};
    case AngleOrigin::step_change: return std::nullopt;
    }
    return std::nullopt;
}

CurveMeasure measure_of(const config::CurvePlace& place, const CurveOrigin& origin) {
    struct At {
        const CurveOrigin& origin;
        CurveMeasure operator()(const config::TorqueThere& there) const {
            return protocol::TorqueAtAngle{origin, there.at};
        }
        CurveMeasure operator()(const config::AngleThere& there) const {
            return protocol::AngleAtTorque{origin, there.at};
        }
    };
    return std::visit(At{origin}, place.limits);
}

void add_once(std::vector<CurveMeasure>& measures, const CurveMeasure& measure) {
    if (std::ranges::find(measures, measure) == measures.end())
        measures.push_back(measure);
}

// ---- judging --------------------------------------------------------------------------------------------

template <class Quantity>
std::string within(const Limits<Quantity>& limits) {
    return protocol::to_text(limits.min) + " to " + protocol::to_text(limits.max);
}

class CurveJudge {
  public:
    CurveJudge(const config::Window& window, const ToldValues& told, const CurveReport& report)
        : window_(window), told_(told), report_(report), origin_(origin_of(window)) {}

    std::vector<Finding> findings() && {
        const CurveWindow& curve = *window_.curve;
        agreement();
        target();
        for (const config::CurvePlace& place : curve.places)
            at_place(place);
        if (curve.rate && with_origin("the torque rate"))
            inside(protocol::TorqueRate{*origin_, curve.rate->from, curve.rate->to}, curve.rate->rate,
                   FindingCode::curve_rate_outside);
        if (curve.prevailing)
            inside(protocol::PrevailingTorque{}, *curve.prevailing, FindingCode::curve_prevailing_outside);
        if (curve.clamp)
            inside(protocol::ClampTorque{}, *curve.clamp, FindingCode::curve_clamp_outside);
        if (curve.time)
            inside(protocol::Duration{}, *curve.time, FindingCode::curve_time_outside);
        return std::move(findings_);
    }

  private:
    void lacks(const std::string& name, std::string_view why) {
        findings_.push_back({FindingCode::curve_value_missing, name + ": " + std::string(why), ""});
    }

    bool with_origin(const std::string& name) {
        if (!origin_)
            lacks(name, "from where its angles are counted is not known");
        return origin_.has_value();
    }

    // The value, or a finding about why there is none.
    template <class Quantity>
    std::optional<Quantity> value_of(const CurveMeasure& measure, const std::string& name) {
        const auto found = std::ranges::find(report_.values, measure, &protocol::MeasuredOnCurve::measure);
        if (found == report_.values.end()) {
            lacks(name, "it was not read from the curve");
            return std::nullopt;
        }
        if (const auto* none = std::get_if<protocol::Unmeasured>(&found->value)) {
            lacks(name, protocol::text_of(none->why));
            return std::nullopt;
        }
        const auto* value = std::get_if<Quantity>(&found->value);
        if (value == nullptr)
            lacks(name, "it was read as something else");
        return value == nullptr ? std::nullopt : std::optional(*value);
    }

    template <class Quantity>
    void inside(const CurveMeasure& measure, const Limits<Quantity>& limits, FindingCode code,
                const std::string& place = {}) {
        const std::string name = (place.empty() ? "" : place + ", ") + protocol::name_of(measure);
        const auto value = value_of<Quantity>(measure, name);
        if (value && (*value < limits.min || *value > limits.max))
            findings_.push_back({code, name + " " + protocol::to_text(*value), within(limits)});
    }

    void at_place(const config::CurvePlace& place) {
        if (!with_origin(place.name))
            return;
        const CurveMeasure measure = measure_of(place, *origin_);
        if (const auto* torque = std::get_if<config::TorqueThere>(&place.limits))
            inside(measure, torque->torque, FindingCode::curve_place_outside, place.name);
        else
            inside(measure, std::get<config::AngleThere>(place.limits).angle,
                   FindingCode::curve_place_outside, place.name);
    }

    void target() {
        switch (window_.curve->target) {
        case CurveTarget::torque:
            inside(protocol::FinalTorque{}, Limits<Torque>{window_.torque.min, window_.torque.max},
                   FindingCode::curve_target_outside);
            return;
        case CurveTarget::angle:
            if (with_origin("the final angle"))
                inside(protocol::FinalAngle{*origin_}, Limits<Angle>{window_.angle->min, window_.angle->max},
                       FindingCode::curve_target_outside);
            return;
        case CurveTarget::yield: yield(); return;
        }
    }

    void yield() {
        const CurveMeasure torque = protocol::YieldTorque{};
        const auto found = std::ranges::find(report_.values, torque, &protocol::MeasuredOnCurve::measure);
        if (found == report_.values.end())
            return lacks(protocol::name_of(torque), "it was not read from the curve");
        if (std::holds_alternative<protocol::Unmeasured>(found->value)) {
            findings_.push_back({FindingCode::curve_no_yield, "", ""});
            return;
        }
        const auto& limits = window_.curve->yield;
        if (limits && limits->torque)
            inside(torque, *limits->torque, FindingCode::curve_yield_outside);
        if (limits && limits->angle && with_origin("the yield point"))
            inside(protocol::YieldAngle{*origin_}, *limits->angle, FindingCode::curve_yield_outside);
    }

    // What the tool did not say, or could not, is judged elsewhere.
    void agreement() {
        const auto& tolerance = window_.curve->agreement;
        const CurveMeasure torque = protocol::FinalTorque{};
        if (const auto* said = std::get_if<Torque>(&told_.torque)) {
            const auto curve = value_of<Torque>(torque, protocol::name_of(torque));
            if (curve && beyond(*said, *curve, tolerance.torque_percent))
                disagrees(*said, *curve);
        }
        const auto* said = std::get_if<Angle>(&told_.angle);
        if (said == nullptr || !origin_)
            return;
        const CurveMeasure angle = protocol::FinalAngle{*origin_};
        const auto curve = value_of<Angle>(angle, protocol::name_of(angle));
        if (curve && std::abs(said->micro_deg - curve->micro_deg) > tolerance.angle.micro_deg)
            disagrees(*said, *curve);
    }

    // Of the curve's torque, by whole numbers: the share is known to a millionth of a percent.
    static bool beyond(Torque said, Torque curve, protocol::Decimal percent) {
        __extension__ using Wide = __int128;
        constexpr Wide all = 100'000'000;  // millionths of a percent
        const auto share = protocol::torque_from(percent, protocol::TorqueUnit::newton_metre, Torque{1});
        const Wide apart = std::abs(said.micro_nm - curve.micro_nm);
        return !share || apart * all > Wide{share->micro_nm} * std::abs(curve.micro_nm);
    }

    template <class Quantity>
    void disagrees(Quantity said, Quantity curve) {
        findings_.push_back({FindingCode::curve_disagrees,
                             "tool: " + protocol::to_text(said) + "; curve: " + protocol::to_text(curve),
                             ""});
    }

    const config::Window& window_;
    const ToldValues& told_;
    const CurveReport& report_;
    std::optional<CurveOrigin> origin_;
    std::vector<Finding> findings_;
};

// Named once, however many of the limits rest on it.
std::vector<Finding> each_once(std::vector<Finding> findings) {
    std::vector<Finding> once;
    for (Finding& finding : findings) {
        if (std::ranges::find(once, finding) == once.end())
            once.push_back(std::move(finding));
    }
    return once;
}

Judgement judged(std::vector<Finding> findings) {
    const Verdict verdict = verdict_of(findings);
    return {verdict, std::move(findings)};
}

}  // namespace

std::vector<CurveMeasure> measures_of(const config::Pass& pass) {
    std::vector<CurveMeasure> measures;
    if (!pass.window.curve)
        return measures;
    const CurveWindow& curve = *pass.window.curve;
    measures.emplace_back(protocol::FinalTorque{});
    if (const auto origin = origin_of(pass.window)) {
        measures.emplace_back(protocol::FinalAngle{*origin});
        for (const config::CurvePlace& place : curve.places)
            add_once(measures, measure_of(place, *origin));
        if (curve.rate)
            measures.emplace_back(protocol::TorqueRate{*origin, curve.rate->from, curve.rate->to});
        if (curve.yield && curve.yield->angle)
            measures.emplace_back(protocol::YieldAngle{*origin});
    }
    if (curve.prevailing)
        measures.emplace_back(protocol::PrevailingTorque{});
    if (curve.clamp)
        measures.emplace_back(protocol::ClampTorque{});
    if (curve.time)
        measures.emplace_back(protocol::Duration{});
    if (curve.target == CurveTarget::yield)
        measures.emplace_back(protocol::YieldTorque{});
    return measures;
}

namespace {

void add_measures(const config::Joint& joint, std::string_view tool, std::vector<CurveMeasure>& measures) {
    if (std::ranges::find(joint.tools, tool) == joint.tools.end())
        return;
    for (const config::Pass& pass : joint.passes) {
        for (const CurveMeasure& measure : measures_of(pass))
            add_once(measures, measure);
    }
}

}  // namespace

std::vector<CurveMeasure> measures_for(const config::Station& station, std::string_view tool) {
    std::vector<CurveMeasure> measures;
    for (const config::Joint& joint : station.joints) {
        add_measures(joint, tool, measures);
        for (const config::Joint& other : joint.alternates)
            add_measures(other, tool, measures);
    }
    return measures;
}

Judgement judge_curve(const config::Joint& joint, const config::Pass& pass, const ToldValues& told,
                      const CurveReport& report) {
    if (!report.fault)
        return judged(each_once(CurveJudge(pass.window, told, report).findings()));
    if (config::counts_without(joint, *pass.window.curve))
        return judged({});
    return judged({{FindingCode::curve_damaged, std::string(protocol::text_of(*report.fault)), ""}});
}

Judgement judge_without_curve(const config::Joint& joint, const config::Pass& pass, std::string_view why) {
    if (pass.window.curve && config::counts_without(joint, *pass.window.curve))
        return judged({});
    return judged({{FindingCode::curve_missing, std::string(why), ""}});
}

}  // namespace tautgate::evaluation
