// A disk that fails under the running station: it withholds, ends with its own exit code and has lost nothing
// that anybody was told of. Started on a disk that still takes nothing, it stays up, withheld, and says so;
// on a good disk it goes on where it stopped.
#include <catch2/catch.hpp>

#include "tests/end_to_end/unit_run.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using protocol::Movement;

namespace {

constexpr int journal_failed = 74;  // ExitCode::journal_failed

// The daemon ends by itself at the next event.
void check_failing(Plant& plant, UnitRun& run) {
    REQUIRE(plant.floor().tighten({"bracket", 0, 0}));
    const auto ended = plant.daemon().await_end(patience);
    INFO(run.told());
    REQUIRE(ended);
    CHECK(ended->code == journal_failed);
    CHECK(plant.floor().controller().await_movement("lift-beam", Movement::refused, patience));
    CHECK_FALSE(plant.floor().tool("NR-12")->await_acknowledged(std::chrono::milliseconds(0)));
    run.look_at_record();
    CHECK(run.faults().empty());
}

void check_stays_up_withheld(Plant& plant, const std::string& how) {
    plant.start({"--disk", how});
    REQUIRE(plant.crew().await_station(patience));
    const auto health = plant.crew().api().get("/v1/health");
    REQUIRE(health);
    INFO(plant.told());
    CHECK(health->body.at("overall") == "withheld");
    CHECK(health->body.dump().find("journal_not_usable") != std::string::npos);
    CHECK(plant.floor().controller().movement("lift-beam") == Movement::refused);
    plant.stop();
}

}  // namespace

TEST_CASE("a disk that fails under the station ends it withheld, and the next start tells or goes on") {
    const std::string how = GENERATE("fill-disk", "break-writes", "break-syncs");
    INFO(how);
    Plant plant({.change = make_quick, .program = "tautgated_under_fault"});
    plant.open_for_work(fault_at(plant, "before_write", 1, how));
    UnitRun run(plant);
    const bool begun = run.bring() && run.tighten(0, run.bolts() - 2);
    INFO(run.told());
    REQUIRE(begun);
    arm(plant);
    check_failing(plant, run);
    disarm(plant);
    check_stays_up_withheld(plant, how);

    plant.start();
    REQUIRE(plant.crew().await_station(patience));
    REQUIRE(plant.crew().sign_in());
    REQUIRE(plant.crew().sign_on(plant.bay()));
    const bool whole = run.take_up(run.bolts() - 2) && run.tighten(run.bolts() - 1, run.bolts()) &&
                       run.lift() && run.leave();
    INFO(run.told());
    REQUIRE(whole);
    run.close_the_books();
    INFO(run.told());
    CHECK(run.faults().empty());
}
