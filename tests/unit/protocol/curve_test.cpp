// What is read from a curve. The curves here are drawn from straight pieces, worked out in this file alone;
// that the pieces are found again is what must hold (common practice, no source). Those of the simulator's
// physics come below; fits beside R are in tests/standards/protocol.
#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include <cmath>

#include "config/station.hpp"
#include "protocol/curve.hpp"
#include "tools/simulation/wrench.hpp"

using namespace tautgate;
using namespace tautgate::protocol;

namespace {

// From one corner to the next in steps of so many degrees.
std::vector<CurvePoint> drawn(const std::vector<CurvePoint>& corners, double step = 0.5) {
    std::vector<CurvePoint> points;
    for (std::size_t i = 1; i < corners.size(); ++i) {
        const CurvePoint& from = corners[i - 1];
        const CurvePoint& to = corners[i];
        const auto steps = static_cast<int>(std::lround((to.angle - from.angle) / step));
        for (int k = 0; k < steps; ++k)
            points.push_back({from.angle + step * k, from.torque + (to.torque - from.torque) * k / steps});
    }
    points.push_back(corners.back());
    return points;
}

// Free run-down with 2 N.m to 100 degrees, then 5 N.m per degree up to 102 N.m at 120.
const std::vector<CurvePoint> good_corners{{0, 2}, {100, 2}, {120, 102}};

CurveShape shape(std::vector<CurvePoint> points) {
    const auto curve = curve_of(std::move(points));
    REQUIRE(curve);
    return shape_of(*curve);
}

}  // namespace

TEST_CASE("of a straight rise the gradient, the snug point and the angle since then are found") {
    const CurveShape found = shape(drawn(good_corners));
    REQUIRE(found.clamp);
    CHECK(found.prevailing == Approx(2));
    CHECK(found.clamp->gradient == Approx(5).epsilon(1e-6));
    CHECK(found.snug.value() == Approx(100).margin(1e-3));
    CHECK(found.turned_since_snug().value() == Approx(20).margin(1e-3));
    CHECK(found.peak == CurvePoint{120, 102});
    CHECK(found.clamp->spread == Approx(0).margin(1e-9));
    CHECK_FALSE(found.yield);
    CHECK_FALSE(found.bottomed);
    CHECK_FALSE(found.false_seat);
    CHECK(found.relaxed == 0);
}

TEST_CASE("the peak is kept, however few degrees it lasts") {
    auto points = drawn(good_corners);
    points[points.size() - 2].torque = 140;  // between two steps of nothing
    const auto curve = curve_of(points);
    REQUIRE(curve);
    CHECK(curve->peak.torque == 140);
    // One wild sample moves neither line nor snug point.
    CHECK(shape_of(*curve).clamp->gradient == Approx(5).epsilon(0.02));
}

TEST_CASE("a third of wild points on the line does not move it") {
    std::vector<CurvePoint> points;
    for (int i = 0; i < 60; ++i)
        points.push_back({i * 0.5, i * 2.0 + (i % 3 == 1 ? 30.0 : 0.0)});
    const auto line = fitted_line(points);
    REQUIRE(line);
    CHECK(line->gradient == Approx(4).epsilon(0.02));
    CHECK(line->offset == Approx(0).margin(1.5));
}

TEST_CASE("the point is found from which on the torque rises no more as it did") {
    // 5 N.m a degree to 102 N.m at 120, then 0.5 a degree for another 30.
    const CurveShape found = shape(drawn({{0, 2}, {100, 2}, {120, 102}, {150, 117}}));
    REQUIRE(found.yield);
    CHECK(found.yield->angle == Approx(120).margin(2));
    CHECK(found.clamp->gradient == Approx(5).epsilon(0.01));
    CHECK_FALSE(found.bottomed);
}

TEST_CASE("a short dip in the gradient is no yield") {
    const CurveShape found = shape(drawn({{0, 2}, {100, 2}, {112, 62}, {115, 63}, {125, 113}}));
    CHECK_FALSE(found.yield);
}

TEST_CASE("a bolt that meets the bottom of its hole shows as a rise far steeper than before") {
    const CurveShape found = shape(drawn({{0, 2}, {100, 2}, {116, 50}, {119, 98}}, 0.25));
    REQUIRE(found.clamp);
    CHECK(found.clamp->gradient == Approx(3).epsilon(0.05));
    REQUIRE(found.bottomed);
    CHECK(found.bottomed->angle == Approx(116).margin(1.5));
    CHECK_FALSE(found.yield);
}

