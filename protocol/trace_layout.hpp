// Where a device puts the samples of a curve in a row of bytes: a frame, or registers as they come over the
// wire. Pure; any thread.
//
// Nothing is read beyond the bytes given, and nothing is made up: bytes that are too short, a number that is
// no measurement or a curve that cannot be one refuse the whole, with the place and why.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/describe.hpp"
#include "protocol/register_profile.hpp"
#include "protocol/trace.hpp"

namespace tautgate::protocol {

// Numbers of one kind, one for each sample, or a single one. Each is worth raw * scale + offset. A fraction
// takes no offset, and as scale a power of ten.
struct SampleField {
    std::uint32_t at = 0;     // byte of the first, from 0
    std::uint32_t apart = 0;  // bytes from one to the next; 0: one directly after the other
    FieldType type = FieldType::int16;
    WordOrder order = WordOrder::abcd;  // of the bytes as they come; dcba is little-endian
    Decimal scale{1, 0};
    Decimal offset{};
    bool operator==(const SampleField&) const = default;
};
TAUTGATE_FIELDS(SampleField, at, apart, type, order, scale, offset);

struct TraceLayout {
    std::uint32_t samples = 0;           // how many there are, or with `count` the most that there can be
    std::optional<SampleField> count{};  // a whole number
    // At most one of these three; none where the angle stands beside the torque.
    std::optional<std::int64_t> interval_us{};
    std::optional<SampleField> interval{};  // a single number of microseconds
    std::optional<SampleField> time{};      // microseconds since the start
    SampleField torque{};
    TorqueUnit torque_unit = TorqueUnit::newton_metre;
    std::optional<SampleField> angle{};  // degrees
    bool operator==(const TraceLayout&) const = default;
};
TAUTGATE_FIELDS(TraceLayout, samples, count, interval_us, interval, time, torque, torque_unit, angle);

// What is wrong with it, whatever the bytes, as a sentence without its end; nothing: it can be used.
[[nodiscard]] std::optional<std::string> fault_of(const TraceLayout& layout);

// The curve in `bytes`, for a tool that can measure no more than `range`. `layout` has no fault. What the
// layout does not name is passed over. Whole numbers are kept as they came, with scale and offset beside;
// fractions as decimals (column_of). Times are rounded to whole microseconds.
[[nodiscard]] std::expected<Trace, std::string>
decode_samples(const TraceLayout& layout, std::string_view bytes, const MeasuringRange& range);

}  // namespace tautgate::protocol
