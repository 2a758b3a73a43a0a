#include "config/shift.hpp"

#include <exception>
#include <utility>

#include <date/tz.h>
#include <fmt/format.h>

namespace tautgate::config {

struct ShiftCalendar::Zone {
    const date::time_zone* rules = nullptr;  // owned by the library, for as long as the process runs

    // The moment at which that time stands on the local clock. Where it stands there twice the first one;
    // where it is skipped, the moment of the skip: so the end of one shift is the begin of the next, always.
    [[nodiscard]] UtcTime utc(date::local_days day, std::chrono::minutes time) const {
        return rules->to_sys(day + time, date::choose::earliest);
    }
    [[nodiscard]] date::local_days local_day(UtcTime moment) const {
        return date::floor<date::days>(rules->to_local(moment));
    }
};

namespace {

// The one adapter to the library, which throws.
std::expected<const date::time_zone*, std::string> locate(const std::string& name) {
    try {
        return date::locate_zone(name);
    } catch (const std::exception&) {
        return std::unexpected(fmt::format("the system knows no time zone \"{}\"", name));
    }
}

bool begins_on(const Shift& shift, date::local_days day) {
    const date::weekday local(day);
    for (const auto weekday : shift.days) {
        if (weekday.c_encoding() == local.c_encoding()) {
            return true;
        }
    }
    return false;
}

}  // namespace

ShiftCalendar::ShiftCalendar(std::unique_ptr<Zone> zone, std::vector<Shift> shifts)
    : zone_(std::move(zone)), shifts_(std::move(shifts)) {}
ShiftCalendar::ShiftCalendar(ShiftCalendar&&) noexcept = default;
ShiftCalendar& ShiftCalendar::operator=(ShiftCalendar&&) noexcept = default;
ShiftCalendar::~ShiftCalendar() = default;

std::expected<ShiftCalendar, std::string> ShiftCalendar::open(const Calendar& calendar) {
    auto rules = locate(calendar.zone);
    if (!rules) {
        return std::unexpected(rules.error());
    }
    return ShiftCalendar(std::make_unique<Zone>(Zone{.rules = *rules}), calendar.shifts);
}

std::optional<ShiftOccurrence> ShiftCalendar::at(UtcTime moment) const {
    const auto today = zone_->local_day(moment);
    for (const auto day : {today, today - date::days(1)}) {
        for (const auto& shift : shifts_) {
            if (!begins_on(shift, day)) {
                continue;
            }
            const bool past_midnight = shift.end <= shift.begin;
            const auto begin = zone_->utc(day, shift.begin);
            const auto end = zone_->utc(past_midnight ? day + date::days(1) : day, shift.end);
            if (begin <= moment && moment < end) {
                const std::chrono::year_month_day date(std::chrono::local_days(day.time_since_epoch()));
                return ShiftOccurrence{.name = shift.name, .date = date, .begin = begin, .end = end};
            }
        }
    }
    return std::nullopt;
}

std::vector<ConfigFinding> check_zone(const Station& station) {
    const auto rules = locate(station.calendar.zone);
    if (rules) {
        return {};
    }
    return {
        {.severity = Severity::error,
         .pointer = "/calendar/zone",
         .what = rules.error(),
         .remedy = "give an IANA name such as Europe/London, and see that the package tzdata is installed"}};
}

}  // namespace tautgate::config
