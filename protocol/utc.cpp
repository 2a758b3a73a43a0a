#include "protocol/utc.hpp"

#include <algorithm>
#include <chrono>
#include <cstdlib>

#include <fmt/format.h>

namespace tautgate::protocol {

namespace {

using namespace std::chrono;

// Reads a text from left to right; the first thing that is not as expected makes it bad for good.
class Cursor {
  public:
    explicit Cursor(std::string_view text) : rest_(text) {}

    int digits(std::size_t count) {
        if (rest_.size() < count || !std::ranges::all_of(rest_.substr(0, count), is_digit)) {
            good_ = false;
            return 0;
        }
        int value = 0;
        for (const char c : rest_.substr(0, count))
            value = value * 10 + (c - '0');
        rest_.remove_prefix(count);
        return value;
    }
    bool one_of(std::string_view allowed) {
        const bool found = !rest_.empty() && allowed.find(rest_.front()) != std::string_view::npos;
        if (found)
            rest_.remove_prefix(1);
        return found;
    }
    void expect(std::string_view allowed) {
        if (!one_of(allowed))
            good_ = false;
    }
    // The digits of a fraction, cut after the sixth.
    int micros() {
        int value = 0;
        int count = 0;
        for (; !rest_.empty() && is_digit(rest_.front()); rest_.remove_prefix(1), ++count)
            if (count < 6)
                value = value * 10 + (rest_.front() - '0');
        if (count == 0)
            good_ = false;
        for (; count < 6; ++count)
            value *= 10;
        return value;
    }
    [[nodiscard]] bool good() const { return good_; }
    [[nodiscard]] bool finished() const { return good_ && rest_.empty(); }

  private:
    static bool is_digit(char c) { return c >= '0' && c <= '9'; }
    std::string_view rest_;
    bool good_ = true;
};

std::optional<minutes> offset(Cursor& cursor) {
    if (cursor.one_of("Zz"))
        return minutes{0};
    const bool west = cursor.one_of("-");
    if (!west)
        cursor.expect("+");
    const int hour = cursor.digits(2);
    cursor.expect(":");
    const int minute = cursor.digits(2);
    if (!cursor.good() || hour > 23 || minute > 59)
        return std::nullopt;
    const minutes value{hour * 60 + minute};
    return west ? -value : value;
}

bool may_hold_leap_second(sys_seconds before) {
    const auto day = floor<days>(before);
    const year_month_day date{day};
    const bool last_of_half = (date.month() == June && date.day() == std::chrono::day{30}) ||
                              (date.month() == December && date.day() == std::chrono::day{31});
    return last_of_half && before - day == hours{23} + minutes{59} + seconds{59};
}

}  // namespace

std::optional<UtcStamp> parse_utc(std::string_view text) noexcept {
    Cursor cursor(text);
    const year years{cursor.digits(4)};
    cursor.expect("-");
    const month months{static_cast<unsigned>(cursor.digits(2))};
    cursor.expect("-");
    const day day_of_month{static_cast<unsigned>(cursor.digits(2))};
    cursor.expect("Tt");
    const int hour = cursor.digits(2);
    cursor.expect(":");
    const int minute = cursor.digits(2);
    cursor.expect(":");
    const int second = cursor.digits(2);
    const int fraction = cursor.one_of(".") ? cursor.micros() : 0;
    const auto east = offset(cursor);
    const year_month_day date{years, months, day_of_month};
    if (!cursor.finished() || !east || !date.ok() || hour > 23 || minute > 59 || second > 60)
        return std::nullopt;

    const bool leap = second == 60;
    const sys_seconds instant =
        sys_days{date} + hours{hour} + minutes{minute} + seconds{leap ? 59 : second} - *east;
    if (leap && !may_hold_leap_second(instant))
        return std::nullopt;
    const microseconds since_epoch = instant.time_since_epoch() + microseconds{leap ? 999'999 : fraction};
    return UtcStamp{since_epoch.count(), leap};
}

std::string utc_text(std::int64_t micros) {
    // std::chrono counts years in 16 bits; the microseconds of 64 bits reach further than that.
    constexpr std::int64_t furthest = std::int64_t{30'000} * 366 * 86'400 * 1'000'000;
    if (micros > furthest || micros < -furthest)
        return fmt::format("{:+}us", micros);
    const sys_time<microseconds> instant{microseconds{micros}};
    const auto day = floor<days>(instant);
    const year_month_day date{day};
    const hh_mm_ss time{instant - day};
    const int years = int(date.year());
    return fmt::format("{}-{:02}-{:02}T{:02}:{:02}:{:02}.{:06}Z",
                       years >= 0 && years <= 9999 ? fmt::format("{:04}", years)
                                                   : fmt::format("{:+06}", years),
                       unsigned(date.month()), unsigned(date.day()), time.hours().count(),
                       time.minutes().count(), time.seconds().count(), time.subseconds().count());
}

}  // namespace tautgate::protocol
