// What is said after an act that the core refused: why, and a remedy for each code, with what would have been
// allowed here. It decides nothing; it reads the newest state and the rules that the bay follows. Loop's
// thread.
#pragma once

#include <string>

#include "service/interlock/decide.hpp"
#include "service/web/station_port.hpp"

namespace tautgate::web {

// The core's sentence, without the full stop: the remedy follows in the same sentence.
[[nodiscard]] std::string why_of(const interlock::Refused& refused);

// `bay`: where the act was to be; nullptr for one that is about no bay.
[[nodiscard]] std::string remedy_of(const interlock::Refused& refused, const StationPort& station,
                                    const interlock::BayState* bay);

}  // namespace tautgate::web
