// What windows mean for bolts and tools, and when the check warns. The formulas themselves are held against
// published tables in tests/standards/config/bolt_thread_test.cpp; here the expected preloads of one joint
// are those of the formula of VDI 2230-1, worked out by hand below. The shares of a tool's range and of the
// proof load are common practice, no source.
#include <catch2/catch.hpp>

#include "config/bolt_thread.hpp"
#include "config/design.hpp"
#include "tests/unit/config/station_fixture.hpp"

using namespace tautgate::config;

namespace {

// 70 N.m to 80 N.m on M12 8.8, by a tool of 20 N.m to 200 N.m that scatters by 6 %.
Station bolted() {
    Station station = smallest();
    Joint& joint = station.joints.front();
    joint.thread = "M12";
    joint.property_class = "8.8";
    joint.friction = FrictionRange{{12, -2}, {14, -2}};
    joint.passes.front().window.torque = {Torque{70'000'000}, Torque{80'000'000}, std::nullopt};
    station.tools.front().torque_max = Torque{200'000'000};
    station.tools.front().scatter_percent = tautgate::protocol::Decimal{6, 0};
    return station;
}

std::vector<std::string> warned(const Station& station) { return found(station, Severity::warning); }

}  // namespace

TEST_CASE("the preload to be expected spans lowest torque at highest friction to the opposite") {
    const Station station = bolted();
    const auto preload =
        expected_preload(station.joints.front(), station.joints.front().passes.front().window.torque);
    REQUIRE(preload);
    // MA/FM of M12 (P 1.75, d2 10.863, dW 16.63, dh 13.5): P/2pi + d2/2 mu/cos 30 + DKm/2 mu is
    // 0.2785 mm + (6.2718 mm + 7.5325 mm) mu, so 1.9350 at 0.12 and 2.2111 at 0.14. Worked out by hand.
    CHECK(preload->lowest_n == Approx(70'000 / 2.2111).epsilon(1e-4));
    CHECK(preload->highest_n == Approx(80'000 / 1.9350).epsilon(1e-4));
    // ISO 898-1:2013 table 5: 48.9 kN.
    CHECK(preload->proof_load_n == Approx(48'900).epsilon(0.006));
}

TEST_CASE("without thread, class or a known one nothing is said of the preload") {
    Station station = bolted();
    Joint& joint = station.joints.front();
    const auto preload = [&] { return expected_preload(joint, joint.passes.front().window.torque); };
    joint.thread = "";
    CHECK_FALSE(preload());
    CHECK(warned(station).empty());
    joint.thread = "UNC 1/2";
    CHECK_FALSE(preload());
    CHECK(warned(station) == std::vector<std::string>{
                                 "/joints/0/thread: \"UNC 1/2\" is no metric thread from M5 to M24, so that "
                                 "nothing can be said of the preload"});
    joint.thread = "M12";
    joint.property_class = "A2-70";
    CHECK_FALSE(preload());
    CHECK(warned(station).size() == 1);
}

TEST_CASE("a joint that states no friction is taken as of class B") {
    Station station = bolted();
    station.joints.front().friction.reset();
    const auto [low, high] = friction_of(station.joints.front());
    CHECK(low == 0.08);
    CHECK(high == 0.16);
}

TEST_CASE("a window that may stretch the bolt for good is warned of, at its max") {
    Station station = bolted();
    CHECK(warned(station).empty());
    station.joints.front().passes.front().window.torque.max = Torque{94'500'000};
    station.tools.front().scatter_percent.reset();
    CHECK(warned(station).empty());  // 48.86 kN of 48.9 kN
    station.joints.front().passes.front().window.torque.max = Torque{95'000'000};
    CHECK(warned(station) == std::vector<std::string>{
                                 "/joints/0/passes/0/window/torque/max: with the lowest friction 95 N·m give "
                                 "49 kN, which is 100 % of the bolt's proof load of 49 kN"});
}

TEST_CASE("a weak preload is warned of in the last pass only") {
    Station station = bolted();
    Joint& joint = station.joints.front();
    station.tools.front().scatter_percent.reset();
    joint.passes.front().window.torque.min = Torque{43'000'000};  // 19.46 kN of 48.9
    REQUIRE(warned(station).size() == 1);
    CHECK(warned(station).front().starts_with("/joints/0/passes/0/window/torque/min: "));
    Pass last = joint.passes.front();
    last.name = "last";
    last.window.torque.min = Torque{70'000'000};
    joint.passes.push_back(last);
    CHECK(warned(station).empty());
}

TEST_CASE("a target outside of 20 % to 90 % of a tool's highest torque is warned of") {
    Station station = bolted();
    station.tools.front().scatter_percent.reset();
    for (const auto& [highest, warns] : {std::pair{375, false}, {376, true}, {84, false}, {83, true}}) {
        INFO(highest);
        station.tools.front().torque_max = Torque{highest * 1'000'000};
        CHECK(warned(station).size() == (warns ? 1U : 0U));
    }
}

TEST_CASE("a scatter that leaves no Cpk of 1.33 is warned of") {
    Station station = bolted();
    // Cpk = 5 N.m / (3 * scatter * 75 N.m / 6): 1.33 at 10.03 %.
    for (const auto& [hundredths, warns] : {std::pair{1000, false}, {1010, true}}) {
        station.tools.front().scatter_percent = tautgate::protocol::Decimal{hundredths, -2};
        CHECK(warned(station).size() == (warns ? 1U : 0U));
    }
    const auto design = design_of(station);
    REQUIRE(design.size() == 1);
    CHECK(design.front().tools.front().capability.value() == Approx(5 / (3 * 0.101 * 75 / 6)));
    CHECK(design.front().tools.front().share_of_range == Approx(0.375));
    // A target beside the middle leaves less.
    station.tools.front().scatter_percent = tautgate::protocol::Decimal{8, 0};
    station.joints.front().passes.front().window.torque.target = Torque{73'000'000};
    CHECK(warned(station).size() == 1);
}

TEST_CASE("a friction or a scatter that cannot be is an error with its place") {
    Station station = bolted();
    station.joints.front().friction = FrictionRange{{14, -2}, {12, -2}};
    CHECK(found(station) == std::vector<std::string>{"/joints/0/friction/max: 0.12 is below min (0.14)"});
    station.joints.front().friction = FrictionRange{{2, -2}, {12, -2}};
    CHECK(found(station) ==
          std::vector<std::string>{"/joints/0/friction/min: 0.02 is no coefficient of friction of a thread"});
    station = bolted();
    station.tools.front().scatter_percent = tautgate::protocol::Decimal{0, 0};
    CHECK(found(station) ==
          std::vector<std::string>{"/tools/0/scatter_percent: 0 % is no scatter of a tool"});
}

TEST_CASE("every measured pass of the demo is shown with its preload and tools, and nothing is odd") {
    const auto designs = design_of(larkmoor());
    REQUIRE(designs.size() == 8);
    for (const DesignOfPass& design : designs) {
        INFO(design.joint << " " << design.pass);
        REQUIRE(design.preload);
        CHECK(design.preload->highest_share() <= 1);
        CHECK((!design.last || design.preload->lowest_share() >= sensible_share_of_proof));
        CHECK(design.tools.size() == 1);
    }
}
