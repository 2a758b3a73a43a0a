#include "protocol/register_explain.hpp"
#include "protocol/likely.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <limits>
#include <string_view>
#include <utility>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/register_control.hpp"
#include "protocol/register_image.hpp"
#include "protocol/trace_registers.hpp"
#include "protocol/utc.hpp"

namespace tautgate::protocol {

namespace {

// As many registers of no field as are easily read in one row.
constexpr std::size_t registers_per_row = 4;

// "; cdab gives 256.1", where one order gives a likely number and the others give none.
std::string likely_order(const EveryOrder& orders, double scale, const Likely& likely) {
    std::string found;
    for (const auto& [name, text] : {std::pair<std::string_view, std::string_view>{"abcd", orders.abcd},
                                     {"cdab", orders.cdab},
                                     {"badc", orders.badc},
                                     {"dcba", orders.dcba}}) {
        if (!likely.holds(number_in(text) * scale))
            continue;
        if (!found.empty())
            return {};
        found = fmt::format("; {} gives {}", name, text);
    }
    return found;
}

// A profile that knows nothing yet but how things are measured: with one field put into it, decoding tells
// what that field says by itself.
RegisterProfile bare(const RegisterProfile& profile) {
    RegisterProfile alone;
    alone.name = profile.name;
    alone.table = profile.table;
    alone.range = profile.range;
    return alone;
}

std::string reading_words(const Reading& reading) {
    std::string words = reading.direction == Direction::loosen ? "a loosening" : "a tightening";
    switch (reading.tool_verdict) {
    case ToolVerdict::absent: break;
    case ToolVerdict::ok: words += ", the tool says OK"; break;
    case ToolVerdict::not_ok:
        words += fmt::format(", the tool says not OK ({})",
                             reading.tool_reason.empty() ? "no reason" : reading.tool_reason);
        break;
    }
    return words;
}

std::string fault_words(const DecodeFault& fault) {
    return fmt::format("no result would be taken from it: {}{}{}; {}", fault.field,
                       fault.field.empty() ? "" : ": ", fault.what, fault.remedy);
}

class Explainer {
  public:
    // `slot`: where the block was read, of a ring; the fields of the profile are those of its first slot.
    Explainer(const RegisterProfile& profile, std::span<const BlockRange> blocks,
              std::span<const std::uint16_t> words, std::uint16_t moved_by = 0)
        : profile_(profile), blocks_(blocks), image_(profile, blocks, words), moved_by_(moved_by) {}

    void ring_head() {
        newest(profile_.ring->newest);
        if (profile_.epoch)
            count("epoch", *profile_.epoch, "changes with a restart");
    }
    void result() {
        if (profile_.counter)
            counter(*profile_.counter);
        if (profile_.toggle)
            count("toggle", *profile_.toggle, "changes with each result");
        if (profile_.handshake)
            ready(profile_.handshake->ready);
        if (profile_.epoch && !profile_.ring)
            count("epoch", *profile_.epoch, "changes with a restart");
        names();
        measured();
        limits();
        codes();
        if (profile_.stamp)
            stamp(*profile_.stamp);
    }
    void control(const RegisterControl& control) {
        ExplainedField& enabled = number_row("control/enabled", control.enabled);
        if (whole(enabled, control.enabled))
            enabled.meaning = enabled.value == "0" ? "may not run" : "may run";
        if (!control.selected)
            return;
        ExplainedField& selected = number_row("control/selected", *control.selected);
        if (const auto number = image_.whole("control", *control.selected);
            whole(selected, *control.selected)) {
            const auto name = program_name(control, *number);
            selected.meaning = name.empty() ? "without a name in the profile" : name;
        }
    }
    void trace_head(const TraceFields& trace) {
        count("trace/belongs_to", trace.belongs_to, "count of the result whose curve it is");
        if (trace.count)
            count("trace/count", *trace.count, "samples");
        if (trace.interval)
            scaled("trace/interval", *trace.interval, "us");
    }
    [[nodiscard]] std::vector<ExplainedField> rows() {
        rest();
        std::ranges::stable_sort(rows_, {}, [](const ExplainedField& row) {
            return std::pair(row.place.table, row.place.address);
        });
        for (ExplainedField& row : rows_)
            row.place.address = static_cast<std::uint16_t>(row.place.address + moved_by_);
        return std::move(rows_);
    }

