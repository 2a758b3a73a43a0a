// When it was seen last that nothing of a device waited to be read: whatever is read later came after that
// moment, however late it is read. Pure: the caller brings the time. Belongs to one connection and one
// thread.
#pragma once

#include <optional>

#include "service/links/freshness.hpp"

namespace tautgate::links {

class Quiet {
  public:
    explicit Quiet(SteadyTime now) : at_(now) {}

    // Nothing waits, and no read is under way.
    void is(SteadyTime now) {
        at_ = now;
        seen_.reset();
    }
    // Bytes were read.
    void ends() { seen_.reset(); }
    // At a regular look, while a read is under way. Bytes that it has taken may not have been handed over
    // yet, so that a look counts once a second one has seen nothing come after it.
    void look(bool nothing_waits, SteadyTime now) {
        if (nothing_waits && seen_)
            at_ = *seen_;
        seen_ = nothing_waits ? std::optional(now) : std::nullopt;
    }
    [[nodiscard]] SteadyTime at() const noexcept { return at_; }

  private:
    SteadyTime at_;
    std::optional<SteadyTime> seen_;
};

}  // namespace tautgate::links
