// How long to wait before the next attempt to connect: longer after each failure, never shorter than the
// floor, never longer than the cap, with jitter so that devices which lost power together do not come back
// together. It never gives up. A connection that was accepted and dropped at once counts as a failure. Pure:
// time and chance come from outside. Belongs to one thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <random>

namespace tautgate::links {

class Backoff {
  public:
    struct Limits {
        std::chrono::milliseconds floor{250};
        std::chrono::milliseconds cap{10'000};
        std::chrono::milliseconds proven{5'000};  // a connection that lasted so long was a success
    };

    explicit Backoff(std::uint32_t seed) : Backoff(seed, Limits{}) {}
    Backoff(std::uint32_t seed, Limits limits) : chance_(seed), limits_(limits), ceiling_(limits.floor) {}

    // The next wait: between the floor and a ceiling that doubles with every call up to the cap.
    [[nodiscard]] std::chrono::milliseconds next();
    // Tells how long the connection lasted that has just ended.
    void ended_after(std::chrono::milliseconds lasted);

  private:
    std::minstd_rand chance_;
    Limits limits_;
    std::chrono::milliseconds ceiling_;
};

}  // namespace tautgate::links
