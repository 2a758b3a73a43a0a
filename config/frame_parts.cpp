// The profile of a tool that sends frames, and the way to such a tool, as the file has them.
#include <algorithm>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include <fmt/format.h>

#include "config/parts.hpp"
#include "protocol/text.hpp"
#include "protocol/trace.hpp"

namespace tautgate::config {

namespace {

using protocol::FrameMessage;
using protocol::FrameProfile;
using protocol::FrameStampKind;
using protocol::ResultMessage;
using protocol::StatusMessage;
using protocol::TraceMessage;

constexpr std::int64_t highest_16_bits = 65535;
constexpr std::int64_t highest_32_bits = 4294967295;
constexpr std::int64_t longest_frame = 65536;
constexpr std::int64_t one_minute_ms = 60'000;
constexpr std::int64_t last_bit = 63;
constexpr std::size_t most_bytes = 64;

// ---- bytes ----------------------------------------------------------------------------------------------

std::optional<std::string> bytes_from_hex(std::string_view hex) {
    const auto digit = [](char c) -> int {
        if (c >= '0' && c <= '9')
            return c - '0';
        if (c >= 'a' && c <= 'f')
            return c - 'a' + 10;
        if (c >= 'A' && c <= 'F')
            return c - 'A' + 10;
        return -1;
    };
    constexpr int half_byte = 16;
    std::string bytes;
    if (hex.size() % 2 != 0)
        return std::nullopt;
    for (std::size_t i = 0; i < hex.size(); i += 2) {
        const int high = digit(hex[i]);
        const int low = digit(hex[i + 1]);
        if (high < 0 || low < 0)
            return std::nullopt;
        bytes += static_cast<char>(half_byte * high + low);
    }
    return bytes;
}

// Pairs of hexadecimal digits.
struct HexDigits : Scalar {
    std::size_t most = most_bytes;
    explicit HexDigits(std::size_t most_of_them = most_bytes) : most(most_of_them) {}

    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
        auto bytes = node.kind == NodeKind::text ? bytes_from_hex(node.text) : std::nullopt;
        if (bytes && !bytes->empty() && bytes->size() <= most) {
            out = std::move(*bytes);
            return;
        }
        errors.add(node, pointer, fmt::format("{} is no row of bytes in hexadecimal", shown(node)),
                   most == 1 ? std::string("give one byte in two digits, such as \"3b\"")
                             : fmt::format("give 1 to {} bytes, two digits each, such as \"0d0a\"", most));
    }
};

// As it is to be written instead; an example where there is nothing.
std::string as_hex(std::string_view text) {
    if (text.empty())
        return "0d0a";
    std::string digits;
    for (const char c : text.substr(0, most_bytes))
        digits += fmt::format("{:02x}", static_cast<unsigned char>(c));
    return digits;
}

// Printable characters.
struct PrintableText : Scalar {
    std::size_t most = most_bytes;
    explicit PrintableText(std::size_t most_of_them = most_bytes) : most(most_of_them) {}

    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
        if (node.kind == NodeKind::text && !node.text.empty() && node.text.size() <= most &&
            protocol::is_printable_ascii(node.text)) {
            out = node.text;
            return;
        }
        errors.add(node, pointer, fmt::format("{} is no text of printable characters", shown(node)),
                   fmt::format("give 1 to {} of them; other bytes in hexadecimal, {{\"hex\": \"{}\"}}", most,
                               as_hex(node.text)));
    }
};

// Text, or { "hex": "0d0a" }.
struct Bytes {
    std::size_t most = most_bytes;
    explicit Bytes(std::size_t most_of_them = most_bytes) : most(most_of_them) {}

    struct Hex {
        std::string hex;
    };
    [[nodiscard]] Shape<Hex> shape() const {
        return Shape<Hex>().required("hex", &Hex::hex, HexDigits(most));
    }
    void read(Errors& errors, const Node& node, const std::string& pointer, std::string& out) const {
        if (node.kind != NodeKind::object) {
            PrintableText(most).read(errors, node, pointer, out);
            return;
        }
        Hex hex;
        shape().read(errors, node, pointer, hex);
        out = std::move(hex.hex);
    }
    void read(Errors& errors, const Node& node, const std::string& pointer, std::uint8_t& out) const {
        std::string bytes;
        read(errors, node, pointer, bytes);
        if (!bytes.empty())
            out = static_cast<std::uint8_t>(bytes.front());
    }
    void list(const std::string& path, std::vector<KnownKey>& keys) const { shape().list(path, keys); }
};
Bytes one_byte() { return Bytes(1); }

