// Which shift a moment belongs to. A shift that goes on past midnight keeps the date of the day on which it
// began. Times of day are those of the calendar's zone, daylight saving included: a shift that the clocks
// cut short or lengthen still ends when its end stands on the clock. Zone rules come from the system's own
// zone data. A calendar once opened may be used by any thread.
#pragma once

#include <chrono>
#include <expected>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "config/config_error.hpp"
#include "config/station.hpp"

namespace tautgate::config {

using UtcTime = std::chrono::sys_time<std::chrono::microseconds>;

struct ShiftOccurrence {
    std::string name;
    std::chrono::year_month_day date;  // of the local day on which the shift began
    UtcTime begin;
    UtcTime end;  // the first moment that no longer belongs to it
};

class ShiftCalendar {
  public:
    // The error is a sentence that names the zone.
    [[nodiscard]] static std::expected<ShiftCalendar, std::string> open(const Calendar& calendar);

    ShiftCalendar(ShiftCalendar&&) noexcept;
    ShiftCalendar& operator=(ShiftCalendar&&) noexcept;
    ShiftCalendar(const ShiftCalendar&) = delete;
    ShiftCalendar& operator=(const ShiftCalendar&) = delete;
    ~ShiftCalendar();

    // Nothing: no shift is on at that moment.
    [[nodiscard]] std::optional<ShiftOccurrence> at(UtcTime moment) const;

  private:
    struct Zone;
    ShiftCalendar(std::unique_ptr<Zone> zone, std::vector<Shift> shifts);
    std::unique_ptr<Zone> zone_;
    std::vector<Shift> shifts_;
};

// Whether the system knows the calendar's zone.
[[nodiscard]] std::vector<ConfigFinding> check_zone(const Station& station);

}  // namespace tautgate::config
