#include "protocol/trace_line.hpp"

#include <algorithm>
#include <array>
#include <limits>
#include <utility>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "protocol/json_events.hpp"
#include "protocol/line.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

enum class TraceKey : std::uint8_t { counter, part, parts, torque_unit, interval_us, time_us, torque, angle };

struct TraceRow {
    std::string_view name;
    TraceKey key;
    bool is_list = false;
};

constexpr std::array trace_rows{
    TraceRow{"counter", TraceKey::counter},
    TraceRow{"part", TraceKey::part},
    TraceRow{"parts", TraceKey::parts},
    TraceRow{"torque_unit", TraceKey::torque_unit},
    TraceRow{"interval_us", TraceKey::interval_us},
    TraceRow{"time_us", TraceKey::time_us, true},
    TraceRow{"torque", TraceKey::torque, true},
    TraceRow{"angle", TraceKey::angle, true},
};

std::string all_trace_keys() {
    std::string names;
    for (const TraceRow& row : trace_rows)
        names += fmt::format("{}{}", names.empty() ? "" : ", ", row.name);
    return names;
}

// A number or text, as written.
struct TraceToken {
    bool is_number = false;
    std::string_view text;
};

// Takes the events of the JSON reader; returning false ends it. The member functions are those that
// nlohmann's sax interface asks for.
class TraceHandler : public JsonEvents {
  public:
    bool null() { return scalar({false, "null"}); }
    bool boolean(bool value) { return scalar({false, value ? "true" : "false"}); }
    bool number_integer(number_integer_t value) {
        const fmt::format_int text(value);
        return scalar({true, {text.data(), text.size()}});
    }
    bool number_unsigned(number_unsigned_t value) {
        const fmt::format_int text(value);
        return scalar({true, {text.data(), text.size()}});
    }
    bool number_float(number_float_t, const string_t& text) { return scalar({true, text}); }
    bool string(string_t& text) {
        if (row_ != nullptr && !row_->is_list && row_->key == TraceKey::torque_unit)
            return take_unit(text);
        return scalar({false, text});
    }
    bool binary(binary_t&) { return fail("the line holds binary data", "send JSON text"); }

    bool start_object(std::size_t) {
        if (depth_ == 2)
            return wrong_kind();
        ++depth_;
        return true;
    }
    bool end_object() {
        --depth_;
        return true;
    }
    bool start_array(std::size_t) {
        if (row_ == nullptr || !row_->is_list || in_list_)
            return wrong_kind();
        in_list_ = true;
        if (row_->key == TraceKey::time_us)
            part_.time_us.emplace();
        if (row_->key == TraceKey::angle)
            part_.angle.emplace();
        return true;
    }
    bool end_array() {
        in_list_ = false;
        return true;
    }
    bool key(string_t& name) {
        if (depth_ == 1) {
            if (name == "trace")
                return true;
            return fail(fmt::format("unknown key {}", shown(name)), "send one message a line");
        }
        const auto found = std::ranges::find(trace_rows, std::string_view(name), &TraceRow::name);
        if (found == trace_rows.end())
            return fail(fmt::format("unknown key {}", shown(name)),
                        fmt::format("allowed here: {}", all_trace_keys()));
        const auto bit = 1U << static_cast<unsigned>(found - trace_rows.begin());
        if ((seen_ & bit) != 0)
            return fail(fmt::format("the key {} stands twice", shown(name)), "send each key once");
        seen_ |= bit;
        row_ = &*found;
        return true;
    }
    bool parse_error(std::size_t position, const std::string&, const nlohmann::json::exception&) {
        return fail(fmt::format("the line is not JSON from byte {} on", position),
                    "send one JSON object a line, in UTF-8");
    }

    [[nodiscard]] bool has(TraceKey key) const {
        const auto found = std::ranges::find(trace_rows, key, &TraceRow::key);
        return (seen_ >> static_cast<unsigned>(found - trace_rows.begin()) & 1U) != 0;
    }
    [[nodiscard]] TraceFault& fault() { return fault_; }
    [[nodiscard]] TracePart& part() { return part_; }

  private:
    bool fail(std::string what, std::string remedy) {
        fault_ = {std::move(what), std::move(remedy)};
        return false;
    }
    bool wrong_kind() {
        if (row_ == nullptr)
            return fail("the trace is no object", "send an object under 'trace'");
        return fail(fmt::format("the key '{}' has a value of the wrong kind", row_->name),
                    row_->is_list ? "send a list of numbers" : "send text or a number, as LINE.md says");
    }