// ---- numbers --------------------------------------------------------------------------------------------

struct ByteType {
    protocol::FieldType type = protocol::FieldType::uint16;
    bool one_byte = false;
};

OneOf<ByteType> whole_type() {
    using protocol::FieldType;
    return OneOf<ByteType>({{"uint8", {FieldType::uint16, true}},
                            {"uint16", {FieldType::uint16}},
                            {"uint32", {FieldType::uint32}},
                            {"uint64", {FieldType::uint64}},
                            {"bcd16", {FieldType::bcd16}},
                            {"bcd32", {FieldType::bcd32}}});
}

OneOf<ByteType> length_type() {
    using protocol::FieldType;
    return OneOf<ByteType>({{"uint8", {FieldType::uint16, true}},
                            {"uint16", {FieldType::uint16}},
                            {"uint32", {FieldType::uint32}}});
}

OneOf<ByteType> number_type() {
    using protocol::FieldType;
    auto words = whole_type().words;
    words.insert(words.end(), {{"int16", {FieldType::int16}},
                               {"int32", {FieldType::int32}},
                               {"int64", {FieldType::int64}},
                               {"float32", {FieldType::float32}},
                               {"float64", {FieldType::float64}}});
    return OneOf<ByteType>(std::move(words));
}

// ---- places ---------------------------------------------------------------------------------------------

struct RawPlace {
    std::optional<std::uint16_t> column, width, index, length;
    std::optional<std::uint32_t> byte;
    std::optional<std::string> key, pointer;
    std::optional<ByteType> type;
    std::optional<protocol::WordOrder> order;
    std::optional<protocol::BitRange> bits;
};

template <class Raw>
Shape<Raw> place_keys() {
    return Shape<Raw>()
        .optional("column", &Raw::column, Whole(0, highest_16_bits))
        .optional("width", &Raw::width, Whole(1, highest_16_bits))
        .optional("index", &Raw::index, Whole(0, highest_16_bits))
        .optional("key", &Raw::key, Text())
        .optional("pointer", &Raw::pointer, Text())
        .optional("byte", &Raw::byte, Whole(0, highest_16_bits))
        .optional("type", &Raw::type, number_type())
        .optional("order", &Raw::order, word_order())
        .optional("bits", &Raw::bits, bits_shape())
        .optional("length", &Raw::length, Whole(1, highest_16_bits));
}

// One key that goes with another only.
struct Companion {
    const char* key;
    bool given = false;
    const char* with;
    bool with_given = false;
};

// Nothing, and an error, where the keys are not those of exactly one place.
std::optional<protocol::FramePlace> to_place(const RawPlace& raw, Errors& errors, const Node& node,
                                             const std::string& pointer) {
    const int ways = int{raw.column.has_value()} + int{raw.index.has_value()} + int{raw.key.has_value()} +
                     int{raw.pointer.has_value()} + int{raw.byte.has_value()};
    if (ways != 1) {
        errors.add(node, pointer,
                   fmt::format("the place has {} of the keys column, index, key, pointer and byte", ways),
                   "give exactly one of them");
        return std::nullopt;
    }
    const auto before = errors.count();
    for (const auto& [key, given, with, with_given] :
         {Companion{"width", raw.width.has_value(), "column", raw.column.has_value()},
          Companion{"type", raw.type.has_value(), "byte", raw.byte.has_value()},
          Companion{"length", raw.length.has_value(), "byte", raw.byte.has_value()},
          Companion{"order", raw.order.has_value(), "type", raw.type.has_value()},
          Companion{"bits", raw.bits.has_value(), "type", raw.type.has_value()}})
        if (given && !with_given)
            errors.add(*node.find(key), pointer + "/" + key,
                       fmt::format("there is no {} to which it belongs", with),
                       fmt::format("add \"{}\" or remove it", with));
    if (raw.column && !raw.width)
        errors.add(node, pointer, "the key \"width\" is missing", "add it");
    if (raw.byte && raw.type.has_value() == raw.length.has_value())
        errors.add(node, pointer,
                   raw.type ? "the place is a number and a text at once"
                            : "the place has neither type nor length",
                   "give type for a number, or length for a text");
    if (errors.count() != before)
        return std::nullopt;
    if (raw.column)
        return protocol::InColumns{*raw.column, *raw.width};
    if (raw.index)
        return protocol::AtIndex{*raw.index};
    if (raw.key)
        return protocol::UnderKey{*raw.key};
    if (raw.pointer)
        return protocol::AtPointer{*raw.pointer};
    if (raw.length)
        return protocol::TextAt{*raw.byte, *raw.length};
    return protocol::NumberAt{*raw.byte, raw.type->type, raw.type->one_byte, raw.order, raw.bits};
}

