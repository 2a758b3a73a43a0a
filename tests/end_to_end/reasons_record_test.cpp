#include <catch2/catch.hpp>

#include "tests/end_to_end/reason_stand.hpp"

using namespace tautgate::end_to_end;

TEST_CASE("reasons about the service's rules and record hold, are explained and clear") {
    for (const ReasonCase& one : record_cases()) {
        Plant plant{with_short_plans()};
        Stand stand{plant};
        INFO(one.title);
        held_and_explained(stand, one);
    }
}
