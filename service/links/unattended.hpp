// Since when somebody who calls at a port may have waited there, with what he said, because nobody was
// accepted for a time: the system takes the call and keeps its bytes, and they are older than they look.
// Pure: the caller brings the time. Belongs to one port and one thread.
#pragma once

#include <optional>

#include "service/links/freshness.hpp"

namespace tautgate::links {

class Unattended {
  public:
    // Nobody is accepted for now.
    void begin(SteadyTime now) {
        if (!since_)
            since_ = now;
    }
    // Whoever calls is accepted again. `waiting`: somebody had called meanwhile.
    void end(bool waiting) {
        if (!waiting)
            since_.reset();
    }
    // What the next one says first may have been said at any time since then; none: he has just called.
    [[nodiscard]] std::optional<SteadyTime> since() const noexcept { return since_; }

  private:
    std::optional<SteadyTime> since_;
};

}  // namespace tautgate::links
