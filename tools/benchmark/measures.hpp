// What a series of measured values says: percentiles, and ratios of two series measured in turns. Pure.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include <nlohmann/json.hpp>

namespace tautgate::benchmark {

// Below this many samples the 99th percentile is chance.
inline constexpr std::size_t samples_for_p99 = 7500;

// The value below which the part `part` of the values lies, taken from the values themselves (nearest rank).
// Nothing: there are no values.
[[nodiscard]] std::optional<double> quantile(std::vector<double> values, double part);
[[nodiscard]] double median(std::vector<double> values);

// {"samples", "p10", "p25", "p50", "p75", "p90", "p99"}; p99 is null for fewer than 7500 samples.
[[nodiscard]] nlohmann::json percentiles(const std::vector<double>& values);

// Two programs measured in alternating blocks: one entry a round.
struct Round {
    std::vector<double> subject;
    std::vector<double> floor;
    std::vector<double> floor_again;
};
// The median over the rounds of how the quantile of the subject compares with that of both floor blocks.
[[nodiscard]] double ratio_to_floor(const std::vector<Round>& rounds, double part);
// The same of the floor's two blocks, one against the other: what is left is noise.
[[nodiscard]] double floor_to_itself(const std::vector<Round>& rounds, double part);

}  // namespace tautgate::benchmark
