// Traces of results as the journal tells of them. Plain values; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "protocol/trace.hpp"
#include "service/domain/ids.hpp"

namespace tautgate::journal {

// A trace as it came. More than one for a result, with other digests, contradict each other.
struct TraceRow {
    domain::EventNumber event;
    std::string tool;
    std::string epoch;
    std::uint64_t counter = 0;
    std::string digest;
    std::uint32_t samples = 0;
    std::uint32_t bytes = 0;
    std::int64_t utc_us = 0;
    std::optional<domain::EventNumber> result;  // with which the result came; none: it did not come
    bool operator==(const TraceRow&) const = default;
};

struct StoredTraces {
    std::vector<TraceRow> traces;  // oldest first
    // The one that was asked for, or on which all agree; nothing where they contradict each other.
    std::optional<protocol::Trace> curve;
};

}  // namespace tautgate::journal
