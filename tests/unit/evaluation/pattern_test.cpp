// Each pattern from values, from curves that are worked out here by the handbook's formula, and from the
// simulator's physics. What a pattern looks like is common practice, no source.
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
    std::optional<GradientRange> gradient{};
    bool tightened_before = false;
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
                                   .gradient = one.gradient,
                                   .tightened_before = one.tightened_before})) {
        CHECK_FALSE(seen.evidence.empty());
        patterns.push_back(seen.pattern);
    }
    return patterns;
}

using Patterns = std::vector<Pattern>;

}  // namespace

TEST_CASE("a good tightening shows no pattern, with its curve and without") {
    CHECK(seen_in({71, 40}).empty());
    CHECK(seen_in({71, 40, {{0, 1}, {100, 1}, {120, 71}}, GradientRange{3.0, 4.0}}).empty());
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
    CHECK(seen_in({71, 40, corners, GradientRange{3.4, 3.6}}).empty());
    CHECK(seen_in({71, 40, corners, GradientRange{4.0, 5.0}}) == Patterns{Pattern::wrong_fastener});
    CHECK(seen_in({71, 40, corners, GradientRange{2.0, 3.0}}) == Patterns{Pattern::wrong_fastener});
}

TEST_CASE("a false seat, a yield and a loss at the stop are told") {
    CHECK(seen_in({71, 40, {{0, 1}, {60, 1}, {66, 35}, {70, 5}, {100, 5}, {120, 71}}}) ==
          Patterns{Pattern::false_seat});
    CHECK(seen_in({71, 40, {{0, 1}, {100, 1}, {118, 64}, {130, 71}}}) == Patterns{Pattern::yielded});
    const auto lost = seen_in({71, 40, {{0, 1}, {100, 1}, {120, 71}, {120, 60}}});
    CHECK(lost == Patterns{Pattern::relaxed});
}

TEST_CASE("a later pass that turns far tells of a joint that relaxed, not of a missing part") {
    CHECK(seen_in({.torque = 71, .angle = 80, .tightened_before = true}) == Patterns{Pattern::relaxed});
    CHECK(seen_in({.torque = 71, .angle = 60, .tightened_before = true}).empty());
    CHECK(seen_in({.torque = 50, .angle = 80, .tightened_before = true}) ==
          Patterns{Pattern::stripped, Pattern::under_tightened});
}

