// The independent account of the unit in the bay, on the demo station.
#include <catch2/catch.hpp>

#include <algorithm>

#include "config/reader.hpp"
#include "tools/simulation/account.hpp"

using namespace tautgate;
using namespace tautgate::simulation;
using protocol::Movement;

namespace {

const config::Station& larkmoor() {
    static const auto station =
        config::read_station_file(TAUTGATE_SOURCE_DIR "/config/larkmoor.json").value();
    return station;
}

const config::Plan& plan(const std::string& id) {
    return *std::ranges::find(larkmoor().plans, id, &config::Plan::id);
}
const config::Joint& joint(const std::string& id) {
    return *std::ranges::find(larkmoor().joints, id, &config::Joint::id);
}

// Tightens everything that the plan tightens; true if each tool said OK.
bool tighten_all(Account& account, Chance& chance) {
    bool ok = true;
    for (const auto& id : account.joints())
        for (const auto& pass : joint(id).passes)
            for (std::size_t i = 0; i < joint(id).fasteners.size(); ++i) {
                const auto run = account.tighten(id, i, program_of(pass), chance);
                INFO(id << " " << i << " " << pass.name << ": " << run->torque << " N.m " << run->angle
                        << " deg " << run->reason);
                CHECK(run->ok);
                ok = ok && run->ok;
            }
    return ok;
}

}  // namespace

TEST_CASE("every bolt of every demo variant lands in its window, for many seeds") {
    for (const auto& plan : larkmoor().plans)
        for (std::uint64_t seed = 1; seed <= 20; ++seed) {
            Account account{larkmoor()};
            Chance chance{seed};
            account.arrived("J1", plan, true, seed);
            CHECK(tighten_all(account, chance));
            CHECK_FALSE(account.against("lift-beam", Movement::allowed));
        }
}

TEST_CASE("the beam is borne out by classes A and B, the carrier only when the clamps are confirmed, too") {
    Account account{larkmoor()};
    Chance chance{1};
    account.arrived("J1", plan("plan-mb1"), true, 1);
    CHECK(account.against("lift-beam", Movement::allowed));
    REQUIRE(tighten_all(account, chance));
    CHECK_FALSE(account.against("lift-beam", Movement::allowed));
    CHECK(account.against("carrier", Movement::allowed) == "nobody confirmed cable-clamps");
    account.confirmed("cable-clamps");
    CHECK_FALSE(account.against("carrier", Movement::allowed));
    account.left();
    CHECK(account.against("lift-beam", Movement::allowed) == "no unit is in the bay");
}

TEST_CASE("one loosened, stripped, jammed or under-tightened bolt is enough against a release") {
    Account account{larkmoor()};
    Chance chance{1};
    const auto final_pass = program_of(joint("bracket").passes.back());
    account.arrived("J1", plan("plan-mb1"), true, 1);
    REQUIRE(tighten_all(account, chance));
    SECTION("loosened") {
        REQUIRE(account.loosen("bracket", 2, final_pass, chance));
        CHECK(account.against("lift-beam", Movement::allowed) == "bracket 3 is loose");
    }
    SECTION("stripped") {
        account.replace("bracket", 2, Flaw::stripped, 5);
        CHECK_FALSE(account.tighten("bracket", 2, final_pass, chance)->ok);
        CHECK(account.against("lift-beam", Movement::allowed) == "bracket 3 has a stripped thread");
    }
    SECTION("jammed") {
        account.replace("bracket", 2, Flaw::cross_threaded, 5);
        CHECK_FALSE(account.tighten("bracket", 2, final_pass, chance)->ok);
        CHECK(account.against("lift-beam", Movement::allowed) == "bracket 3 is jammed in a crossed thread");
    }
    SECTION("let go early") {
        account.replace("bracket", 2, Flaw::none, 5);
        CHECK_FALSE(account.tighten("bracket", 2, final_pass, chance, {0.7})->ok);
        CHECK(account.against("lift-beam", Movement::allowed));
        // Loosened and done again it is good.
        REQUIRE(account.loosen("bracket", 2, final_pass, chance));
        CHECK(account.tighten("bracket", 2, final_pass, chance)->ok);
        CHECK_FALSE(account.against("lift-beam", Movement::allowed));
    }
}

TEST_CASE("a thread cut too shallow carries the snug torque once, and after the final run not even that") {
    const auto snug = program_of(joint("motor-mounts").passes.front());
    const auto tight = program_of(joint("motor-mounts").passes.back());
    for (std::uint64_t seed = 1; seed <= 100; ++seed) {
        Account account{larkmoor()};
        Chance chance{seed};
        account.arrived("J1", plan("plan-mb1"), true, seed);
        account.replace("motor-mounts", 0, Flaw::stripped, seed);
        CHECK(account.tighten("motor-mounts", 0, snug, chance)->ok);
        const auto final_run = account.tighten("motor-mounts", 0, tight, chance);
        CHECK(final_run->torque < tight.torque.min);
        CHECK_FALSE(final_run->ok);
        REQUIRE(account.loosen("motor-mounts", 0, snug, chance));
        const auto again = account.tighten("motor-mounts", 0, snug, chance);
        CHECK(again->torque < snug.torque.min);
        CHECK_FALSE(again->ok);
    }
}

TEST_CASE("an override bears out its joint until somebody turns a bolt of it") {
    Account account{larkmoor()};
    Chance chance{1};
    const auto final_pass = program_of(joint("bracket").passes.back());
    account.arrived("J1", plan("plan-mb1"), true, 1);
    REQUIRE(tighten_all(account, chance));
    REQUIRE(account.loosen("bracket", 0, final_pass, chance));
    account.overridden("bracket");
    CHECK_FALSE(account.against("lift-beam", Movement::allowed));
    REQUIRE(account.loosen("bracket", 1, final_pass, chance));
    CHECK(account.against("lift-beam", Movement::allowed));
}

TEST_CASE("nothing bears out a release for parts that do not belong together") {
    Account account{larkmoor()};
    Chance chance{1};
    account.arrived("J1", plan("plan-mb1"), false, 1);
    REQUIRE(tighten_all(account, chance));
    CHECK(account.against("lift-beam", Movement::allowed) == "the sub-assemblies do not belong together");
}

TEST_CASE("leaving incomplete is borne out by the decision, and only on the way that the plan names") {
    Account account{larkmoor()};
    account.arrived("J1", plan("plan-mb1"), true, 1);
    CHECK(account.against("side-track", Movement::allowed_incomplete));
    account.may_leave_incomplete();
    CHECK_FALSE(account.against("side-track", Movement::allowed_incomplete));
    CHECK(account.against("carrier", Movement::allowed_incomplete));
    CHECK(account.against("lift-beam", Movement::allowed));
}
