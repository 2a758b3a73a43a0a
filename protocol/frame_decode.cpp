#include "protocol/frame_decode.hpp"

#include <algorithm>
#include <limits>
#include <utility>

#include <fmt/format.h>

#include "protocol/frame_fields.hpp"
#include "protocol/frame_places.hpp"
#include "protocol/frame_stamp.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::size_t longest_name = 200;
constexpr std::int64_t minute_us = 60'000'000;
constexpr std::int64_t last_second = 253'402'300'799;  // of the year 9999

using Codes = std::vector<std::string>;

bool lists_code(const Codes& codes, const std::string& code) {
    return std::ranges::find(codes, code) != codes.end();
}

const std::string* text_of_code(const std::vector<FrameCode>& codes, const std::string& code) {
    const auto found = std::ranges::find(codes, code, &FrameCode::code);
    return found == codes.end() ? nullptr : &found->text;
}

// What a frame says, field by field. The first field that makes the frame unusable ends it.
class FrameDecoder {
  public:
    FrameDecoder(const FrameProfile& profile, const WholeFrame& frame, const FrameFields& fields)
        : profile_(profile), frame_(frame), fields_(fields) {}

    std::expected<FrameHeard, DecodeFault> run(const FrameMessage& message) {
        FrameHeard heard =
            std::visit([&](const auto& what) { return FrameHeard(hear(message, what)); }, message.what);
        if (fault_)
            return std::unexpected(std::move(*fault_));
        return heard;
    }

  private:
    void note(DecodeFault fault) {
        if (fault_)
            return;
        fault.counter = counter_;
        fault_ = std::move(fault);
    }
    // What stands there, or nothing with the fault noted.
    template <class Value>
    std::optional<Value> noted(std::expected<std::optional<Value>, DecodeFault> found) {
        if (found)
            return std::move(*found);
        note(std::move(found.error()));
        return std::nullopt;
    }
    std::optional<std::string> text(const char* field, const FramePlace& place) {
        return noted(fields_.text(field, place));
    }
    std::optional<std::uint64_t> count(const char* field, const FramePlace& place) {
        return noted(fields_.count(field, place));
    }
    void missing(const char* field, const char* remedy) {
        note({field, "the frame has no such value", remedy, std::nullopt});
    }
    std::uint64_t needed_count(const char* field, const FramePlace& place) {
        const auto found = count(field, place);
        if (!found)
            missing(field, "check its place in the profile, and what the tool sends");
        return found.value_or(0);
    }

    // A name that people read, and that is compared as it stands.
    std::string name(const char* field, const FramePlace& place) {
        auto found = text(field, place);
        if (!found)
            return {};
        if (found->size() > longest_name || !is_utf8(*found) || has_unseen(*found))
            note({field, fmt::format("{} is no readable text", shown(*found)),
                  "check its place in the profile", std::nullopt});
        return std::move(*found);
    }

    // ---- a result ---------------------------------------------------------------------------------------

    FrameResult hear(const FrameMessage& message, const ResultMessage& result) {
        result_ = &result;
        take_size(message);
        if (result.counter) {
            reading_.counter = needed_count("counter", result.counter->field.place);
            if (!fault_)
                counter_ = reading_.counter;
        }
        if (result.epoch) {
            heard_.epoch = name("epoch", *result.epoch);
            if (heard_.epoch.empty())
                missing("epoch", "check its place in the profile, and what the tool sends");
        }
        take_measured();
        take_limits();
        if (result.program)
            reading_.program = program(*result.program);
        take_position();
        take_direction();
        take_verdict();
        take_stamp();
        reading_.received.raw = frame_.raw;
        heard_.reading = std::move(reading_);
        heard_.content = content();
        return std::move(heard_);
    }

    // A number with the separator in it would move all that follows.
    void take_size(const FrameMessage& message) {
        const auto most = most_values(profile_.content, message);
        if (most && fields_.separated() > *most)
            note({"", fmt::format("it has {} values, and {} are described", fields_.separated(), *most),
                  "if the tool writes numbers with the separator in them, set it to another separator or "
                  "decimal "
                  "sign; if it sends more values than the profile names, give their number as fields",
                  std::nullopt});
    }

