// The position of an arm, told by looks at a register. The times are invented.
#include <catch2/catch.hpp>

#include "protocol/position_gauge.hpp"

using namespace tautgate::protocol;
using namespace std::chrono_literals;

TEST_CASE("a position counts once it has stood still, from the first look that saw it on") {
    PositionGauge gauge{20ms};
    CHECK_FALSE(gauge.look(0ms, 0));
    CHECK_FALSE(gauge.look(10ms, 3));
    CHECK_FALSE(gauge.look(20ms, 3));
    CHECK(gauge.look(30ms, 3) == PositionNews{3, 0ms, 10ms});
    CHECK_FALSE(gauge.look(40ms, 3));
}

TEST_CASE("a position ends with the first look that sees another, which then has to stand still itself") {
    PositionGauge gauge{20ms};
    CHECK_FALSE(gauge.look(0ms, 1));
    CHECK(gauge.look(20ms, 1) == PositionNews{1, 0ms, 0ms});
    CHECK(gauge.look(30ms, 2) == PositionNews{std::nullopt, 20ms, 30ms});
    CHECK_FALSE(gauge.look(40ms, 4));
    CHECK_FALSE(gauge.look(50ms, 2));
    CHECK(gauge.look(70ms, 2) == PositionNews{2, 40ms, 50ms});
    CHECK(gauge.look(80ms, 0) == PositionNews{std::nullopt, 70ms, 80ms});
    CHECK_FALSE(gauge.look(200ms, 0));
}

TEST_CASE("a jump that goes back at once leaves the position unknown until it stands still again") {
    PositionGauge gauge{20ms};
    CHECK_FALSE(gauge.look(0ms, 1));
    CHECK(gauge.look(20ms, 1));
    CHECK(gauge.look(30ms, 7) == PositionNews{std::nullopt, 20ms, 30ms});
    CHECK_FALSE(gauge.look(40ms, 1));
    CHECK_FALSE(gauge.look(50ms, 1));
    CHECK(gauge.look(60ms, 1) == PositionNews{1, 30ms, 40ms});
}

TEST_CASE("where the looks end the position is not known, from the last look on") {
    PositionGauge gauge{0ms};
    CHECK_FALSE(gauge.end());
    CHECK(gauge.look(5ms, 2) == PositionNews{2, 5ms, 5ms});
    CHECK_FALSE(gauge.look(15ms, 2));
    CHECK(gauge.end() == PositionNews{std::nullopt, 15ms, 15ms});
    CHECK_FALSE(gauge.end());
    CHECK(gauge.look(90ms, 2) == PositionNews{2, 90ms, 90ms});
}
