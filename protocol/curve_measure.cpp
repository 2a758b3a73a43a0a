#include "protocol/curve_measure.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace tautgate::protocol {
namespace {

constexpr double micro_units = 1e6;

// What lies in a curve, as exact as the samples let it be: degrees, N·m, N·m per degree, milliseconds.
using OnCurve = std::expected<double, CurveGap>;

std::int64_t in_steps(double value, std::int64_t step) {
    return std::llround(value * micro_units / static_cast<double>(step)) * step;
}

// The turn at which the torque comes up to the level first.
std::optional<double> reaches(const std::vector<CurvePoint>& samples, double level) {
    const auto behind =
        std::ranges::find_if(samples, [&](const CurvePoint& sample) { return sample.torque >= level; });
    if (behind == samples.end())
        return std::nullopt;
    if (behind == samples.begin())
        return behind->angle;
    const CurvePoint& before = *std::prev(behind);
    return std::lerp(before.angle, behind->angle, (level - before.torque) / (behind->torque - before.torque));
}

OnCurve torque_there(const std::vector<CurvePoint>& samples, double angle) {
    if (angle < samples.front().angle)
        return std::unexpected(CurveGap::before_beginning);
    if (angle > samples.back().angle)
        return std::unexpected(CurveGap::not_that_far);
    const auto behind =
        std::ranges::find_if(samples, [&](const CurvePoint& sample) { return sample.angle >= angle; });
    if (behind == samples.begin() || behind->angle == angle)
        return behind->torque;
    const CurvePoint& before = *std::prev(behind);
    return std::lerp(before.torque, behind->torque, (angle - before.angle) / (behind->angle - before.angle));
}

OnCurve duration_of(const Trace& trace) {
    constexpr double us_of_ms = 1000;
    const auto first = time_us_at(trace, 0);
    const auto last = time_us_at(trace, trace.samples() - 1);
    if (!first || !last)
        return std::unexpected(CurveGap::no_times);
    return static_cast<double>(*last - *first) / us_of_ms;
}

// One curve, and each of the measures on it.
class CurveReader {
  public:
    CurveReader(const Trace& trace, const Curve& curve, const CurveSteps& steps)
        : trace_(trace), samples_(curve.forward), peak_(curve.peak.torque), shape_(shape_of(curve)),
          steps_(steps) {}

    CurveValue operator()(const TorqueAtAngle& measure) const {
        const OnCurve from = place_of(measure.origin);
        return torque(from ? torque_there(samples_, *from + in_degrees(measure.at)) : from);
    }
    CurveValue operator()(const AngleAtTorque& measure) const {
        const auto there = reaches(samples_, in_newton_metres(measure.at));
        if (!there)
            return Unmeasured{CurveGap::torque_not_reached};
        return angle_at(*there, measure.origin);
    }
    CurveValue operator()(const TorqueRate& measure) const { return gradient(rate(measure)); }
    CurveValue operator()(const PrevailingTorque&) const { return torque(prevailing()); }
    CurveValue operator()(const ClampTorque&) const {
        const OnCurve free = prevailing();
        return torque(free ? OnCurve(peak_ - *free) : free);
    }
    CurveValue operator()(const Duration&) const {
        const OnCurve ms = duration_of(trace_);
        if (!ms)
            return Unmeasured{ms.error()};
        return RunTime{std::llround(*ms)};
    }
    CurveValue operator()(const YieldTorque&) const {
        return torque(shape_.yield ? OnCurve(shape_.yield->torque) : std::unexpected(CurveGap::no_yield));
    }
    CurveValue operator()(const YieldAngle& measure) const {
        if (!shape_.yield)
            return Unmeasured{CurveGap::no_yield};
        return angle_at(shape_.yield->angle, measure.origin);
    }
    CurveValue operator()(const FinalTorque&) const { return torque(peak_); }
    CurveValue operator()(const FinalAngle& measure) const {
        return angle_at(samples_.back().angle, measure.origin);
    }

  private:
    [[nodiscard]] OnCurve place_of(const CurveOrigin& origin) const {
        return std::visit([this](const auto& from) { return place(from); }, origin);
    }
    [[nodiscard]] OnCurve place(const FromStart&) const { return samples_.front().angle; }
    [[nodiscard]] OnCurve place(const FromThreshold& from) const {
        return or_missing(reaches(samples_, in_newton_metres(from.torque)));
    }
    [[nodiscard]] OnCurve place(const FromSnug&) const { return or_missing(shape_.snug); }

