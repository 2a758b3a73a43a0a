// Keeps the results of one connection of a tool in the order of the tool's count. Where the count jumps, the
// jump is held back for a moment, the tool is asked once to send again what is missing, and only when it has
// nothing to send, or does not answer, is the gap passed on. What repeats goes through as it is.
// Pure: the caller brings the time. Belongs to one connection.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <map>
#include <optional>
#include <vector>

#include "protocol/reading.hpp"
#include "service/domain/stamp.hpp"
#include "service/links/freshness.hpp"

namespace tautgate::links {

struct ArrivedResult {
    protocol::Reading reading;
    domain::Interval made;
    bool operator==(const ArrivedResult&) const = default;
};

class ToolCount {
  public:
    struct Step {
        std::vector<ArrivedResult> pass_on;     // in this order
        std::optional<std::uint64_t> ask_from;  // the tool has to send again from this counter on
    };

    ToolCount(std::uint64_t expected, std::chrono::milliseconds resend_time)
        : expected_(expected), resend_time_(resend_time) {}

    [[nodiscard]] Step take(ArrivedResult result, SteadyTime now);
    // Gives up waiting when it is time to.
    [[nodiscard]] Step look(SteadyTime now);

    [[nodiscard]] bool waiting() const noexcept { return !held_.empty(); }
    [[nodiscard]] std::size_t held() const noexcept { return held_.size(); }

  private:
    void pass_held(Step& step, bool over_gaps);

    std::uint64_t expected_;
    std::chrono::milliseconds resend_time_;
    // Two under one number are both kept: which of them is wrong is not for this place to say.
    std::multimap<std::uint64_t, ArrivedResult> held_;
    SteadyTime give_up_at_{};
};

}  // namespace tautgate::links
