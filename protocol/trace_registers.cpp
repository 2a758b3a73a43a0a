#include "protocol/trace_registers.hpp"

#include <algorithm>
#include <utility>

#include <fmt/format.h>

#include "protocol/register_image.hpp"
#include "protocol/trace.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::uint32_t registers_there_are = 65536;
constexpr std::uint32_t bytes_in_register = 2;

// Registers in a row.
struct RegisterSpan {
    RegisterTable table = RegisterTable::holding;
    std::uint32_t start = 0;
    std::uint32_t length = 0;

    [[nodiscard]] std::uint32_t end() const { return start + length; }
};

RegisterSpan span_of(const RegisterProfile& profile, const SampleFields& column, std::size_t samples) {
    const std::uint32_t wide = width(column.field.type);
    const std::uint32_t apart = column.apart != 0 ? column.apart : wide;
    return {column.field.table.value_or(profile.table), column.field.address,
            static_cast<std::uint32_t>(apart * (samples - 1) + wide)};
}

struct NamedColumn {
    std::string_view place;
    const SampleFields* column;
};

std::vector<NamedColumn> columns_of(const TraceFields& trace) {
    std::vector<NamedColumn> columns{{"/trace/torque", &trace.torque}};
    if (trace.angle)
        columns.push_back({"/trace/angle", &*trace.angle});
    if (trace.time)
        columns.push_back({"/trace/time", &*trace.time});
    return columns;
}

// Columns that lie one within the other, sample by sample, are read together.
std::vector<RegisterSpan> merged(std::vector<RegisterSpan> spans) {
    std::ranges::sort(spans, {}, [](const RegisterSpan& span) { return std::pair(span.table, span.start); });
    std::vector<RegisterSpan> out;
    for (const RegisterSpan& span : spans) {
        if (!out.empty() && out.back().table == span.table && span.start <= out.back().end())
            out.back().length = std::max(out.back().end(), span.end()) - out.back().start;
        else
            out.push_back(span);
    }
    return out;
}

void cut_into_blocks(const RegisterSpan& span, std::vector<BlockRange>& blocks) {
    for (std::uint32_t at = span.start; at < span.end(); at += registers_per_read)
        blocks.push_back(
            {span.table, static_cast<std::uint16_t>(at),
             static_cast<std::uint16_t>(std::min<std::uint32_t>(registers_per_read, span.end() - at))});
}

SampleField sample_field(const RegisterField& field, std::uint32_t word, std::uint16_t apart) {
    return {.at = word * bytes_in_register,
            .apart = apart * bytes_in_register,
            .type = field.type,
            .order = order_of(field),
            .scale = field.scale,
            .offset = field.offset};
}

std::vector<RegisterField> head_fields(const TraceFields& trace) {
    std::vector<RegisterField> fields{trace.belongs_to};
    if (trace.count)
        fields.push_back(*trace.count);
    if (trace.interval)
        fields.push_back(*trace.interval);
    return fields;
}

// The layout of so many samples, wherever they lie: for what does not depend on that.
TraceLayout layout_without_places(const TraceFields& trace) {
    TraceLayout layout{.samples = trace.samples,
                       .torque = sample_field(trace.torque.field, 0, trace.torque.apart)};
    if (trace.interval_us)
        layout.interval_us = *trace.interval_us;
    if (trace.interval)
        layout.interval = sample_field(*trace.interval, 0, 0);
    if (trace.time)
        layout.time = sample_field(trace.time->field, 0, trace.time->apart);
    layout.torque_unit = trace.torque_unit.value_or(TorqueUnit::newton_metre);
    if (trace.angle)
        layout.angle = sample_field(trace.angle->field, 0, trace.angle->apart);
    return layout;
}

class TraceChecker {
  public:
    TraceChecker(const RegisterProfile& profile, const TraceFields& trace)
        : profile_(profile), trace_(trace) {}

    std::vector<ProfileFault> run() {
        if (!profile_.counter)
            fault("/trace", "a curve without a count of results that says whose it is", "name the counter");
        if (!trace_.torque_unit)
            fault("/trace/torque_unit", "missing", "name the unit: N.m, cN.m, lbf.ft, lbf.in or kgf.m");
        for (const auto& [place, field] :
             {std::pair{"/trace/belongs_to", &trace_.belongs_to},
              std::pair{"/trace/count", trace_.count ? &*trace_.count : nullptr}})
            if (field != nullptr)
                check_whole(place, *field);
        if (trace_.interval)
            check_field("/trace/interval", *trace_.interval);
        for (const auto& [place, column] : columns_of(trace_))
            check_column(std::string(place), *column);
        if (faults_.empty())
            check_together();
        return std::move(faults_);
    }