TEST_CASE("how steeply a good one rises is what the plan says, or what its neighbours did") {
    config::Window window = bolt_window();
    CHECK_FALSE(usual_gradient(window, {3.0, 3.5}));
    const auto usual = usual_gradient(window, {9.0, 3.5, 3.4});
    REQUIRE(usual);
    CHECK(usual->lowest == Approx(3.5 / 1.7));
    CHECK(usual->highest == Approx(3.5 * 1.7));
    window.curve = config::CurveWindow{};
    CHECK(usual_gradient(window, {1, 2, 3})->highest == Approx(2 * 1.7));
    window.curve->rate = config::RateLimits{
        protocol::Angle{10'000'000}, protocol::Angle{20'000'000}, {{3'000'000}, {4'000'000}}};
    const auto planned = usual_gradient(window, {});
    REQUIRE(planned);
    CHECK(planned->lowest == Approx(3));
    CHECK(planned->highest == Approx(4));
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

// ---- by the handbook's formula --------------------------------------------------------------------------

namespace {

// Torque over angle by the long form of the torque equation, T = F (P / 2 pi + mu r / cos 30 + mu R), with
// the preload F = k angle (machine design handbooks; from memory). Nothing here is shared with the simulator.
struct HandbookBolt {
    double pitch = 1.75;  // mm
    double thread_radius = 5.4;
    double head_radius = 7.7;
    double friction = 0.12;
    double newton_a_degree = 1600;
    double run_down = 1;  // N.m
    // What befalls it; angles are counted from where the parts meet.
    double hole_ends = 1e9;   // from here on it is five times as stiff
    double yields = 1e9;      // from here on a twentieth as stiff
    double strips = 1e9;      // from here on it falls by half of its stiffness
    double slips = 1e9;       // from here on nothing holds
    double burr_until = 0;    // up to here, before the parts meet, something else holds them apart
    double sticking = 0;      // share by which the torque goes up and down
    double lost_at_stop = 0;  // share

    [[nodiscard]] double torque_of(double newton) const {
        constexpr double pi = 3.14159265358979;
        const double lever =
            pitch / (2 * pi) + friction * (thread_radius / std::cos(pi / 6) + head_radius);  // mm
        return newton * lever / 1000;
    }
    [[nodiscard]] double preload(double angle) const {
        const double straight = std::max(0.0, std::min({angle, hole_ends, yields, strips}));
        const double harder = std::max(0.0, angle - hole_ends);
        const double softer = std::max(0.0, angle - yields);
        const double falling = std::max(0.0, angle - strips);
        return newton_a_degree * std::max(0.0, straight + 5 * harder + softer / 20 - falling / 2);
    }
    [[nodiscard]] double torque(double angle) const {
        if (angle > slips)
            return 0.5;
        const bool at_burr = burr_until > 0 && angle > -40 && angle <= -40 + burr_until;
        return run_down + torque_of(at_burr ? 0.6 * newton_a_degree * (angle + 40) : preload(angle));
    }
    // From so many degrees before the parts meet on, until the torque is reached or the angle is.
    [[nodiscard]] std::vector<CurvePoint> curve(double stop_torque, double stop_angle = 200) const {
        constexpr double before = 100;
        std::vector<CurvePoint> points;
        double sign = 1;
        for (double angle = -before; angle <= stop_angle; angle += 0.5) {
            const double smooth = torque(angle);
            sign = -sign;
            const bool clamps = smooth > 2 * run_down;
            points.push_back({angle + before, smooth * (clamps ? 1 + sign * sticking : 1)});
            if (smooth >= stop_torque)
                break;
        }
        if (lost_at_stop > 0)
            points.push_back({points.back().angle, points.back().torque * (1 - lost_at_stop)});
        return points;
    }
};

// As the tool would tell it: the highest torque, and the angle from 20 N.m to there.
Patterns of_curve(const std::vector<CurvePoint>& points, std::optional<GradientRange> gradient = {},
                  bool tightened_before = false) {
    const auto peak = std::ranges::max_element(points, {}, &CurvePoint::torque);
    const auto threshold = std::ranges::find_if(points, [](const auto& point) { return point.torque >= 20; });
    const double turned = threshold == points.end() ? 0 : points.back().angle - threshold->angle;
    const auto curve = protocol::curve_of(points);
    REQUIRE(curve);
    const auto shape = protocol::shape_of(*curve);
    config::Window window = bolt_window();
    window.angle->min = protocol::Angle{10'000'000};
    const protocol::Reading reading = reading_of(peak->torque, turned);
    Patterns patterns;
    for (const auto& seen : patterns_in({.window = window,
                            .rehit_angle_max = protocol::Angle{3'000'000},
                            .reading = reading,
                            .shape = &shape,
                            .gradient = gradient,
                            .tightened_before = tightened_before}))
        patterns.push_back(seen.pattern);
    return patterns;
}

bool shows(const Patterns& patterns, Pattern pattern) {
    return std::ranges::find(patterns, pattern) != patterns.end();
}

// 0.5 degrees before a good bolt is at 71 N.m its torque is well within the window.
constexpr double shut_off = 71;

}  // namespace

TEST_CASE("bolts by the handbook's formula show the pattern of what befell them") {
    const HandbookBolt good;
    const double gradient = good.torque_of(good.newton_a_degree);
    const GradientRange usual{gradient / 1.2, gradient * 1.2};
    CHECK(of_curve(good.curve(shut_off), usual).empty());
    CHECK(shows(of_curve(good.curve(80)), Pattern::over_tightened));
    CHECK(of_curve(good.curve(50)) == Patterns{Pattern::stopped_early, Pattern::under_tightened});

    HandbookBolt bolt = good;
    bolt.hole_ends = 10;
    CHECK(shows(of_curve(bolt.curve(shut_off), usual), Pattern::bottomed));
    bolt = good;
    bolt.yields = 22;
    CHECK(shows(of_curve(bolt.curve(shut_off, 60), usual), Pattern::yielded));
    bolt = good;
    bolt.strips = 12;
    CHECK(of_curve(bolt.curve(shut_off, 30), usual).front() == Pattern::stripped);
    bolt = good;
    bolt.slips = 18;
    CHECK(of_curve(bolt.curve(shut_off, 18.5), usual).front() == Pattern::slipped_off);
    bolt = good;
    bolt.burr_until = 20;
    CHECK(of_curve(bolt.curve(shut_off), usual) == Patterns{Pattern::false_seat});
    bolt = good;
    bolt.sticking = 0.06;
    CHECK(shows(of_curve(bolt.curve(shut_off), usual), Pattern::sticks_and_slips));
    bolt = good;
    bolt.lost_at_stop = 0.2;
    CHECK(of_curve(bolt.curve(shut_off), usual) == Patterns{Pattern::relaxed});

    bolt = good;
    bolt.newton_a_degree /= 1.4;  // longer, or of a softer stack
    CHECK(of_curve(bolt.curve(shut_off), usual) == Patterns{Pattern::wrong_fastener});
    bolt = good;
    bolt.friction *= 2;  // dry instead of oiled: fewer degrees for the same torque
    CHECK(shows(of_curve(bolt.curve(shut_off), usual), Pattern::wrong_fastener));
    bolt = good;
    bolt.newton_a_degree /= 4;  // soft: something is missing that should bear
    CHECK(shows(of_curve(bolt.curve(shut_off)), Pattern::part_missing));
    CHECK(shows(of_curve(bolt.curve(shut_off), {}, true), Pattern::relaxed));
    bolt = good;
    bolt.newton_a_degree *= 3;  // hard: it stands against something
    CHECK(of_curve(bolt.curve(shut_off)) == Patterns{Pattern::cross_threaded, Pattern::short_way});
    bolt = good;
    bolt.run_down = 6;
    CHECK(of_curve(bolt.curve(6.5, 4)).front() == Pattern::run_down_only);
    // A tight bolt that is met once more moves at the torque that it had, and hardly: that makes no curve.
    CHECK(seen_in({good.torque(22.5), 1}) == Patterns{Pattern::rehit, Pattern::short_way});
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

Patterns of_run(const simulation::Run& run, std::optional<GradientRange> gradient = {},
                bool tightened_before = false) {
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
                            .shape = shape ? &*shape : nullptr,
                            .gradient = gradient,
                            .tightened_before = tightened_before}))
        patterns.push_back(seen.pattern);
    return patterns;
}