  private:
    ExplainedField& row(std::string name, const FieldPlace& place) {
        ExplainedField& added = rows_.emplace_back(ExplainedField{.name = std::move(name), .place = place});
        if (const auto found = image_.registers(place))
            added.words.assign(found->begin(), found->end());
        return added;
    }
    ExplainedField& number_row(std::string name, const RegisterField& field) {
        ExplainedField& added = row(std::move(name), place_of(profile_, field));
        added.order = field.order;
        if (auto orders = in_every_order(field.type, added.words); orders && added.words.size() > 1)
            added.orders = std::move(*orders);
        return added;
    }
    static void refuse(ExplainedField& row, const DecodeFault& fault) {
        row.fault = fault.what;
        row.remedy = fault.remedy;
    }
    // What the decoder makes of a profile that knows this field only.
    [[nodiscard]] std::optional<Reading> decoded(const RegisterProfile& alone, ExplainedField& row) const {
        auto reading = decode_in(alone, blocks_, image_.words());
        if (reading)
            return std::move(*reading);
        refuse(row, reading.error());
        return std::nullopt;
    }
    // A number that is used as it is.
    bool whole(ExplainedField& row, const RegisterField& field) const {
        const auto value = image_.whole(row.name.c_str(), field);
        if (value)
            row.value = std::to_string(*value);
        else
            refuse(row, value.error());
        return value.has_value();
    }

    void count(std::string name, const RegisterField& field, std::string_view meaning) {
        ExplainedField& added = number_row(std::move(name), field);
        if (whole(added, field))
            added.meaning = meaning;
    }
    void newest(const RegisterField& field) {
        count("ring/newest", field, "count of the newest result");
        if (const auto value = image_.whole("ring", field); value && profile_.counter)
            within(rows_.back(), *value, *profile_.counter, "check address, type and order of newest");
    }
    // Beyond what the profile says of its count: the station takes no result with it.
    static void within(ExplainedField& row, std::uint64_t value, const CounterField& counter,
                       std::string_view check_first) {
        if (value == 0 && counter.lowest == 1)
            row.meaning = "no result yet";
        else if (value < counter.lowest || value > counter.highest)
            refuse(row, {"counter",
                         fmt::format("{} lies outside of {} to {}", value, counter.lowest, counter.highest),
                         fmt::format("{}, then lowest and highest of counter", check_first), std::nullopt});
    }
    // A number of no quantity that a reading has is read as the angle of one that has nothing else.
    void scaled(std::string name, const RegisterField& field, std::string_view unit) {
        ExplainedField& added = number_row(std::move(name), field);
        RegisterProfile alone = bare(profile_);
        alone.angle = field;
        if (const auto reading = decoded(alone, added)) {
            added.value = reading->received.angle;
            added.unit = unit;
        }
    }
    void counter(const CounterField& counter) {
        ExplainedField& added = number_row("counter", counter.field);
        const auto value = image_.whole("counter", counter.field);
        if (whole(added, counter.field))
            within(added, *value, counter, "check address, type and order of counter");
    }
    void ready(const RegisterField& field) {
        ExplainedField& added = number_row("handshake/ready", field);
        if (const auto value = image_.whole("handshake", field); whole(added, field))
            added.meaning = *value != 0 ? "a result waits" : "no result waits";
    }

    void names() {
        if (profile_.program) {
            ExplainedField& added = number_row("program", profile_.program->field);
            RegisterProfile alone = bare(profile_);
            alone.program = profile_.program;
            if (const auto reading = decoded(alone, added); reading && whole(added, profile_.program->field))
                added.meaning =
                    reading->program == added.value ? "without a name in the profile" : reading->program;
        }
        if (const auto& text = profile_.program_text) {
            ExplainedField& added = row("program_text", {profile_.table, text->address, text->registers});
            added.order = text->order;
            RegisterProfile alone = bare(profile_);
            alone.program_text = text;
            if (const auto reading = decoded(alone, added))
                added.value = '"' + reading->program + '"';
        }
    }

