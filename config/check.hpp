// Whether a station makes sense as a whole: every reference leads somewhere, every window can be met and
// measured, nothing can be confused with something else, and from every state there are people who may get
// the line moving again. Pure: no file, no clock, no network; the zone of the calendar is checked by
// shift.hpp, which asks the system. In doubt an error: a station with errors does not run. Everybody who
// reads a description comes by load_station (reader.hpp), which asks all of them: no program finds less than
// another.
#pragma once

#include <vector>

#include "config/config_error.hpp"
#include "config/station.hpp"

namespace tautgate::config {

// Findings, errors and warnings. Pointers lead into the configuration file as the reader takes it.
[[nodiscard]] std::vector<ConfigFinding> check(const Station& station);

// What the wires cannot carry, and what proves too little for the class of a joint. The above must have found
// no error.
[[nodiscard]] std::vector<ConfigFinding> check_links(const Station& station);

// The part of it that looks at one object at a time and follows no reference.
[[nodiscard]] std::vector<ConfigFinding> check_each_alone(const Station& station);

}  // namespace tautgate::config
