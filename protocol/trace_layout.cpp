#include "protocol/trace_layout.hpp"

#include <bit>
#include <cmath>
#include <limits>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/register_image.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::int64_t sample_scale_limit = 1'000'000'000;
constexpr int sample_exponent_limit = 3;
constexpr std::int64_t raw_limit = 1'000'000'000'000'000;  // of TRACE.md

std::size_t bytes_of(FieldType type) { return std::size_t{2} * width(type); }

std::size_t place_in(const SampleField& field, std::size_t sample) {
    const std::size_t apart = field.apart != 0 ? field.apart : bytes_of(field.type);
    return field.at + apart * sample;
}

// ---- a layout by itself ---------------------------------------------------------------------------------

bool is_usable_factor(const Decimal& value) {
    return std::abs(value.mantissa) <= sample_scale_limit && value.exponent >= -9 &&
           value.exponent <= sample_exponent_limit && (value.mantissa == 0 || value.mantissa % 10 != 0);
}

std::optional<std::string> fault_in_field(const SampleField& field, std::string_view name) {
    if (field.type == FieldType::bit)
        return fmt::format("one bit is no sample of {}", name);
    if (field.apart != 0 && field.apart < bytes_of(field.type))
        return fmt::format("the samples of {} overlap", name);
    if (field.scale.mantissa == 0)
        return fmt::format("a scale of 0 makes every sample of {} the same", name);
    if (!is_usable_factor(field.scale) || !is_usable_factor(field.offset))
        return fmt::format(
            "scale or offset of {} has too many digits; at most 9 digits, 9 decimals and three "
            "noughts before the point can be kept",
            name);
    if (is_fraction(field.type) && (std::abs(field.scale.mantissa) != 1 || field.offset.mantissa != 0))
        return fmt::format("a fraction as {} takes a power of ten as scale, and no offset", name);
    return std::nullopt;
}

std::optional<std::string> fault_in_count(const SampleField& count) {
    if (is_fraction(count.type) || count.scale != Decimal{1, 0} || count.offset.mantissa != 0)
        return "the number of samples is a whole number, without scale and offset";
    return fault_in_field(count, "the count");
}

// ---- numbers in bytes -----------------------------------------------------------------------------------

std::optional<std::uint64_t> bits_at(std::string_view bytes, std::size_t at, const SampleField& field) {
    return bits_in(bytes, at, field.type, field.order);
}

std::optional<std::int64_t> whole_from(std::uint64_t bits, FieldType type) {
    switch (type) {
    case FieldType::int16: return static_cast<std::int16_t>(bits);
    case FieldType::int32: return static_cast<std::int32_t>(bits);
    case FieldType::bcd16:
    case FieldType::bcd32: {
        const auto digits = from_bcd(bits);
        return digits ? std::optional(static_cast<std::int64_t>(*digits)) : std::nullopt;
    }
    case FieldType::uint64:
        if (bits > std::uint64_t{std::numeric_limits<std::int64_t>::max()})
            return std::nullopt;
        return static_cast<std::int64_t>(bits);
    case FieldType::uint16:
    case FieldType::uint32:
    case FieldType::int64: return static_cast<std::int64_t>(bits);
    case FieldType::float32:
    case FieldType::float64:
    case FieldType::bit: break;
    }
    return std::nullopt;
}

std::optional<Decimal> fraction_from(std::uint64_t bits, const SampleField& field) {
    auto value = field.type == FieldType::float32
                     ? shortest_decimal(std::bit_cast<float>(static_cast<std::uint32_t>(bits)))
                     : shortest_decimal(std::bit_cast<double>(bits));
    if (!value || value->mantissa == 0)
        return value;
    value->exponent += field.scale.exponent;
    value->mantissa *= field.scale.mantissa;
    return value;
}

using ColumnOr = std::expected<TraceColumn, std::string>;

std::string too_short(std::string_view name, std::size_t sample, std::size_t place) {
    return fmt::format("the bytes end before sample {} of {} (byte {})", sample + 1, name, place);
}
std::string no_measurement(std::string_view name, std::size_t sample, std::size_t place) {
    return fmt::format("sample {} of {} (byte {}) is no measurement", sample + 1, name, place);
}

ColumnOr whole_column(const SampleField& field, std::size_t samples, std::string_view bytes,
                      std::string_view name) {
    TraceColumn column{.counts = {}, .step = field.scale, .offset = field.offset};
    column.counts.reserve(samples);
    for (std::size_t i = 0; i < samples; ++i) {
        const std::size_t place = place_in(field, i);
        const auto bits = bits_at(bytes, place, field);
        if (!bits)
            return std::unexpected(too_short(name, i, place));
        const auto whole = whole_from(*bits, field.type);
        if (!whole || *whole > raw_limit || *whole < -raw_limit)
            return std::unexpected(no_measurement(name, i, place));
        column.counts.push_back(*whole);
    }
    return column;
}

