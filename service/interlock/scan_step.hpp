// Which step of the plans a kind of ticket is scanned for, in words for whoever scanned another one. Decides
// nothing. Pure; any thread.
#pragma once

#include <string>
#include <string_view>

#include "service/interlock/lookup.hpp"

namespace tautgate::interlock {

// "a ticket of kind D is for stage Tickets"; where the plans differ, each with its plan.
[[nodiscard]] std::string steps_for(const config::Station& station, std::string_view kind);
// "no step asks for a ticket of kind X, only for D (stage Tickets) and F (stage Tickets)"
[[nodiscard]] std::string no_step_for(const config::Station& station, std::string_view kind);
// "a ticket of kind D is for stage Tickets, where TM-417 was scanned already; stage Final is open now"; of
// the same serial also what it says otherwise.
[[nodiscard]] std::string step_of_repeated(const config::Station& station, const Stay& stay,
                                           const Ticket& ticket);

}  // namespace tautgate::interlock
