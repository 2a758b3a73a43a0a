// Every value of a frame, for a person who looks, made by the very decoder that makes readings, one field at
// a time: a row can say nothing else than the decoder does.
#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <variant>

#include <fmt/format.h>

#include "protocol/frame_decode.hpp"
#include "protocol/frame_fields.hpp"
#include "protocol/frame_places.hpp"
#include "protocol/likely.hpp"
#include "protocol/quantity.hpp"
#include "protocol/utc.hpp"

namespace tautgate::protocol {

namespace {

template <class Quantity>
void put_measured(FrameRow& row, const Measured<Quantity>& value) {
    if (const auto* quantity = std::get_if<Quantity>(&value))
        row.value = to_text(*quantity);
    else if (const auto* not_usable = std::get_if<Unreadable>(&value))
        row.why = fmt::format("it {}", to_text(not_usable->why));
    else
        row.why = "the tool sent none";
}

template <class Quantity>
void put_limit(FrameRow& row, const std::optional<Quantity>& limit, const Measured<Quantity>& because) {
    if (limit)
        row.value = to_text(*limit);
    else
        put_measured(row, because);
}

std::string verdict_words(const Reading& reading) {
    switch (reading.tool_verdict) {
    case ToolVerdict::absent: return {};
    case ToolVerdict::ok: return "OK";
    case ToolVerdict::not_ok: break;
    }
    const std::string words = reading.aborted ? "aborted" : "not OK";
    return reading.tool_reason.empty() ? words : fmt::format("{}: {}", words, reading.tool_reason);
}

// A float that decodes and yet is nothing that a sensor tells.
void doubt(FrameRow& row, const std::string& received, double step, std::string_view what) {
    if (!row.why.empty() || !Likely{.step = step}.is_hardly(number_in(received)))
        return;
    row.value.clear();
    row.why = fmt::format("{} is hardly {}; try another order, or look at place and type", received, what);
}

void doubt_measured(FrameRow& row, const Reading& reading, const MeasuringRange& range) {
    if (row.field == "torque")
        doubt(row, reading.received.torque, in_newton_metres(range.torque_resolution), "a torque");
    else if (row.field == "angle")
        doubt(row, reading.received.angle, in_degrees(range.angle_resolution), "an angle");
}

// The message with this one field only.
ResultMessage only(const ResultMessage& whole, const std::string& field) {
    ResultMessage one;
    if (field == "counter")
        one.counter = whole.counter;
    else if (field == "epoch")
        one.epoch = whole.epoch;
    else if (field == "program")
        one.program = whole.program;
    else if (field == "angle")
        one.angle = whole.angle;
    else if (field == "direction")
        one.direction = whole.direction;
    else if (field == "verdict")
        one.verdict = whole.verdict;
    else if (field == "stamp")
        one.stamp = whole.stamp;
    else if (field == "position")
        one.position = whole.position;
    else  // a limit is in the unit of the torque
        one.torque = whole.torque;
    if (field == "limits/torque_min")
        one.limits.torque_min = whole.limits.torque_min;
    else if (field == "limits/torque_max")
        one.limits.torque_max = whole.limits.torque_max;
    else if (field == "limits/angle_min")
        one.limits.angle_min = whole.limits.angle_min;
    else if (field == "limits/angle_max")
        one.limits.angle_max = whole.limits.angle_max;
    return one;
}

// The count of a result, as all of a profile's messages have it.
struct Counting {
    std::optional<FrameCounter> of_results;

