// How many results a second are stored durably, every tool sending its next one as soon as the last is
// acknowledged, against a loop that only inserts the same lines, one row a transaction with the same
// durability. In turns, as the latency is.
#pragma once

#include <vector>

#include "tools/benchmark/plant.hpp"

namespace tautgate::benchmark {

struct ThroughputPlan {
    unsigned rounds = 0;
    std::chrono::milliseconds block{500};
    std::vector<unsigned> tools;  // at once
};

// For each number of tools {"tools", "results_per_second", "ratio"}, and the loop's own {"insert_per_second",
// "insert_self_ratio"}.
[[nodiscard]] nlohmann::json measure_throughput(Plant& plant, const ThroughputPlan& plan);

}  // namespace tautgate::benchmark
