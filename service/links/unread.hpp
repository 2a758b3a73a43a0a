// Since when what comes from a device may have waited unread, because we did not read on: it is older than
// its arrival then, and nobody knows by how much. Pure: the caller brings the time. Belongs to one connection
// and one thread.
#pragma once

#include <optional>

#include "service/links/freshness.hpp"

namespace tautgate::links {

class Unread {
  public:
    // Nothing more is read for now; the newest bytes that were came at `came`.
    void begin(SteadyTime came) {
        if (!since_)
            since_ = came;
        looks_ = 0;
    }
    // What was just looked at was all that was there.
    void end() { since_.reset(); }
    // At a regular look while reading goes on. `quiet`: nothing came since the last one. Twice in a row:
    // nothing waited any more.
    void look(bool quiet) {
        if (!quiet)
            looks_ = 0;
        else if (since_ && ++looks_ >= 2)
            end();
    }
    [[nodiscard]] std::optional<SteadyTime> since() const noexcept { return since_; }
    // When something that is read now came at the earliest.
    [[nodiscard]] SteadyTime came_at(SteadyTime now) const noexcept { return since_.value_or(now); }

  private:
    std::optional<SteadyTime> since_;
    int looks_ = 0;
};

}  // namespace tautgate::links
