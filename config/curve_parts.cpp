#include <utility>

#include "config/parts.hpp"

namespace tautgate::config {

namespace {

using protocol::Gradient;
using protocol::RunTime;

struct RawTorqueLimits {
    protocol::TorqueUnit unit = protocol::TorqueUnit::newton_metre;
    std::string min;
    std::string max;
};

auto torque_limits() {
    auto shape = Shape<RawTorqueLimits>()
                     .required("unit", &RawTorqueLimits::unit, torque_unit_word())
                     .required("min", &RawTorqueLimits::min, Digits{})
                     .required("max", &RawTorqueLimits::max, Digits{});
    const auto convert = [](const RawTorqueLimits& raw, Errors& errors, const Node& node,
                            const std::string& pointer, Limits<Torque>& out) {
        read_torque(errors, *node.find("min"), pointer + "/min", raw.min, raw.unit, out.min);
        read_torque(errors, *node.find("max"), pointer + "/max", raw.max, raw.unit, out.max);
    };
    return Converted{std::move(shape), convert};
}

struct RawAngleLimits {
    DegreeWord unit;
    std::string min;
    std::string max;
};

auto angle_limits() {
    auto shape = Shape<RawAngleLimits>()
                     .required("unit", &RawAngleLimits::unit, degree_word())
                     .required("min", &RawAngleLimits::min, Digits{})
                     .required("max", &RawAngleLimits::max, Digits{});
    const auto convert = [](const RawAngleLimits& raw, Errors& errors, const Node& node,
                            const std::string& pointer, Limits<Angle>& out) {
        read_angle(errors, *node.find("min"), pointer + "/min", raw.min, out.min);
        read_angle(errors, *node.find("max"), pointer + "/max", raw.max, out.max);
    };
    return Converted{std::move(shape), convert};
}

// Either the torque at an angle, or the angle at a torque.
struct RawCurvePlace {
    std::string name;
    std::optional<Angle> at_angle;
    std::optional<Limits<Torque>> torque;
    std::optional<Torque> at_torque;
    std::optional<Limits<Angle>> angle;
};

auto curve_place() {
    auto shape = Shape<RawCurvePlace>()
                     .required("name", &RawCurvePlace::name, Text())
                     .optional("at_angle", &RawCurvePlace::at_angle, AngleQuantity{})
                     .optional("torque", &RawCurvePlace::torque, torque_limits())
                     .optional("at_torque", &RawCurvePlace::at_torque, TorqueQuantity{})
                     .optional("angle", &RawCurvePlace::angle, angle_limits());
    const auto convert = [](const RawCurvePlace& raw, Errors& errors, const Node& node,
                            const std::string& pointer, CurvePlace& out) {
        const bool of_torque = raw.at_angle && raw.torque && !raw.at_torque && !raw.angle;
        const bool of_angle = raw.at_torque && raw.angle && !raw.at_angle && !raw.torque;
        out.name = raw.name;
        if (of_torque)
            out.limits = TorqueThere{*raw.at_angle, *raw.torque};
        else if (of_angle)
            out.limits = AngleThere{*raw.at_torque, *raw.angle};
        else
            errors.add(node, pointer, "the place names neither a torque at an angle nor an angle at a torque",
                       "give at_angle and torque, or at_torque and angle");
    };
    return Converted{std::move(shape), convert};
}

struct RawRate {
    Angle from;
    Angle to;
    protocol::TorqueUnit unit = protocol::TorqueUnit::newton_metre;
    std::string min;
    std::string max;
};

// A rate is read as the torque of one degree.
auto rate_limits() {
    auto shape = Shape<RawRate>()
                     .required("from", &RawRate::from, AngleQuantity{})
                     .required("to", &RawRate::to, AngleQuantity{})
                     .required("unit", &RawRate::unit, torque_unit_word())
                     .required("min", &RawRate::min, Digits{})
                     .required("max", &RawRate::max, Digits{});
    const auto convert = [](const RawRate& raw, Errors& errors, const Node& node, const std::string& pointer,
                            RateLimits& out) {
        Torque min;
        Torque max;
        read_torque(errors, *node.find("min"), pointer + "/min", raw.min, raw.unit, min);
        read_torque(errors, *node.find("max"), pointer + "/max", raw.max, raw.unit, max);
        out = {raw.from, raw.to, {Gradient{min.micro_nm}, Gradient{max.micro_nm}}};
    };
    return Converted{std::move(shape), convert};
}

struct RawTimes {
    std::int64_t min_ms = 0;
    std::int64_t max_ms = 0;
};

auto time_limits() {
    constexpr std::int64_t hour_ms = 3'600'000;
    auto shape = Shape<RawTimes>()
                     .required("min_ms", &RawTimes::min_ms, Whole(0, hour_ms))
                     .required("max_ms", &RawTimes::max_ms, Whole(1, hour_ms));
    const auto convert = [](const RawTimes& raw, Errors& /*errors*/, const Node& /*node*/,
                            const std::string& /*pointer*/, Limits<RunTime>& out) {
        out = {RunTime{raw.min_ms}, RunTime{raw.max_ms}};
    };
    return Converted{std::move(shape), convert};
}

Shape<YieldLimits> yield_limits() {
    return Shape<YieldLimits>()
        .optional("torque", &YieldLimits::torque, torque_limits())
        .optional("angle", &YieldLimits::angle, angle_limits());
}

Shape<CurveAgreement> agreement_shape() {
    return Shape<CurveAgreement>()
        .required("torque_percent", &CurveAgreement::torque_percent, DecimalNumber{})
        .required("angle", &CurveAgreement::angle, AngleQuantity{});
}

}  // namespace

Shape<CurveWindow> curve_window_shape() {
    constexpr std::size_t most_places = 8;
    constexpr std::int64_t longest_patience_ms = 600'000;
    return Shape<CurveWindow>()
        .optional("target", &CurveWindow::target,
                  OneOf<CurveTarget>({{"torque", CurveTarget::torque},
                                      {"angle", CurveTarget::angle},
                                      {"yield", CurveTarget::yield}}))
        .optional("places", &CurveWindow::places, ListOf(curve_place(), 0, most_places))
        .optional("rate", &CurveWindow::rate, rate_limits())
        .optional("prevailing", &CurveWindow::prevailing, torque_limits())
        .optional("clamp", &CurveWindow::clamp, torque_limits())
        .optional("time", &CurveWindow::time, time_limits())
        .optional("yield", &CurveWindow::yield, yield_limits())
        .optional("agreement", &CurveWindow::agreement, agreement_shape())
        .optional("patience_ms", &CurveWindow::patience, Whole(100, longest_patience_ms))
        .optional("if_missing_or_damaged", &CurveWindow::without,
                  OneOf<WithoutCurve>(
                      {{"not_decidable", WithoutCurve::not_decidable}, {"accept", WithoutCurve::accept}}));
}

}  // namespace tautgate::config
