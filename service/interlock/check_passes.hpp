// Check passes: some time after its last tightening a joint is gone over once more, to see how far it has
// relaxed. A tightening before that time is over is not OK in the check pass. After one that is not OK, for
// whatever reason, the time begins anew: what was turned relaxes again. Whoever watches the clock asks here
// which joints wait, and says when one is due. Pure; any thread.
#pragma once

#include <chrono>
#include <string>
#include <vector>

#include "service/interlock/decide.hpp"

namespace tautgate::interlock {

struct WaitingCheck {
    CheckDue due;  // to be said when the time is over
    Stamp since;
    std::chrono::seconds wait{0};
};
// Of the stays that are open, by bay and joint; none that is due already.
[[nodiscard]] std::vector<WaitingCheck> waiting_checks(const RuleBook& rules, const State& state);

// A check pass is at hand, and its time is not over.
[[nodiscard]] bool waits_for_check(const config::Joint& joint, const JointState& state);
// In a check pass, before it was due or, as far as anybody knows, perhaps before that. `now` tells the boot
// of today: what was made before it may have been filed only now, and its clock cannot be compared.
[[nodiscard]] bool is_too_early(const config::Joint& joint, const JointState& state, std::uint32_t pass,
                                const Interval& made, const Stamp& now);
// "90 s", "10 min"
[[nodiscard]] std::string wait_text(std::chrono::seconds wait);

}  // namespace tautgate::interlock