    std::optional<Scaled> number(const char* field, const FrameNumber& at) {
        return noted(fields_.number(field, at));
    }
    std::expected<Torque, Unusable> torque(const Scaled& value) const {
        if (!value.value)
            return std::unexpected(value.value.error());
        if (!unit_)
            return std::unexpected(Unusable::unreadable);
        return torque_from(*value.value, *unit_, profile_.range.torque_resolution);
    }
    std::expected<Angle, Unusable> angle(const Scaled& value) const {
        if (!value.value)
            return std::unexpected(value.value.error());
        return angle_from(*value.value, profile_.range.angle_resolution);
    }

    void take_unit(const FrameTorque& torque) {
        unit_ = torque.unit;
        if (unit_)
            reading_.received.torque_unit = symbol(*unit_);
        if (!torque.unit_at)
            return;
        const auto code = text("torque", *torque.unit_at);
        if (!code)
            return;
        reading_.received.torque_unit = *code;
        const auto found = std::ranges::find(torque.units, *code, &UnitCode::code);
        if (found != torque.units.end())
            unit_ = found->unit;
    }

    void take_measured() {
        if (result_->torque) {
            take_unit(*result_->torque);
            if (const auto value = number("torque", result_->torque->field)) {
                reading_.torque = measured(torque(*value), profile_.range.torque_max);
                reading_.received.torque = value->text;
            }
        }
        if (result_->angle)
            if (const auto value = number("angle", *result_->angle)) {
                reading_.angle = measured(angle(*value), profile_.range.angle_max);
                reading_.received.angle = value->text;
            }
    }

    // A limit that cannot be read leaves open under which program the tool judged. That must not look like
    // "no limit", so the value that it belongs to is not usable either.
    void take_limits() {
        const FrameLimits& fields = result_->limits;
        ToolLimits& limits = reading_.tool_limits;
        for (const auto& [field, limit] : {std::pair{&fields.torque_min, &limits.torque_min},
                                           std::pair{&fields.torque_max, &limits.torque_max}}) {
            const auto value = *field ? number("limits", **field) : std::nullopt;
            if (!value)
                continue;
            if (const auto usable = torque(*value))
                *limit = *usable;
            else
                reading_.torque = Unreadable{usable.error()};
        }
        for (const auto& [field, limit] : {std::pair{&fields.angle_min, &limits.angle_min},
                                           std::pair{&fields.angle_max, &limits.angle_max}}) {
            const auto value = *field ? number("limits", **field) : std::nullopt;
            if (!value)
                continue;
            if (const auto usable = angle(*value))
                *limit = *usable;
            else
                reading_.angle = Unreadable{usable.error()};
        }
    }

    std::string program(const FrameProgram& program) {
        std::string code = name("program", program.place);
        const std::string* known = text_of_code(program.names, code);
        return known != nullptr ? *known : code;
    }

    void take_position() {
        if (!result_->position)
            return;
        const auto blank = fields_.text("position", result_->position->place);
        if (blank && (!*blank || (*blank)->empty()))
            return;  // the tool does not know
        const std::uint64_t position = needed_count("position", result_->position->place);
        if (position > std::numeric_limits<std::uint32_t>::max())
            note({"position", fmt::format("fastener number {}", position),
                  "check the place of position in the profile", std::nullopt});
        else if (position != 0)
            reading_.position = static_cast<std::uint32_t>(position);
    }

    void take_direction() {
        if (!result_->direction)
            return;
        const FrameDirection& direction = *result_->direction;
        const auto code = text("direction", direction.place);
        if (!code)
            return missing("direction", "check its place in the profile, and what the tool sends");
        if (lists_code(direction.loosen, *code))
            reading_.direction = Direction::loosen;
        else if (!lists_code(direction.tighten, *code))
            note({"direction", fmt::format("code {} means neither tightening nor loosening", shown(*code)),
                  "list the code in the profile", std::nullopt});
    }

    void take_verdict() {
        if (!result_->verdict)
            return;
        const FrameVerdict& verdict = *result_->verdict;
        const auto code = text("verdict", verdict.place);
        if (!code)
            return;  // absent, which is never OK
        const bool ok = lists_code(verdict.ok, *code);
        reading_.tool_verdict = ok ? ToolVerdict::ok : ToolVerdict::not_ok;
        reading_.aborted = lists_code(verdict.aborted, *code);
        if (const std::string* reason = text_of_code(verdict.reasons, *code))
            reading_.tool_reason = *reason;
        else if (!ok)
            reading_.tool_reason = fmt::format("code {}", shown(*code));
    }

