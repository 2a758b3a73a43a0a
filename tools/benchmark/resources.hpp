// What the daemon needs: calls, pages and bytes for a result, time to its first word, memory and CPU while
// nothing happens.
#pragma once

#include "tools/benchmark/plant.hpp"

namespace tautgate::benchmark {

// Each starts daemons of its own on the plant's state, which is at work; none is running before or after.

// Deciding results only (each with the loosening before it), counted by a library in front of the C library:
// syncs, allocations, bytes; pages of the log by table; bytes that the database grew.
[[nodiscard]] nlohmann::json count_calls(Plant& plant, unsigned results);
// Bytes that the journal keeps for one result that decides, without the tables of questions: the mean of the
// newest.
[[nodiscard]] std::size_t row_size(const Plant& plant);
// System calls by name. null where strace is not installed.
[[nodiscard]] nlohmann::json count_system_calls(Plant& plant, unsigned results);
// Milliseconds from the start of the process until its first whole block has arrived, withheld.
[[nodiscard]] nlohmann::json measure_start(Plant& plant, unsigned times);
// Memory, and the part of one CPU in percent, with nobody doing anything.
[[nodiscard]] nlohmann::json measure_idleness(Plant& plant, std::chrono::milliseconds time);

}  // namespace tautgate::benchmark
