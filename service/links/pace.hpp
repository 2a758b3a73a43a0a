// When a link that polls is due: its next poll, and its next call after it reached nobody or lost whom it had
// reached. Pure: the caller brings the time. Belongs to one thread.
#pragma once

#include <chrono>
#include <cstdint>

#include "config/answer_time.hpp"
#include "service/links/backoff.hpp"
#include "service/links/freshness.hpp"

namespace tautgate::links {

using config::answer_time;

struct NextPoll {
    SteadyTime at;
    std::uint64_t missed = 0;  // polls that were due meanwhile
};
// A fixed schedule: what was missed is not made up for. `interval` is positive.
[[nodiscard]] inline NextPoll next_poll(SteadyTime due, std::chrono::milliseconds interval, SteadyTime now) {
    const auto step = std::chrono::duration_cast<SteadyTime::duration>(interval);
    const SteadyTime next = due + step;
    if (next > now)
        return {next, 0};
    const auto missed = (now - next) / step + 1;
    return {next + missed * step, static_cast<std::uint64_t>(missed)};
}

class Redial {
  public:
    explicit Redial(std::uint32_t seed, Backoff::Limits limits = {}) : backoff_(seed, limits) {}

    [[nodiscard]] SteadyTime at() const noexcept { return at_; }
    [[nodiscard]] bool is_due(SteadyTime now) const noexcept { return now >= at_; }
    // What is reached from here on lasts since then.
    void began(SteadyTime now) noexcept { began_ = now; }
    void reached_nobody(SteadyTime now) { at_ = now + backoff_.next(); }
    void lost(SteadyTime now) {
        backoff_.ended_after(std::chrono::duration_cast<std::chrono::milliseconds>(now - began_));
        at_ = now + backoff_.next();
    }

  private:
    Backoff backoff_;
    SteadyTime at_ = SteadyTime::min();
    SteadyTime began_{};
};

}  // namespace tautgate::links
