#include <catch2/catch.hpp>

#include "tests/end_to_end/reason_stand.hpp"

using namespace tautgate::end_to_end;

TEST_CASE("reasons about tools hold, are explained and clear") { each_held_and_explained(tool_cases()); }

TEST_CASE("a tool whose calibration is over holds, is explained and clears") {
    each_held_and_explained(calibration_cases(), watching_calibrations());
}