    void torque(std::string name, const RegisterField& field, const MeasuringRange& range) {
        ExplainedField& added = number_row(std::move(name), field);
        RegisterProfile alone = bare(profile_);
        alone.torque = TorqueField{field, profile_.torque ? profile_.torque->unit : std::nullopt};
        alone.range = range;
        if (const auto reading = decoded(alone, added))
            quantity(added, reading->torque, reading->received.torque, reading->received.torque_unit);
        doubt(added, "a torque", field, likely_torque(profile_.range));
    }
    void angle(std::string name, const RegisterField& field, const MeasuringRange& range) {
        ExplainedField& added = number_row(std::move(name), field);
        RegisterProfile alone = bare(profile_);
        alone.angle = field;
        alone.range = range;
        if (const auto reading = decoded(alone, added))
            quantity(added, reading->angle, reading->received.angle, "deg");
        doubt(added, "an angle", field, likely_angle(profile_.range));
    }
    static Likely likely_torque(const MeasuringRange& range) {
        return {in_newton_metres(range.torque_resolution), in_newton_metres(range.torque_max)};
    }
    static Likely likely_angle(const MeasuringRange& range) {
        return {in_degrees(range.angle_resolution), in_degrees(range.angle_max)};
    }
    // A number of several registers that decodes and yet is none that a sensor tells.
    static void doubt(ExplainedField& row, std::string_view what, const RegisterField& field,
                      const Likely& likely) {
        const double value = number_in(row.value);
        if (!row.fault.empty() || !is_fraction(field.type) || !row.orders || !likely.is_hardly(value))
            return;
        refuse(row, {"", fmt::format("{} {} is hardly {}", row.value, row.unit, what),
                     "try another word order" + likely_order(*row.orders, as_number(field.scale), likely),
                     std::nullopt});
    }
    template <class Quantity>
    static void quantity(ExplainedField& row, const Measured<Quantity>& value, const std::string& received,
                         std::string_view unit) {
        if (const auto* unreadable = std::get_if<Unreadable>(&value))
            return refuse(row, {"", fmt::format("{} {} {}", received, unit, to_text(unreadable->why)),
                                "look which word order gives a likely value, then at address, type and scale",
                                std::nullopt});
        row.value = received;
        row.unit = unit;
        if (const auto* taken = std::get_if<Quantity>(&value))
            row.meaning = fmt::format("taken as {}", to_text(*taken));
    }
    void measured() {
        if (profile_.torque)
            torque("torque", profile_.torque->field, profile_.range);
        if (profile_.angle)
            angle("angle", *profile_.angle, profile_.range);
    }
    // A limit may lie beyond what the sensor can tell.
    void limits() {
        MeasuringRange open = profile_.range;
        open.torque_max.micro_nm = std::numeric_limits<std::int64_t>::max();
        open.angle_max.micro_deg = std::numeric_limits<std::int64_t>::max();
        const LimitFields& fields = profile_.limits;
        if (fields.torque_min)
            torque("limits/torque_min", *fields.torque_min, open);
        if (fields.torque_max)
            torque("limits/torque_max", *fields.torque_max, open);
        if (fields.angle_min)
            angle("limits/angle_min", *fields.angle_min, open);
        if (fields.angle_max)
            angle("limits/angle_max", *fields.angle_max, open);
    }

