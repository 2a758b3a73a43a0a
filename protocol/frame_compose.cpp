#include "protocol/frame_compose.hpp"

#include <utility>

#include <fmt/format.h>

#include "protocol/field_number.hpp"
#include "protocol/frame_guard.hpp"
#include "protocol/register_decode.hpp"
#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

using Composed = std::expected<std::string, std::string>;

std::string number_bytes(std::uint64_t number, FieldType type, bool one_byte, WordOrder order) {
    if (one_byte)
        return {static_cast<char>(number)};
    return wire_bytes(split(is_bcd(type) ? to_bcd(number) : number, width(type), order));
}

Composed part_bytes(const LiteralPart& part, std::uint64_t /*number*/) { return part.bytes; }

Composed part_bytes(const DigitsPart& part, std::uint64_t number) {
    std::string digits = std::to_string(number);
    if (part.width == 0)
        return digits;
    if (digits.size() > part.width)
        return std::unexpected(fmt::format("{} has more than {} digits", number, part.width));
    return std::string(part.width - digits.size(), '0') + digits;
}

Composed part_bytes(const NumberPart& part, std::uint64_t number) {
    const std::uint64_t most = part.one_byte ? 0xFF : highest_of(part.type, std::nullopt);
    if (number > most)
        return std::unexpected(
            fmt::format("{} has no room in its part, whose highest number is {}", number, most));
    return number_bytes(number, part.type, part.one_byte, part.order);
}

// Every byte that would begin, end or escape gets the escape before it.
Composed escaped(const StartStop& framing, std::string_view bytes) {
    std::string out;
    for (const char byte : bytes) {
        const auto value = static_cast<std::uint8_t>(byte);
        const bool special = value == framing.start || value == framing.stop || value == framing.escape;
        if (special && !framing.escape)
            return std::unexpected(
                fmt::format("the content {} holds the start or the stop byte, and the framing has no escape",
                            shown(bytes)));
        if (special)
            out += static_cast<char>(*framing.escape);
        out += byte;
    }
    return out;
}

Composed put_around(const FrameProfile& profile, const Delimited& framing, std::string_view content) {
    std::string frame =
        std::string(content) + guard_of(profile, covered_by(profile, {}, content)) + framing.end;
    if (frame.find(framing.end) != frame.size() - framing.end.size())
        return std::unexpected(fmt::format("the content {} holds the end of a frame", shown(content)));
    return frame;
}

Composed put_around(const FrameProfile& profile, const StartStop& framing, std::string_view content) {
    const std::string start{static_cast<char>(framing.start)};
    const std::string guard = guard_of(profile, covered_by(profile, start, content));
    const std::string inside = std::string(content) + (framing.checksum_after_stop ? "" : guard);
    auto out = escaped(framing, inside);
    if (!out)
        return out;
    return start + *out + static_cast<char>(framing.stop) + (framing.checksum_after_stop ? guard : "");
}

Composed put_around(const FrameProfile& profile, const LengthPrefixed& framing, std::string_view content) {
    const std::size_t total = head_bytes(profile) + content.size() + guard_length(profile);
    const auto length = static_cast<std::int64_t>(total) - framing.besides;
    const std::uint64_t most = framing.one_byte ? 0xFF : highest_of(framing.type, std::nullopt);
    if (total > framing.longest || length < 0 || static_cast<std::uint64_t>(length) > most)
        return std::unexpected(fmt::format("a frame of {} bytes, for which the length has no room", total));
    const std::string head = framing.start + number_bytes(static_cast<std::uint64_t>(length), framing.type,
                                                          framing.one_byte, framing.order);
    return head + std::string(content) + guard_of(profile, covered_by(profile, head, content));
}

Composed put_around(const FrameProfile& profile, const FixedLength& framing, std::string_view content) {
    std::string frame =
        framing.start + std::string(content) + guard_of(profile, covered_by(profile, framing.start, content));
    if (frame.size() != framing.length)
        return std::unexpected(
            fmt::format("a frame of {} bytes, where each has {}", frame.size(), framing.length));
    return frame;
}

}  // namespace

std::expected<std::string, std::string> frame_around(const FrameProfile& profile, std::string_view content) {
    if (content.empty())
        return std::unexpected(std::string("a frame without content"));
    auto frame = std::visit([&](const auto& framing) { return put_around(profile, framing, content); },
                            profile.framing);
    if (frame && frame->size() > frame_limit)
        return std::unexpected(fmt::format("a frame of {} bytes, more than {}", frame->size(), frame_limit));
    return frame;
}

std::expected<std::string, std::string> compose(const FrameProfile& profile, const FrameToSend& frame,
                                                std::uint64_t number) {
    std::string content;
    for (const FramePart& part : frame) {
        const auto bytes = std::visit([&](const auto& one) { return part_bytes(one, number); }, part);
        if (!bytes)
            return std::unexpected(bytes.error());
        content += *bytes;
    }
    return frame_around(profile, content);
}

}  // namespace tautgate::protocol
