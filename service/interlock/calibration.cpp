#include "service/interlock/calibration.hpp"

#include <chrono>

#include "protocol/utc.hpp"
#include "service/interlock/lookup.hpp"

namespace tautgate::interlock {
namespace {

CalibrationStanding standing_of(const config::CalibrationRule& rule, const CalibrationDone& done,
                                std::int64_t utc_us) {
    const std::int64_t until = done.utc_us + std::chrono::microseconds(rule.every).count();
    if (utc_us >= until)
        return CalibrationStanding::overdue;
    if (utc_us < done.utc_us)
        return CalibrationStanding::clock_behind;
    return utc_us >= until - std::chrono::microseconds(rule.warn).count() ? CalibrationStanding::due_soon
                                                                          : CalibrationStanding::good;
}

void settle(const config::CalibrationRule& rule, ToolCalibration& calibration, std::int64_t utc_us) {
    if (!calibration.newest) {
        calibration.standing = CalibrationStanding::not_recorded;
        return;
    }
    const std::int64_t until = calibration.newest->utc_us + std::chrono::microseconds(rule.every).count();
    // A date that was reached stays reached, but rules that let it hold for longer make it another one.
    const bool was_over =
        calibration.standing == CalibrationStanding::overdue && calibration.until_utc_us == until;
    calibration.until_utc_us = until;
    if (!was_over)
        calibration.standing = standing_of(rule, *calibration.newest, utc_us);
}

std::string day_of(std::int64_t utc_us) { return protocol::utc_text(utc_us).substr(0, 10); }

}  // namespace

void settle_calibrations(const RuleBook& rules, State& state, std::int64_t utc_us) {
    const config::Station* station = rules_of(rules, state.rules);
    if (station == nullptr)
        return;
    for (const config::Tool& known : station->tools) {
        ToolState* tool = known.calibration ? tool_of(state, ToolId{known.id}) : nullptr;
        if (tool != nullptr)
            settle(*known.calibration, tool->calibration, utc_us);
    }
}

void watch_calibrations(const config::Station& station, State& state) {
    for (ToolState& tool : state.tools) {
        const config::Tool* known = tool_in(station, tool.id);
        if (known == nullptr || !known->calibration)
            tool.calibration.standing = CalibrationStanding::not_watched;
    }
}

std::string words_of(const ToolCalibration& calibration) {
    switch (calibration.standing) {
    case CalibrationStanding::not_watched: return "is not watched";
    case CalibrationStanding::good:
    case CalibrationStanding::due_soon: return "holds until " + day_of(calibration.until_utc_us);
    case CalibrationStanding::overdue: return "is over since " + day_of(calibration.until_utc_us);
    case CalibrationStanding::not_recorded: return "is not on record";
    case CalibrationStanding::clock_behind:
        return "of " + day_of(calibration.newest->utc_us) + " is yet to come by the station's clock";
    }
    return {};
}

}  // namespace tautgate::interlock