ColumnOr column_from(const SampleField& field, std::size_t samples, std::string_view bytes,
                     std::string_view name) {
    if (!is_fraction(field.type))
        return whole_column(field, samples, bytes, name);
    std::vector<Decimal> numbers;
    numbers.reserve(samples);
    for (std::size_t i = 0; i < samples; ++i) {
        const std::size_t place = place_in(field, i);
        const auto bits = bits_at(bytes, place, field);
        if (!bits)
            return std::unexpected(too_short(name, i, place));
        const auto value = fraction_from(*bits, field);
        if (!value)  // NaN, infinite
            return std::unexpected(no_measurement(name, i, place));
        numbers.push_back(*value);
    }
    return column_of(numbers, name);
}

// Half away from zero.
std::optional<std::int64_t> rounded(Decimal value) {
    for (; value.exponent > 0; --value.exponent) {
        if (std::abs(value.mantissa) > raw_limit)
            return std::nullopt;
        value.mantissa *= 10;
    }
    std::int64_t last = 0;
    for (; value.exponent < 0; ++value.exponent) {
        last = value.mantissa % 10;
        value.mantissa /= 10;
    }
    return value.mantissa + (last >= 5 ? 1 : 0) - (last <= -5 ? 1 : 0);
}

std::expected<std::vector<std::int64_t>, std::string>
times_from(const SampleField& field, std::size_t samples, std::string_view bytes, std::string_view name) {
    const auto column = column_from(field, samples, bytes, name);
    if (!column)
        return std::unexpected(column.error());
    std::vector<std::int64_t> times;
    times.reserve(samples);
    for (std::size_t i = 0; i < samples; ++i) {
        const auto exact = wide_sample(*column, i);
        const auto value = exact ? rounded(*exact) : std::nullopt;
        if (!value)
            return std::unexpected(fmt::format("sample {} of {} is too large", i + 1, name));
        times.push_back(*value);
    }
    return times;
}

std::expected<std::size_t, std::string> samples_in(const TraceLayout& layout, std::string_view bytes) {
    if (!layout.count)
        return layout.samples;
    const auto bits = bits_at(bytes, layout.count->at, *layout.count);
    if (!bits)
        return std::unexpected(fmt::format("the bytes end before the count (byte {})", layout.count->at));
    const auto count = whole_from(*bits, layout.count->type);
    if (!count || *count < 1 || std::cmp_greater(*count, layout.samples))
        return std::unexpected(
            count ? fmt::format("the count says {} samples, of 1 to {}", *count, layout.samples)
                  : fmt::format("the count (byte {}) is no number", layout.count->at));
    return static_cast<std::size_t>(*count);
}

std::expected<decltype(Trace::times), std::string> times_of(const TraceLayout& layout, std::size_t samples,
                                                            std::string_view bytes) {
    if (layout.interval_us)
        return SampleInterval{*layout.interval_us};
    if (layout.interval) {
        const auto interval = times_from(*layout.interval, 1, bytes, "the interval");
        if (!interval)
            return std::unexpected(interval.error());
        return SampleInterval{interval->front()};
    }
    if (!layout.time)
        return NoTimes{};
    auto times = times_from(*layout.time, samples, bytes, "time");
    if (!times)
        return std::unexpected(std::move(times.error()));
    return SampleTimes{std::move(*times)};
}

}  // namespace

std::optional<std::string> fault_of(const TraceLayout& layout) {
    if (layout.samples < 1 || layout.samples > trace_samples_limit)
        return fmt::format("a curve of {} samples; use 1 to {}", layout.samples, trace_samples_limit);
    const int ways =
        int{layout.interval_us.has_value()} + int{layout.interval.has_value()} + int{layout.time.has_value()};
    if (ways > 1)
        return "the time of samples is said in two ways";
    if (ways == 0 && !layout.angle)
        return "there is neither time nor angle beside the torque";
    if (layout.interval_us && (*layout.interval_us < 1 || *layout.interval_us > trace_time_limit_us))
        return "the interval between samples is not from a microsecond to an hour";
    if (auto fault = layout.count ? fault_in_count(*layout.count) : std::nullopt)
        return fault;
    if (auto fault = layout.interval ? fault_in_field(*layout.interval, "the interval") : std::nullopt)
        return fault;
    if (auto fault = layout.time ? fault_in_field(*layout.time, "time") : std::nullopt)
        return fault;
    if (auto fault = fault_in_field(layout.torque, "torque"))
        return fault;
    return layout.angle ? fault_in_field(*layout.angle, "the angle") : std::nullopt;
}

std::expected<Trace, std::string> decode_samples(const TraceLayout& layout, std::string_view bytes,
                                                 const MeasuringRange& range) {
    const auto samples = samples_in(layout, bytes);
    if (!samples)
        return std::unexpected(samples.error());
    auto times = times_of(layout, *samples, bytes);
    if (!times)
        return std::unexpected(std::move(times.error()));
    auto torque = column_from(layout.torque, *samples, bytes, "torque");
    if (!torque)
        return std::unexpected(std::move(torque.error()));
    Trace trace{.times = std::move(*times),
                .torque_unit = layout.torque_unit,
                .torque = std::move(*torque),
                .angle = std::nullopt};
    if (layout.angle) {
        auto angle = column_from(*layout.angle, *samples, bytes, "the angle");
        if (!angle)
            return std::unexpected(std::move(angle.error()));
        trace.angle = std::move(*angle);
    }
    if (auto fault = fault_of(trace, range))
        return std::unexpected(std::move(*fault));
    return trace;
}

}  // namespace tautgate::protocol
