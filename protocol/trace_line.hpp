// Traces on the station's own line protocol (LINE.md): one curve in one or more lines, since a line is short.
// Reads a part of one, puts the parts of a connection together, and writes a curve as lines. Pure values and
// functions; a TraceParts belongs to one connection and is used by one thread.
//
// In doubt there is no curve: a part that is out of turn or says something else than those before it ends
// what was begun. No more than one curve is held, and no more samples than are ever kept.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/trace.hpp"

namespace tautgate::protocol {

inline constexpr std::uint32_t trace_parts_limit = 1'000;

// One line of a curve.
struct TracePart {
    std::uint64_t counter = 0;  // of the result, in the epoch of the connection
    std::uint32_t part = 1;
    std::uint32_t parts = 1;
    TorqueUnit torque_unit = TorqueUnit::newton_metre;
    std::optional<std::int64_t> interval_us{};
    std::optional<std::vector<std::int64_t>> time_us{};
    std::vector<Decimal> torque{};
    std::optional<std::vector<Decimal>> angle{};
    bool operator==(const TracePart&) const = default;
};

// Why a part, or the curve that it completes, is not taken; one sentence each.
struct TraceFault {
    std::string what;
    std::string remedy;
    bool operator==(const TraceFault&) const = default;
};

// `line` is an object with the one member `trace`.
[[nodiscard]] std::expected<TracePart, TraceFault> parse_trace_part(std::string_view line);

struct CompleteTrace {
    std::uint64_t counter = 0;
    Trace trace;
    bool operator==(const CompleteTrace&) const = default;
};

class TraceParts {
  public:
    struct Step {
        std::optional<CompleteTrace> complete;  // with its last part
        std::vector<TraceFault> faults;         // of a curve that is lost: this one, or one begun before
    };
    [[nodiscard]] Step take(TracePart part, const MeasuringRange& range);
    [[nodiscard]] std::size_t held() const noexcept { return begun_ ? begun_->torque.size() : 0; }

  private:
    std::optional<TracePart> begun_;  // its columns grow, its `part` is the newest
};

// ---- the tool's side --------------------------------------------------------------------------------------

// The whole lines, with their newlines, in order. `trace` must be one in which fault_of finds nothing.
[[nodiscard]] std::vector<std::string> trace_lines(std::uint64_t counter, const Trace& trace);

}  // namespace tautgate::protocol
