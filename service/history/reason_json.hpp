// A reason as JSON, the same for the station as it is and as it was: the sentence and its facts, how it
// clears, and who may lift it. Pure; any thread.
#pragma once

#include <nlohmann/json.hpp>

#include "service/interlock/decide.hpp"

namespace tautgate::history {

// At a bay as it is in the state, and by the rules that apply there.
[[nodiscard]] nlohmann::json reason_view(const interlock::Reason& reason, const interlock::RuleBook& rules,
                                         const interlock::State& state, const interlock::BayState& bay);

}  // namespace tautgate::history