TEST_CASE("a rise that falls again before the parts meet is a false seat") {
    const CurveShape found = shape(drawn({{0, 2}, {60, 2}, {66, 50}, {70, 10}, {100, 10}, {120, 110}}));
    REQUIRE(found.false_seat);
    CHECK(found.false_seat->top.angle == Approx(66).margin(1));
    CHECK(found.false_seat->top.torque == Approx(50).epsilon(0.12));  // a tip of one sample is cut off
    CHECK(found.false_seat->bottom.torque == Approx(10).epsilon(0.05));
    CHECK_FALSE(shape(drawn(good_corners)).false_seat);
}

TEST_CASE("stick and slip shows as a torque that goes up and down about its line") {
    auto points = drawn(good_corners);
    int sign = 1;
    for (CurvePoint& point : points)
        if (point.torque > 5)
            point.torque *= 1 + 0.06 * (sign = -sign);
    const CurveShape found = shape(points);
    CHECK(found.clamp->spread > 0.04);
    CHECK(found.reversals > 0.9);
    CHECK(found.clamp->gradient == Approx(5).epsilon(0.08));
    CHECK(shape(drawn(good_corners)).clamp->spread < 0.001);
}

TEST_CASE("torque lost at the stop without turning is told") {
    auto points = drawn(good_corners);
    points.push_back({120, 96});
    points.push_back({119.8, 91});
    CHECK(shape(points).relaxed == Approx(11));
}

TEST_CASE("what is no curve says why") {
    CHECK(curve_of(std::vector<CurvePoint>{}).error() == CurveFault::too_short);
    CHECK(curve_of(drawn({{0, 0}, {4, 9}})).error() == CurveFault::too_short);
    CHECK(curve_of(drawn({{0, -3}, {40, 0}})).error() == CurveFault::no_torque);
    auto back = drawn(good_corners);
    back.push_back({114.9, 50});
    CHECK(curve_of(back).error() == CurveFault::turns_back);
    back.back().angle = 115.1;
    CHECK(curve_of(back));
    protocol::Trace times{.times = protocol::SampleInterval{500}, .torque = {{1, 2, 3}, {1, 0}}};
    CHECK(curve_of(times).error() == CurveFault::no_angle);
    for (const CurveFault fault :
         {CurveFault::no_angle, CurveFault::too_short, CurveFault::turns_back, CurveFault::no_torque})
        CHECK_FALSE(text_of(fault).empty());
}

TEST_CASE("a curve that never rises straight has no line and no snug point") {
    const CurveShape found = shape(drawn({{0, 5}, {90, 5.5}, {91, 6}}));
    CHECK_FALSE(found.turned_since_snug().value_or(0) > 91);
    CHECK_FALSE(
        shape(std::vector<CurvePoint>{
                  {0, 9}, {1, 8}, {2, 7}, {3, 6}, {4, 5}, {5, 4}, {6, 3}, {7, 2}, {8, 1}, {9, 1}, {10, 1}})
            .clamp);
}

TEST_CASE("where the samples lie does not matter to the line") {
    const auto same = [](std::uint16_t seed) {
        // Uneven steps of 0.1 to 1 degree over the same corners.
        std::vector<CurvePoint> points;
        std::uint32_t state = seed + 1U;
        for (double angle = 0; angle <= 120;) {
            points.push_back({angle, angle <= 100 ? 2 : 2 + 5 * (angle - 100)});
            state = state * 1664525U + 1013904223U;
            angle += 0.1 + 0.9 * static_cast<double>(state >> 16U) / 65536.0;
        }
        const auto curve = curve_of(points);
        RC_ASSERT(curve.has_value());
        const CurveShape found = shape_of(*curve);
        RC_ASSERT(found.clamp.has_value());
        RC_ASSERT(std::abs(found.clamp->gradient - 5) < 0.05);
        RC_ASSERT(std::abs(*found.snug - 100) < 0.3);
    };
    const bool holds = rc::check("uneven samples", same);
    CHECK(holds);
}

