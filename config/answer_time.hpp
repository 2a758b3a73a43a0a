// How long a device that is asked over a wire may take to answer, by what its description allows it to be
// silent. The links keep to it; the checks reckon with it. Pure; any thread.
#pragma once

#include <algorithm>
#include <chrono>

namespace tautgate::config {

// A device that does not answer is noticed well before it counts as silent.
[[nodiscard]] inline std::chrono::milliseconds answer_time(std::chrono::milliseconds silence_limit) {
    using std::chrono::milliseconds;
    return std::clamp(silence_limit / 4, milliseconds(10), milliseconds(500));
}

}  // namespace tautgate::config
