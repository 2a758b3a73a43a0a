// Values that a pass may limit, read from curves. The curves here are drawn from straight pieces whose
// formula stands in this file alone, and what must be found follows from that formula by hand.
#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include <cmath>

#include "protocol/curve_measure.hpp"

using namespace tautgate::protocol;

namespace {

constexpr std::int64_t million = 1'000'000;

Torque nm(double value) { return {std::llround(value * 1e6)}; }
Angle deg(double value) { return {std::llround(value * 1e6)}; }

// Turns freely with `free` N·m to `snug` degrees, then rises by `slope` N·m a degree until `stop`, or by a
// tenth of that from `yield` on.
struct Drawing {
    double free = 2;
    double snug = 100;
    double slope = 5;
    double stop = 120;
    double yield = 1e9;

    [[nodiscard]] double at(double angle) const {
        if (angle <= snug)
            return free;
        const double straight = std::min(angle, yield) - snug;
        const double after = std::max(0.0, angle - yield);
        return free + slope * straight + slope / 10 * after;
    }
};

// In counts of a thousandth, one sample a millisecond.
Trace traced(const Drawing& drawing, double step = 0.5, double begin = 0) {
    Trace trace;
    trace.times = SampleInterval{1000};
    trace.torque.step = Decimal{1, -3};
    trace.angle = TraceColumn{{}, Decimal{1, -3}, {}};
    for (int i = 0; begin + i * step <= drawing.stop + 1e-9; ++i) {
        const double angle = begin + i * step;
        trace.angle->counts.push_back(std::llround(angle * 1000));
        trace.torque.counts.push_back(std::llround(drawing.at(angle) * 1000));
    }
    REQUIRE_FALSE(fault_of(trace));
    return trace;
}

CurveValue value(const Trace& trace, const CurveMeasure& wanted, const CurveSteps& steps = {}) {
    const CurveReport report = measure(trace, {wanted}, steps);
    REQUIRE_FALSE(report.fault);
    REQUIRE(report.values.size() == 1);
    CHECK(report.values[0].measure == wanted);
    return report.values[0].value;
}

CurveValue lacks(CurveGap gap) { return Unmeasured{gap}; }

}  // namespace

TEST_CASE("the torque at an angle is read from where the pass counts its angles") {
    const Trace trace = traced({});
    CHECK(value(trace, TorqueAtAngle{FromStart{}, deg(110)}) == CurveValue(nm(52)));
    CHECK(value(trace, TorqueAtAngle{FromStart{}, deg(110.25)}) == CurveValue(nm(53.25)));
    CHECK(value(trace, TorqueAtAngle{FromStart{}, deg(0)}) == CurveValue(nm(2)));
    CHECK(value(trace, TorqueAtAngle{FromStart{}, deg(120)}) == CurveValue(nm(102)));
    // 27 N·m are reached at 105 degrees, between no two samples but on one; 28 N·m at 105.2.
    CHECK(value(trace, TorqueAtAngle{FromThreshold{nm(27)}, deg(10)}) == CurveValue(nm(77)));
    CHECK(value(trace, TorqueAtAngle{FromThreshold{nm(28)}, deg(10)}) == CurveValue(nm(78)));
    CHECK(value(trace, TorqueAtAngle{FromSnug{}, deg(10)}, {nm(0.1), deg(0.1)}) == CurveValue(nm(52)));
}

TEST_CASE("the angle at a torque is where that is reached first") {
    const Trace trace = traced({});
    CHECK(value(trace, AngleAtTorque{FromStart{}, nm(28)}) == CurveValue(deg(105.2)));
    CHECK(value(trace, AngleAtTorque{FromThreshold{nm(27)}, nm(102)}) == CurveValue(deg(15)));
    CHECK(value(trace, AngleAtTorque{FromStart{}, nm(2)}) == CurveValue(deg(0)));
    // Up to 40 N·m, down to 10 and up again: a hump that passes the level counts.
    Trace hump = traced({});
    for (std::size_t i = 100; i < 120; ++i)
        hump.torque.counts[i] = 40'000;
    CHECK(value(hump, AngleAtTorque{FromStart{}, nm(40)}) == CurveValue(deg(50)));
}

TEST_CASE("the torque rate between two angles is the rise over the turn") {
    const Trace trace = traced({});
    const Gradient five{5 * million};
    CHECK(value(trace, TorqueRate{FromStart{}, deg(105), deg(115)}) == CurveValue(five));
    CHECK(value(trace, TorqueRate{FromThreshold{nm(27)}, deg(0), deg(15)}) == CurveValue(five));
    CHECK(value(trace, TorqueRate{FromStart{}, deg(10), deg(90)}) == CurveValue(Gradient{0}));
    // Half of the way free, half of it tight.
    CHECK(value(trace, TorqueRate{FromStart{}, deg(90), deg(110)}) == CurveValue(Gradient{2'500'000}));
}

