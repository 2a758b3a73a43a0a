// How much a device may say: so many frames (or lines) and 64 KiB of garbage at once, and then so much a
// second. What is more waits, unread in the end, so that one device cannot take the loop's time from the
// others; nothing of it is dropped. Pure: the caller brings the time. Belongs to one device and one thread.
#pragma once

#include <algorithm>
#include <chrono>
#include <cstddef>
#include <utility>

#include "service/links/freshness.hpp"

namespace tautgate::links {

class Flood {
  public:
    static constexpr double garbage_a_second = 64.0 * 1024;
    struct Limit {
        double at_once = 0;
        double a_second = 0;
    };

    explicit Flood(Limit frames) : limit_(frames), frames_(frames.at_once) {}
    // As many at once as in a second.
    explicit Flood(double frames) : Flood(Limit{.at_once = frames, .a_second = frames}) {}

    void frame(SteadyTime now) {
        refill(now);
        frames_ -= 1;
    }
    // Bytes that are garbage until they turn out to be a frame.
    void bytes(SteadyTime now, std::size_t count) {
        refill(now);
        garbage_ -= static_cast<double>(count);
    }
    void were_a_frame(std::size_t count) { garbage_ += static_cast<double>(count); }
    // Whether the next frame may be looked at.
    [[nodiscard]] bool has_room(SteadyTime now) {
        refill(now);
        return frames_ >= 1 && garbage_ >= 0;
    }
    // Once for each time that it had to wait; again only after it was calm.
    [[nodiscard]] bool is_news() { return !std::exchange(told_, true); }

  private:
    void refill(SteadyTime now) {
        const double seconds = std::chrono::duration<double>(now - std::exchange(at_, now)).count();
        frames_ = std::min(limit_.at_once, frames_ + seconds * limit_.a_second);
        garbage_ = std::min(garbage_a_second, garbage_ + seconds * garbage_a_second);
        if (frames_ >= limit_.at_once && garbage_ >= garbage_a_second)
            told_ = false;
    }

    Limit limit_;
    SteadyTime at_{};
    double frames_;
    double garbage_ = garbage_a_second;
    bool told_ = false;
};

}  // namespace tautgate::links