auto place() {
    const auto convert = [](const RawPlace& raw, Errors& errors, const Node& node, const std::string& pointer,
                            protocol::FramePlace& out) {
        if (auto found = to_place(raw, errors, node, pointer))
            out = std::move(*found);
    };
    return Converted{place_keys<RawPlace>(), convert};
}

struct RawFrameNumber : RawPlace {
    protocol::Decimal scale{1, 0};
    protocol::Decimal offset{0, 0};
};

auto number() {
    auto shape = place_keys<RawFrameNumber>()
                     .optional("scale", &RawFrameNumber::scale, DecimalNumber{})
                     .optional("offset", &RawFrameNumber::offset, DecimalNumber{});
    const auto convert = [](const RawFrameNumber& raw, Errors& errors, const Node& node,
                            const std::string& pointer, protocol::FrameNumber& out) {
        if (auto found = to_place(raw, errors, node, pointer))
            out = {std::move(*found), raw.scale, raw.offset};
    };
    return Converted{std::move(shape), convert};
}

// ---- where a frame begins and ends ------------------------------------------------------------------------

struct RawLengthPrefixed : protocol::LengthPrefixed {
    ByteType number;
};

struct RawFraming {
    std::optional<protocol::Delimited> delimited;
    std::optional<protocol::StartStop> start_stop;
    std::optional<RawLengthPrefixed> length_prefixed;
    std::optional<protocol::FixedLength> fixed;
};

Shape<RawLengthPrefixed> length_prefixed_shape() {
    using Raw = RawLengthPrefixed;
    using protocol::WordOrder;
    return Shape<Raw>()
        .optional("start", &Raw::start, Bytes())
        .required("type", &Raw::number, length_type())
        .optional("order", &Raw::order,
                  OneOf<WordOrder>({{"abcd", WordOrder::abcd}, {"dcba", WordOrder::dcba}}))
        .optional("besides", &Raw::besides, Whole(-longest_frame, longest_frame))
        .optional("longest", &Raw::longest, Whole(1, longest_frame));
}

auto framing() {
    using protocol::FixedLength;
    using protocol::StartStop;
    constexpr std::size_t longest_end = 4;
    auto delimited =
        Shape<protocol::Delimited>().required("end", &protocol::Delimited::end, Bytes(longest_end));
    auto start_stop = Shape<StartStop>()
                          .required("start", &StartStop::start, one_byte())
                          .required("stop", &StartStop::stop, one_byte())
                          .optional("escape", &StartStop::escape, one_byte())
                          .optional("checksum_after_stop", &StartStop::checksum_after_stop, Flag{});
    auto fixed = Shape<FixedLength>()
                     .required("start", &FixedLength::start, Bytes())
                     .required("length", &FixedLength::length, Whole(1, longest_frame));
    auto shape = Shape<RawFraming>()
                     .optional("delimited", &RawFraming::delimited, std::move(delimited))
                     .optional("start_stop", &RawFraming::start_stop, std::move(start_stop))
                     .optional("length_prefixed", &RawFraming::length_prefixed, length_prefixed_shape())
                     .optional("fixed", &RawFraming::fixed, std::move(fixed));
    const auto convert = [](const RawFraming& raw, Errors& errors, const Node& node,
                            const std::string& pointer, protocol::Framing& out) {
        const int given = int{raw.delimited.has_value()} + int{raw.start_stop.has_value()} +
                          int{raw.length_prefixed.has_value()} + int{raw.fixed.has_value()};
        if (given != 1) {
            errors.add(
                node, pointer,
                fmt::format("the framing has {} of the keys delimited, start_stop, length_prefixed and fixed",
                            given),
                "give exactly one of them");
        } else if (raw.delimited) {
            out = *raw.delimited;
        } else if (raw.start_stop) {
            out = *raw.start_stop;
        } else if (raw.fixed) {
            out = *raw.fixed;
        } else {
            // Without what only the file has.
            protocol::LengthPrefixed counted =
                static_cast<const protocol::LengthPrefixed&>(*raw.length_prefixed);
            counted.type = raw.length_prefixed->number.type;
            counted.one_byte = raw.length_prefixed->number.one_byte;
            out = std::move(counted);
        }
    };
    return Converted{std::move(shape), convert};
}

