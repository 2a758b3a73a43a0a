// A station full of tools: what polling all of them costs, and whether any result is missed while every one
// of them works.
#pragma once

#include "tools/benchmark/plant.hpp"

namespace tautgate::benchmark {

struct CrowdPlan {
    std::chrono::milliseconds quiet{};  // in which nothing is tightened and everything is polled
    unsigned results = 0;               // of each tool
    std::chrono::milliseconds pace{};   // of each tool, from one result to the next
};

// The plant's links are good. The CPU's part in percent of one CPU; results made, and of those the ones that
// the daemon does not count.
[[nodiscard]] nlohmann::json measure_crowd(Plant& plant, const CrowdPlan& plan);

}  // namespace tautgate::benchmark
