#include <limits>

#include <catch2/catch.hpp>

#include "protocol/utc.hpp"

using namespace tautgate::protocol;

TEST_CASE("a stamp is written in UTC with six decimals") {
    CHECK(utc_text(0) == "1970-01-01T00:00:00.000000Z");
    CHECK(utc_text(-1) == "1969-12-31T23:59:59.999999Z");
    CHECK(utc_text(1'795'588'443'120'000) == "2026-11-25T06:34:03.120000Z");
}

TEST_CASE("what is written reads back as the same microsecond") {
    for (const std::int64_t micros :
         {std::int64_t{0}, std::int64_t{-62'167'219'200'000'000}, std::int64_t{-1},
          std::int64_t{951'782'400'000'001}, std::int64_t{253'402'300'799'999'999}}) {
        CAPTURE(micros);
        CHECK(parse_utc(utc_text(micros)) == UtcStamp{micros, false});
    }
}

TEST_CASE("an instant outside the years 0000 to 9999 is written so that it cannot be read as another") {
    for (const std::int64_t micros :
         {std::int64_t{253'402'300'800'000'000}, std::int64_t{-62'167'219'200'000'001},
          std::numeric_limits<std::int64_t>::max(), std::numeric_limits<std::int64_t>::min()}) {
        CAPTURE(utc_text(micros));
        CHECK_FALSE(parse_utc(utc_text(micros)));
    }
}

TEST_CASE("digits beyond the microsecond are cut, never rounded up") {
    CHECK(parse_utc("1970-01-01T00:00:00.0000019Z") == UtcStamp{1, false});
    CHECK(parse_utc("1969-12-31T23:59:59.9999999Z") == UtcStamp{-1, false});
}