Shape<protocol::FrameChecksum> checksum_shape() {
    using protocol::ChecksumForm;
    using protocol::ChecksumKind;
    using protocol::FrameChecksum;
    return Shape<FrameChecksum>()
        .required("kind", &FrameChecksum::kind,
                  OneOf<ChecksumKind>({{"sum8", ChecksumKind::sum8},
                                       {"lrc8", ChecksumKind::lrc8},
                                       {"xor8", ChecksumKind::xor8},
                                       {"crc16_modbus", ChecksumKind::crc16_modbus},
                                       {"crc16_arc", ChecksumKind::crc16_arc},
                                       {"crc16_xmodem", ChecksumKind::crc16_xmodem},
                                       {"crc16_ccitt_false", ChecksumKind::crc16_ccitt_false},
                                       {"crc16_kermit", ChecksumKind::crc16_kermit},
                                       {"crc16_x25", ChecksumKind::crc16_x25}}))
        .required("form", &FrameChecksum::form,
                  OneOf<ChecksumForm>({{"high_first", ChecksumForm::high_first},
                                       {"low_first", ChecksumForm::low_first},
                                       {"hex", ChecksumForm::hex}}))
        .optional("covers_start", &FrameChecksum::covers_start, Flag{})
        .optional("before", &FrameChecksum::before, Bytes());
}

Shape<protocol::FrameContent> content_shape() {
    using protocol::ContentForm;
    using protocol::FrameContent;
    return Shape<FrameContent>()
        .required("form", &FrameContent::form,
                  OneOf<ContentForm>({{"columns", ContentForm::columns},
                                      {"separated", ContentForm::separated},
                                      {"named", ContentForm::named},
                                      {"json", ContentForm::json},
                                      {"binary", ContentForm::binary}}))
        .optional("separator", &FrameContent::separator, one_byte())
        .optional("equals", &FrameContent::equals, one_byte())
        .optional("decimal", &FrameContent::decimal, OneOf<std::string>({{".", "."}, {",", ","}}));
}

// ---- messages -------------------------------------------------------------------------------------------

ListOf<Text> code_list() { return ListOf(Text()); }

auto code_names() {
    using protocol::FrameCode;
    return ListOf(Shape<FrameCode>()
                      .required("code", &FrameCode::code, Text())
                      .required("text", &FrameCode::text, Text()));
}

auto frame_program() {
    using protocol::FrameProgram;
    return Shape<FrameProgram>()
        .required("place", &FrameProgram::place, place())
        .optional("names", &FrameProgram::names, code_names());
}

Shape<protocol::FrameTorque> frame_torque() {
    using protocol::FrameTorque;
    using protocol::UnitCode;
    auto unit = Shape<UnitCode>()
                    .required("code", &UnitCode::code, Text())
                    .required("unit", &UnitCode::unit, torque_unit_word());
    return Shape<FrameTorque>()
        .required("field", &FrameTorque::field, number())
        .optional("unit", &FrameTorque::unit, torque_unit_word())
        .optional("unit_at", &FrameTorque::unit_at, place())
        .optional("units", &FrameTorque::units, ListOf(std::move(unit)));
}

Shape<protocol::FrameStamp> frame_stamp() {
    using protocol::FrameStamp;
    constexpr std::int64_t one_day = 1440;
    return Shape<FrameStamp>()
        .required("place", &FrameStamp::place, place())
        .required("kind", &FrameStamp::kind,
                  OneOf<FrameStampKind>({{"unix_seconds", FrameStampKind::unix_seconds},
                                         {"unix_milliseconds", FrameStampKind::unix_milliseconds},
                                         {"text", FrameStampKind::text}}))
        .optional("pattern", &FrameStamp::pattern, Text())
        .optional("utc_offset_minutes", &FrameStamp::utc_offset_minutes, Whole(-one_day, one_day))
        .optional("marks_result", &FrameStamp::marks_result, Flag{});
}

