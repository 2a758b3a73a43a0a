// Curves as far as decisions rest on them: where a pass limits curves, a tightening with good values waits
// until its curve came, and proves nothing before. Whoever watches the clock asks here which curves are
// waited for, and says when one is given up. Pure; any thread.
#pragma once

#include <chrono>
#include <cstddef>
#include <string>
#include <vector>

#include "service/interlock/decide.hpp"

namespace tautgate::interlock {

// Of one tool, whose results have not come yet.
inline constexpr std::size_t early_curves_most = 8;

struct AwaitedCurve {
    ToolId tool;
    std::string epoch;
    std::uint64_t counter = 0;
    EventNumber result;
    std::chrono::milliseconds patience{0};  // from the result on
    bool operator==(const AwaitedCurve&) const = default;
};
// Of the stays that are open, by bay and joint.
[[nodiscard]] std::vector<AwaitedCurve> awaited_curves(const RuleBook& rules, const State& state);

}  // namespace tautgate::interlock