TEST_CASE("prevailing torque is that of turning freely, and what is left clamps") {
    const Trace trace = traced({.free = 7.5, .stop = 118});
    CHECK(value(trace, PrevailingTorque{}) == CurveValue(nm(7.5)));
    CHECK(value(trace, FinalTorque{}) == CurveValue(nm(97.5)));
    CHECK(value(trace, ClampTorque{}) == CurveValue(nm(90)));
}

TEST_CASE("a curve that begins in the rise says nothing of the prevailing torque") {
    const Trace trace = traced({}, 0.5, 101);
    CHECK(value(trace, PrevailingTorque{}) == lacks(CurveGap::no_run_down));
    CHECK(value(trace, ClampTorque{}) == lacks(CurveGap::no_run_down));
}

TEST_CASE("the time of a run goes from its first sample to its last") {
    Trace trace = traced({});  // 241 samples
    CHECK(value(trace, Duration{}) == CurveValue(RunTime{240}));
    SampleTimes times;
    for (std::size_t i = 0; i < trace.samples(); ++i)
        times.us.push_back(5'000 + static_cast<std::int64_t>(i) * 1'502);
    trace.times = times;
    CHECK(value(trace, Duration{}) == CurveValue(RunTime{360}));  // 360.48
    trace.times = NoTimes{};
    CHECK(value(trace, Duration{}) == lacks(CurveGap::no_times));
}

TEST_CASE("the yield point is where the torque rises no more as it did") {
    const Trace trace = traced({.stop = 160, .yield = 120});
    const auto torque = std::get<Torque>(value(trace, YieldTorque{}));
    CHECK(in_newton_metres(torque) == Approx(102).margin(3));
    const auto angle = std::get<Angle>(value(trace, YieldAngle{FromThreshold{nm(27)}}));
    CHECK(in_degrees(angle) == Approx(15).margin(2));
    CHECK(value(traced({}), YieldTorque{}) == lacks(CurveGap::no_yield));
    CHECK(value(traced({}), YieldAngle{FromStart{}}) == lacks(CurveGap::no_yield));
}

