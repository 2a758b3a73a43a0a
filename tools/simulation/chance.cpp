#include "tools/simulation/chance.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace tautgate::simulation {

double Chance::share() {
    constexpr double steps = 9007199254740992.0;  // 2^53: every value is exact in a double
    return static_cast<double>(engine_() >> 11U) / steps;
}

double Chance::between(double low, double high) { return low + (high - low) * share(); }

double Chance::normal(double mean, double deviation) {
    // Box and Muller; 1 - share() keeps the logarithm away from zero. The second value is not kept, so that
    // a draw depends on nothing but the engine.
    const double radius = std::sqrt(-2.0 * std::log(1.0 - share()));
    return mean + deviation * radius * std::cos(2.0 * std::numbers::pi * share());
}

double Chance::draw(const Scatter& scatter) {
    constexpr int tries = 100;
    double value = scatter.mean;
    for (int i = 0; i < tries; ++i) {
        value = normal(scatter.mean, scatter.deviation);
        if (value >= scatter.low && value <= scatter.high)
            return value;
    }
    return std::clamp(value, scatter.low, scatter.high);
}

}  // namespace tautgate::simulation