    bool scalar(const TraceToken& token) {
        if (row_ == nullptr || row_->is_list != in_list_)
            return wrong_kind();
        switch (row_->key) {
        case TraceKey::counter: return take_counter(token);
        case TraceKey::part: return take_count(token, part_.part);
        case TraceKey::parts: return take_count(token, part_.parts);
        case TraceKey::torque_unit: return wrong_kind();
        case TraceKey::interval_us: return take_interval(token);
        case TraceKey::time_us: return take_time(token);
        case TraceKey::torque: return take_sample(token, part_.torque);
        case TraceKey::angle: return take_sample(token, *part_.angle);
        }
        std::unreachable();
    }
    bool take_counter(const TraceToken& token) {
        const auto counter = whole_from_text(token.text, std::numeric_limits<std::uint64_t>::max() - 1);
        if (!counter || *counter == 0)
            return fail("the trace has no counter", "send that of its result under 'counter', from \"1\" on");
        part_.counter = *counter;
        return true;
    }
    bool take_count(const TraceToken& token, std::uint32_t& into) {
        const auto count = whole_from_text(token.text, trace_parts_limit);
        if (!token.is_number || !count || *count == 0)
            return fail(fmt::format("the trace's {} is {}", row_->name, shown(token.text)),
                        fmt::format("send a whole number from 1 to {}", trace_parts_limit));
        into = static_cast<std::uint32_t>(*count);
        return true;
    }
    bool take_unit(std::string_view text) {
        const auto unit = torque_unit(text);
        if (!unit)
            return fail(fmt::format("the torque of the trace has the unknown unit {}", shown(text)),
                        "use N.m, cN.m, lbf.ft, lbf.in, kgf.m");
        part_.torque_unit = *unit;
        return true;
    }
    bool take_interval(const TraceToken& token) {
        const auto value = whole_from_text(token.text, static_cast<std::uint64_t>(trace_time_limit_us));
        if (!token.is_number || !value || *value == 0)
            return fail(fmt::format("the trace's interval is {}", shown(token.text)),
                        "send whole microseconds from 1 on under 'interval_us', or a list 'time_us' instead");
        part_.interval_us = static_cast<std::int64_t>(*value);
        return true;
    }
    bool take_time(const TraceToken& token) {
        const auto value = whole_from_text(token.text, static_cast<std::uint64_t>(trace_time_limit_us));
        if (!token.is_number || !value)
            return fail(
                fmt::format("time {} of this part is {}", part_.time_us->size() + 1, shown(token.text)),
                "send whole microseconds since the start of the run, of an hour at most");
        part_.time_us->push_back(static_cast<std::int64_t>(*value));
        return true;
    }
    bool take_sample(const TraceToken& token, std::vector<Decimal>& into) {
        const auto value = token.is_number ? decimal_from_text(token.text) : std::nullopt;
        if (!value)
            return fail(fmt::format("sample {} of {} in this part is {}, which is no measurement",
                                    into.size() + 1, row_->name, shown(token.text)),
                        "send every sample as a JSON number of at most 18 digits, or no trace");
        into.push_back(*value);
        return true;
    }

    std::size_t depth_ = 0;
    bool in_list_ = false;
    const TraceRow* row_ = nullptr;  // of the last key
    unsigned seen_ = 0;
    TracePart part_;
    TraceFault fault_;
};

std::optional<TraceFault> fault_in(const TracePart& part) {
    if (part.part > part.parts)
        return TraceFault{fmt::format("the trace says part {} of {}", part.part, part.parts),
                          "count the parts of a trace from 1 up to their number"};
    if (part.interval_us && part.time_us)
        return TraceFault{"the trace has both an interval and times",
                          "send one of 'interval_us' and 'time_us'"};
    if (part.torque.empty())
        return TraceFault{"the trace has no sample of torque", "send a list of numbers under 'torque'"};
    const std::size_t samples = part.torque.size();
    if ((part.time_us && part.time_us->size() != samples) || (part.angle && part.angle->size() != samples))
        return TraceFault{fmt::format("a part of the trace has {} samples of torque and {} of {}", samples,
                                      part.time_us && part.time_us->size() != samples ? part.time_us->size()
                                                                                      : part.angle->size(),
                                      part.time_us && part.time_us->size() != samples ? "time" : "the angle"),
                          "send lists of the same length"};
    return std::nullopt;
}

// Everything but the samples is said alike in each part.
bool agree(const TracePart& one, const TracePart& other) {
    return one.counter == other.counter && one.parts == other.parts && one.torque_unit == other.torque_unit &&
           one.interval_us == other.interval_us && one.time_us.has_value() == other.time_us.has_value() &&
           one.angle.has_value() == other.angle.has_value();
}

template <class Value>
void append(std::vector<Value>& to, const std::vector<Value>& more) {
    to.insert(to.end(), more.begin(), more.end());
}

constexpr std::string_view whole_or_none =
    "send the parts of a trace in order, one trace after the other, or send no trace; the result counts "
    "without it";

std::expected<CompleteTrace, std::string> completed(const TracePart& all, const MeasuringRange& range) {
    CompleteTrace out{.counter = all.counter, .trace = {}};
    Trace& trace = out.trace;
    if (all.interval_us)
        trace.times = SampleInterval{*all.interval_us};
    else if (all.time_us)
        trace.times = SampleTimes{*all.time_us};
    trace.torque_unit = all.torque_unit;
    auto torque = column_of(all.torque, "torque");
    if (!torque)
        return std::unexpected(std::move(torque.error()));
    trace.torque = std::move(*torque);
    if (all.angle) {
        auto angle = column_of(*all.angle, "the angle");
        if (!angle)
            return std::unexpected(std::move(angle.error()));
        trace.angle = std::move(*angle);
    }
    if (auto fault = fault_of(trace, range))
        return std::unexpected(std::move(*fault));
    return out;
}

