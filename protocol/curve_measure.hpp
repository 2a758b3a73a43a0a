// Single values of a curve that a pass may limit: the torque at an angle, the angle at a torque, how steeply
// the torque rises, what turning freely took, how long the run was, where it yielded. Pure; any thread. The
// same curve gives the same values, bit for bit.
//
// Read from the samples as they came, straight between two of them, and rounded once, half away from zero. In
// doubt nothing is made up: a value that a curve does not have says why, and a trace that is no curve has
// none at all.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/curve.hpp"
#include "protocol/quantity.hpp"
#include "protocol/trace.hpp"

namespace tautgate::protocol {

// Millionths of a newton metre per degree.
struct Gradient {
    std::int64_t micro_nm_per_deg = 0;
    constexpr auto operator<=>(const Gradient&) const = default;
};
TAUTGATE_FIELDS(Gradient, micro_nm_per_deg);

struct RunTime {
    std::int64_t ms = 0;
    constexpr auto operator<=>(const RunTime&) const = default;
};
TAUTGATE_FIELDS(RunTime, ms);

// ---- from where angles are counted ----------------------------------------------------------------------

struct FromStart {
    constexpr bool operator==(const FromStart&) const = default;
};
TAUTGATE_NO_FIELDS(FromStart);
// Where the torque is reached first.
struct FromThreshold {
    Torque torque;
    constexpr bool operator==(const FromThreshold&) const = default;
};
TAUTGATE_FIELDS(FromThreshold, torque);
struct FromSnug {
    constexpr bool operator==(const FromSnug&) const = default;
};
TAUTGATE_NO_FIELDS(FromSnug);
using CurveOrigin = std::variant<FromStart, FromThreshold, FromSnug>;

// ---- what is read ---------------------------------------------------------------------------------------

struct TorqueAtAngle {
    CurveOrigin origin;
    Angle at;
    constexpr bool operator==(const TorqueAtAngle&) const = default;
};
TAUTGATE_FIELDS(TorqueAtAngle, origin, at);
// Where it is reached first.
struct AngleAtTorque {
    CurveOrigin origin;
    Torque at;
    constexpr bool operator==(const AngleAtTorque&) const = default;
};
TAUTGATE_FIELDS(AngleAtTorque, origin, at);
// Of the straight line between the two places; `from` lies before `to`.
struct TorqueRate {
    CurveOrigin origin;
    Angle from;
    Angle to;
    constexpr bool operator==(const TorqueRate&) const = default;
};
TAUTGATE_FIELDS(TorqueRate, origin, from, to);
// Of the run-down, before the parts meet.
struct PrevailingTorque {
    constexpr bool operator==(const PrevailingTorque&) const = default;
};
TAUTGATE_NO_FIELDS(PrevailingTorque);
// What is left of the final torque for the joint: without the prevailing torque.
struct ClampTorque {
    constexpr bool operator==(const ClampTorque&) const = default;
};
TAUTGATE_NO_FIELDS(ClampTorque);
// From the first sample to the last one.
struct Duration {
    constexpr bool operator==(const Duration&) const = default;
};
TAUTGATE_NO_FIELDS(Duration);
struct YieldTorque {
    constexpr bool operator==(const YieldTorque&) const = default;
};
TAUTGATE_NO_FIELDS(YieldTorque);
struct YieldAngle {
    CurveOrigin origin;
    constexpr bool operator==(const YieldAngle&) const = default;
};
TAUTGATE_FIELDS(YieldAngle, origin);
// The highest.
struct FinalTorque {
    constexpr bool operator==(const FinalTorque&) const = default;
};
TAUTGATE_NO_FIELDS(FinalTorque);
// Of the last sample that went forward.
struct FinalAngle {
    CurveOrigin origin;
    constexpr bool operator==(const FinalAngle&) const = default;
};
TAUTGATE_FIELDS(FinalAngle, origin);

using CurveMeasure = std::variant<TorqueAtAngle, AngleAtTorque, TorqueRate, PrevailingTorque, ClampTorque,
                                  Duration, YieldTorque, YieldAngle, FinalTorque, FinalAngle>;

// ---- what was read --------------------------------------------------------------------------------------

// Why a curve does not have the value. The names are stored in the journal: never rename one.
enum class CurveGap : std::uint8_t {
    origin_not_reached,  // it never comes to where its angles are counted from
    not_that_far,        // it ends before the angle
    before_beginning,    // it begins behind the angle
    torque_not_reached,
    no_run_down,  // it begins in the rise
    no_times,
    no_yield
};
TAUTGATE_ENUM(CurveGap, origin_not_reached, not_that_far, before_beginning, torque_not_reached, no_run_down,
              no_times, no_yield);
[[nodiscard]] std::string_view text_of(CurveGap gap) noexcept;

struct Unmeasured {
    CurveGap why = CurveGap::no_yield;
    constexpr bool operator==(const Unmeasured&) const = default;
};
TAUTGATE_FIELDS(Unmeasured, why);

using CurveValue = std::variant<Unmeasured, Torque, Angle, Gradient, RunTime>;

struct MeasuredOnCurve {
    CurveMeasure measure;
    CurveValue value;
    constexpr bool operator==(const MeasuredOnCurve&) const = default;
};
TAUTGATE_FIELDS(MeasuredOnCurve, measure, value);

struct CurveReport {
    std::optional<CurveFault> fault;      // the trace is no curve: then nothing is measured
    std::vector<MeasuredOnCurve> values;  // one for each measure that was asked for, in their order
    bool operator==(const CurveReport&) const = default;
};
TAUTGATE_FIELDS(CurveReport, fault, values);

// The steps to which values are rounded; of a tool, those in which it counts. Both are positive.
struct CurveSteps {
    Torque torque{1};
    Angle angle{1};
};

// `trace` is one in which fault_of finds nothing.
[[nodiscard]] CurveReport measure(const Trace& trace, const std::vector<CurveMeasure>& measures,
                                  const CurveSteps& steps = {});

// As people read it: "torque at 30 deg", "torque rate from 10 deg to 20 deg".
[[nodiscard]] std::string name_of(const CurveMeasure& measure);
// "12.5 N·m/deg", "1500 ms".
[[nodiscard]] std::string to_text(Gradient gradient);
[[nodiscard]] std::string to_text(RunTime time);

}  // namespace tautgate::protocol
