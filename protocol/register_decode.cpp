#include "protocol/register_decode.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <limits>
#include <utility>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/register_image.hpp"
#include "protocol/utc.hpp"

namespace tautgate::protocol {

namespace {

using Words = std::span<const std::uint16_t>;

const std::string* text_of(const std::vector<CodeText>& names, std::int64_t code) {
    const auto found = std::ranges::find(names, code, &CodeText::code);
    return found == names.end() ? nullptr : &found->text;
}

bool lists(const std::vector<std::int64_t>& codes, std::int64_t code) {
    return std::ranges::find(codes, code) != codes.end();
}

// A code, or what is left of a status word. A mask that keeps everything keeps the sign too.
std::int64_t masked(std::uint64_t bits, FieldType type, std::uint32_t mask) {
    return mask == 0xFFFFFFFF ? whole_number(bits, type) : static_cast<std::int64_t>(bits & mask);
}

// Fills one reading, field by field. The first field that makes the block unusable ends it.
class Decoder {
  public:
    Decoder(const RegisterProfile& profile, std::span<const BlockRange> blocks, Words words)
        : profile_(profile), block_(profile, blocks, words) {}

    std::expected<Reading, DecodeFault> run() {
        fault_ = block_.wrong_length();
        if (!fault_)
            take_counter();
        if (!fault_)
            take_measured();
        if (!fault_)
            take_limits();
        if (!fault_)
            take_names();
        if (!fault_)
            take_verdict();
        if (!fault_)
            take_stamp();
        if (fault_)
            return std::unexpected(std::move(*fault_));
        reading_.received.raw = wire_bytes(block_.words());
        return std::move(reading_);
    }

  private:
    // What a field holds, or 0 with the fault noted.
    std::uint64_t noted(std::expected<std::uint64_t, DecodeFault> found) {
        if (found)
            return *found;
        note(std::move(found.error()));
        return 0;
    }
    std::uint64_t bits(const char* name, const RegisterField& field) {
        return noted(block_.bits(name, field));
    }
    std::uint64_t whole(const char* name, const RegisterField& field) {
        return noted(block_.whole(name, field));
    }
    void note(DecodeFault fault) {
        if (fault_)
            return;
        fault.counter = counter_;
        fault_ = std::move(fault);
    }

    void take_counter() {
        if (!profile_.counter)
            return;
        reading_.counter = whole("counter", profile_.counter->field);
        if (!fault_)
            counter_ = reading_.counter;
    }

    std::expected<Torque, Unusable> torque(const Scaled& number) const {
        if (!number.value)
            return std::unexpected(number.value.error());
        if (!profile_.torque->unit || profile_.range.torque_resolution.micro_nm <= 0)
            return std::unexpected(Unusable::unreadable);
        return torque_from(*number.value, *profile_.torque->unit, profile_.range.torque_resolution);
    }
    std::expected<Angle, Unusable> angle(const Scaled& number) const {
        if (!number.value)
            return std::unexpected(number.value.error());
        if (profile_.range.angle_resolution.micro_deg <= 0)
            return std::unexpected(Unusable::unreadable);
        return angle_from(*number.value, profile_.range.angle_resolution);
    }

    void take_measured() {
        if (profile_.torque) {
            const Scaled value = number_of(bits("torque", profile_.torque->field), profile_.torque->field);
            reading_.torque = measured(torque(value), profile_.range.torque_max);
            reading_.received.torque = value.text;
            if (profile_.torque->unit)
                reading_.received.torque_unit = symbol(*profile_.torque->unit);
        }
        if (profile_.angle) {
            const Scaled value = number_of(bits("angle", *profile_.angle), *profile_.angle);
            reading_.angle = measured(angle(value), profile_.range.angle_max);
            reading_.received.angle = value.text;
        }
    }

    // A limit that cannot be read leaves open under which program the tool judged. That must not look like
    // "no limit", so the value that it belongs to is not usable either.
    void take_limits() {
        const LimitFields& fields = profile_.limits;
        ToolLimits& limits = reading_.tool_limits;
        for (const auto& [field, limit] : {std::pair{&fields.torque_min, &limits.torque_min},
                                           std::pair{&fields.torque_max, &limits.torque_max}}) {
            if (!*field || !profile_.torque)
                continue;
            const auto value = torque(number_of(bits("limits", **field), **field));
            if (value)
                *limit = *value;
            else
                reading_.torque = Unreadable{value.error()};
        }
        for (const auto& [field, limit] : {std::pair{&fields.angle_min, &limits.angle_min},
                                           std::pair{&fields.angle_max, &limits.angle_max}}) {
            if (!*field || !profile_.angle)
                continue;
            const auto value = angle(number_of(bits("limits", **field), **field));
            if (value)
                *limit = *value;
            else
                reading_.angle = Unreadable{value.error()};
        }
    }

