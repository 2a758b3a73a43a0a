// Each pattern from values, from curves drawn here of straight pieces, and from the simulator's physics.
// What a pattern looks like is common practice, no source.
#include <catch2/catch.hpp>

#include <algorithm>
#include <cmath>

#include "service/evaluation/pattern.hpp"
#include "tools/simulation/wrench.hpp"

using namespace tautgate;
using namespace tautgate::evaluation;
using protocol::CurvePoint;

namespace {

// 67 N.m to 75 N.m, 20 to 60 degrees; up to 3 degrees are a re-hit.
config::Window bolt_window() {
    config::Window window;
    window.torque = {protocol::Torque{67'000'000}, protocol::Torque{75'000'000}, std::nullopt};
    window.angle = config::AngleWindow{protocol::Angle{20'000'000}, protocol::Angle{60'000'000},
                                       config::AngleOrigin::start, std::nullopt};
    return window;
}

protocol::Reading reading_of(double torque, double angle) {
    protocol::Reading reading;
    reading.torque = protocol::Torque{std::llround(torque * 1e6)};
    reading.angle = protocol::Angle{std::llround(angle * 1e6)};
    return reading;
}

std::vector<CurvePoint> pieces(const std::vector<CurvePoint>& corners) {
    std::vector<CurvePoint> points;
    for (std::size_t i = 1; i < corners.size(); ++i)
        for (int k = 0; k < 40; ++k)
            points.push_back({std::lerp(corners[i - 1].angle, corners[i].angle, k / 40.0),
                              std::lerp(corners[i - 1].torque, corners[i].torque, k / 40.0)});
    points.push_back(corners.back());
    return points;
}

struct Case {
    double torque;
    double angle;
    std::vector<CurvePoint> corners{};
    std::optional<std::pair<double, double>> gradient{};
};

std::vector<Pattern> seen_in(const Case& one) {
    const config::Window window = bolt_window();
    const protocol::Reading reading = reading_of(one.torque, one.angle);
    std::optional<protocol::CurveShape> shape;
    if (!one.corners.empty())
        shape = protocol::shape_of(protocol::curve_of(pieces(one.corners)).value());
    std::vector<Pattern> patterns;
    for (const SeenPattern& seen : patterns_in({.window = window,
                                   .rehit_angle_max = protocol::Angle{3'000'000},
                                   .reading = reading,
                                   .shape = shape ? &*shape : nullptr,
                                   .gradient = one.gradient})) {
        CHECK_FALSE(seen.evidence.empty());
        patterns.push_back(seen.pattern);
    }
    return patterns;
}

using Patterns = std::vector<Pattern>;

}  // namespace

TEST_CASE("a good tightening shows no pattern, with its curve and without") {
    CHECK(seen_in({71, 40}).empty());
    CHECK(seen_in({71, 40, {{0, 1}, {100, 1}, {120, 71}}, std::pair{3.0, 4.0}}).empty());
}

TEST_CASE("torque and angle alone tell what they can") {
    CHECK(seen_in({71, 2}) == Patterns{Pattern::rehit, Pattern::short_way});
    CHECK(seen_in({71, 12}) == Patterns{Pattern::cross_threaded, Pattern::short_way});
    CHECK(seen_in({71, 80}) == Patterns{Pattern::part_missing});
    CHECK(seen_in({80, 40}) == Patterns{Pattern::over_tightened});
    CHECK(seen_in({3, 500}) == Patterns{Pattern::run_down_only, Pattern::under_tightened});
    CHECK(seen_in({50, 80}) == Patterns{Pattern::stripped, Pattern::under_tightened});
    CHECK(seen_in({50, 30}) == Patterns{Pattern::stopped_early, Pattern::under_tightened});
}

TEST_CASE("limits belong to what is good") {
    CHECK(seen_in({67, 20}).empty());
    CHECK(seen_in({75, 60}).empty());
    CHECK(seen_in({71, 3}).front() == Pattern::rehit);
    CHECK(seen_in({71, 3.1}).front() == Pattern::cross_threaded);
}

TEST_CASE("a loosening shows no pattern") {
    const config::Window window = bolt_window();
    protocol::Reading reading = reading_of(3, 500);
    reading.direction = protocol::Direction::loosen;
    CHECK(patterns_in({.window = window, .reading = reading}).empty());
}

TEST_CASE("a bolt that bottoms is told by its curve, though its values are good") {
    CHECK(seen_in({71, 40, {{0, 1}, {100, 1}, {112, 37}, {114, 71}}}) == Patterns{Pattern::bottomed});
}

TEST_CASE("a thread that gives way falls on while it is turned, a socket that slips breaks off at once") {
    // Up to 40 N.m, then turning on while the torque falls.
    CHECK(seen_in({40, 55, {{0, 1}, {100, 1}, {112, 40}, {140, 15}}}) ==
          Patterns{Pattern::stripped, Pattern::under_tightened, Pattern::yielded});
    auto slipped = Case{40, 30, {{0, 1}, {100, 1}, {112, 40}, {112.2, 3}}};
    const auto patterns = seen_in(slipped);
    CHECK(std::ranges::find(patterns, Pattern::slipped_off) != patterns.end());
    CHECK(std::ranges::find(patterns, Pattern::stripped) == patterns.end());
}

