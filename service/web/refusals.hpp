// What helps after an act that the core refused: a remedy for each code, with what would have been allowed
// here. It decides nothing; it reads the newest state and the rules that the bay follows. Loop's thread.
#pragma once

#include <string>

#include "service/interlock/decide.hpp"
#include "service/web/station_port.hpp"

namespace tautgate::web {

// `bay`: where the act was to be; nullptr for one that is about no bay.
[[nodiscard]] std::string remedy_of(const interlock::Refused& refused, const StationPort& station,
                                    const interlock::BayState* bay);

}  // namespace tautgate::web