    void take_names() {
        if (const auto& program = profile_.program) {
            const std::int64_t code = whole_number(whole("program", program->field), program->field.type);
            const std::string* name = text_of(program->names, code);
            reading_.program = name != nullptr ? *name : std::to_string(code);
        }
        if (profile_.program_text)
            take_program_text(*profile_.program_text);
        if (const auto& field = profile_.position) {
            const std::int64_t position = whole_number(whole("position", *field), field->type);
            if (position < 0 || position > std::numeric_limits<std::uint32_t>::max())
                note({"position", fmt::format("fastener number {}", position),
                      "check address, type and order of position in the profile", std::nullopt});
            else if (position != 0)
                reading_.position = static_cast<std::uint32_t>(position);
        }
        if (const auto& direction = profile_.direction) {
            const std::int64_t code =
                masked(whole("direction", direction->field), direction->field.type, direction->mask);
            if (lists(direction->loosen, code))
                reading_.direction = Direction::loosen;
            else if (!lists(direction->tighten, code))
                note({"direction", fmt::format("code {} means neither tightening nor loosening", code),
                      "list the code in the profile", std::nullopt});
        }
    }

    // A name that cannot be read must not pass for "the tool names none".
    void take_program_text(const TextField& field) {
        const auto found = block_.registers({profile_.table, field.address, field.registers});
        if (!found)
            return note({"program_text", "the registers of the text are not all in the block",
                         "correct the address in the profile", std::nullopt});
        std::string text;
        for (const std::uint16_t word : *found) {
            const auto ordered =
                static_cast<std::uint16_t>(join(Words(&word, 1), field.order.value_or(WordOrder::abcd)));
            text += static_cast<char>(ordered >> 8U);
            text += static_cast<char>(ordered & 0xFFU);
        }
        text.resize(std::min(text.size(), text.find('\0')));
        text.resize(text.find_last_not_of(' ') + 1);
        if (std::ranges::any_of(text, [](unsigned char c) { return c < 0x20 || c > 0x7E; }))
            return note({"program_text", "it has bytes that are no printable ASCII",
                         "check address, registers and order in the profile", std::nullopt});
        reading_.program = std::move(text);
    }

    void take_verdict() {
        if (!profile_.verdict)
            return;
        const VerdictField& verdict = *profile_.verdict;
        const std::int64_t code = masked(whole("verdict", verdict.field), verdict.field.type, verdict.mask);
        const bool ok = lists(verdict.ok, code);
        reading_.tool_verdict = ok ? ToolVerdict::ok : ToolVerdict::not_ok;
        reading_.aborted = lists(verdict.aborted, code);
        if (const std::string* reason = text_of(verdict.reasons, code))
            reading_.tool_reason = *reason;
        else if (!ok)
            reading_.tool_reason = fmt::format("code {}", code);
    }

    void take_stamp() {
        if (!profile_.stamp)
            return;
        const StampField& stamp = *profile_.stamp;
        const std::int64_t offset_us = std::int64_t{stamp.utc_offset_minutes} * 60'000'000;
        switch (stamp.kind) {
        case StampKind::unix_seconds:
        case StampKind::unix_milliseconds: {
            const std::uint64_t raw = whole("stamp", stamp.field);
            const std::int64_t value = whole_number(raw, stamp.field.type);
            const std::int64_t per_unit = stamp.kind == StampKind::unix_seconds ? 1'000'000 : 1'000;
            reading_.received.stamp =
                stamp.field.type == FieldType::uint64 ? std::to_string(raw) : std::to_string(value);
            // 0: the clock was never set. Beyond the year 9999: no clock.
            if (value > 0 && value <= 253'402'300'799'000'000 / per_unit)
                reading_.stamp_utc_us = value * per_unit - offset_us;
            return;
        }
        case StampKind::calendar: {
            const auto parts = block_.registers(
                {stamp.field.table.value_or(profile_.table), stamp.field.address, calendar_registers});
            if (!parts)
                return note({"stamp", "the six registers of the stamp are not all in the block",
                             "correct the address in the profile", std::nullopt});
            const auto part = [&](std::size_t i) {
                return join(parts->subspan(i, 1), order_of(stamp.field));
            };
            reading_.received.stamp = fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}", part(0), part(1),
                                                  part(2), part(3), part(4), part(5));
            if (const auto local = parse_utc(reading_.received.stamp + "Z"); local && !local->leap_second)
                reading_.stamp_utc_us = local->micros - offset_us;
            return;
        }
        }
    }

