#include "protocol/pulse_count.hpp"

#include <algorithm>
#include <utility>

namespace tautgate::protocol {

std::optional<CountNews> PulseCount::look(std::chrono::nanoseconds at, std::uint16_t count) {
    const auto before = std::exchange(last_, Seen{count, at});
    const bool was_watched = std::exchange(watched_, true);
    if (!before || before->count == count)
        return std::nullopt;
    if (!was_watched)
        return CountJumped{before->count, count};
    const std::uint32_t steps = (std::uint32_t{count} + turn_ - before->count % turn_) % turn_;
    // One may have come just after the last look, and another each time since.
    const auto most = (at - before->at) / std::max(least_apart_, std::chrono::nanoseconds(1)) + 1;
    if (count >= turn_ || steps > most)
        return CountJumped{before->count, count};
    return CountedPulses{steps, before->at};
}

}  // namespace tautgate::protocol
