#include "tests/end_to_end/killed_run.hpp"

#include <catch2/catch.hpp>

#include "tests/end_to_end/unit_run.hpp"

namespace tautgate::end_to_end {

void check_killed_run(const Kills& kills, const std::vector<std::string>& always) {
    Plant plant({.change = make_quick, .daemon_arguments = always, .program = "tautgated_under_fault"});
    plant.open_for_work(fault_at(plant, kills.point, kills.first));
    UnitRun run(plant, {.after_death = {fault_at(plant, kills.point, kills.second)}});
    arm(plant);
    const bool whole = run.whole();
    INFO("killed at " << kills.point << ", passes " << kills.first << " and " << kills.second);
    INFO(run.told());
    REQUIRE(whole);
    run.close_the_books();
    INFO(run.told());
    CHECK(run.deaths() == 2);
    CHECK(run.faults().empty());
}

}  // namespace tautgate::end_to_end