    const RegisterProfile& profile_;
    RegisterImage block_;
    Reading reading_;
    std::optional<std::uint64_t> counter_;
    std::optional<DecodeFault> fault_;
};

}  // namespace

std::uint64_t to_bcd(std::uint64_t value) noexcept {
    std::uint64_t bits = 0;
    for (int shift = 0; shift < 64; shift += 4, value /= 10)
        bits |= (value % 10) << shift;
    return bits;
}

std::expected<Reading, DecodeFault> decode(const RegisterProfile& profile,
                                           std::span<const std::uint16_t> words) {
    return decode_in(profile, result_blocks(profile), words);
}

std::expected<Reading, DecodeFault> decode_in(const RegisterProfile& profile,
                                              std::span<const BlockRange> blocks,
                                              std::span<const std::uint16_t> words) {
    return Decoder(profile, blocks, words).run();
}

std::string wire_bytes(std::span<const std::uint16_t> words) {
    std::string bytes;
    bytes.reserve(words.size() * 2);
    for (const std::uint16_t word : words) {
        bytes += static_cast<char>(word >> 8U);
        bytes += static_cast<char>(word & 0xFFU);
    }
    return bytes;
}

std::uint64_t raw_count(const CounterField& field, std::uint64_t counter) noexcept {
    const auto ring = static_cast<WideSigned>(field.highest) - field.lowest + 1;
    WideSigned raw = counter;
    if (ring > 0 && raw > field.highest)
        raw = field.lowest + (raw - field.lowest) % ring;
    return static_cast<std::uint64_t>(raw);
}

std::optional<std::uint64_t> counter_in(const RegisterProfile& profile,
                                        std::span<const std::uint16_t> words) {
    const auto blocks = result_blocks(profile);
    const RegisterImage image(profile, blocks, words);
    if (!profile.counter || image.wrong_length())
        return std::nullopt;
    const auto counter = image.whole("counter", profile.counter->field);
    return counter ? std::optional(*counter) : std::nullopt;
}

namespace {

// Of a status word the bits that mean something.
std::uint64_t meant(const RegisterProfile& profile, const RegisterField& field, std::uint64_t bits) {
    std::uint64_t mask = 0;
    if (profile.verdict && profile.verdict->field == field)
        mask |= profile.verdict->mask;
    if (profile.direction && profile.direction->field == field)
        mask |= profile.direction->mask;
    return mask == 0 ? bits : bits & mask;
}

}  // namespace

std::vector<std::uint16_t> content_of(const RegisterProfile& profile, std::span<const std::uint16_t> words) {
    const auto blocks = result_blocks(profile);
    const RegisterImage image(profile, blocks, words);
    std::vector<std::uint16_t> content;
    if (image.wrong_length())
        return content;
    for (const RegisterField& field : result_fields(profile)) {
        const auto bits = image.bits("", field);
        if (!bits)
            return {};
        for (int shift = 48; shift >= 0; shift -= 16)
            content.push_back(static_cast<std::uint16_t>(meant(profile, field, *bits) >> shift));
    }
    return content;
}

bool is_ready(const RegisterProfile& profile, std::span<const std::uint16_t> words) {
    const auto blocks = result_blocks(profile);
    const RegisterImage image(profile, blocks, words);
    if (!profile.handshake || image.wrong_length())
        return true;
    const auto ready = image.whole("handshake", profile.handshake->ready);
    return !ready || *ready != 0;
}

std::vector<std::uint16_t> acknowledge_words(const RegisterProfile& profile, std::uint64_t counter) {
    if (!profile.counter)
        return {};
    const CounterField& field = *profile.counter;
    const std::uint64_t count = raw_count(field, counter);
    return split(is_bcd(field.field.type) ? to_bcd(count) : count, width(field.field.type),
                 order_of(field.field));
}

std::expected<EveryOrder, DecodeFault> in_every_order(FieldType type, std::span<const std::uint16_t> words) {
    if (words.size() != width(type))
        return std::unexpected(
            DecodeFault{"", fmt::format("{} registers instead of {}", words.size(), width(type)),
                        "read as many registers as the type is wide", std::nullopt});
    const auto text = [&](WordOrder order) {
        return number_of(join(words, order), RegisterField{.type = type, .order = order}).text;
    };
    return EveryOrder{text(WordOrder::abcd), text(WordOrder::cdab), text(WordOrder::badc),
                      text(WordOrder::dcba)};
}

}  // namespace tautgate::protocol
