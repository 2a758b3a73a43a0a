// How soon a unit may be gone and another one stand in its place. Whoever was not seen for less stands there
// still; what was seen before a longer time says nothing of the unit that stands there after it.
#pragma once

#include <chrono>

namespace tautgate::config {

// Common practice, no source: a hoist or a person takes longer. No disk or network that is slow for a moment
// costs more than that.
inline constexpr std::chrono::milliseconds shortest_exchange{2000};
// Two looks between which something was not seen may lie further apart than the station can tell, since an
// answer takes up to half a second.
inline constexpr std::chrono::milliseconds longest_unseen =
    shortest_exchange - std::chrono::milliseconds(500);
// Whatever sees units or their movements is looked at so often that one look may fail.
inline constexpr std::chrono::milliseconds slowest_look = longest_unseen / 2;

// How long a level may have changed before it is taken as changed: till the next look, and then look by look
// until it has stood for the debounce time.
[[nodiscard]] constexpr std::chrono::milliseconds settled_after(std::chrono::milliseconds look,
                                                                std::chrono::milliseconds debounce) noexcept {
    return look * (1 + (debounce + look - std::chrono::milliseconds(1)) / look);
}

}  // namespace tautgate::config
