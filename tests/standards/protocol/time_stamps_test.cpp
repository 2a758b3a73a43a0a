// RFC 3339: the examples of its section 5.8 (marked verified: compared with the RFC's text), and cases
// recomputed from its grammar. Microseconds are the Unix seconds of the source, with the fraction cut.
#include <catch2/catch.hpp>

#include "protocol/utc.hpp"

using namespace tautgate::protocol;

namespace {

struct ValidRow {
    const char* text;
    std::int64_t micros;
    bool leap_second;
    const char* provenance;
};

constexpr ValidRow valid_rows[] = {
    {"1985-04-12T23:20:50.52Z", 482196050520000, false, "verified"},
    {"1996-12-19T16:39:57-08:00", 851042397000000, false, "verified"},
    {"1990-12-31T23:59:60Z", 662687999999999, true, "verified"},
    {"1990-12-31T15:59:60-08:00", 662687999999999, true, "verified"},
    {"1937-01-01T12:00:27.87+00:20", -1041337172130000, false, "verified"},
    {"1970-01-01T00:00:00Z", 0, false, "recomputed"},
    {"2000-02-29T12:00:00Z", 951825600000000, false, "recomputed"},
    {"2016-12-31T23:59:60Z", 1483228799999999, true, "recomputed"},
    {"2017-01-01T00:00:00Z", 1483228800000000, false, "recomputed"},
    {"2024-02-29T23:59:59.999999999Z", 1709251199999999, false, "recomputed"},
    {"2024-03-31T01:59:59+01:00", 1711846799000000, false, "recomputed"},
    {"2024-03-31T03:00:00+02:00", 1711846800000000, false, "recomputed"},
    {"2024-10-27T02:30:00+02:00", 1729989000000000, false, "recomputed"},
    {"2024-10-27T02:30:00+01:00", 1729992600000000, false, "recomputed"},
    {"1985-04-12t23:20:50.52z", 482196050520000, false, "recomputed"},
    {"2038-01-19T03:14:08Z", 2147483648000000, false, "recomputed"},
    {"2024-01-01T00:00:00-00:00", 1704067200000000, false, "recomputed"},
    {"2024-01-01T05:45:00+05:45", 1704067200000000, false, "recomputed"},
    {"1969-12-31T23:59:59Z", -1000000, false, "recomputed"},
};

struct InvalidRow {
    const char* text;
    const char* reason;
};

constexpr InvalidRow invalid_rows[] = {
    {"2023-02-29T00:00:00Z", "not a leap year"},
    {"2100-02-29T00:00:00Z", "2100 is not a leap year"},
    {"2024-04-31T00:00:00Z", "April has 30 days"},
    {"2024-13-01T00:00:00Z", "month 13"},
    {"2024-01-01T24:00:00Z", "hour 24 is not allowed by RFC 3339"},
    {"2024-01-01T00:60:00Z", "minute 60"},
    {"2024-01-01T00:00:60Z", "a leap second can only follow 23:59:59 UTC"},
    {"2024-01-01T00:00:61Z", "second 61"},
    {"2024-01-01T00:00:00", "no offset"},
    {"2024-01-01 00:00", "seconds missing"},
    {"2024-1-1T00:00:00Z", "two digits needed"},
    {"2024-01-01T00:00:00+0100", "colon missing in the offset"},
    {"2024-01-01T00:00:00+24:00", "offset hour over 23"},
    {"2024-01-01T00:00:00.Z", "empty fraction"},
    {"20240101T000000Z", "ISO 8601 basic format, not RFC 3339"},
    {"2024-W01-1T00:00:00Z", "week date, not RFC 3339"},
    {"", "empty"},
    {"2024-01-01T00:00:00Zjunk", "trailing text"},
};

}  // namespace

TEST_CASE("RFC 3339 texts give their instant") {
    for (const ValidRow& row : valid_rows) {
        CAPTURE(row.text, row.provenance);
        CHECK(parse_utc(row.text) == UtcStamp{row.micros, row.leap_second});
    }
}

TEST_CASE("texts that are not RFC 3339 are refused") {
    for (const InvalidRow& row : invalid_rows) {
        CAPTURE(row.text, row.reason);
        CHECK_FALSE(parse_utc(row.text));
    }
}

TEST_CASE(
    "a leap second is accepted at the end of any June and December, for want of a list that stays true") {
    // 2024-06-30 had none; the source leaves the choice to a reader without a table.
    CHECK(parse_utc("2024-06-30T23:59:60Z") == UtcStamp{1'719'791'999'999'999, true});
    CHECK_FALSE(parse_utc("2024-05-31T23:59:60Z"));
    CHECK_FALSE(parse_utc("2024-06-30T23:58:60Z"));
}