Shape<protocol::FrameLimits> frame_limits() {
    using protocol::FrameLimits;
    return Shape<FrameLimits>()
        .optional("torque_min", &FrameLimits::torque_min, number())
        .optional("torque_max", &FrameLimits::torque_max, number())
        .optional("angle_min", &FrameLimits::angle_min, number())
        .optional("angle_max", &FrameLimits::angle_max, number());
}

Shape<ResultMessage> result_shape() {
    using protocol::FrameCounter;
    using protocol::FrameDirection;
    using protocol::FrameVerdict;
    auto counter = Shape<FrameCounter>()
                       .required("field", &FrameCounter::field, number())
                       .optional("lowest", &FrameCounter::lowest, Whole64{})
                       .optional("highest", &FrameCounter::highest, Whole64{});
    auto direction = Shape<FrameDirection>()
                         .required("place", &FrameDirection::place, place())
                         .required("tighten", &FrameDirection::tighten, code_list())
                         .required("loosen", &FrameDirection::loosen, code_list());
    auto verdict = Shape<FrameVerdict>()
                       .required("place", &FrameVerdict::place, place())
                       .required("ok", &FrameVerdict::ok, code_list())
                       .optional("not_ok", &FrameVerdict::not_ok, code_list())
                       .optional("aborted", &FrameVerdict::aborted, code_list())
                       .optional("reasons", &FrameVerdict::reasons, code_names());
    return Shape<ResultMessage>()
        .optional("counter", &ResultMessage::counter, std::move(counter))
        .optional("epoch", &ResultMessage::epoch, place())
        .optional("program", &ResultMessage::program, frame_program())
        .optional("torque", &ResultMessage::torque, frame_torque())
        .optional("angle", &ResultMessage::angle, number())
        .optional("direction", &ResultMessage::direction, std::move(direction))
        .optional("verdict", &ResultMessage::verdict, std::move(verdict))
        .optional("limits", &ResultMessage::limits, frame_limits())
        .optional("stamp", &ResultMessage::stamp, frame_stamp())
        .optional("position", &ResultMessage::position, number())
        .optional("fields", &ResultMessage::fields, Whole(1, highest_16_bits));
}

Shape<StatusMessage> status_shape() {
    using protocol::FrameEnabled;
    auto enabled = Shape<FrameEnabled>()
                       .required("place", &FrameEnabled::place, place())
                       .required("yes", &FrameEnabled::yes, code_list());
    return Shape<StatusMessage>()
        .optional("newest", &StatusMessage::newest, number())
        .optional("epoch", &StatusMessage::epoch, place())
        .optional("enabled", &StatusMessage::enabled, std::move(enabled))
        .optional("program", &StatusMessage::program, frame_program());
}

Shape<protocol::SampleField> sample_shape() {
    using protocol::SampleField;
    return Shape<SampleField>()
        .required("at", &SampleField::at, Whole(0, highest_16_bits))
        .optional("apart", &SampleField::apart, Whole(1, highest_16_bits))
        .required("type", &SampleField::type, field_type())
        .required("order", &SampleField::order, word_order())
        .optional("scale", &SampleField::scale, DecimalNumber{})
        .optional("offset", &SampleField::offset, DecimalNumber{});
}

Shape<TraceMessage> trace_shape_of_frames() {
    using protocol::TraceLayout;
    constexpr auto most_samples = static_cast<std::int64_t>(protocol::trace_samples_limit);
    auto layout =
        Shape<TraceLayout>()
            .required("samples", &TraceLayout::samples, Whole(1, most_samples))
            .optional("count", &TraceLayout::count, sample_shape())
            .optional("interval_us", &TraceLayout::interval_us, Whole(1, protocol::trace_time_limit_us))
            .optional("interval", &TraceLayout::interval, sample_shape())
            .optional("time", &TraceLayout::time, sample_shape())
            .required("torque", &TraceLayout::torque, sample_shape())
            .required("torque_unit", &TraceLayout::torque_unit, torque_unit_word())
            .optional("angle", &TraceLayout::angle, sample_shape());
    return Shape<TraceMessage>()
        .required("belongs_to", &TraceMessage::belongs_to, number())
        .required("layout", &TraceMessage::layout, std::move(layout));
}