    void codes() {
        if (profile_.position) {
            ExplainedField& added = number_row("position", *profile_.position);
            RegisterProfile alone = bare(profile_);
            alone.position = profile_.position;
            if (const auto reading = decoded(alone, added); reading && whole(added, *profile_.position))
                added.meaning = reading->position ? "number of the fastener" : "the tool does not know it";
        }
        if (profile_.direction) {
            ExplainedField& added = number_row("direction", profile_.direction->field);
            RegisterProfile alone = bare(profile_);
            alone.direction = profile_.direction;
            if (const auto reading = decoded(alone, added); reading && whole(added, alone.direction->field))
                added.meaning = reading->direction == Direction::loosen ? "loosen" : "tighten";
        }
        if (profile_.verdict) {
            ExplainedField& added = number_row("verdict", profile_.verdict->field);
            RegisterProfile alone = bare(profile_);
            alone.verdict = profile_.verdict;
            if (const auto reading = decoded(alone, added); reading && whole(added, alone.verdict->field))
                added.meaning = reading->tool_verdict == ToolVerdict::ok
                                    ? "OK"
                                    : fmt::format("not OK: {}", reading->tool_reason);
        }
    }

    void stamp(const StampField& field) {
        const bool calendar = field.kind == StampKind::calendar;
        FieldPlace place = place_of(profile_, field.field);
        if (calendar)
            place.count = calendar_registers;
        ExplainedField& added = calendar ? row("stamp", place) : number_row("stamp", field.field);
        RegisterProfile alone = bare(profile_);
        alone.stamp = field;
        const auto reading = decoded(alone, added);
        if (!reading)
            return;
        if (reading->stamp_utc_us) {
            added.value = reading->received.stamp;
            added.meaning = utc_text(*reading->stamp_utc_us);
        } else {
            refuse(added, {"stamp", fmt::format("{} is no time", reading->received.stamp),
                           "set the tool's clock, or check address, order and kind; the time of arrival is "
                           "used instead",
                           std::nullopt});
        }
    }

    // Registers that were read and that no field names.
    void rest() {
        std::vector<FieldPlace> named;
        named.reserve(rows_.size());
        for (const ExplainedField& row : rows_)
            named.push_back(row.place);
        const auto is_named = [&](RegisterTable table, std::uint32_t address) {
            return std::ranges::any_of(named, [&](const FieldPlace& place) {
                return place.table == table && address >= place.address &&
                       address < place.address + place.count;
            });
        };
        for (const BlockRange& block : blocks_) {
            std::uint32_t count = 0;
            for (std::uint32_t address = block.start; address < std::uint32_t{block.start} + block.length;
                 address += std::max(count, 1U)) {
                count = 0;
                while (count < registers_per_row &&
                       address + count < std::uint32_t{block.start} + block.length &&
                       !is_named(block.table, address + count))
                    ++count;
                if (count > 0)
                    row("", {block.table, static_cast<std::uint16_t>(address), count});
            }
        }
    }

