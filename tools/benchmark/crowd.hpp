// A station full of tools: what polling all of them costs, and whether any result is missed while every one
// of them works.
#pragma once

#include "tools/benchmark/plant.hpp"

namespace tautgate::benchmark {

// Of each tool: as many results, each so long after the one before.
struct Shift {
    unsigned results = 0;
    std::chrono::milliseconds pace{};
};

struct CrowdPlan {
    std::chrono::milliseconds quiet{};  // in which nothing is tightened and everything is polled
    Shift hour{};                       // an hour's results, each minute of it within a second
    Shift rush{};                       // nearly as fast as the tools can
};

// The plant's links are good. The CPU's part in percent of one CPU; results made in both shifts, and of those
// the ones that the daemon does not count.
[[nodiscard]] nlohmann::json measure_crowd(Plant& plant, const CrowdPlan& plan);

}  // namespace tautgate::benchmark
