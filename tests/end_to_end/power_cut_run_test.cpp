// The same runs on a disk that forgets what was not synced. And the proof that these runs would notice: with
// syncs left out, and with releases that do not wait for the disk, they find what is wrong.
#include <catch2/catch.hpp>

#include <algorithm>

#include "tests/end_to_end/killed_run.hpp"
#include "tests/end_to_end/unit_run.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;

namespace {

bool tell_of(const std::vector<std::string>& faults, const std::string& words) {
    return std::ranges::any_of(faults,
                               [&](const std::string& fault) { return fault.find(words) != fault.npos; });
}

Plant::Arrangement on_forgetful_disk(std::vector<std::string> more) {
    more.emplace_back("--forgetful-disk");
    return {.change = make_quick, .daemon_arguments = std::move(more), .program = "tautgated_under_fault"};
}

}  // namespace

TEST_CASE("a power cut around write and sync loses nothing that anybody was told of") {
    check_killed_run(
        GENERATE(Kills{"before_write", 6, 2}, Kills{"before_sync", 8, 4}, Kills{"after_sync", 5, 7}),
        {"--forgetful-disk"});
}

TEST_CASE("a power cut that tears what was being written loses nothing that anybody was told of") {
    check_killed_run(GENERATE(Kills{"before_sync", 4, 9}, Kills{"before_sync", 11, 3}),
                     {"--forgetful-disk", "--tear", "5"});
}

TEST_CASE("without syncs the run finds the loss") {
    Plant plant(on_forgetful_disk({"--without-syncs"}));
    plant.open_for_work(fault_at(plant, "before_write", 1));
    UnitRun run(plant, {.ends_with_death = true});
    const bool begun = run.bring() && run.tighten(0, 3);
    INFO(run.told());
    REQUIRE(begun);
    arm(plant);
    CHECK_FALSE(run.tighten(3, run.bolts()));
    INFO(run.told());
    CHECK(run.deaths() == 1);
    CHECK(tell_of(run.faults(), "was told that its result 1 is stored, and it is not"));
}

TEST_CASE("the power is cut as soon as a release is out before its sync: with the gate there is none") {
    Plant plant(on_forgetful_disk({}));
    plant.open_for_work(fault_at(plant, "before_sync", 1, "die-if-released"));
    UnitRun run(plant, {.ends_with_death = true});
    const std::size_t last = run.bolts() - 1;
    bool whole = run.bring() && run.tighten(0, last);
    arm(plant);
    whole = whole && run.tighten(last, run.bolts());
    disarm(plant);
    whole = whole && run.lift() && run.leave();
    INFO(run.told());
    REQUIRE(whole);
    run.close_the_books();
    INFO(run.told());
    CHECK(run.faults().empty());
}

TEST_CASE("with releases that do not wait for the disk the same run finds what moved without grounds") {
    Plant plant(on_forgetful_disk({"--release-before-durable"}));
    plant.open_for_work(fault_at(plant, "before_sync", 1, "die-if-released"));
    UnitRun run(plant, {.ends_with_death = true});
    const std::size_t last = run.bolts() - 1;
    const bool begun = run.bring() && run.tighten(0, last);
    INFO(run.told());
    REQUIRE(begun);
    arm(plant);
    CHECK_FALSE(run.tighten(last, run.bolts()));
    INFO(run.told());
    CHECK(run.deaths() == 1);
    CHECK(tell_of(run.faults(), "lift-beam was released for token"));
}