    // The instant in microseconds of the tool's clock; nothing: it was never set, or it is no instant.
    std::optional<std::int64_t> local_us(const FrameStamp& stamp, const std::string& text) {
        if (stamp.kind == FrameStampKind::text)
            return stamp_in(stamp.pattern, text);
        const std::int64_t per_unit = stamp.kind == FrameStampKind::unix_seconds ? 1'000'000 : 1'000;
        const auto value =
            whole_from_text(text, static_cast<std::uint64_t>(last_second * (1'000'000 / per_unit)));
        if (!value || *value == 0)
            return std::nullopt;
        return static_cast<std::int64_t>(*value) * per_unit;
    }

    void take_stamp() {
        if (!result_->stamp)
            return;
        const FrameStamp& stamp = *result_->stamp;
        const std::string found = name("stamp", stamp.place);
        reading_.received.stamp = found;
        if (const auto local = local_us(stamp, found))
            reading_.stamp_utc_us = *local - stamp.utc_offset_minutes * minute_us;
        if (!stamp.marks_result)
            return;
        heard_.mark = found;
        if (found.empty())
            missing("stamp", "without it nobody knows whether the result is new; see what the tool sends");
    }

    // Every value of the result, as it stands, each with its length, so that no two contents are alike.
    std::string content() const {
        std::string all;
        for (const NamedPlace& at : places_in(*result_)) {
            const auto found = fields_.text(at.field, *at.place);
            if (found && *found)
                all += fmt::format("{}:{};", (*found)->size(), **found);
            else
                all += "-;";
        }
        return all;
    }

    // ---- what else it sends -----------------------------------------------------------------------------

    FrameStatus hear(const FrameMessage& /*message*/, const StatusMessage& status) {
        FrameStatus heard;
        if (status.newest)
            heard.newest = count("newest", status.newest->place);
        if (status.epoch)
            if (std::string epoch = name("epoch", *status.epoch); !epoch.empty())
                heard.epoch = std::move(epoch);
        if (status.enabled) {
            const auto code = text("enabled", status.enabled->place);
            if (code)
                heard.enabled = lists_code(status.enabled->yes, *code);
        }
        if (status.program)
            heard.program = program(*status.program);
        return heard;
    }

    FrameTrace hear(const FrameMessage& /*message*/, const TraceMessage& trace) {
        FrameTrace heard;
        heard.belongs_to = needed_count("belongs_to", trace.belongs_to.place);
        auto samples = decode_samples(trace.layout, frame_.content, profile_.range);
        if (samples)
            heard.trace = std::move(*samples);
        else
            note({"trace", std::move(samples.error()),
                  "check the layout of the curve in the profile, and what the tool sends", std::nullopt});
        return heard;
    }

    FrameOther hear(const FrameMessage& message, const OtherMessage& /*other*/) { return {message.name}; }

    const FrameProfile& profile_;
    const WholeFrame& frame_;
    const FrameFields& fields_;
    const ResultMessage* result_ = nullptr;
    Reading reading_;
    FrameResult heard_;
    std::optional<TorqueUnit> unit_;
    std::optional<std::uint64_t> counter_;
    std::optional<DecodeFault> fault_;
};

}  // namespace

const FrameMessage* message_of(const FrameProfile& profile, const FrameFields& fields) {
    const auto stands = [&](const FrameMatch& match) {
        const auto found = fields.text("when", match.place);
        return found && *found && **found == match.is;
    };
    const auto found = std::ranges::find_if(profile.messages, [&](const FrameMessage& message) {
        return std::ranges::all_of(message.when, stands);
    });
    return found == profile.messages.end() ? nullptr : &*found;
}

std::expected<FrameHeard, DecodeFault> decode(const FrameProfile& profile, const WholeFrame& frame) {
    const auto fields = FrameFields::read(profile.content, frame.content);
    if (!fields)
        return std::unexpected(fields.error());
    const FrameMessage* message = message_of(profile, *fields);
    if (message == nullptr)
        return std::unexpected(DecodeFault{
            "", fmt::format("no message of the profile is like {}", shown(frame.content)),
            "describe it under messages in the profile, or check what the tool sends", std::nullopt});
    return FrameDecoder(profile, frame, *fields).run(*message);
}

}  // namespace tautgate::protocol
