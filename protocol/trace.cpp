#include "protocol/trace.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <utility>

#include <fmt/format.h>

namespace tautgate::protocol {

namespace {

__extension__ typedef __int128 TraceWide;

constexpr std::int64_t count_limit = 1'000'000'000'000'000;
constexpr std::int64_t step_limit = 1'000'000'000;
constexpr std::int64_t offset_limit = 1'000'000'000'000;
constexpr std::int64_t value_limit = 1'000'000;  // of the column's unit
constexpr int finest_exponent = -9;
constexpr int coarsest_exponent = 3;

std::int64_t ten_to(int exponent) {
    std::int64_t power = 1;
    for (int i = 0; i < exponent; ++i)
        power *= 10;
    return power;
}

// ---- values of a column ---------------------------------------------------------------------------------

// mantissa * 10^exponent, before it is known to fit a Decimal.
struct WideDecimal {
    TraceWide mantissa = 0;
    int exponent = 0;
};

// Bounds of count, step and offset keep this below 10^37.
WideDecimal sample_of(const TraceColumn& column, std::size_t sample) {
    const int exponent = std::min(column.step.exponent, column.offset.exponent);
    const TraceWide scaled = static_cast<TraceWide>(column.counts[sample]) * column.step.mantissa *
                             ten_to(column.step.exponent - exponent);
    return {scaled +
                static_cast<TraceWide>(column.offset.mantissa) * ten_to(column.offset.exponent - exponent),
            exponent};
}

bool within_value_limit(const WideDecimal& value) {
    const TraceWide magnitude = value.mantissa < 0 ? -value.mantissa : value.mantissa;
    if (value.exponent >= 0)
        return magnitude <= value_limit / ten_to(value.exponent);
    return magnitude <= static_cast<TraceWide>(value_limit) * ten_to(-value.exponent);
}

// Places of the lowest and of the highest count: between them no value is further from zero.
std::array<std::size_t, 2> extremes_of(const TraceColumn& column) {
    const auto [low, high] = std::ranges::minmax_element(column.counts);
    return {static_cast<std::size_t>(low - column.counts.begin()),
            static_cast<std::size_t>(high - column.counts.begin())};
}

// For the conversions of quantity.hpp, which know no value below zero.
struct SignedDecimal {
    Decimal magnitude;
    bool negative = false;
};

SignedDecimal signed_at(const TraceColumn& column, std::size_t sample) {
    const Decimal value = exact_sample(column, sample);
    return {{std::abs(value.mantissa), value.exponent}, value.mantissa < 0};
}

// ---- what a curve must be -------------------------------------------------------------------------------

bool is_plain(const Decimal& value, std::int64_t limit) {
    if (value.mantissa == 0)
        return value.exponent == 0;
    return value.mantissa % 10 != 0 && value.mantissa <= limit && value.mantissa >= -limit &&
           value.exponent >= finest_exponent && value.exponent <= coarsest_exponent;
}

std::optional<std::string> fault_in(const TraceColumn& column, std::string_view name) {
    if (column.step.mantissa == 0 || !is_plain(column.step, step_limit))
        return fmt::format("the step of {} cannot be kept", name);
    if (!is_plain(column.offset, offset_limit))
        return fmt::format("the offset of {} cannot be kept", name);
    for (const std::size_t i : extremes_of(column)) {
        if (column.counts[i] > count_limit || column.counts[i] < -count_limit ||
            !within_value_limit(sample_of(column, i)))
            return fmt::format("sample {} of {} is too large", i + 1, name);
    }
    return std::nullopt;
}

std::optional<std::string> fault_in(const SampleTimes& times, std::size_t samples) {
    if (times.us.size() != samples)
        return fmt::format("there are {} samples of torque and {} of time", samples, times.us.size());
    std::int64_t before = 0;
    for (std::size_t i = 0; i < samples; ++i) {
        if (times.us[i] < before)
            return i == 0 ? "the first sample lies before the start"
                          : fmt::format("the time runs backwards at sample {}", i + 1);
        before = times.us[i];
    }
    if (before > trace_time_limit_us)
        return fmt::format("the last sample lies more than {} s after the start",
                           trace_time_limit_us / 1'000'000);
    return std::nullopt;
}

std::optional<std::string> fault_in(const SampleInterval& interval, std::size_t samples) {
    if (interval.us < 1)
        return "the interval between samples is not positive";
    if (interval.us > trace_time_limit_us / static_cast<std::int64_t>(samples))
        return fmt::format("the last sample lies more than {} s after the start",
                           trace_time_limit_us / 1'000'000);
    return std::nullopt;
}

std::optional<std::string> fault_in(const NoTimes&, std::size_t) { return std::nullopt; }

// ---- bytes ----------------------------------------------------------------------------------------------

constexpr std::string_view trace_mark = "TGTC";
constexpr std::uint8_t trace_version = 1;
constexpr std::uint8_t has_times = 1;
constexpr std::uint8_t has_interval = 2;
constexpr std::uint8_t has_angle = 4;
constexpr int bits_in_byte = 7;
constexpr std::uint8_t more_follows = 0x80;

class TraceBytes {
  public:
    explicit TraceBytes(std::size_t expected) { out_.reserve(expected); }

