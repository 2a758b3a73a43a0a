// What the counting library counts, in a file that the benchmark maps, too: calls of the process that it is
// preloaded into, from its start on. All threads of that process add; anybody reads.
#pragma once

#include <atomic>
#include <cstdint>

namespace tautgate::benchmark {

// Names the file; it must have the size of Counters.
inline constexpr const char* counters_variable = "TAUTGATE_BENCH_COUNTERS";

struct Counters {
    std::atomic<std::uint64_t> allocations;  // malloc, calloc, realloc, aligned ones; new comes down to these
    std::atomic<std::uint64_t> allocated_bytes;  // asked for
    std::atomic<std::uint64_t> syncs;            // fdatasync and fsync
    std::atomic<std::uint64_t> file_writes;      // pwrite and write to any descriptor
    std::atomic<std::uint64_t> written_bytes;    // by these
};
static_assert(std::atomic<std::uint64_t>::is_always_lock_free);

}  // namespace tautgate::benchmark
