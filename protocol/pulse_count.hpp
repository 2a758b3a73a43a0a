// Pulses that a device counts itself, in a register that turns over: no pulse is too short to be missed
// between two looks. The count that is seen first is where it stands, and so is one that went further than
// pulses can have come since the last look: the device has lost power, or somebody has set it.
//
// Pure: the caller brings the times, never backwards. Belongs to one input and its thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <variant>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

// Pulses that came after one look and until the next.
struct CountedPulses {
    std::uint32_t pulses = 0;
    std::chrono::nanoseconds after{};
    bool operator==(const CountedPulses&) const = default;
};
// None of them counts.
struct CountJumped {
    std::uint16_t before = 0;
    std::uint16_t now = 0;
    bool operator==(const CountJumped&) const = default;
};
using CountNews = std::variant<CountedPulses, CountJumped>;

class PulseCount {
  public:
    // `highest`: the count after it is 0. No two pulses come within less than `least_apart`.
    PulseCount(std::uint16_t highest, std::chrono::nanoseconds least_apart)
        : turn_(std::uint32_t{highest} + 1), least_apart_(least_apart) {}

    // Nothing: it stands where it stood, or it is the first.
    [[nodiscard]] std::optional<CountNews> look(std::chrono::nanoseconds at, std::uint16_t count);
    // Nobody looks any more, until a first look again. How far it went meanwhile is told then.
    void end() noexcept { watched_ = false; }

  private:
    struct Seen {
        std::uint16_t count = 0;
        std::chrono::nanoseconds at{};
    };
    std::uint32_t turn_;
    std::chrono::nanoseconds least_apart_;
    std::optional<Seen> last_;
    bool watched_ = false;
};

}  // namespace tautgate::protocol