    const RegisterProfile& profile_;
    std::span<const BlockRange> blocks_;
    RegisterImage image_;
    std::uint16_t moved_by_;
    std::vector<ExplainedField> rows_;
};

// A device that has nothing there often answers with zeros.
std::string none_yet(std::span<const std::uint16_t> words) {
    if (std::ranges::all_of(words, [](std::uint16_t word) { return word == 0; }))
        return "no result yet, or none of the tool's registers: every one that was read is 0; "
               "where the tool displays a result, check table, addresses, unit and port";
    return "no result yet; what stands in the other registers means nothing";
}

// Zero, where the counting begins with one.
bool has_none_yet(const RegisterProfile& profile, const RegisterField& field, const RegisterImage& image) {
    const auto value = image.whole("counter", field);
    return value && *value == 0 && profile.counter && profile.counter->lowest == 1;
}

void conclude(Explanation& explanation, const std::expected<Reading, DecodeFault>& reading) {
    explanation.understood = reading.has_value();
    explanation.whole = reading ? reading_words(*reading) : fault_words(reading.error());
}

}  // namespace

Explanation explain(const RegisterProfile& profile, std::span<const std::uint16_t> words) {
    const auto blocks = reads_of(profile);
    const RegisterImage image(profile, blocks, words);
    Explanation explanation;
    if (const auto wrong = image.wrong_length()) {
        explanation.whole = fault_words(*wrong);
        return explanation;
    }
    Explainer explainer(profile, blocks, words);
    if (profile.ring) {
        explainer.ring_head();
        const auto newest = image.whole("ring", profile.ring->newest);
        explanation.understood = newest.has_value();
        explanation.whole =
            newest ? "the count of a ring; its newest result is read by itself" : fault_words(newest.error());
        if (has_none_yet(profile, profile.ring->newest, image))
            explanation.whole = none_yet(words);
    } else {
        explainer.result();
        conclude(explanation, decode_in(profile, blocks, words));
        if (profile.counter && has_none_yet(profile, profile.counter->field, image))
            explanation.whole = none_yet(words);
    }
    explanation.fields = explainer.rows();
    return explanation;
}

std::optional<BlockRange> newest_slot(const RegisterProfile& profile, std::span<const std::uint16_t> words) {
    const auto blocks = reads_of(profile);
    const RegisterImage image(profile, blocks, words);
    if (!profile.ring || !profile.counter || image.wrong_length())
        return std::nullopt;
    const auto newest = image.whole("ring", profile.ring->newest);
    if (!newest || *newest < profile.counter->lowest || *newest > profile.counter->highest)
        return std::nullopt;
    return slot_of(profile, *newest);
}

Explanation explain_slot(const RegisterProfile& profile, const BlockRange& slot,
                         std::span<const std::uint16_t> words) {
    const auto blocks = result_blocks(profile);
    Explanation explanation;
    if (const auto wrong = RegisterImage(profile, blocks, words).wrong_length()) {
        explanation.whole = fault_words(*wrong);
        return explanation;
    }
    Explainer explainer(profile, blocks, words,
                        static_cast<std::uint16_t>(slot.start - blocks.front().start));
    explainer.result();
    conclude(explanation, decode_in(profile, blocks, words));
    explanation.fields = explainer.rows();
    return explanation;
}

Explanation explain_control(const RegisterProfile& profile, std::span<const std::uint16_t> words) {
    const auto blocks = control_reads(profile);
    Explanation explanation;
    const auto seen = decode_control(profile, words);
    if (seen)
        explanation.whole =
            fmt::format("it may {}run{}", seen->enabled ? "" : "not ",
                        seen->program.empty() ? "" : fmt::format(", program {} is chosen", seen->program));
    else
        explanation.whole = fault_words(seen.error());
    explanation.understood = seen.has_value();
    if (RegisterImage(profile, blocks, words).wrong_length())
        return explanation;
    Explainer explainer(profile, blocks, words);
    explainer.control(*profile.control);
    explanation.fields = explainer.rows();
    return explanation;
}

Explanation explain_trace_head(const RegisterProfile& profile, std::span<const std::uint16_t> words) {
    const std::array blocks{trace_head(profile)};
    Explanation explanation;
    const auto head = trace_head_in(profile, words);
    explanation.understood = head.has_value();
    if (!head)
        explanation.whole = fmt::format("no curve would be taken: {}", head.error());
    else if (head->samples == 0)
        explanation.whole = fmt::format("result {} has no curve", head->belongs_to);
    else
        explanation.whole =
            fmt::format("a curve of {} samples belongs to result {}", head->samples, head->belongs_to);
    if (RegisterImage(profile, blocks, words).wrong_length())
        return explanation;
    Explainer explainer(profile, blocks, words);
    explainer.trace_head(*profile.trace);
    explanation.fields = explainer.rows();
    return explanation;
}

std::string trace_words(const Trace& trace) {
    Torque highest = torque_at(trace, 0);
    for (std::size_t i = 1; i < trace.samples(); ++i)
        highest = std::max(highest, torque_at(trace, i));
    std::string words = fmt::format("{} samples, up to {}", trace.samples(), to_text(highest));
    if (const auto angle = angle_at(trace, trace.samples() - 1))
        words += fmt::format(", ends at {}", to_text(*angle));
    if (const auto time = time_us_at(trace, trace.samples() - 1))
        words += fmt::format(" after {} ms", *time / 1000);
    return words;
}

}  // namespace tautgate::protocol