  private:
    void fault(std::string place, std::string finding, std::string remedy) {
        faults_.push_back({std::move(place), std::move(finding), std::move(remedy)});
    }
    void check_field(const std::string& place, const RegisterField& field) {
        if (is_bit_table(field.table.value_or(profile_.table)) || field.type == FieldType::bit)
            fault(place + "/type", "a coil or a discrete input is no sample", "use registers");
        if (width(field.type) > 1 && !field.order)
            fault(place + "/order", "missing", "spell out the order of the bytes: abcd, cdab, badc or dcba");
        if (field.bits)
            fault(place + "/bits", "some of the bits of a number are no sample", "remove bits");
        if (std::uint32_t{field.address} + width(field.type) > registers_there_are)
            fault(place + "/address", "ends beyond register 65535",
                  "addresses are zero-based wire offsets; correct it");
    }
    void check_whole(const std::string& place, const RegisterField& field) {
        check_field(place, field);
        const bool counts = field.type == FieldType::uint16 || field.type == FieldType::uint32 ||
                            field.type == FieldType::uint64 || is_bcd(field.type);
        if (!counts)
            fault(place + "/type", "a count is a whole number and not negative",
                  "use uint16, uint32, uint64, bcd16 or bcd32");
        if (field.scale != Decimal{1, 0} || field.offset.mantissa != 0)
            fault(place + "/scale", "a count cannot be scaled or shifted", "remove scale and offset");
    }
    void check_column(const std::string& place, const SampleFields& column) {
        check_field(place + "/field", column.field);
        if (column.apart != 0 && column.apart < width(column.field.type))
            fault(place + "/apart", "the samples overlap", "give the distance from one sample to the next");
        if (trace_.samples > 0 && span_of(profile_, column, trace_.samples).end() > registers_there_are)
            fault(place + "/field/address",
                  fmt::format("{} samples end beyond register 65535", trace_.samples),
                  "lower samples, or correct the address");
    }
    // What can be asked only where each by itself is right.
    void check_together() {
        if (const auto found = fault_of(layout_without_places(trace_)))
            fault("/trace", *found, "correct it as the guide to polled tools says");
        const RegisterField first = trace_.belongs_to;
        for (const RegisterField& field : head_fields(trace_)) {
            const bool far = std::abs(int{field.address} - int{first.address}) + 4 > registers_per_read ||
                             place_of(profile_, field).table != place_of(profile_, first).table;
            if (far)
                fault("/trace/belongs_to", "the numbers of the curve lie too far apart to be read together",
                      "belongs_to, count and interval must fit into one read");
        }
    }

    const RegisterProfile& profile_;
    const TraceFields& trace_;
    std::vector<ProfileFault> faults_;
};

}  // namespace

std::vector<ProfileFault> check_trace(const RegisterProfile& profile) {
    return profile.trace ? TraceChecker(profile, *profile.trace).run() : std::vector<ProfileFault>{};
}

std::vector<FieldPlace> trace_places(const RegisterProfile& profile) {
    std::vector<FieldPlace> places;
    if (!profile.trace)
        return places;
    const BlockRange head = trace_head(profile);
    places.push_back({head.table, head.start, head.length});
    const std::size_t samples = std::max<std::size_t>(profile.trace->samples, 1);
    for (const auto& [place, column] : columns_of(*profile.trace)) {
        const RegisterSpan span = span_of(profile, *column, samples);
        places.push_back({span.table, static_cast<std::uint16_t>(span.start), span.length});
    }
    return places;
}

BlockRange trace_head(const RegisterProfile& profile) {
    const FieldPlace first = place_of(profile, profile.trace->belongs_to);
    std::uint32_t from = first.address;
    std::uint32_t to = first.address + first.count;
    for (const RegisterField& field : head_fields(*profile.trace)) {
        const FieldPlace place = place_of(profile, field);
        from = std::min<std::uint32_t>(from, place.address);
        to = std::max(to, place.address + place.count);
    }
    return {first.table, static_cast<std::uint16_t>(from), static_cast<std::uint16_t>(to - from)};
}

std::expected<TraceHead, std::string> trace_head_in(const RegisterProfile& profile,
                                                    std::span<const std::uint16_t> words) {
    const BlockRange block = trace_head(profile);
    const RegisterImage image(profile, {&block, 1}, words);
    const auto belongs_to = image.whole("belongs_to", profile.trace->belongs_to);
    if (!belongs_to)
        return std::unexpected(belongs_to.error().what);
    TraceHead head{.belongs_to = *belongs_to, .samples = profile.trace->samples};
    if (!profile.trace->count)
        return head;
    const auto count = image.whole("count", *profile.trace->count);
    if (!count)
        return std::unexpected(count.error().what);
    if (*count > profile.trace->samples)
        return std::unexpected(
            fmt::format("the tool says {} samples, the profile at most {}", *count, profile.trace->samples));
    head.samples = static_cast<std::size_t>(*count);
    return head;
}

TracePlan plan_trace(const RegisterProfile& profile, std::size_t samples) {
    const TraceFields& trace = *profile.trace;
    const BlockRange head = trace_head(profile);
    TracePlan plan{.blocks = {}, .layout = layout_without_places(trace)};
    plan.layout.samples = static_cast<std::uint32_t>(samples);
    if (trace.interval)
        plan.layout.interval->at =
            static_cast<std::uint32_t>(trace.interval->address - head.start) * bytes_in_register;
    std::vector<RegisterSpan> spans;
    for (const auto& [place, column] : columns_of(trace))
        spans.push_back(span_of(profile, *column, samples));
    const std::vector<RegisterSpan> read = merged(std::move(spans));
    for (const RegisterSpan& span : read)
        cut_into_blocks(span, plan.blocks);
    const auto byte_of = [&](const SampleFields& column) {
        const RegisterSpan wanted = span_of(profile, column, 1);
        std::uint32_t before = head.length;
        for (const RegisterSpan& span : read) {
            if (span.table == wanted.table && wanted.start >= span.start && wanted.start < span.end())
                return (before + wanted.start - span.start) * bytes_in_register;
            before += span.length;
        }
        std::unreachable();  // it is one of those that were merged
    };
    plan.layout.torque.at = byte_of(trace.torque);
    if (trace.time)
        plan.layout.time->at = byte_of(trace.time.value());
    if (trace.angle)
        plan.layout.angle->at = byte_of(trace.angle.value());
    return plan;
}

}  // namespace tautgate::protocol
