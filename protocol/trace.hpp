// The curve of one run of a tool: torque over time, over angle, or over both, sample by sample. Evidence
// beside the result that it belongs to; where a pass limits curves, a result counts only with a good one
// (curve_measure.hpp). Pure values and functions; any thread.
//
// Kept as the device counted, with step, offset and unit beside: N·m and degrees are worked out when somebody
// looks. In doubt nothing is made up: one sample that is no measurement, columns of different lengths or a
// time that runs backwards refuse the whole curve, with the place and why. What is kept is bounded.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/quantity.hpp"

namespace tautgate::protocol {

inline constexpr std::size_t trace_samples_limit = 20'000;
inline constexpr std::size_t trace_bytes_limit = 512 * 1024;        // in the form of TRACE.md
inline constexpr std::int64_t trace_time_limit_us = 3'600'000'000;  // an hour

// One quantity. Sample i is counts[i] * step + offset of its unit, exactly.
struct TraceColumn {
    std::vector<std::int64_t> counts;
    Decimal step{1, 0};
    Decimal offset{};
    bool operator==(const TraceColumn&) const = default;
};

// Torque over angle: when a sample was taken is not known.
struct NoTimes {
    constexpr bool operator==(const NoTimes&) const = default;
};
// Samples at equal distances, the first at 0.
struct SampleInterval {
    std::int64_t us = 0;
    constexpr bool operator==(const SampleInterval&) const = default;
};
// When each sample was taken, since the start of the run.
struct SampleTimes {
    std::vector<std::int64_t> us;
    bool operator==(const SampleTimes&) const = default;
};

struct Trace {
    std::variant<NoTimes, SampleInterval, SampleTimes> times{};
    TorqueUnit torque_unit = TorqueUnit::newton_metre;
    TraceColumn torque{};
    std::optional<TraceColumn> angle{};  // degrees
    bool operator==(const Trace&) const = default;

    [[nodiscard]] std::size_t samples() const noexcept { return torque.counts.size(); }
};

// Why this is no curve, as a sentence without its end; nothing: it is one. All that follows takes only what
// passed.
[[nodiscard]] std::optional<std::string> fault_of(const Trace& trace);
// The same for a tool that can measure no more than this, in either direction.
[[nodiscard]] std::optional<std::string> fault_of(const Trace& trace, const MeasuringRange& range);

// A column of numbers that came as such. They are brought to one step, of a billionth at the finest: what a
// number has beyond nine decimals is rounded away, half away from zero. None that is too large can be kept.
[[nodiscard]] std::expected<TraceColumn, std::string> column_of(std::span<const Decimal> numbers,
                                                                std::string_view name);

// What a sample is worth in the unit of its column, exactly.
[[nodiscard]] Decimal exact_sample(const TraceColumn& column, std::size_t sample);
// The same of a column that was not looked at yet; nothing where that is beyond 18 digits.
[[nodiscard]] std::optional<Decimal> wide_sample(const TraceColumn& column, std::size_t sample);

// Sample by sample, rounded once, half away from zero. Below zero against the direction of tightening, and
// where the sensor's zero is not quite zero.
[[nodiscard]] Torque torque_at(const Trace& trace, std::size_t sample);
[[nodiscard]] std::optional<Angle> angle_at(const Trace& trace, std::size_t sample);
[[nodiscard]] std::optional<std::int64_t> time_us_at(const Trace& trace, std::size_t sample);

// The one form in which a curve is kept and named by its digest (TRACE.md). Equal curves have equal bytes,
// and reading takes exactly the bytes that writing gives; the error says what is wrong and at which byte.
[[nodiscard]] std::string encode_trace(const Trace& trace);
[[nodiscard]] std::expected<Trace, std::string> decode_trace(std::string_view bytes);

}  // namespace tautgate::protocol