    static OnCurve or_missing(const std::optional<double>& angle) {
        return angle ? OnCurve(*angle) : std::unexpected(CurveGap::origin_not_reached);
    }

    [[nodiscard]] OnCurve prevailing() const {
        return shape_.ran_down ? OnCurve(shape_.prevailing) : std::unexpected(CurveGap::no_run_down);
    }

    [[nodiscard]] OnCurve rate(const TorqueRate& measure) const {
        const OnCurve origin = place_of(measure.origin);
        if (!origin)
            return origin;
        const double turned = in_degrees(measure.to) - in_degrees(measure.from);
        const OnCurve low = torque_there(samples_, *origin + in_degrees(measure.from));
        const OnCurve high = torque_there(samples_, *origin + in_degrees(measure.to));
        if (!low)
            return low;
        return high ? OnCurve((*high - *low) / turned) : high;
    }

    [[nodiscard]] CurveValue torque(const OnCurve& found) const {
        if (!found)
            return Unmeasured{found.error()};
        return Torque{in_steps(*found, steps_.torque.micro_nm)};
    }
    [[nodiscard]] CurveValue angle_at(double there, const CurveOrigin& origin) const {
        const OnCurve from = place_of(origin);
        if (!from)
            return Unmeasured{from.error()};
        return Angle{in_steps(there - *from, steps_.angle.micro_deg)};
    }
    static CurveValue gradient(const OnCurve& found) {
        if (!found)
            return Unmeasured{found.error()};
        return Gradient{in_steps(*found, 1)};
    }

    const Trace& trace_;
    const std::vector<CurvePoint>& samples_;
    double peak_;
    CurveShape shape_;
    CurveSteps steps_;
};

// How angles of the origin are told, or nothing: from the beginning.
std::string counted_from(const CurveOrigin& origin) {
    struct Words {
        std::string operator()(const FromStart&) const { return ""; }
        std::string operator()(const FromThreshold& from) const { return " after " + to_text(from.torque); }
        std::string operator()(const FromSnug&) const { return " after the snug point"; }
    };
    return std::visit(Words{}, origin);
}

struct MeasureName {
    std::string operator()(const TorqueAtAngle& m) const {
        return "torque at " + to_text(m.at) + counted_from(m.origin);
    }
    std::string operator()(const AngleAtTorque& m) const {
        return "angle at " + to_text(m.at) + counted_from(m.origin);
    }
    std::string operator()(const TorqueRate& m) const {
        return "torque rate from " + to_text(m.from) + " to " + to_text(m.to) + counted_from(m.origin);
    }
    std::string operator()(const PrevailingTorque&) const { return "prevailing torque"; }
    std::string operator()(const ClampTorque&) const { return "torque without the prevailing torque"; }
    std::string operator()(const Duration&) const { return "time of the run"; }
    std::string operator()(const YieldTorque&) const { return "torque at the yield point"; }
    std::string operator()(const YieldAngle& m) const {
        return "angle at the yield point" + counted_from(m.origin);
    }
    std::string operator()(const FinalTorque&) const { return "final torque"; }
    std::string operator()(const FinalAngle& m) const { return "final angle" + counted_from(m.origin); }
};

}  // namespace

std::string_view text_of(CurveGap gap) noexcept {
    switch (gap) {
    case CurveGap::origin_not_reached: return "the curve never comes to where the angle is counted from";
    case CurveGap::not_that_far: return "the curve ends before";
    case CurveGap::before_beginning: return "the curve begins later";
    case CurveGap::torque_not_reached: return "the curve never reaches that torque";
    case CurveGap::no_run_down: return "the curve has no run-down";
    case CurveGap::no_times: return "the curve has no times";
    case CurveGap::no_yield: return "the curve shows no yield point";
    }
    return "";
}

CurveReport measure(const Trace& trace, const std::vector<CurveMeasure>& measures, const CurveSteps& steps) {
    const auto curve = curve_of(trace);
    if (!curve)
        return {curve.error(), {}};
    const CurveReader reader(trace, *curve, steps);
    CurveReport report;
    report.values.reserve(measures.size());
    for (const CurveMeasure& wanted : measures)
        report.values.push_back({wanted, std::visit(reader, wanted)});
    return report;
}

std::string name_of(const CurveMeasure& measure) { return std::visit(MeasureName{}, measure); }

std::string to_text(Gradient gradient) { return to_text(Torque{gradient.micro_nm_per_deg}) + "/deg"; }
std::string to_text(RunTime time) { return std::to_string(time.ms) + " ms"; }

}  // namespace tautgate::protocol