    void text(std::string_view bytes) { out_ += bytes; }
    void byte(std::uint8_t value) { out_ += static_cast<char>(value); }
    void count(std::uint64_t value) {
        for (; value >= more_follows; value >>= bits_in_byte)
            byte(static_cast<std::uint8_t>(value | more_follows));
        byte(static_cast<std::uint8_t>(value));
    }
    void whole(std::int64_t value) {
        const auto bits = static_cast<std::uint64_t>(value);
        count(value < 0 ? ~(bits << 1) : bits << 1);
    }
    void decimal(const Decimal& value) {
        whole(value.mantissa);
        whole(value.exponent);
    }
    void column(std::span<const std::int64_t> numbers) {
        std::int64_t before = 0;
        for (const std::int64_t number : numbers)
            whole(number - std::exchange(before, number));
    }
    [[nodiscard]] std::string take() && { return std::move(out_); }

  private:
    std::string out_;
};

// Reads what TraceBytes writes. After the first fault everything read is zero and the fault stays.
class TraceCursor {
  public:
    explicit TraceCursor(std::string_view bytes) : bytes_(bytes) {}

    [[nodiscard]] std::size_t at() const noexcept { return at_; }
    [[nodiscard]] bool at_end() const noexcept { return at_ == bytes_.size(); }
    [[nodiscard]] const std::optional<std::string>& fault() const noexcept { return fault_; }
    void fail(std::string_view what) {
        if (!fault_)
            fault_ = fmt::format("{} at byte {}", what, at_);
    }

    std::uint8_t byte() {
        if (fault_)
            return 0;
        if (at_end()) {
            fail("the bytes end too early");
            return 0;
        }
        return static_cast<std::uint8_t>(bytes_[at_++]);
    }
    std::uint64_t count() {
        constexpr int last_shift = 63;  // of the tenth byte, which has one bit left
        std::uint64_t value = 0;
        for (int shift = 0; shift <= last_shift; shift += bits_in_byte) {
            const std::uint8_t next = byte();
            const std::uint64_t group = next & std::uint8_t{0x7f};
            if (shift == last_shift && group > 1)
                break;
            value |= group << shift;
            if ((next & more_follows) == 0) {
                if (group == 0 && shift > 0)
                    fail("a number is longer than it need be");
                return fault_ ? 0 : value;
            }
        }
        fail("a number has more than 64 bits");
        return 0;
    }
    std::int64_t whole() {
        const std::uint64_t bits = count();
        return static_cast<std::int64_t>((bits >> 1) ^ (0 - (bits & 1)));
    }
    Decimal decimal() {
        const std::int64_t mantissa = whole();
        const std::int64_t exponent = whole();
        if (exponent < finest_exponent || exponent > coarsest_exponent)
            fail("an exponent is out of bounds");
        return {mantissa, static_cast<std::int32_t>(fault_ ? 0 : exponent)};
    }
    std::vector<std::int64_t> column(std::size_t samples) {
        // Wide enough for any difference that the sum of a whole column could be asked to take.
        constexpr std::int64_t furthest = std::int64_t{1} << 62;
        std::vector<std::int64_t> numbers;
        numbers.reserve(std::min(samples, bytes_.size() - at_));
        std::int64_t at = 0;
        for (std::size_t i = 0; i < samples && !fault_; ++i) {
            const std::int64_t step = whole();
            if (step > furthest || step < -furthest) {
                fail("a difference is out of bounds");
                break;
            }
            at += step;
            if (at > count_limit || at < -count_limit)
                fail("a number of a column is out of bounds");
            numbers.push_back(at);
        }
        return numbers;
    }