TEST_CASE("the final angle is that of the last sample that goes forward") {
    Trace trace = traced({});
    CHECK(value(trace, FinalAngle{FromThreshold{nm(27)}}) == CurveValue(deg(15)));
    // It springs back a little at the stop.
    trace.angle->counts.push_back(118'000);
    trace.torque.counts.push_back(60'000);
    CHECK(value(trace, FinalAngle{FromThreshold{nm(27)}}) == CurveValue(deg(15)));
    CHECK(value(trace, FinalTorque{}) == CurveValue(nm(102)));
}

TEST_CASE("a place that the curve does not have is told, never made up") {
    const Trace trace = traced({});
    CHECK(value(trace, TorqueAtAngle{FromStart{}, deg(120.001)}) == lacks(CurveGap::not_that_far));
    CHECK(value(trace, TorqueAtAngle{FromThreshold{nm(27)}, deg(15.5)}) == lacks(CurveGap::not_that_far));
    CHECK(value(trace, TorqueRate{FromStart{}, deg(100), deg(121)}) == lacks(CurveGap::not_that_far));
    CHECK(value(trace, AngleAtTorque{FromStart{}, nm(102.001)}) == lacks(CurveGap::torque_not_reached));
    CHECK(value(trace, FinalAngle{FromThreshold{nm(150)}}) == lacks(CurveGap::origin_not_reached));
    CHECK(value(trace, TorqueRate{FromThreshold{nm(150)}, deg(1), deg(2)}) ==
          lacks(CurveGap::origin_not_reached));
    CHECK(value(trace, AngleAtTorque{FromThreshold{nm(150)}, nm(50)}) == lacks(CurveGap::origin_not_reached));
}

TEST_CASE("a trace that is no curve has a fault and no values") {
    Trace timed = traced({});
    timed.angle.reset();
    CHECK(measure(timed, {FinalTorque{}, Duration{}}) == CurveReport{CurveFault::no_angle, {}});
    const Trace few = traced({.snug = 2, .stop = 4});
    CHECK(measure(few, {FinalTorque{}}) == CurveReport{CurveFault::too_short, {}});
    Trace back = traced({});
    back.angle->counts[200] = 90'000;
    CHECK(measure(back, {FinalTorque{}}) == CurveReport{CurveFault::turns_back, {}});
    CHECK(measure(traced({.free = 0, .slope = 0}), {FinalTorque{}}) ==
          CurveReport{CurveFault::no_torque, {}});
}

TEST_CASE("a value is rounded once, half away from zero, to the steps of the tool") {
    const Trace trace = traced({});
    const CurveSteps coarse{nm(1), deg(1)};
    CHECK(value(trace, TorqueAtAngle{FromStart{}, deg(110.5)}, coarse) == CurveValue(nm(55)));   // 54.5
    CHECK(value(trace, TorqueAtAngle{FromStart{}, deg(110.49)}, coarse) == CurveValue(nm(54)));  // 54.45
    CHECK(value(trace, AngleAtTorque{FromStart{}, nm(29.5)}, coarse) == CurveValue(deg(106)));   // 105.5
    CHECK(value(trace, AngleAtTorque{FromStart{}, nm(29)}, coarse) == CurveValue(deg(105)));     // 105.4
    // Against the direction of tightening: a curve may begin below zero.
    Trace low = traced({.free = -0.25});
    CHECK(value(low, TorqueAtAngle{FromStart{}, deg(50)}, {nm(0.5), deg(1)}) == CurveValue(nm(-0.5)));
}

TEST_CASE("values come in the order in which they were asked for, each beside its measure") {
    const std::vector<CurveMeasure> wanted{FinalTorque{}, YieldTorque{}, FinalTorque{}, Duration{}};
    const CurveReport report = measure(traced({}), wanted);
    REQUIRE(report.values.size() == wanted.size());
    for (std::size_t i = 0; i < wanted.size(); ++i)
        CHECK(report.values[i].measure == wanted[i]);
    CHECK(report.values[0] == report.values[2]);
    CHECK(measure(traced({}), {}) == CurveReport{});
}

TEST_CASE("few samples in the run-down and many at its end lose nothing of the end") {
    Trace trace = traced({.snug = 2996.5, .stop = 3016.5}, 0.1, 2990);
    trace.angle->counts.insert(trace.angle->counts.begin(), {0, 1'000'000, 2'000'000});
    trace.torque.counts.insert(trace.torque.counts.begin(), 3, 2'000);
    REQUIRE_FALSE(fault_of(trace));
    CHECK(value(trace, TorqueAtAngle{FromThreshold{nm(27)}, deg(10)}) == CurveValue(nm(77)));
    CHECK(value(trace, TorqueRate{FromThreshold{nm(27)}, deg(0), deg(15)}) ==
          CurveValue(Gradient{5 * million}));
}

TEST_CASE("any curve of straight pieces gives the values of its formula") {
    rc::check([] {
        const Drawing drawing{.free = *rc::gen::inRange(0, 50) / 10.0,
                              .snug = *rc::gen::inRange(50, 400) * 1.0,
                              .slope = *rc::gen::inRange(5, 200) / 10.0,
                              .stop = 0};
        Drawing run = drawing;
        run.stop = drawing.snug + *rc::gen::inRange(20, 60);
        const double there = *rc::gen::inRange(0, 10'000) / 10'000.0 * run.stop;
        const Trace trace = traced(run);
        const auto report = measure(trace, {TorqueAtAngle{FromStart{}, deg(there)}, FinalTorque{},
                                            TorqueRate{FromStart{}, deg(run.snug + 2), deg(run.stop)}});
        // A thousandth is what the samples were rounded to.
        const auto torque = in_newton_metres(std::get<Torque>(report.values[0].value));
        RC_ASSERT(std::abs(torque - run.at(there)) < 0.0011);
        const auto peak = in_newton_metres(std::get<Torque>(report.values[1].value));
        RC_ASSERT(std::abs(peak - run.at(run.stop)) < 0.0011);
        const auto rate =
            in_newton_metres(Torque{std::get<Gradient>(report.values[2].value).micro_nm_per_deg});
        RC_ASSERT(std::abs(rate - run.slope) < 0.0011);
    });
}

TEST_CASE("measures and what a curve lacks are named in words") {
    CHECK(name_of(TorqueAtAngle{FromStart{}, deg(30)}) == "torque at 30 deg");
    CHECK(name_of(TorqueRate{FromThreshold{nm(25)}, deg(10), deg(20)}) ==
          "torque rate from 10 deg to 20 deg after 25 N·m");
    CHECK(name_of(AngleAtTorque{FromSnug{}, nm(40)}) == "angle at 40 N·m after the snug point");
    CHECK(to_text(Gradient{1'250'000}) == "1.25 N·m/deg");
    CHECK(to_text(RunTime{1500}) == "1500 ms");
    CHECK(text_of(CurveGap::no_yield) == "the curve shows no yield point");
}