// ---- writing ----------------------------------------------------------------------------------------------

// Samples of one line, as text.
struct PartText {
    std::string time;
    std::string torque;
    std::string angle;
    bool has_time = false;
    bool has_angle = false;
    std::size_t samples = 0;

    [[nodiscard]] std::size_t size() const { return time.size() + torque.size() + angle.size(); }
};

std::string sample_text(const TraceColumn& column, std::size_t sample) {
    return to_text(exact_sample(column, sample));
}

void add_sample(PartText& to, const Trace& trace, std::size_t sample) {
    const std::string_view comma = to.samples++ == 0 ? "" : ",";
    if (const auto* times = std::get_if<SampleTimes>(&trace.times)) {
        to.has_time = true;
        to.time += fmt::format("{}{}", comma, times->us[sample]);
    }
    to.torque += fmt::format("{}{}", comma, sample_text(trace.torque, sample));
    if (trace.angle) {
        to.has_angle = true;
        to.angle += fmt::format("{}{}", comma, sample_text(*trace.angle, sample));
    }
}

}  // namespace

std::expected<TracePart, TraceFault> parse_trace_part(std::string_view line) {
    TraceHandler handler;
    if (!nlohmann::json::sax_parse(line.begin(), line.end(), &handler))
        return std::unexpected(std::move(handler.fault()));
    if (!handler.has(TraceKey::counter))
        return std::unexpected(
            TraceFault{"the trace has no counter", "send that of its result under 'counter', from \"1\" on"});
    if (!handler.has(TraceKey::torque_unit))
        return std::unexpected(
            TraceFault{"the torque of the trace has no unit",
                       "send one of N.m, cN.m, lbf.ft, lbf.in, kgf.m under 'torque_unit'"});
    if (auto fault = fault_in(handler.part()))
        return std::unexpected(std::move(*fault));
    return std::move(handler.part());
}

TraceParts::Step TraceParts::take(TracePart part, const MeasuringRange& range) {
    Step step;
    const auto lose = [&](std::string what) {
        begun_.reset();
        step.faults.push_back({std::move(what), std::string(whole_or_none)});
    };
    const std::uint64_t counter = part.counter;
    if (part.part == 1) {
        if (begun_)
            lose(fmt::format("the trace of result {} ended after part {} of {}", begun_->counter,
                             begun_->part, begun_->parts));
        begun_ = std::move(part);
    } else if (!begun_ || begun_->part + 1 != part.part || !agree(*begun_, part)) {
        lose(fmt::format("part {} of the trace of result {} does not continue what came before", part.part,
                         counter));
        return step;
    } else {
        begun_->part = part.part;
        append(begun_->torque, part.torque);
        if (part.time_us)
            append(*begun_->time_us, *part.time_us);
        if (part.angle)
            append(*begun_->angle, *part.angle);
    }
    if (begun_->torque.size() > trace_samples_limit) {
        lose(fmt::format("the trace of result {} has more than {} samples", counter, trace_samples_limit));
        return step;
    }
    if (begun_->part < begun_->parts)
        return step;
    auto whole = completed(*std::exchange(begun_, std::nullopt), range);
    if (whole)
        step.complete = std::move(*whole);
    else
        lose(fmt::format("the trace of result {} is not kept: {}", counter, whole.error()));
    return step;
}

std::vector<std::string> trace_lines(std::uint64_t counter, const Trace& trace) {
    constexpr std::size_t head = 256;  // the rest of a line, and the last sample of each column
    std::vector<PartText> parts(1);
    for (std::size_t i = 0; i < trace.samples(); ++i) {
        if (parts.back().size() + head > line_limit)
            parts.emplace_back();
        add_sample(parts.back(), trace, i);
    }
    const auto* interval = std::get_if<SampleInterval>(&trace.times);
    std::vector<std::string> lines;
    lines.reserve(parts.size());
    for (const PartText& part : parts) {
        std::string line =
            fmt::format(R"({{"trace":{{"counter":"{}","part":{},"parts":{},"torque_unit":"{}")", counter,
                        lines.size() + 1, parts.size(), symbol(trace.torque_unit));
        if (interval != nullptr)
            line += fmt::format(R"(,"interval_us":{})", interval->us);
        if (part.has_time)
            line += fmt::format(R"(,"time_us":[{}])", part.time);
        line += fmt::format(R"(,"torque":[{}])", part.torque);
        if (part.has_angle)
            line += fmt::format(R"(,"angle":[{}])", part.angle);
        line += "}}\n";
        lines.push_back(std::move(line));
    }
    return lines;
}

}  // namespace tautgate::protocol