  private:
    std::string_view bytes_;
    std::size_t at_ = 0;
    std::optional<std::string> fault_;
};

constexpr std::uint8_t number_of(TorqueUnit unit) {
    switch (unit) {
    case TorqueUnit::newton_metre: return 0;
    case TorqueUnit::centinewton_metre: return 1;
    case TorqueUnit::pound_force_foot: return 2;
    case TorqueUnit::pound_force_inch: return 3;
    case TorqueUnit::kilogram_force_metre: return 4;
    }
    std::unreachable();
}

std::optional<TorqueUnit> unit_of(std::uint8_t number) {
    for (const TorqueUnit unit :
         {TorqueUnit::newton_metre, TorqueUnit::centinewton_metre, TorqueUnit::pound_force_foot,
          TorqueUnit::pound_force_inch, TorqueUnit::kilogram_force_metre})
        if (number_of(unit) == number)
            return unit;
    return std::nullopt;
}

// Up to the columns; nothing: the cursor has a fault.
struct FormHead {
    std::uint8_t parts = 0;
    std::size_t samples = 0;
};

FormHead take_head(TraceCursor& from, Trace& trace) {
    FormHead head;
    for (const char c : trace_mark)
        if (from.byte() != static_cast<std::uint8_t>(c))
            from.fail("this is no curve");
    if (from.byte() != trace_version)
        from.fail("this is another version of the form");
    head.parts = from.byte();
    const bool both = (head.parts & has_times) != 0 && (head.parts & has_interval) != 0;
    if (both || head.parts > (has_times | has_interval | has_angle))
        from.fail("what there is cannot be told");
    const auto unit = unit_of(from.byte());
    if (!unit)
        from.fail("the unit of torque is unknown");
    trace.torque_unit = unit.value_or(TorqueUnit::newton_metre);
    const std::uint64_t samples = from.count();
    if (samples < 1 || samples > trace_samples_limit)
        from.fail("the number of samples is out of bounds");
    head.samples = from.fault() ? 0 : static_cast<std::size_t>(samples);
    if ((head.parts & has_interval) != 0) {
        const std::uint64_t interval = from.count();
        if (std::cmp_greater(interval, trace_time_limit_us))
            from.fail("the interval is out of bounds");
        trace.times = SampleInterval{static_cast<std::int64_t>(from.fault() ? 0 : interval)};
    }
    trace.torque.step = from.decimal();
    trace.torque.offset = from.decimal();
    if ((head.parts & has_angle) != 0) {
        trace.angle.emplace();
        trace.angle->step = from.decimal();
        trace.angle->offset = from.decimal();
    }
    return head;
}

Decimal rounded_to_finest(Decimal number) {
    for (; number.exponent < finest_exponent && number.mantissa != 0; ++number.exponent) {
        // Only the last digit that goes decides; those before it were dropped towards zero.
        const std::int64_t half = number.exponent == finest_exponent - 1 ? 5 : 0;
        number.mantissa = (number.mantissa + (number.mantissa < 0 ? -half : half)) / 10;
    }
    return number.mantissa == 0 ? Decimal{} : number;
}

}  // namespace

std::optional<std::string> fault_of(const Trace& trace) {
    const std::size_t samples = trace.samples();
    if (samples == 0)
        return "it has no sample of torque";
    if (samples > trace_samples_limit)
        return fmt::format("it has {} samples, and no more than {} are kept", samples, trace_samples_limit);
    if (!trace.angle && std::holds_alternative<NoTimes>(trace.times))
        return "it has neither times nor angles beside the torque";
    if (trace.angle && trace.angle->counts.size() != samples)
        return fmt::format("there are {} samples of torque and {} of the angle", samples,
                           trace.angle->counts.size());
    if (auto fault = std::visit([&](const auto& times) { return fault_in(times, samples); }, trace.times))
        return fault;
    if (auto fault = fault_in(trace.torque, "torque"))
        return fault;
    return trace.angle ? fault_in(*trace.angle, "the angle") : std::nullopt;
}

std::optional<std::string> fault_of(const Trace& trace, const MeasuringRange& range) {
    if (auto fault = fault_of(trace))
        return fault;
    const auto beyond = [](std::int64_t value, std::int64_t most) { return value > most || value < -most; };
    for (const std::size_t i : extremes_of(trace.torque)) {
        if (beyond(torque_at(trace, i).micro_nm, range.torque_max.micro_nm))
            return fmt::format("sample {} of torque is beyond {}, the most that the tool can measure", i + 1,
                               to_text(range.torque_max));
    }
    if (!trace.angle)
        return std::nullopt;
    for (const std::size_t i : extremes_of(*trace.angle)) {
        if (beyond(angle_at(trace, i)->micro_deg, range.angle_max.micro_deg))
            return fmt::format("sample {} of the angle is beyond {}, the most that the tool can measure",
                               i + 1, to_text(range.angle_max));
    }
    return std::nullopt;
}

std::expected<TraceColumn, std::string> column_of(std::span<const Decimal> numbers, std::string_view name) {
    std::vector<Decimal> rounded;
    rounded.reserve(numbers.size());
    int finest = 0;
    for (const Decimal& number : numbers) {
        rounded.push_back(rounded_to_finest(number));
        finest = std::min<int>(finest, rounded.back().exponent);
    }
    TraceColumn column{.counts = {}, .step = {1, finest}};
    column.counts.reserve(rounded.size());
    for (std::size_t i = 0; i < rounded.size(); ++i) {
        const int places = rounded[i].exponent - finest;
        const bool fits = places <= 15 && std::abs(rounded[i].mantissa) <= count_limit / ten_to(places);
        if (!fits)
            return std::unexpected(fmt::format("sample {} of {} is too large", i + 1, name));
        column.counts.push_back(rounded[i].mantissa * ten_to(places));
    }
    return column;
}

Decimal exact_sample(const TraceColumn& column, std::size_t sample) {
    const WideDecimal value = sample_of(column, sample);
    assert(within_value_limit(value));
    return {static_cast<std::int64_t>(value.mantissa), value.exponent};
}

std::optional<Decimal> wide_sample(const TraceColumn& column, std::size_t sample) {
    constexpr std::int64_t most = 999'999'999'999'999'999;
    const bool bounded = is_plain(column.step, step_limit) && is_plain(column.offset, offset_limit) &&
                         std::abs(column.counts[sample]) <= count_limit;
    if (!bounded)
        return std::nullopt;
    const WideDecimal value = sample_of(column, sample);
    if (value.mantissa > most || value.mantissa < -most)
        return std::nullopt;
    return Decimal{static_cast<std::int64_t>(value.mantissa), value.exponent};
}

Torque torque_at(const Trace& trace, std::size_t sample) {
    const auto [magnitude, negative] = signed_at(trace.torque, sample);
    const auto torque = torque_from(magnitude, trace.torque_unit, Torque{1});
    assert(torque);
    return {negative ? -torque->micro_nm : torque->micro_nm};
}

std::optional<Angle> angle_at(const Trace& trace, std::size_t sample) {
    if (!trace.angle)
        return std::nullopt;
    const auto [magnitude, negative] = signed_at(*trace.angle, sample);
    const auto angle = angle_from(magnitude, Angle{1});
    assert(angle);
    return Angle{negative ? -angle->micro_deg : angle->micro_deg};
}

std::optional<std::int64_t> time_us_at(const Trace& trace, std::size_t sample) {
    if (const auto* interval = std::get_if<SampleInterval>(&trace.times))
        return interval->us * static_cast<std::int64_t>(sample);
    if (const auto* times = std::get_if<SampleTimes>(&trace.times))
        return times->us[sample];
    return std::nullopt;
}

std::string encode_trace(const Trace& trace) {
    assert(!fault_of(trace));
    const auto* times = std::get_if<SampleTimes>(&trace.times);
    const auto* interval = std::get_if<SampleInterval>(&trace.times);
    TraceBytes out(64 + 4 * trace.samples());
    out.text(trace_mark);
    out.byte(trace_version);
    out.byte(static_cast<std::uint8_t>((times != nullptr ? has_times : 0) |
                                       (interval != nullptr ? has_interval : 0) |
                                       (trace.angle ? has_angle : 0)));
    out.byte(number_of(trace.torque_unit));
    out.count(trace.samples());
    if (interval != nullptr)
        out.count(static_cast<std::uint64_t>(interval->us));
    out.decimal(trace.torque.step);
    out.decimal(trace.torque.offset);
    if (trace.angle) {
        out.decimal(trace.angle->step);
        out.decimal(trace.angle->offset);
    }
    if (times != nullptr)
        out.column(times->us);
    out.column(trace.torque.counts);
    if (trace.angle)
        out.column(trace.angle->counts);
    return std::move(out).take();
}

std::expected<Trace, std::string> decode_trace(std::string_view bytes) {
    if (bytes.size() > trace_bytes_limit)
        return std::unexpected(fmt::format("more than {} bytes are no curve", trace_bytes_limit));
    Trace trace;
    TraceCursor from(bytes);
    const FormHead head = take_head(from, trace);
    if ((head.parts & has_times) != 0)
        trace.times = SampleTimes{from.column(head.samples)};
    trace.torque.counts = from.column(head.samples);
    if (trace.angle)
        trace.angle->counts = from.column(head.samples);
    if (!from.fault() && !from.at_end())
        from.fail("something follows");
    if (from.fault())
        return std::unexpected(*from.fault());
    if (auto fault = fault_of(trace))
        return std::unexpected(std::move(*fault));
    return trace;
}

}  // namespace tautgate::protocol