TEST_CASE("whatever the samples are, nothing of the shape lies outside of them") {
    const auto within = [](const std::vector<std::pair<std::int16_t, std::int16_t>>& raw) {
        std::vector<CurvePoint> points;
        double angle = 0;
        for (const auto& [turn, torque] : raw) {
            angle += std::abs(turn) / 1000.0;
            points.push_back({angle, torque / 10.0});
        }
        const auto curve = curve_of(points);
        if (!curve)
            return;
        const CurveShape found = shape_of(*curve);
        const auto inside = [&](const std::optional<CurvePoint>& point) {
            return !point || (point->angle >= points.front().angle && point->angle <= points.back().angle);
        };
        RC_ASSERT(inside(found.yield) && inside(found.bottomed) && inside(found.peak));
        RC_ASSERT(found.relaxed >= 0);
        RC_ASSERT(std::isfinite(found.snug.value_or(0)));
    };
    const bool holds = rc::check("any samples", within);
    CHECK(holds);
}

// ---- what a tool says against its curve -----------------------------------------------------------------

TEST_CASE("a final torque or angle that is not the curve's is told") {
    const auto curve = curve_of(drawn(good_corners));
    REQUIRE(curve);
    protocol::Reading reading;
    reading.torque = protocol::Torque{102'000'000};
    reading.angle = protocol::Angle{17'000'000};
    const protocol::Torque threshold{17'000'000};  // at 103 degrees
    CHECK_FALSE(disagreement(*curve, reading, threshold));
    reading.torque = protocol::Torque{106'000'000};
    auto found = disagreement(*curve, reading, threshold);
    REQUIRE(found);
    CHECK((found->torque && !found->angle));
    CHECK(found->curve_torque == 102);
    reading.torque = protocol::Torque{105'000'000};
    CHECK_FALSE(disagreement(*curve, reading, threshold));
    reading.angle = protocol::Angle{20'600'000};
    found = disagreement(*curve, reading, threshold);
    REQUIRE(found);
    CHECK((!found->torque && found->angle));
    CHECK(found->curve_angle == Approx(17).margin(0.3));
    reading.angle = protocol::Absent{};
    reading.torque = protocol::Absent{};
    CHECK_FALSE(disagreement(*curve, reading, std::nullopt));
}

// ---- the simulator's physics ----------------------------------------------------------------------------

namespace {

simulation::BoltDesign m12() {
    simulation::BoltDesign design;
    design.thread = *config::thread_named("M12");
    design.proof_stress = *config::proof_stress("8.8", 12);
    design.resilience = 3.0e-6;
    design.ripple = 0.004;
    return design;
}

simulation::Run run_of(double shut_off, std::uint64_t seed) {
    simulation::Bolt bolt(m12(), simulation::Flaw::none, seed);
    simulation::Chance chance(seed);
    simulation::Program program;
    program.name = "final";
    program.shut_off = shut_off;
    program.torque = {shut_off - 5, shut_off + 5};
    return simulation::tighten(bolt, program, {}, chance);
}

std::vector<CurvePoint> points_of(const simulation::Run& run) {
    std::vector<CurvePoint> points;
    for (const auto& point : run.trace)
        points.push_back({point.angle, point.torque});
    return points;
}

}  // namespace

TEST_CASE("the gradient of a simulated bolt is that of its pitch, resilience and friction") {
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        INFO(seed);
        simulation::Bolt bolt(m12(), simulation::Flaw::none, seed);
        // N.m per degree: pitch over resilience, times what torque the preload takes.
        const double expected =
            1.75 / 360 / 3.0e-6 * config::tightening_torque(m12().thread, bolt.friction());
        const CurveShape found = shape(points_of(run_of(70, seed)));
        REQUIRE(found.clamp);
        CHECK(found.clamp->gradient == Approx(expected).epsilon(0.05));
        CHECK_FALSE(found.yield);
        CHECK_FALSE(found.bottomed);
    }
}

TEST_CASE("a simulated bolt that is turned beyond yield shows where it yields") {
    for (std::uint64_t seed = 1; seed <= 10; ++seed) {
        INFO(seed);
        simulation::Bolt bolt(m12(), simulation::Flaw::none, seed);
        std::vector<CurvePoint> points;
        double yields_at = 0;
        for (double angle = 0; angle < 1440 + 140; angle += 0.5) {
            bolt.tighten_by(0.5);
            if (bolt.in_contact())
                points.push_back({angle, bolt.torque_to_tighten(false)});
            if (yields_at == 0 && bolt.yielded())
                yields_at = angle;
        }
        REQUIRE(yields_at > 0);
        const CurveShape found = shape(points);
        REQUIRE(found.yield);
        CHECK(found.yield->angle == Approx(yields_at).margin(6));
    }
}
