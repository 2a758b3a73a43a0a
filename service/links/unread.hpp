// Since when what comes from a device may have waited unread, because we did not read on or did not take its
// call yet: it is older than its arrival then, and nobody knows by how much. Pure: the caller brings the
// time. Belongs to one connection and one thread.
#pragma once

#include <algorithm>
#include <optional>

#include "service/links/freshness.hpp"

namespace tautgate::links {

class Unread {
  public:
    // Nothing more is read for now; the newest bytes that were came at `came`.
    void begin(SteadyTime came) {
        if (!since_)
            since_ = came;
        looks_ = std::min(looks_, 0);
    }
    // Bytes came; until end() they may not be all that was there.
    void came() { looks_ = -1; }
    // What was just looked at was all that was there.
    void end() { since_.reset(); }
    // At a regular look. `reading`: what comes is read. Nothing came between one and the next, twice in a
    // row: nothing waited any more.
    void look(bool reading) {
        constexpr int enough = 2;
        looks_ = reading ? std::min(looks_ + 1, enough) : 0;
        if (looks_ == enough)
            end();
    }
    [[nodiscard]] std::optional<SteadyTime> since() const noexcept { return since_; }
    // When something that is read now came at the earliest.
    [[nodiscard]] SteadyTime came_at(SteadyTime now) const noexcept { return since_.value_or(now); }

  private:
    std::optional<SteadyTime> since_;
    int looks_ = 0;  // in a row before which nothing came
};

}  // namespace tautgate::links