    // Beyond what the profile says of it the station takes no result with it.
    void put(FrameRow& row, std::uint64_t count, bool may_be_none) const {
        const bool is_none = may_be_none && count == 0 && of_results && of_results->lowest == 1;
        if (is_none || !of_results || (count >= of_results->lowest && count <= of_results->highest))
            row.value = std::to_string(count);
        else
            row.why =
                fmt::format("{} lies outside of {} to {}; check the place of the count, then lowest and "
                            "highest of counter",
                            count, of_results->lowest, of_results->highest);
    }
};

Counting counting_of(const FrameProfile& profile) {
    for (const FrameMessage& message : profile.messages)
        if (const auto* result = std::get_if<ResultMessage>(&message.what); result && result->counter)
            return {result->counter};
    return {};
}

void put(FrameRow& row, const FrameResult& heard, const Counting& counting, bool is_unit) {
    const Reading& reading = heard.reading;
    if (row.field == "counter")
        counting.put(row, reading.counter, false);
    else if (row.field == "epoch")
        row.value = heard.epoch;
    else if (row.field == "program")
        row.value = reading.program;
    else if (row.field == "torque" && is_unit)
        row.value = reading.received.torque_unit;
    else if (row.field == "torque")
        put_measured(row, reading.torque);
    else if (row.field == "angle")
        put_measured(row, reading.angle);
    else if (row.field == "direction")
        row.value = reading.direction == Direction::loosen ? "loosen" : "tighten";
    else if (row.field == "verdict")
        row.value = verdict_words(reading);
    else if (row.field == "limits/torque_min")
        put_limit(row, reading.tool_limits.torque_min, reading.torque);
    else if (row.field == "limits/torque_max")
        put_limit(row, reading.tool_limits.torque_max, reading.torque);
    else if (row.field == "limits/angle_min")
        put_limit(row, reading.tool_limits.angle_min, reading.angle);
    else if (row.field == "limits/angle_max")
        put_limit(row, reading.tool_limits.angle_max, reading.angle);
    else if (row.field == "stamp")
        row.value = reading.stamp_utc_us ? utc_text(*reading.stamp_utc_us) : std::string();
    else if (row.field == "position")
        row.value = reading.position ? std::to_string(*reading.position) : "not known";
}

void put(FrameRow& row, const FrameStatus& heard, const Counting& counting, bool /*is_unit*/) {
    if (row.field == "newest" && heard.newest)
        counting.put(row, *heard.newest, true);
    else if (row.field == "epoch")
        row.value = heard.epoch.value_or("");
    else if (row.field == "enabled" && heard.enabled)
        row.value = *heard.enabled ? "may run" : "may not run";
    else if (row.field == "program")
        row.value = heard.program.value_or("");
}

void put(FrameRow& row, const FrameTrace& heard, const Counting& counting, bool /*is_unit*/) {
    counting.put(row, heard.belongs_to, false);
}

void put(FrameRow& /*row*/, const FrameOther& /*heard*/, const Counting& /*counting*/, bool /*is_unit*/) {}

// The same profile with one message of one field.
FrameProfile with_one_field(const FrameProfile& profile, const FrameMessage& message,
                            const std::string& field) {
    FrameProfile one = profile;
    one.messages = {message};
    if (const auto* result = std::get_if<ResultMessage>(&message.what))
        one.messages.front().what = only(*result, field);
    return one;
}

FrameRow row_of(const FrameProfile& profile, const FrameMessage& message, const FrameFields& fields,
                const WholeFrame& frame, const NamedPlace& at) {
    FrameRow row{place_text(*at.place), at.field, fields.raw(*at.place), {}, {}};
    const auto heard = decode(with_one_field(profile, message, at.field), frame);
    if (!heard) {
        row.why = heard.error().what;
        return row;
    }
    std::visit(
        [&](const auto& what) { put(row, what, counting_of(profile), at.pointer.ends_with("/unit_at")); },
        *heard);
    if (const auto* result = std::get_if<FrameResult>(&*heard); result && !at.pointer.ends_with("/unit_at"))
        doubt_measured(row, result->reading, profile.range);
    if (row.value.empty() && row.why.empty())
        row.why = row.raw.empty() ? "the tool sent none" : "it does not decode";
    return row;
}

}  // namespace

FrameExplained explain(const FrameProfile& profile, const WholeFrame& frame) {
    FrameExplained explained;
    const auto heard = decode(profile, frame);
    if (!heard)
        explained.why = heard.error().what;
    const auto fields = FrameFields::read(profile.content, frame.content);
    const FrameMessage* message = fields ? message_of(profile, *fields) : nullptr;
    if (message == nullptr)
        return explained;
    explained.message = message->name;
    for (const FrameMatch& match : message->when)
        explained.rows.push_back({place_text(match.place), "when", fields->raw(match.place), match.is, {}});
    for (const NamedPlace& at : places_in(*message))
        explained.rows.push_back(row_of(profile, *message, *fields, frame, at));
    return explained;
}

}  // namespace tautgate::protocol
