// What happens when somebody falls silent while a release is out: the daemon, its loop, the controller, a
// link. The release goes within the time that the station's description gives, the reason says why, and it
// comes back as that reason says that it does. Waits are generous; no timing decides.
#include <catch2/catch.hpp>

#include <csignal>

#include "tests/end_to_end/unit_run.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;
using protocol::Movement;

namespace {

// A proven unit whose beam may rise.
struct Released {
    Plant plant;
    UnitRun run;

    explicit Released(const Plant::Arrangement& arrangement, const std::string& stalls_at = {})
        : plant(arrangement), run(plant) {
        plant.open_for_work(stalls_at.empty() ? std::vector<std::string>{}
                                              : fault_at(plant, stalls_at, 1, "stall"));
        const bool proven = run.bring() && run.tighten_all() && run.until_released("lift-beam");
        INFO(run.told());
        REQUIRE(proven);
    }
    Released() : Released({.change = make_quick}) {}

    bool goes() {
        return plant.floor().controller().await_movement("lift-beam", Movement::refused, patience);
    }
    bool comes_back() {
        return plant.floor().controller().await_movement("lift-beam", Movement::allowed, patience);
    }
    bool named(const std::string& reason) {
        return plant.crew().await_reason(plant.bay(), "lift-beam", reason, patience);
    }
    // As the station itself has it on the wire.
    bool on_wire(const std::string& code) {
        return plant.crew().await_bay(
            plant.bay(),
            [&](const json& bay) {
                for (const json& permissive : bay.at("permissives"))
                    if (permissive.at("id") == "lift-beam")
                        return permissive.at("on_wire") == code;
                return false;
            },
            patience);
    }
    [[nodiscard]] bool sees_no_beat() {
        return plant.floor().controller().await(
            "lift-beam",
            [](const protocol::PlcState& state) {
                return state.link_fault == protocol::PlcFault::beat_still;
            },
            patience);
    }
    void check_the_rest() {
        const bool whole = run.lift() && run.leave();
        INFO(run.told());
        REQUIRE(whole);
        run.close_the_books();
        INFO(run.told());
        CHECK(run.faults().empty());
    }
};

}  // namespace

TEST_CASE("a daemon that is stopped loses its release, and has it again when it goes on") {
    Released at;
    at.plant.daemon().signal(SIGSTOP);
    CHECK(at.goes());
    CHECK(at.sees_no_beat());
    at.plant.daemon().signal(SIGCONT);
    CHECK(at.comes_back());
    at.check_the_rest();
}

TEST_CASE("a loop that stands still loses its release though the links live") {
    Released at({.change = make_quick, .program = "tautgated_under_fault"}, "turn");
    arm(at.plant);
    CHECK(at.goes());
    CHECK(at.sees_no_beat());
    disarm(at.plant);
    CHECK(at.comes_back());
    at.check_the_rest();
}

TEST_CASE("a controller whose program stands still is told withheld, and told released when it runs again") {
    Released at;
    at.plant.floor().controller().freeze(true);
    CHECK(at.named("controller_link_lost"));
    CHECK(at.on_wire("withheld"));
    at.plant.floor().controller().freeze(false);
    CHECK(at.comes_back());
    at.check_the_rest();
}

TEST_CASE("a controller that cannot be reached withholds by itself, and the station says why it does") {
    Released at;
    at.plant.floor().controller().cut();
    CHECK(at.goes());
    CHECK(at.sees_no_beat());
    CHECK(at.named("controller_link_lost"));
    CHECK(at.named("presence_unconfirmed"));
    at.plant.floor().controller().mend();
    CHECK(at.comes_back());  // nothing was counted meanwhile
    at.check_the_rest();
}

TEST_CASE("a unit that was exchanged while the controller could not be reached is not released") {
    Released at;
    auto& controller = at.plant.floor().controller();
    controller.cut();
    REQUIRE(at.goes());
    const auto before = at.run.released();
    at.plant.floor().take_away();
    REQUIRE(controller.await(
        "lift-beam", [](const protocol::PlcState& state) { return !state.present; }, patience));
    REQUIRE(at.plant.floor().set_down("plan-mb1"));
    controller.mend();
    INFO(at.run.told());
    CHECK(at.plant.shift().wait_until_ready());
    CHECK(at.named("ticket_missing"));
    CHECK(at.run.released() == before);
    CHECK(controller.violations().empty());
}

TEST_CASE("a tool that cannot be reached holds what it has proven, until it is back") {
    const std::string tool = GENERATE("NR-20", "NR-16");
    Released at;
    at.plant.floor().tool(tool)->cut();
    CHECK(at.named("tool_link_lost"));
    CHECK(at.goes());
    at.plant.floor().tool(tool)->mend();
    CHECK(at.comes_back());
    at.check_the_rest();
}
