// The position of an arm, in a register that is looked at from time to time. A number counts once it has
// stood still for the debounce time, from the first look that saw it on; what is seen instead of it ends it
// at once, for until the next one stands still nobody knows where the arm is. 0 is at no position.
//
// Pure: the caller brings the times, never backwards. Belongs to one input and its thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

struct PositionNews {
    std::optional<std::uint16_t> position;  // none: at none, or not known
    std::chrono::nanoseconds before{};      // the last look that saw it as it was
    std::chrono::nanoseconds since{};       // the first look that did not
    bool operator==(const PositionNews&) const = default;
};

class PositionGauge {
  public:
    explicit PositionGauge(std::chrono::nanoseconds debounce) : debounce_(debounce) {}

    // Nothing: it is told as it is.
    [[nodiscard]] std::optional<PositionNews> look(std::chrono::nanoseconds at, std::uint16_t number);
    // The looks end here; the next one is a first one.
    [[nodiscard]] std::optional<PositionNews> end();

  private:
    struct Candidate {
        std::uint16_t number = 0;
        std::chrono::nanoseconds before{};
        std::chrono::nanoseconds since{};
    };
    std::chrono::nanoseconds debounce_;
    std::optional<std::uint16_t> told_;
    std::optional<Candidate> candidate_;
    std::optional<std::chrono::nanoseconds> looked_;
};

}  // namespace tautgate::protocol
