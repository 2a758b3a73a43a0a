// How a tool that sends its results as frames of bytes, over TCP or a serial line, is to be understood: where
// a frame begins and ends, what guards it, which kinds of message there are, where in them each value stands,
// and what the station sends. Plain data, read and checked once; any thread. Cutting bytes into frames is in
// frame_splitter.hpp, their meaning in frame_decode.hpp, what is sent in frame_compose.hpp.
//
// Offsets, columns and indices count from 0.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/link_error.hpp"
#include "protocol/quantity.hpp"
#include "protocol/reading.hpp"
#include "protocol/register_profile.hpp"
#include "protocol/trace_layout.hpp"

namespace tautgate::protocol {

// Longest frame, its ends and checksum included.
inline constexpr std::size_t frame_limit = 64 * 1024;

// ---- where a frame begins and ends ----------------------------------------------------------------------

// Ends with these bytes, 1 to 4 of them, which never stand within it.
struct Delimited {
    std::string end;
    bool operator==(const Delimited&) const = default;
};
TAUTGATE_FIELDS(Delimited, end);

// Between two single bytes. With `escape` each of the three within the frame has that byte before it, which
// is taken away; without it none of them stands within.
struct StartStop {
    std::uint8_t start = 0x02;
    std::uint8_t stop = 0x03;
    std::optional<std::uint8_t> escape;
    // The checksum stands after the stop byte, and covers it; otherwise before it.
    bool checksum_after_stop = false;
    bool operator==(const StartStop&) const = default;
};
TAUTGATE_FIELDS(StartStop, start, stop, escape, checksum_after_stop);

// Begins with `start` (perhaps empty) and the length, a whole number. A frame has in all `length + besides`
// bytes, start, length and checksum included.
struct LengthPrefixed {
    std::string start;
    FieldType type = FieldType::uint16;  // unsigned, of 16 or 32 bits, or with `one_byte` of 8
    bool one_byte = false;
    WordOrder order = WordOrder::abcd;  // or dcba, low byte first
    std::int32_t besides = 0;
    std::uint32_t longest = 4096;  // in all; a length beyond it is garbage
    bool operator==(const LengthPrefixed&) const = default;
};
TAUTGATE_FIELDS(LengthPrefixed, start, type, one_byte, order, besides, longest);

// Always of one length, `start` and checksum included. `start` is needed: nothing else tells where one begins
// after a byte was lost.
struct FixedLength {
    std::string start;
    std::uint32_t length = 0;
    bool operator==(const FixedLength&) const = default;
};
TAUTGATE_FIELDS(FixedLength, start, length);

using Framing = std::variant<Delimited, StartStop, LengthPrefixed, FixedLength>;

// ---- what guards it -------------------------------------------------------------------------------------

// Of 8 bits: the sum of the bytes, its two's complement (the LRC of MODBUS over Serial Line V1.02, 6.2.1),
// all bytes XORed. Of 16 bits, named after the parameters that are in common use: modbus (poly 0x8005
// reflected, init 0xFFFF), arc (the same, init 0), xmodem (0x1021, init 0), ccitt_false (0x1021, init
// 0xFFFF), kermit (0x1021 reflected, init 0), x25 (0x1021 reflected, init and final XOR 0xFFFF).
enum class ChecksumKind : std::uint8_t {
    sum8,
    lrc8,
    xor8,
    crc16_modbus,
    crc16_arc,
    crc16_xmodem,
    crc16_ccitt_false,
    crc16_kermit,
    crc16_x25
};
TAUTGATE_ENUM(ChecksumKind, sum8, lrc8, xor8, crc16_modbus, crc16_arc, crc16_xmodem, crc16_ccitt_false,
              crc16_kermit, crc16_x25);

enum class ChecksumForm : std::uint8_t { high_first, low_first, hex };  // hex: two or four digits, any case
TAUTGATE_ENUM(ChecksumForm, high_first, low_first, hex);

// The last thing in a frame, before its end (see StartStop for the exception). It covers what is between the
// start and itself, as it is without escapes; with `covers_start` the start (and length) as well.
struct FrameChecksum {
    ChecksumKind kind = ChecksumKind::crc16_modbus;
    ChecksumForm form = ChecksumForm::high_first;
    bool covers_start = false;
    std::string before;  // text between the content and the checksum, "*" perhaps; covered by nothing
    bool operator==(const FrameChecksum&) const = default;
};
TAUTGATE_FIELDS(FrameChecksum, kind, form, covers_start, before);

// ---- what stands in it ----------------------------------------------------------------------------------

// How the content of every frame is made up. Content is what is left without start, length, checksum and end.
enum class ContentForm : std::uint8_t {
    columns,    // ASCII, each value at its columns
    separated,  // ASCII, values between separators
    named,      // ASCII, key=value pairs between separators
    json,       // one JSON object
    binary
};
TAUTGATE_ENUM(ContentForm, columns, separated, named, json, binary);

struct FrameContent {
    ContentForm form = ContentForm::separated;
    std::string separator;      // separated and named: one character
    std::string equals;         // named: one character
    std::string decimal = ".";  // or ",", of numbers in text
    bool operator==(const FrameContent&) const = default;
};
TAUTGATE_FIELDS(FrameContent, form, separator, equals, decimal);

// Where a value stands; which of these belongs to which form is in the comment. Spaces around a text are
// dropped.
struct InColumns {  // columns
    std::uint16_t column = 0;
    std::uint16_t width = 1;
    bool operator==(const InColumns&) const = default;
};
struct AtIndex {  // separated
    std::uint16_t index = 0;
    bool operator==(const AtIndex&) const = default;
};
struct UnderKey {  // named
    std::string key;
    bool operator==(const UnderKey&) const = default;
};
struct AtPointer {  // json: RFC 6901; a string, a number or a truth value
    std::string pointer;
    bool operator==(const AtPointer&) const = default;
};
struct NumberAt {  // binary; `bits` of an unsigned type. 8-bit numbers: `one_byte`, with type uint16.
    std::uint32_t byte = 0;
    FieldType type = FieldType::uint16;
    bool one_byte = false;
    std::optional<WordOrder> order;  // needed beyond one byte; never defaulted
    std::optional<BitRange> bits;
    bool operator==(const NumberAt&) const = default;
};
struct TextAt {  // binary: printable ASCII; a NUL ends it
    std::uint32_t byte = 0;
    std::uint16_t length = 1;
    bool operator==(const TextAt&) const = default;
};
TAUTGATE_FIELDS(InColumns, column, width);
TAUTGATE_FIELDS(AtIndex, index);
TAUTGATE_FIELDS(UnderKey, key);
TAUTGATE_FIELDS(AtPointer, pointer);
TAUTGATE_FIELDS(NumberAt, byte, type, one_byte, order, bits);
TAUTGATE_FIELDS(TextAt, byte, length);
using FramePlace = std::variant<InColumns, AtIndex, UnderKey, AtPointer, NumberAt, TextAt>;

// A number; its value is raw * scale + offset, computed in decimal, exactly.
struct FrameNumber {
    FramePlace place;
    Decimal scale{1, 0};
    Decimal offset{0, 0};
    bool operator==(const FrameNumber&) const = default;
};
TAUTGATE_FIELDS(FrameNumber, place, scale, offset);

// A code and what it means. A number in binary or JSON is compared as its decimal text, true and false as
// these words.
struct FrameCode {
    std::string code;
    std::string text;
    bool operator==(const FrameCode&) const = default;
};
TAUTGATE_FIELDS(FrameCode, code, text);

struct FrameCounter {
    FrameNumber field;
    std::uint64_t lowest = 0;
    std::uint64_t highest = 0xFFFF;
    bool operator==(const FrameCounter&) const = default;
};
TAUTGATE_FIELDS(FrameCounter, field, lowest, highest);

struct UnitCode {
    std::string code;
    TorqueUnit unit = TorqueUnit::newton_metre;
    bool operator==(const UnitCode&) const = default;
};
TAUTGATE_FIELDS(UnitCode, code, unit);

// The unit is fixed, or stands in the frame; a code that is in no list makes the torque unreadable.
struct FrameTorque {
    FrameNumber field;
    std::optional<TorqueUnit> unit;
    std::optional<FramePlace> unit_at;
    std::vector<UnitCode> units;
    bool operator==(const FrameTorque&) const = default;
};
TAUTGATE_FIELDS(FrameTorque, field, unit, unit_at, units);

struct FrameProgram {
    FramePlace place;
    std::vector<FrameCode> names;  // one without a name is taken as it stands
    bool operator==(const FrameProgram&) const = default;
};
TAUTGATE_FIELDS(FrameProgram, place, names);

// A code in neither list makes the frame a fault: a loosening must not pass for a tightening.
struct FrameDirection {
    FramePlace place;
    std::vector<std::string> tighten;
    std::vector<std::string> loosen;
    bool operator==(const FrameDirection&) const = default;
};
TAUTGATE_FIELDS(FrameDirection, place, tighten, loosen);

// Only a code under `ok` is OK; one in no list is not OK, with the code itself as the tool's reason.
struct FrameVerdict {
    FramePlace place;
    std::vector<std::string> ok;
    std::vector<std::string> not_ok;
    std::vector<std::string> aborted;
    std::vector<FrameCode> reasons;
    bool operator==(const FrameVerdict&) const = default;
};
TAUTGATE_FIELDS(FrameVerdict, place, ok, not_ok, aborted, reasons);

enum class FrameStampKind : std::uint8_t { unix_seconds, unix_milliseconds, text };
TAUTGATE_ENUM(FrameStampKind, unix_seconds, unix_milliseconds, text);

struct FrameStamp {
    FramePlace place;
    FrameStampKind kind = FrameStampKind::text;
    // Of a text: YYYY, MM, DD, hh, mm, ss each once, everything else as it stands ("YYYY-MM-DDThh:mm:ss").
    std::string pattern;
    std::int16_t utc_offset_minutes = 0;  // the tool's clock minus UTC
    // Of a tool that does not count: another stamp means another result.
    bool marks_result = false;
    bool operator==(const FrameStamp&) const = default;
};
TAUTGATE_FIELDS(FrameStamp, place, kind, pattern, utc_offset_minutes, marks_result);

struct FrameLimits {
    std::optional<FrameNumber> torque_min;  // in the unit of the torque
    std::optional<FrameNumber> torque_max;
    std::optional<FrameNumber> angle_min;
    std::optional<FrameNumber> angle_max;
    bool operator==(const FrameLimits&) const = default;
};
TAUTGATE_FIELDS(FrameLimits, torque_min, torque_max, angle_min, angle_max);

// What a tool says of whether it may run.
struct FrameEnabled {
    FramePlace place;
    std::vector<std::string> yes;  // every other code is no
    bool operator==(const FrameEnabled&) const = default;
};
TAUTGATE_FIELDS(FrameEnabled, place, yes);

// How one kind of message is recognised: all of these stand there. Also where a device names itself.
struct FrameMatch {
    FramePlace place;
    std::string is;
    bool operator==(const FrameMatch&) const = default;
};
TAUTGATE_FIELDS(FrameMatch, place, is);

// One result.
struct ResultMessage {
    std::optional<FrameCounter> counter;
    std::optional<FramePlace> epoch;  // changes with every restart of the tool
    std::optional<FrameProgram> program;
    std::optional<FrameTorque> torque;
    std::optional<FrameNumber> angle;         // degrees
    std::optional<FrameDirection> direction;  // without it every result is a tightening
    std::optional<FrameVerdict> verdict;
    FrameLimits limits;
    std::optional<FrameStamp> stamp;
    std::optional<FrameNumber> position;  // fastener number, 0: the tool does not know
    // separated: how many values there are. Without it where the separator may stand in a number (comma or
    // point): as many as are named here; elsewhere more are passed over.
    std::optional<std::uint16_t> fields;
    bool operator==(const ResultMessage&) const = default;
};
TAUTGATE_FIELDS(ResultMessage, counter, epoch, program, torque, angle, direction, verdict, limits, stamp,
                position, fields);

// What the tool says of itself: an answer to what is sent on connecting, or its sign of life.
struct StatusMessage {
    std::optional<FrameNumber> newest;  // count of its newest result, in the form of the counter
    std::optional<FramePlace> epoch;
    std::optional<FrameEnabled> enabled;
    std::optional<FrameProgram> program;  // that it is set to
    bool operator==(const StatusMessage&) const = default;
};
TAUTGATE_FIELDS(StatusMessage, newest, epoch, enabled, program);

// A curve, in a binary frame. Offsets of the layout are those of the content.
struct TraceMessage {
    FrameNumber belongs_to;  // count of the result, in the form of the counter
    TraceLayout layout;
    bool operator==(const TraceMessage&) const = default;
};
TAUTGATE_FIELDS(TraceMessage, belongs_to, layout);

// Anything else that the tool may send; only a sign of life.
struct OtherMessage {
    constexpr bool operator==(const OtherMessage&) const = default;
};
TAUTGATE_NO_FIELDS(OtherMessage);

struct FrameMessage {
    std::string name;                // for people: "result", "keep-alive"
    std::vector<FrameMatch> when{};  // none: every frame
    std::variant<ResultMessage, StatusMessage, TraceMessage, OtherMessage> what{};
    bool operator==(const FrameMessage&) const = default;
};
TAUTGATE_FIELDS(FrameMessage, name, when, what);

// ---- what the station sends -----------------------------------------------------------------------------

// Start, length, checksum and end are added as for what comes.
struct LiteralPart {
    std::string bytes;
    bool operator==(const LiteralPart&) const = default;
};
// The count of the result that is stored, as the tool wrote it; or the number of a program.
struct DigitsPart {
    std::uint8_t width = 0;  // leading zeros up to this; 0: none
    bool operator==(const DigitsPart&) const = default;
};
struct NumberPart {
    FieldType type = FieldType::uint16;  // a whole number
    bool one_byte = false;
    WordOrder order = WordOrder::abcd;
    bool operator==(const NumberPart&) const = default;
};
TAUTGATE_FIELDS(LiteralPart, bytes);
TAUTGATE_FIELDS(DigitsPart, width);
TAUTGATE_FIELDS(NumberPart, type, one_byte, order);
using FramePart = std::variant<LiteralPart, DigitsPart, NumberPart>;
using FrameToSend = std::vector<FramePart>;

struct KeepAlive {
    std::chrono::milliseconds every{1000};
    FrameToSend frame;
    bool operator==(const KeepAlive&) const = default;
};
TAUTGATE_FIELDS(KeepAlive, every, frame);

struct ProgramNumber {
    std::uint32_t number = 0;
    std::string text;  // as the plans' passes name it
    bool operator==(const ProgramNumber&) const = default;
};
TAUTGATE_FIELDS(ProgramNumber, number, text);

// Of a tool that runs only while it is let: it says with `enabled` of a status that it did.
struct FrameControl {
    FrameToSend enable;
    FrameToSend disable;
    std::optional<FrameToSend> program;  // with the number, sent before `enable`
    std::vector<ProgramNumber> programs;
    bool operator==(const FrameControl&) const = default;
};
TAUTGATE_FIELDS(FrameControl, enable, disable, program, programs);

struct FrameProfile {
    std::string name;
    Framing framing;
    std::optional<FrameChecksum> checksum;
    FrameContent content;
    // The first whose `when` fits is taken; a frame that fits none is refused as it came. Exactly one is a
    // result.
    std::vector<FrameMessage> messages;
    // Within a frame: what has not gone on for so long is given up.
    std::chrono::milliseconds pause{500};
    std::vector<FrameToSend> on_connect;
    std::optional<KeepAlive> keep_alive;
    std::optional<FrameToSend> acknowledge;  // of each result, once it is stored
    std::optional<FrameControl> control;
    // What its link is said to detect; the check finds what follows from nothing above (link_errors.hpp).
    std::vector<LinkError> detects;
    MeasuringRange range;
    bool operator==(const FrameProfile&) const = default;
};
TAUTGATE_FIELDS(FrameProfile, name, framing, checksum, content, messages, pause, on_connect, keep_alive,
                acknowledge, control, detects, range);

// The one message that is a result; none: the profile has a fault.
[[nodiscard]] const ResultMessage* result_of(const FrameProfile& profile) noexcept;
// Whether some status tells the count of the newest result.
[[nodiscard]] bool tells_newest(const FrameProfile& profile) noexcept;

// All mistakes, one each; places as for a register profile.
[[nodiscard]] std::vector<ProfileFault> check(const FrameProfile& profile);

}  // namespace tautgate::protocol
