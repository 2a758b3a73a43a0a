// The simulated bolt and wrench behave like steel and not like a table of results.
#include <catch2/catch.hpp>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <vector>

#include "tools/simulation/bolt.hpp"
#include "tools/simulation/wrench.hpp"

using namespace tautgate;
using namespace tautgate::simulation;

namespace {

BoltDesign m12_bracket() {
    BoltDesign design;
    design.thread = *config::thread_named("M12");
    design.proof_stress = *config::proof_stress("8.8", 12);
    design.resilience = 3.5e-6;
    design.prevailing = 1.0;
    return design;
}

Program final_pass() {
    Program program;
    program.name = "M12-final";
    program.shut_off = 70;
    program.torque = {65, 75};
    program.angle = Limits{12, 45};
    program.origin = config::AngleOrigin::threshold_torque;
    program.threshold = 20;
    program.angle_abort = 180;
    return program;
}

constexpr WrenchTraits traits{0.005, 0.002, 0.01, 7200};

Run tightened(Bolt& bolt, const Program& program, std::uint64_t seed, const Trigger& trigger = {}) {
    Chance chance{seed};
    return tighten(bolt, program, traits, chance, trigger);
}

}  // namespace

TEST_CASE("torque and preload of a tightened bolt are related as VDI 2230-1 says, whatever the friction") {
    for (std::uint64_t seed = 1; seed <= 50; ++seed) {
        auto design = m12_bracket();
        design.ripple = 0;
        Bolt bolt{design, Flaw::none, seed};
        const Run run = tightened(bolt, final_pass(), seed);
        // The bolt turns on in steps, so that it stands up to one step beyond the torque of shut-off.
        const double from_preload =
            design.prevailing + bolt.preload() * config::tightening_torque(design.thread, bolt.friction());
        CHECK(run.torque == Approx(from_preload).epsilon(0.04));
        CHECK(bolt.grip() == Grip::tight);
    }
}

TEST_CASE("the straight part of the curve rises by pitch over resilience for each degree") {
    auto design = m12_bracket();
    design.ripple = 0;
    Bolt bolt{design, Flaw::none, 7};
    while (!bolt.faces_closed())
        bolt.tighten_by(0.25);
    const double before = bolt.preload();
    bolt.tighten_by(0.5);
    bolt.tighten_by(0.5);
    CHECK(bolt.preload() - before == Approx(1.75 / 360 / 3.5e-6).epsilon(0.001));
}

TEST_CASE("a good bolt is inside the window of its design for every seed") {
    for (std::uint64_t seed = 1; seed <= 200; ++seed) {
        Bolt bolt{m12_bracket(), Flaw::none, seed};
        const Run run = tightened(bolt, final_pass(), seed);
        INFO("seed " << seed << ": " << run.torque << " N.m, " << run.angle << " deg, " << run.reason);
        CHECK(run.ok);
        CHECK_FALSE(bolt.yielded());
    }
}

TEST_CASE("friction and shut-off scatter: not all runs are alike, and none leaves its bounds") {
    double least = 1e9;
    double most = 0;
    for (std::uint64_t seed = 1; seed <= 200; ++seed) {
        Bolt bolt{m12_bracket(), Flaw::none, seed};
        const Run run = tightened(bolt, final_pass(), seed);
        least = std::min(least, run.angle);
        most = std::max(most, run.angle);
        CHECK(bolt.friction().thread >= 0.11);
        CHECK(bolt.friction().thread <= 0.13);
    }
    CHECK(most - least > 1.0);
}

TEST_CASE("the same seed gives the same run, point by point; another seed another") {
    const auto run_of = [](std::uint64_t seed) {
        Bolt bolt{m12_bracket(), Flaw::none, seed};
        return tightened(bolt, final_pass(), seed + 1000);
    };
    const Run once = run_of(42);
    const Run again = run_of(42);
    const Run other = run_of(43);
    REQUIRE(once.trace.size() == again.trace.size());
    REQUIRE(once.trace.size() > 10);
    for (std::size_t i = 0; i < once.trace.size(); ++i)
        CHECK(once.trace[i].torque == again.trace[i].torque);
    CHECK(once.torque == again.torque);
    CHECK(once.angle == again.angle);
    CHECK(once.torque != other.torque);
}

TEST_CASE("a second run on a tight bolt reaches the torque with almost no angle") {
    Bolt bolt{m12_bracket(), Flaw::none, 3};
    REQUIRE(tightened(bolt, final_pass(), 3).ok);
    const double preload = bolt.preload();
    const Run again = tightened(bolt, final_pass(), 4);
    CHECK(again.torque >= 65);
    CHECK(again.angle < 3);
    CHECK_FALSE(again.ok);
    CHECK(again.reason == "angle low");
    CHECK(bolt.preload() == Approx(preload).epsilon(0.05));
}

