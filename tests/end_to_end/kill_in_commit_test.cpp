// The daemon dies by SIGKILL around the write and the sync of a commit, in the middle of a unit's stay and
// again on the way back: each tightening is counted once, and what the equipment was told is on record.
#include <catch2/catch.hpp>

#include "tests/end_to_end/killed_run.hpp"

using namespace tautgate::end_to_end;

TEST_CASE("killed before an event is written, the station goes on as if it had not happened yet") {
    check_killed_run(
        GENERATE(Kills{"before_write", 1, 6}, Kills{"before_write", 5, 3}, Kills{"before_write", 9, 1}));
}

TEST_CASE("killed between write and sync, the station keeps all or nothing of the event") {
    check_killed_run(
        GENERATE(Kills{"before_sync", 2, 2}, Kills{"before_sync", 6, 5}, Kills{"before_sync", 10, 1}));
}

TEST_CASE("killed right after the sync, the station counts the event once though nobody heard of it") {
    check_killed_run(
        GENERATE(Kills{"after_sync", 3, 1}, Kills{"after_sync", 7, 3}, Kills{"after_sync", 11, 6}));
}
