// Whether a station makes sense as a whole: every reference leads somewhere, every window can be met and
// measured, nothing can be confused with something else, and from every state there are people who may get
// the line moving again. Pure: no file, no clock, no network. The folders that know more bring checks of
// their own (evaluation, people, links); the zone of the calendar is checked by shift.hpp, which asks the
// system. In doubt an error: a station with errors does not run.
#pragma once

#include <vector>

#include "config/config_error.hpp"
#include "config/station.hpp"

namespace tautgate::config {

// All findings, errors and warnings. Pointers lead into the configuration file as the reader takes it.
[[nodiscard]] std::vector<ConfigFinding> check(const Station& station);

// The part of it that looks at one object at a time and follows no reference.
[[nodiscard]] std::vector<ConfigFinding> check_each_alone(const Station& station);

}  // namespace tautgate::config
