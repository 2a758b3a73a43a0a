// How fast proposed rules are tried on the units of a journal (service/history/past_units.hpp): reading,
// decoding and deciding, all of it. Needs a journal with some dozen units that have left, which tools/demo
// and any station make. One thread.
#pragma once

#include <chrono>
#include <filesystem>

#include <nlohmann/json.hpp>

namespace tautgate::benchmark {

// The trial is made again and again for this time; the journal lies in memory after the first, which does not
// count. Throws where there is nothing to measure.
[[nodiscard]] nlohmann::json measure_trial(const std::filesystem::path& journal,
                                           const std::filesystem::path& proposal,
                                           std::chrono::milliseconds time);

}  // namespace tautgate::benchmark