// N.m per degree, as the curve of the run has it.
double gradient_of(const simulation::Run& run) {
    std::vector<CurvePoint> points;
    for (const auto& point : run.trace)
        points.push_back({point.angle, point.torque});
    const auto shape = protocol::shape_of(protocol::curve_of(points).value());
    REQUIRE(shape.clamp);
    return shape.clamp->gradient;
}

struct Odd {
    simulation::BoltDesign design = bracket_bolt();
    simulation::Flaw flaw = simulation::Flaw::none;
    simulation::Program program = bracket_program();
    simulation::Trigger trigger{};
};

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

TEST_CASE("simulated joints that are odd in another way show that pattern") {
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        INFO(seed);
        const auto run_of = [seed](const Odd& odd) {
            simulation::Chance chance(seed);
            simulation::Bolt bolt(odd.design, odd.flaw, seed);
            return simulation::tighten(bolt, odd.program, {}, chance, odd.trigger);
        };
        const auto good = usual_gradient(bolt_window(), std::vector(3, gradient_of(run_of({}))));
        CHECK(of_run(run_of({}), good).empty());

        Odd odd;
        odd.program.shut_off = 60;
        CHECK(shows(of_run(run_of(odd)), Pattern::under_tightened));
        odd.program.shut_off = 79;
        CHECK(shows(of_run(run_of(odd)), Pattern::over_tightened));

        odd = Odd{.flaw = simulation::Flaw::bottomed};
        odd.design.resilience *= 3;  // a longer one, so that its curve has a few points more
        CHECK(shows(of_run(run_of(odd), good), Pattern::bottomed));
        CHECK_FALSE(shows(of_run(run_of(odd), good), Pattern::wrong_fastener));
        odd = Odd{.flaw = simulation::Flaw::burred};
        CHECK(shows(of_run(run_of(odd), good), Pattern::false_seat));
        odd = Odd{.trigger = {.released_at = 0.7, .slips_off = true}};
        CHECK(of_run(run_of(odd), good).front() == Pattern::slipped_off);

        odd = Odd{};
        odd.design.proof_stress *= 0.68;  // a bolt of a lower class
        CHECK(shows(of_run(run_of(odd)), Pattern::yielded));
        odd = Odd{.flaw = simulation::Flaw::longer};
        CHECK(shows(of_run(run_of(odd), good), Pattern::wrong_fastener));
        odd = Odd{};
        odd.design.resilience *= 5;  // nothing below the head that bears
        CHECK(shows(of_run(run_of(odd)), Pattern::part_missing));
        odd = Odd{};
        odd.design.resilience /= 4;  // against something hard
        CHECK(shows(of_run(run_of(odd)), Pattern::short_way));
        odd = Odd{};
        odd.design.ripple = 0.06;
        odd.design.resilience *= 3;  // more degrees, so that chance matters less
        CHECK(shows(of_run(run_of(odd)), Pattern::sticks_and_slips));
        odd = Odd{};
        odd.design.settling = 0.25;
        CHECK(shows(of_run(run_of(odd), good), Pattern::relaxed));
        odd = Odd{};
        odd.design.prevailing = 6;  // a locking nut
        odd.trigger.released_at = 0.08;
        CHECK(of_run(run_of(odd)).front() == Pattern::run_down_only);
    }
}

TEST_CASE("a simulated joint that lost its preload after the snug pass turns far in the final one") {
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        INFO(seed);
        simulation::Chance chance(seed);
        auto soft = bracket_bolt();
        soft.settling = 0.9;
        soft.resilience *= 3;
        simulation::Bolt bolt(soft, simulation::Flaw::none, seed);
        auto snug = bracket_program();
        snug.shut_off = 50;
        static_cast<void>(simulation::tighten(bolt, snug, {}, chance));
        const auto final_run = simulation::tighten(bolt, bracket_program(), {}, chance);
        const auto patterns = of_run(final_run, {}, true);
        CHECK(patterns.front() == Pattern::relaxed);
        CHECK_FALSE(shows(patterns, Pattern::part_missing));
    }
}
