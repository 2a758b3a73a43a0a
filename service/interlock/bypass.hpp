// A bypass: something of a joint's planned way is out of order, and for a while the joint is done in another
// way that the rules approved beforehand. It never forces an output: it changes what counts as proof, for
// stays that begin while it stands. When it has ended the restart must be verified before a joint that is
// done as planned is believed again. Pure; any thread.
#pragma once

#include "service/interlock/decide.hpp"
#include "service/interlock/state.hpp"

namespace tautgate::interlock {

// None: it is done as planned, and nothing waits to be verified.
[[nodiscard]] const Bypass* bypass_of(const State& state, const JointId& joint);

// With every event: what is over ends, and so does what the rules in force know no more. True: some ended, so
// that outputs are to be looked at whatever the event is.
[[nodiscard]] bool settle_bypasses(const RuleBook& rules, State& state, const Event& event);

// Of those that stand: in which other ways a unit is done whose stay begins now by these rules.
[[nodiscard]] OtherWays ways_at_beginning(const State& state, const config::Station& station);
// The unit has these joints. Each bypass has one unit less; one that no unit was left of is none of its ways.
void count_unit(State& state, Stay& stay, const config::Station& station, const config::Plan& plan,
                EventNumber now);

// The bypass of a joint that this stay does as planned, and whose restart nobody has verified.
[[nodiscard]] const Bypass* unverified_restart(const State& state, const Stay& stay, const JointId& joint);

[[nodiscard]] bool wants_witness(const config::Joint& joint) noexcept;

}  // namespace tautgate::interlock
