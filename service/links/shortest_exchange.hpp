// How soon a unit may be gone and another one stand in its place. Whoever was not seen for less stands there
// still; what was seen before a longer time says nothing of the unit that stands there after it.
#pragma once

#include <algorithm>

#include "service/links/freshness.hpp"

namespace tautgate::links {

// Common practice, no source: a hoist or a person takes longer. No disk or network that is slow for a moment
// costs more than that.
inline constexpr std::chrono::milliseconds shortest_exchange{2000};

// Longer than that between two looks, each of which comes after `interval`, is a gap.
[[nodiscard]] constexpr std::chrono::milliseconds longest_between_looks(std::chrono::milliseconds interval) {
    return std::max(shortest_exchange, 2 * interval);
}

}  // namespace tautgate::links
