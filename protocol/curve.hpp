// The shape of one tightening, read from its torque over the angle: where the parts came to lie on each
// other, how steeply the torque rose from there, and what is odd about it. Evidence for people, and for the
// failure patterns (pattern.hpp); what a pass may limit of it is read by curve_measure.hpp. A curve never
// makes a verdict better. Pure; any thread. The same curve gives the same numbers, bit for bit.
//
// In doubt nothing is made up: a curve that is too short, has no angle or turns back says so, and whatever of
// the shape cannot be found is absent.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string_view>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/reading.hpp"
#include "protocol/trace.hpp"

namespace tautgate::protocol {

struct CurvePoint {
    double angle = 0;   // degrees
    double torque = 0;  // N·m
    bool operator==(const CurvePoint&) const = default;
};

// Why a trace is no curve that can be looked at.
enum class CurveFault : std::uint8_t {
    no_angle,    // torque over time only
    too_short,   // fewer than ten points that go forward
    turns_back,  // by more than five degrees: two runs, or a loosening
    no_torque    // it never rises above zero
};
TAUTGATE_ENUM(CurveFault, no_angle, too_short, turns_back, no_torque);
[[nodiscard]] std::string_view text_of(CurveFault fault) noexcept;

// Points in even steps of the angle, from the first to the last one that went forward. Between two samples
// the torque is taken as straight; the highest one is kept beside, since no step need meet it.
struct Curve {
    std::vector<CurvePoint> points;
    CurvePoint peak;
    CurvePoint stop;                  // the last sample, after whatever happened without turning
    std::vector<CurvePoint> forward;  // the samples that went forward, as they came
};
[[nodiscard]] std::expected<Curve, CurveFault> curve_of(const Trace& trace);
// The same of samples as they came; at most 20,000.
[[nodiscard]] std::expected<Curve, CurveFault> curve_of(std::vector<CurvePoint> samples);

// The straight part, along which bolt and parts stretch and give like springs: torque = gradient * angle +
// offset. Fitted so that a third of the points may be off (Theil 1950, Sen 1968: medians of slopes).
struct ClampLine {
    double gradient = 0;  // N·m per degree
    double offset = 0;    // N·m
    double from = 0;      // degrees, of the points that it was fitted to
    double to = 0;
    double spread = 0;  // mean distance of the torque from the line, as a share of the torque in its middle
    [[nodiscard]] double at(double angle) const noexcept { return gradient * angle + offset; }
};
// Of at least five points; nothing of fewer, or where all have one angle.
[[nodiscard]] std::optional<ClampLine> fitted_line(const std::vector<CurvePoint>& points);

// The torque rose, fell again and rose anew: something gave way or was pushed aside before the parts met.
struct FalseSeating {
    CurvePoint top;
    CurvePoint bottom;
};

struct CurveShape {
    CurvePoint peak;
    double prevailing = 0;              // N·m of the free run-down; 0 where none was recorded
    bool ran_down = false;              // one was
    std::optional<ClampLine> clamp{};   // none: the torque never rose straight
    std::optional<double> snug{};       // degrees at which the clamp line leaves the prevailing torque
    std::optional<CurvePoint> yield{};  // where the gradient falls below half of the clamp line's, for good
    std::optional<CurvePoint> bottomed{};      // where it exceeds two and a half times that, for good
    std::optional<FalseSeating> false_seat{};  // before the clamp line
    double reversals = 0;  // share of neighbouring steps on the clamp line that go up, then down
    double relaxed = 0;    // N·m lost at the stop without turning
    // Degrees from snug to the stop.
    [[nodiscard]] std::optional<double> turned_since_snug() const noexcept;
    double stop_angle = 0;  // of the last sample
    double stop_torque = 0;
};
[[nodiscard]] CurveShape shape_of(const Curve& curve);

// What the tool said against its own curve.
struct CurveDisagreement {
    bool torque = false;
    bool angle = false;
    double curve_torque = 0;  // N·m, the highest
    double curve_angle = 0;   // degrees, from where the tool counts
};
// The final torque may differ by `torque_share` of itself, the final angle by `angle_deg`. The angle is
// compared only where it is counted from a torque that the curve passes (`threshold`) or from the start of
// the curve. Nothing: they agree.
struct CurveTolerance {
    double torque_share = 0.03;
    double angle_deg = 3;
};
[[nodiscard]] std::optional<CurveDisagreement> disagreement(const Curve& curve, const Reading& reading,
                                                            std::optional<Torque> threshold,
                                                            const CurveTolerance& tolerance = {});

}  // namespace tautgate::protocol