struct RawMessage {
    std::string name;
    std::vector<protocol::FrameMatch> when;
    std::optional<ResultMessage> result;
    std::optional<StatusMessage> status;
    std::optional<TraceMessage> trace;
    std::optional<protocol::OtherMessage> other;
};

auto message() {
    using protocol::FrameMatch;
    auto match = Shape<FrameMatch>()
                     .required("place", &FrameMatch::place, place())
                     .required("is", &FrameMatch::is, Text());
    auto shape = Shape<RawMessage>()
                     .required("name", &RawMessage::name, Text())
                     .optional("when", &RawMessage::when, ListOf(std::move(match), 0, 8))
                     .optional("result", &RawMessage::result, result_shape())
                     .optional("status", &RawMessage::status, status_shape())
                     .optional("trace", &RawMessage::trace, trace_shape_of_frames())
                     .optional("other", &RawMessage::other, Shape<protocol::OtherMessage>());
    const auto convert = [](RawMessage raw, Errors& errors, const Node& node, const std::string& pointer,
                            FrameMessage& out) {
        const int given = int{raw.result.has_value()} + int{raw.status.has_value()} +
                          int{raw.trace.has_value()} + int{raw.other.has_value()};
        out.name = std::move(raw.name);
        out.when = std::move(raw.when);
        if (given != 1) {
            errors.add(node, pointer,
                       fmt::format("the message has {} of the keys result, status, trace and other", given),
                       "give exactly one of them");
        } else if (raw.result) {
            out.what = std::move(*raw.result);
        } else if (raw.status) {
            out.what = std::move(*raw.status);
        } else if (raw.trace) {
            out.what = std::move(*raw.trace);
        } else {
            out.what = *raw.other;
        }
    };
    return Converted{std::move(shape), convert};
}

// ---- what the station sends -----------------------------------------------------------------------------

struct RawNumberPart {
    ByteType type;
    protocol::WordOrder order = protocol::WordOrder::abcd;
};

struct RawPart {
    std::optional<std::string> text;
    std::optional<std::string> hex;
    std::optional<protocol::DigitsPart> digits;
    std::optional<RawNumberPart> number;
};

auto part() {
    using protocol::DigitsPart;
    constexpr std::int64_t most_digits = 20;
    constexpr std::size_t most_part = 1000;
    auto digits = Shape<DigitsPart>().optional("width", &DigitsPart::width, Whole(1, most_digits));
    auto number = Shape<RawNumberPart>()
                      .required("type", &RawNumberPart::type, whole_type())
                      .optional("order", &RawNumberPart::order, word_order());
    auto shape = Shape<RawPart>()
                     .optional("text", &RawPart::text, PrintableText(most_part))
                     .optional("hex", &RawPart::hex, HexDigits(most_part))
                     .optional("digits", &RawPart::digits, std::move(digits))
                     .optional("number", &RawPart::number, std::move(number));
    const auto convert = [](const RawPart& raw, Errors& errors, const Node& node, const std::string& pointer,
                            protocol::FramePart& out) {
        const int given = int{raw.text.has_value()} + int{raw.hex.has_value()} + int{raw.digits.has_value()} +
                          int{raw.number.has_value()};
        if (given != 1)
            errors.add(node, pointer,
                       fmt::format("the part has {} of the keys text, hex, digits and number", given),
                       "give exactly one of them");
        else if (raw.digits)
            out = *raw.digits;
        else if (raw.number)
            out = protocol::NumberPart{raw.number->type.type, raw.number->type.one_byte, raw.number->order};
        else
            out = protocol::LiteralPart{raw.text ? *raw.text : *raw.hex};
    };
    return Converted{std::move(shape), convert};
}

auto frame_to_send() { return ListOf(part(), 1, 32); }

