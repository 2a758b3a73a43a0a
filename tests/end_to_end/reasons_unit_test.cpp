#include <catch2/catch.hpp>

#include "tests/end_to_end/reason_stand.hpp"

using namespace tautgate::end_to_end;

TEST_CASE("reasons about the unit hold, are explained and clear") { each_held_and_explained(unit_cases()); }
