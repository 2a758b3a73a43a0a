// What a start may rely on after the power was gone: the record, and what the equipment counted meanwhile. A
// unit that was exchanged in the dark is not released on the proof of the one before.
#include <catch2/catch.hpp>

#include "tests/end_to_end/unit_run.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;
using protocol::Movement;

namespace {

// A proven unit, its beam released, and then the power is gone.
struct Blackout {
    Plant plant{{.change = make_quick}};
    UnitRun run{plant};
    bool proven = false;

    Blackout() {
        plant.open_for_work();
        proven = run.bring() && run.tighten_all() && run.until_released("lift-beam");
        plant.kill();
    }
    void power_on() {
        plant.start();
        const auto up = plant.crew().await_station(patience);
        const auto people = plant.crew().sign_in();
        INFO(run.told());
        REQUIRE((up && people));
        REQUIRE(plant.shift().wait_until_ready());
    }
    bool held_by(const std::string& reason) {
        return plant.crew().await_reason(plant.bay(), "lift-beam", reason, patience) &&
               !run.is_released("lift-beam") && !run.is_released("carrier");
    }
    [[nodiscard]] json bay() {
        const auto now = plant.crew().bay(plant.bay());
        return now ? *now : json(nullptr);
    }
    // Never, not even for one scan of the controller, since the power is back.
    [[nodiscard]] bool nothing_new_was_released(const ReleaseWatch::Releases& before) const {
        return run.released() == before;
    }
};

}  // namespace

TEST_CASE("the same unit is released again after a power cut, since the equipment counted nothing") {
    Blackout night;
    REQUIRE(night.proven);
    night.power_on();
    const bool whole = night.run.lift() && night.run.leave();
    INFO(night.run.told());
    REQUIRE(whole);
    night.run.close_the_books();
    INFO(night.run.told());
    CHECK(night.run.faults().empty());
}

TEST_CASE("another unit that was set down during a power cut begins a stay of its own, unproven") {
    Blackout night;
    REQUIRE(night.proven);
    const auto before = night.run.released();
    night.plant.floor().take_away();
    REQUIRE(night.plant.floor().controller().await(
        "lift-beam", [](const protocol::PlcState& state) { return !state.present; }, patience));
    REQUIRE(night.plant.floor().set_down("plan-mb1"));
    night.power_on();
    INFO(night.run.told());
    CHECK(night.held_by("ticket_missing"));
    const auto other = night.plant.shift().next_papers("MB1");
    REQUIRE(night.plant.floor().scan(other.motor_label()));
    REQUIRE(night.plant.floor().scan(other.frame_label()));
    CHECK(night.held_by("joint_open"));
    CHECK(night.bay().at("occupant").at("identity").at("unit") == other.motor);
    CHECK(night.nothing_new_was_released(before));
    CHECK(night.plant.floor().controller().violations().empty());
    // The one before went without a release to leave: quality hears of it.
    const auto station = night.plant.crew().station();
    REQUIRE(station);
    REQUIRE(station->at("holds").size() == 1);
    CHECK(station->at("holds").front().at("unit") == night.run.papers().motor);
}

TEST_CASE("where the controller lost its power too, unchanged counts prove nothing") {
    Blackout night;
    REQUIRE(night.proven);
    const auto before = night.run.released();
    night.plant.floor().controller().restart();
    REQUIRE(night.plant.floor().exchange_parts());  // another unit stands where the proven one stood
    night.power_on();
    INFO(night.run.told());
    CHECK(night.held_by("presence_unconfirmed"));
    // Its ticket says that it is another one.
    const auto other = night.plant.shift().next_papers("MB1");
    REQUIRE(night.plant.floor().scan(other.motor_label()));
    CHECK(night.held_by("ticket_repeated"));
    // Whatever is scanned next, whether the unit has left is now for people to say.
    REQUIRE(night.plant.floor().scan(night.run.papers().motor_label()));
    CHECK(night.held_by("ticket_repeated"));
    REQUIRE(night.plant.crew().decide(night.plant.bay(), {{"unit_has_left", json::object()}},
                                      "engineering-release", "The proven unit is not here any more"));
    CHECK(night.plant.crew().await_bay(
        night.plant.bay(), [](const json& bay) { return bay.at("occupant").is_null(); }, patience));
    CHECK(night.held_by("no_unit"));
    CHECK(night.nothing_new_was_released(before));
    CHECK(night.plant.floor().controller().violations().empty());
}

TEST_CASE(
    "a start that dies three times comes up withheld without its sources, until it ended in order once") {
    Plant plant({.change = make_quick});
    plant.open_for_work();
    plant.kill();
    for (int death = 0; death < 2; ++death) {
        plant.start();
        REQUIRE(plant.crew().await_station(patience));
        plant.kill();
    }
    plant.start();
    REQUIRE(plant.crew().await_station(patience));
    const auto health = plant.crew().api().get("/v1/health");
    REQUIRE(health);
    INFO(plant.told());
    CHECK(health->body.dump().find("ended_unclean_repeatedly") != std::string::npos);
    CHECK(plant.floor().controller().movement("lift-beam") == Movement::refused);
    plant.stop();
    plant.start();
    REQUIRE(plant.crew().await_station(patience));
    CHECK(plant.shift().wait_until_ready());
    INFO(plant.told());
    CHECK(plant.floor().controller().violations().empty());
}