TEST_CASE("a rise of another steepness is another fastener, where the joint's own is known") {
    const std::vector<CurvePoint> corners{{0, 1}, {100, 1}, {120, 71}};  // 3.5 N.m a degree
    CHECK(seen_in({71, 40, corners}).empty());
    CHECK(seen_in({71, 40, corners, std::pair{3.4, 3.6}}).empty());
    CHECK(seen_in({71, 40, corners, std::pair{4.0, 5.0}}) == Patterns{Pattern::wrong_fastener});
    CHECK(seen_in({71, 40, corners, std::pair{2.0, 3.0}}) == Patterns{Pattern::wrong_fastener});
}

TEST_CASE("a false seat, a yield and a loss at the stop are told") {
    CHECK(seen_in({71, 40, {{0, 1}, {60, 1}, {66, 35}, {70, 5}, {100, 5}, {120, 71}}}) ==
          Patterns{Pattern::false_seat});
    CHECK(seen_in({71, 40, {{0, 1}, {100, 1}, {118, 64}, {130, 71}}}) == Patterns{Pattern::yielded});
    const auto lost = seen_in({71, 40, {{0, 1}, {100, 1}, {120, 71}, {120, 60}}});
    CHECK(lost == Patterns{Pattern::relaxed});
}

TEST_CASE("a torque that goes up and down about its line sticks and slips") {
    std::vector<CurvePoint> points = pieces({{0, 1}, {100, 1}, {120, 71}});
    int sign = 1;
    for (CurvePoint& point : points)
        if (point.torque > 3)
            point.torque *= 1 + 0.05 * (sign = -sign);
    const auto shape = protocol::shape_of(protocol::curve_of(points).value());
    const config::Window window = bolt_window();
    const protocol::Reading reading = reading_of(73, 40);
    const auto seen = patterns_in({.window = window, .reading = reading, .shape = &shape});
    CHECK(std::ranges::find(seen, Pattern::sticks_and_slips, &SeenPattern::pattern) != seen.end());
}

TEST_CASE("every pattern has a sentence and advice") {
    for (const auto pattern :
         {Pattern::under_tightened, Pattern::over_tightened, Pattern::cross_threaded, Pattern::stripped,
          Pattern::part_missing, Pattern::short_way, Pattern::bottomed, Pattern::rehit,
          Pattern::run_down_only, Pattern::slipped_off, Pattern::stopped_early, Pattern::wrong_fastener,
          Pattern::yielded, Pattern::false_seat, Pattern::sticks_and_slips, Pattern::relaxed}) {
        CHECK_FALSE(text_of(pattern).sentence.empty());
        CHECK_FALSE(text_of(pattern).advice.empty());
    }
}

// ---- the simulator's physics ----------------------------------------------------------------------------

namespace {

simulation::BoltDesign bracket_bolt() {
    simulation::BoltDesign design;
    design.thread = *config::thread_named("M12");
    design.proof_stress = *config::proof_stress("8.8", 12);
    design.resilience = 3.0e-6;
    design.ripple = 0.004;
    return design;
}

simulation::Program bracket_program() {
    simulation::Program program;
    program.name = "final";
    program.shut_off = 71;
    program.torque = {67, 75};
    program.angle = simulation::Limits{10, 60};
    program.origin = config::AngleOrigin::threshold_torque;
    program.threshold = 20;
    return program;
}

Patterns of_run(const simulation::Run& run) {
    config::Window window = bolt_window();
    window.angle->min = protocol::Angle{10'000'000};
    const protocol::Reading reading = reading_of(run.torque, run.angle);
    std::vector<CurvePoint> points;
    for (const auto& point : run.trace)
        points.push_back({point.angle, point.torque});
    const auto curve = protocol::curve_of(points);
    const auto shape = curve ? std::optional(protocol::shape_of(*curve)) : std::nullopt;
    Patterns patterns;
    for (const auto& seen : patterns_in({.window = window,
                            .rehit_angle_max = protocol::Angle{3'000'000},
                            .reading = reading,
                            .shape = shape ? &*shape : nullptr}))
        patterns.push_back(seen.pattern);
    return patterns;
}

bool shows(const Patterns& patterns, Pattern pattern) {
    return std::ranges::find(patterns, pattern) != patterns.end();
}

}  // namespace

TEST_CASE("simulated bolts show the pattern of what was done to them") {
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        INFO(seed);
        simulation::Chance chance(seed);
        simulation::Bolt good(bracket_bolt(), simulation::Flaw::none, seed);
        CHECK(of_run(simulation::tighten(good, bracket_program(), {}, chance)).empty());
        CHECK(shows(of_run(simulation::tighten(good, bracket_program(), {}, chance)), Pattern::rehit));

        simulation::Bolt crossed(bracket_bolt(), simulation::Flaw::cross_threaded, seed);
        const auto of_crossed = of_run(simulation::tighten(crossed, bracket_program(), {}, chance));
        CHECK((shows(of_crossed, Pattern::cross_threaded) || shows(of_crossed, Pattern::rehit)));

        simulation::Bolt ruined(bracket_bolt(), simulation::Flaw::stripped, seed);
        CHECK(shows(of_run(simulation::tighten(ruined, bracket_program(), {}, chance)), Pattern::stripped));

        simulation::Bolt let_go(bracket_bolt(), simulation::Flaw::none, seed);
        CHECK(shows(of_run(simulation::tighten(let_go, bracket_program(), {}, chance, {0.7})),
                    Pattern::stopped_early));
    }
}
