// Chance for the simulated shop floor: scatter of friction, of tools, of people. One seed gives the same
// draws on every machine, because the distributions are written here and not left to the standard library,
// which leaves them open. Not for secrets. One thread at a time.
#pragma once

#include <cstdint>
#include <random>

namespace tautgate::simulation {

// A normal spread cut off at its bounds: what lies outside was sorted out before it came to the line.
struct Scatter {
    double mean = 0;
    double deviation = 0;
    double low = 0;
    double high = 0;
};

class Chance {
  public:
    explicit Chance(std::uint64_t seed) : engine_(seed) {}

    // 0 <= value < 1.
    [[nodiscard]] double share();
    [[nodiscard]] double between(double low, double high);
    [[nodiscard]] double normal(double mean, double deviation);
    // Draws again until the value lies within the bounds; after a hundred draws the nearer bound.
    [[nodiscard]] double draw(const Scatter& scatter);
    // A number for another source of chance, so that one bolt more does not shift everybody else's draws.
    [[nodiscard]] std::uint64_t seed() { return engine_(); }

  private:
    std::mt19937_64 engine_;
};

}  // namespace tautgate::simulation
