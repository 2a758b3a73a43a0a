// The daemon dies by SIGKILL around the moments in which the outside hears of a decision: the release on the
// wire, the acknowledgement to a tool.
#include <catch2/catch.hpp>

#include "tests/end_to_end/killed_run.hpp"

using namespace tautgate::end_to_end;

// Pass 1 is the release of the lifting beam, pass 2 that of the carrier.
TEST_CASE("killed before a release goes out, the station releases after the restart and not before") {
    check_killed_run(GENERATE(Kills{"before_release", 1, 1}, Kills{"before_release", 2, 1}));
}

TEST_CASE("killed after a release went out, the station knows of it") {
    check_killed_run(GENERATE(Kills{"after_release", 1, 1}, Kills{"after_release", 2, 1}));
}

TEST_CASE("killed before a tool is told that its result is stored, the station counts it once") {
    check_killed_run(GENERATE(Kills{"before_acknowledgement", 1, 1}, Kills{"before_acknowledgement", 4, 2},
                              Kills{"before_register_acknowledgement", 1, 1}));
}

TEST_CASE("killed after a tool was told that its result is stored, the station has the result") {
    check_killed_run(GENERATE(Kills{"after_acknowledgement", 1, 2}, Kills{"after_acknowledgement", 5, 1},
                              Kills{"after_register_acknowledgement", 2, 1}));
}
