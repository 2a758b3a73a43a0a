// Whether a tool's calibration is known and not over. What an overdue tool tightens proves nothing, whatever
// its values; what it proved before stays proven. Pure; any thread.
#pragma once

#include <cstdint>
#include <string>

#include "service/interlock/decide.hpp"
#include "service/interlock/state.hpp"

namespace tautgate::interlock {

[[nodiscard]] constexpr bool is_out_of_calibration(const ToolState& tool) noexcept {
    switch (tool.calibration.standing) {
    case CalibrationStanding::not_watched:
    case CalibrationStanding::good:
    case CalibrationStanding::due_soon: return false;
    case CalibrationStanding::overdue:
    case CalibrationStanding::not_recorded:
    case CalibrationStanding::clock_behind: return true;
    }
    return true;
}

// These rules come into force: what they do not watch is watched no longer.
void watch_calibrations(const config::Station& station, State& state);
// By the rules in force, at this time in UTC. With every event.
void settle_calibrations(const RuleBook& rules, State& state, std::int64_t utc_us);

// What follows "its calibration": "is over since 2026-11-01".
[[nodiscard]] std::string words_of(const ToolCalibration& calibration);

}  // namespace tautgate::interlock
