#include <chrono>
#include <string>

#include <catch2/catch.hpp>

#include "config/shift.hpp"
#include "tests/unit/config/station_fixture.hpp"

using namespace tautgate::config;
using namespace std::chrono_literals;

namespace {

UtcTime utc(int year, unsigned month, unsigned day, std::chrono::minutes time) {
    return std::chrono::sys_days(std::chrono::year_month_day(
               std::chrono::year(year), std::chrono::month(month), std::chrono::day(day))) +
           time;
}

std::string name_and_date(const ShiftCalendar& calendar, UtcTime moment) {
    const auto shift = calendar.at(moment);
    if (!shift) {
        return "none";
    }
    return shift->name + " " + std::to_string(static_cast<int>(shift->date.year())) + "-" +
           std::to_string(static_cast<unsigned>(shift->date.month())) + "-" +
           std::to_string(static_cast<unsigned>(shift->date.day()));
}

// Two shifts of twelve hours that change at 01:30, in the hour that the clocks repeat and skip.
Calendar turning_at_half_past_one() {
    const std::vector<std::chrono::weekday> every_day{
        std::chrono::Monday, std::chrono::Tuesday,  std::chrono::Wednesday, std::chrono::Thursday,
        std::chrono::Friday, std::chrono::Saturday, std::chrono::Sunday};
    return {.zone = "Europe/London",
            .shifts = {{.name = "one", .begin = 1h + 30min, .end = 13h + 30min, .days = every_day},
                       {.name = "two", .begin = 13h + 30min, .end = 1h + 30min, .days = every_day}}};
}

}  // namespace

TEST_CASE("a night shift has the date of the evening on which it began") {
    const auto calendar = ShiftCalendar::open(larkmoor().calendar);
    REQUIRE(calendar.has_value());
    struct Row {
        UtcTime moment;
        std::string shift;
    };
    // January: local time is UTC. 2026-01-14 is a Wednesday.
    for (const auto& row : std::vector<Row>{
             {utc(2026, 1, 14, 21h + 59min), "late 2026-1-14"},
             {utc(2026, 1, 14, 22h), "night 2026-1-14"},
             {utc(2026, 1, 15, 0h), "night 2026-1-14"},
             {utc(2026, 1, 15, 5h + 59min), "night 2026-1-14"},
             {utc(2026, 1, 15, 6h), "early 2026-1-15"},
             {utc(2025, 12, 31, 23h), "night 2025-12-31"},
             {utc(2026, 1, 1, 5h), "night 2025-12-31"},
             {utc(2026, 1, 17, 5h), "none"},   // Saturday: no night began on Friday
             {utc(2026, 1, 18, 21h), "none"},  // Sunday evening before the night
             {utc(2026, 1, 19, 3h), "night 2026-1-18"},
         }) {
        CHECK(name_and_date(*calendar, row.moment) == row.shift);
    }
}

TEST_CASE("in summer the shifts follow the clock on the wall") {
    const auto calendar = ShiftCalendar::open(larkmoor().calendar);
    REQUIRE(calendar.has_value());
    // British Summer Time: 06:00 on the wall is 05:00 UTC.
    CHECK(name_and_date(*calendar, utc(2026, 7, 15, 4h + 59min)) == "night 2026-7-14");
    CHECK(name_and_date(*calendar, utc(2026, 7, 15, 5h)) == "early 2026-7-15");
    CHECK(name_and_date(*calendar, utc(2026, 7, 15, 22h + 30min)) == "night 2026-7-15");
}

// European Union directive 2000/84/EC, and in the United Kingdom the Summer Time Order 2002: the clocks
// change at 01:00 UTC on the last Sundays of March and October.
TEST_CASE("the night on which the clocks change is an hour longer or shorter") {
    const auto calendar = ShiftCalendar::open(larkmoor().calendar);
    REQUIRE(calendar.has_value());
    struct Row {
        UtcTime moment;
        std::chrono::hours length;
    };
    // Nights begin on Sundays at the earliest, so the change lies within none of them: take another calendar.
    auto saturday_night = larkmoor().calendar;
    saturday_night.shifts[2].days = {std::chrono::Saturday};
    const auto weekend = ShiftCalendar::open(saturday_night);
    REQUIRE(weekend.has_value());
    for (const auto& row : std::vector<Row>{{utc(2026, 3, 29, 2h), 7h},   // began 22:00 UTC, ends 05:00 UTC
                                            {utc(2026, 10, 25, 2h), 9h},  // began 21:00 UTC, ends 06:00 UTC
                                            {utc(2026, 10, 18, 2h), 8h}}) {
        const auto shift = weekend->at(row.moment);
        REQUIRE(shift.has_value());
        CHECK(shift->end - shift->begin == row.length);
    }
}

TEST_CASE("where the clocks skip or repeat the change of shift, every moment still has one shift") {
    const auto calendar = ShiftCalendar::open(turning_at_half_past_one());
    REQUIRE(calendar.has_value());
    for (const auto sunday : {utc(2026, 3, 29, 0min), utc(2026, 10, 25, 0min)}) {
        std::string before = "two";
        int changes = 0;
        for (auto moment = sunday - 2h; moment < sunday + 4h; moment += 1min) {
            const auto shift = calendar->at(moment);
            REQUIRE(shift.has_value());
            CHECK(shift->begin <= moment);
            CHECK(moment < shift->end);
            changes += shift->name == before ? 0 : 1;
            before = shift->name;
        }
        CHECK(changes == 1);
    }
}

TEST_CASE("a change of shift that the clocks repeat happens the first time") {
    const auto calendar = ShiftCalendar::open(turning_at_half_past_one());
    REQUIRE(calendar.has_value());
    // 01:30 stands on the wall at 00:30 UTC and again at 01:30 UTC.
    CHECK(name_and_date(*calendar, utc(2026, 10, 25, 29min)) == "two 2026-10-24");
    CHECK(name_and_date(*calendar, utc(2026, 10, 25, 30min)) == "one 2026-10-25");
    CHECK(name_and_date(*calendar, utc(2026, 10, 25, 1h + 15min)) == "one 2026-10-25");
}

TEST_CASE("a zone that the system does not know is refused by name") {
    const auto calendar = ShiftCalendar::open({.zone = "Europe/Larkmoor", .shifts = {}});
    REQUIRE_FALSE(calendar.has_value());
    CHECK(calendar.error() == "the system knows no time zone \"Europe/Larkmoor\"");
    CHECK(check_zone(larkmoor()).empty());
}
