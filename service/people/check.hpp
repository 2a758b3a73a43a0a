// Who is locked out by the people rules of a station, and who could let their own work pass: found before the
// rules are approved, not on the night shift. Pure; any thread.
#pragma once

#include <vector>

#include "config/config_error.hpp"
#include "config/station.hpp"

namespace tautgate::people {

// Looks only at what people can do; references, ranges and missing classes are found by config's own check.
[[nodiscard]] std::vector<config::ConfigFinding> check(const config::Station& station);

}  // namespace tautgate::people