auto frame_control() {
    using protocol::FrameControl;
    using protocol::ProgramNumber;
    auto program = Shape<ProgramNumber>()
                       .required("number", &ProgramNumber::number, Whole(0, highest_32_bits))
                       .required("text", &ProgramNumber::text, Text());
    return Shape<FrameControl>()
        .required("enable", &FrameControl::enable, frame_to_send())
        .required("disable", &FrameControl::disable, frame_to_send())
        .optional("program", &FrameControl::program, frame_to_send())
        .optional("programs", &FrameControl::programs, ListOf(std::move(program)));
}

OneOf<protocol::LinkError> link_error_word() {
    using protocol::LinkError;
    return OneOf<LinkError>({{"corruption", LinkError::corruption},
                             {"repetition", LinkError::repetition},
                             {"loss", LinkError::loss},
                             {"wrong_sequence", LinkError::wrong_sequence},
                             {"insertion", LinkError::insertion},
                             {"delay", LinkError::delay},
                             {"masquerade", LinkError::masquerade},
                             {"addressing", LinkError::addressing}});
}

}  // namespace

Shape<FrameProfile> frame_profile_shape() {
    using protocol::KeepAlive;
    auto keep_alive = Shape<KeepAlive>()
                          .optional("every_ms", &KeepAlive::every, Whole(1, one_minute_ms))
                          .required("frame", &KeepAlive::frame, frame_to_send());
    return Shape<FrameProfile>()
        .required("name", &FrameProfile::name, Text())
        .required("framing", &FrameProfile::framing, framing())
        .optional("checksum", &FrameProfile::checksum, checksum_shape())
        .required("content", &FrameProfile::content, content_shape())
        .required("messages", &FrameProfile::messages, ListOf(message(), 1, 16))
        .optional("pause_ms", &FrameProfile::pause, Whole(1, one_minute_ms))
        .optional("on_connect", &FrameProfile::on_connect, ListOf(frame_to_send(), 0, 8))
        .optional("keep_alive", &FrameProfile::keep_alive, std::move(keep_alive))
        .optional("acknowledge", &FrameProfile::acknowledge, frame_to_send())
        .optional("control", &FrameProfile::control, frame_control())
        .required("detects", &FrameProfile::detects, ListOf(link_error_word(), 0, 8))
        .required("range", &FrameProfile::range, measuring_range_shape());
}

// ---- the way to such a tool -------------------------------------------------------------------------------

namespace {

struct RawListen : Endpoint {
    std::string peer;
};

struct RawFrameLink {
    std::optional<FrameCall> call;
    std::optional<RawListen> listen;
    std::optional<SerialLine> serial;
    std::string profile;
};

Shape<RawFrameLink> frame_link_shape() {
    auto call = Shape<FrameCall>()
                    .required("host", &FrameCall::host, Host{})
                    .required("port", &FrameCall::port, Whole(1, highest_16_bits));
    auto listen = Shape<RawListen>()
                      .optional("address", &RawListen::address, IpAddress{})
                      .required("port", &RawListen::port, Whole(1, highest_16_bits))
                      .required("peer", &RawListen::peer, IpAddress{});
    return Shape<RawFrameLink>()
        .optional("call", &RawFrameLink::call, std::move(call))
        .optional("listen", &RawFrameLink::listen, std::move(listen))
        .optional("serial", &RawFrameLink::serial, serial_line_shape())
        .required("profile", &RawFrameLink::profile, Identifier{});
}

}  // namespace

void FrameLinkObject::read(Errors& errors, const Node& node, const std::string& pointer,
                           FrameLink& out) const {
    const auto before = errors.count();
    RawFrameLink raw;
    static const auto shape = frame_link_shape();
    shape.read(errors, node, pointer, raw);
    if (errors.count() != before)
        return;
    const int given = int{raw.call.has_value()} + int{raw.listen.has_value()} + int{raw.serial.has_value()};
    out.profile = std::move(raw.profile);
    if (given != 1)
        errors.add(node, pointer, fmt::format("the link has {} of the keys call, listen and serial", given),
                   "give exactly one of them");
    else if (raw.call)
        out.way = std::move(*raw.call);
    else if (raw.listen)
        out.way = FrameListen{.at = {raw.listen->address, raw.listen->port}, .peer = raw.listen->peer};
    else
        out.way = std::move(*raw.serial);
}

void FrameLinkObject::list(const std::string& path, std::vector<KnownKey>& keys) const {
    frame_link_shape().list(path, keys);
}

}  // namespace tautgate::config
