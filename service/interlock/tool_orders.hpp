// Which tool may run, where, and with which program. A tool that obeys is let run only for what the next step
// of a unit needs, and is told not to run otherwise; what it says back confirms it. A tool that bays share
// belongs to the bay where it was let run until it is told not to. Only when it has said that it runs no
// longer and its count was looked at again it may go to another; what it makes in between belongs to nobody,
// be it that it had begun before, or that it does not obey.
//
// Used by decide() only, except where said otherwise. Pure; one thread at a time.
#pragma once

#include <optional>

#include "service/interlock/decide.hpp"

namespace tautgate::interlock {

// After each event: what every tool that obeys is to do now. Telling it not to run never waits; letting it
// run waits until the event that ordered it is durable, like a release.
void settle_tools(const RuleBook& rules, State& state, const Event& event);

// The bay to which the tool belonged for all of that time; nothing: it changed bays then, or none had it.
[[nodiscard]] std::optional<BayId> bay_when(const config::Tool& tool, const ToolState& state,
                                            const Interval& made);
// All of it was made while the tool had said that it is disabled.
[[nodiscard]] bool ran_while_disabled(const ToolState& tool, const Interval& made);

}  // namespace tautgate::interlock