TEST_CASE("letting go early leaves torque and preload low, and the next run completes the bolt") {
    Bolt bolt{m12_bracket(), Flaw::none, 5};
    const Run early = tightened(bolt, final_pass(), 5, {0.6});
    CHECK(early.torque < 65);
    CHECK(early.reason == "trigger released");
    CHECK_FALSE(early.ok);
    const double preload = bolt.preload();
    const Run rest = tightened(bolt, final_pass(), 6);
    CHECK(rest.torque >= 65);
    CHECK(bolt.preload() > preload * 1.3);
}

TEST_CASE("a crossed thread brings the torque without the angle and clamps nothing") {
    for (std::uint64_t seed = 1; seed <= 50; ++seed) {
        Bolt bolt{m12_bracket(), Flaw::cross_threaded, seed};
        const Run run = tightened(bolt, final_pass(), seed);
        CHECK(run.torque >= 65);
        CHECK(run.reason == "angle low");
        CHECK(bolt.preload() == 0);
        CHECK(bolt.grip() == Grip::jammed);
    }
}

TEST_CASE("a stripped thread brings the angle without the torque") {
    for (std::uint64_t seed = 1; seed <= 50; ++seed) {
        Bolt bolt{m12_bracket(), Flaw::stripped, seed};
        const Run run = tightened(bolt, final_pass(), seed);
        CHECK(run.torque < 65);
        CHECK(run.angle > 45);
        CHECK_FALSE(run.ok);
        CHECK(bolt.grip() == Grip::stripped);
    }
}

TEST_CASE("tightening far beyond yield lengthens the bolt and the gradient drops") {
    auto design = m12_bracket();
    design.ripple = 0;
    Bolt bolt{design, Flaw::none, 9};
    while (!bolt.yielded())
        bolt.tighten_by(0.25);
    const double at_yield = bolt.preload();
    CHECK(at_yield ==
          Approx(config::assembly_preload(design.thread, 640, bolt.friction().thread, 1.0)).epsilon(0.01));
    for (int i = 0; i < 40; ++i)
        bolt.tighten_by(0.25);
    CHECK(bolt.preload() - at_yield < 0.1 * 10 * 1.75 / 360 / 3.5e-6);
    CHECK(bolt.preload() > at_yield);
}

TEST_CASE("loosening takes less torque than tightening and leaves no preload") {
    Bolt bolt{m12_bracket(), Flaw::none, 11};
    const Run on = tightened(bolt, final_pass(), 11);
    Chance chance{12};
    const Run off = loosen(bolt, final_pass(), traits, chance);
    CHECK(off.direction == protocol::Direction::loosen);
    CHECK(off.torque < on.torque);
    CHECK(off.torque > on.torque * 0.6);
    CHECK(bolt.preload() == 0);
    CHECK(bolt.grip() == Grip::loose);
    CHECK(tightened(bolt, final_pass(), 13).ok);
}

TEST_CASE("a bolt drawn up in two passes counts the angle of the second from the threshold") {
    auto snug = final_pass();
    snug.name = "M12-snug";
    snug.shut_off = 30;
    snug.torque = {25, 35};
    snug.angle.reset();
    snug.origin = config::AngleOrigin::start;
    Bolt bolt{m12_bracket(), Flaw::none, 14};
    REQUIRE(tightened(bolt, snug, 14).ok);
    Bolt at_once{m12_bracket(), Flaw::none, 14};
    const Run one_pass = tightened(at_once, final_pass(), 15);
    const Run two_passes = tightened(bolt, final_pass(), 15);
    CHECK(two_passes.angle < one_pass.angle);
    CHECK(two_passes.angle > one_pass.angle * 0.5);
}

TEST_CASE("numbers are written in steps of the tool's resolution") {
    CHECK(in_steps(402.449, 500'000) == "402.5");
    CHECK(in_steps(402.2, 500'000) == "402");
    CHECK(in_steps(0.0, 100'000) == "0");
    CHECK(in_steps(48.123, 100'000) == "48.1");
    CHECK(in_steps(350.0, 10'000'000) == "350");
}

TEST_CASE("the curve of a run is what the tool felt, in steps of its resolution, up to its peak") {
    Bolt bolt{m12_bracket(), Flaw::none, 7};
    const Run run = tightened(bolt, final_pass(), 7);
    config::Tool tool;
    tool.torque_resolution = {100'000};
    tool.angle_resolution = {100'000};
    const auto curve = curve_of(run, tool);
    REQUIRE(curve.has_value());
    REQUIRE(curve->samples() == run.trace.size());
    std::int64_t highest = 0;
    for (std::size_t i = 0; i < curve->samples(); ++i) {
        const auto torque = torque_at(*curve, i);
        CHECK(torque.micro_nm % 100'000 == 0);
        CHECK(std::abs(in_newton_metres(torque) - run.trace[i].torque) <= 0.0501);
        if (i > 0)
            CHECK(*angle_at(*curve, i) > *angle_at(*curve, i - 1));
        highest = std::max(highest, torque.micro_nm);
    }
    // Not beyond the shut-off by more than one degree of turn, and near it.
    CHECK(highest > 60'000'000);
    CHECK(highest < 80'000'000);
    CHECK_FALSE(curve_of(Run{}, tool).has_value());
}
