// The station's own line protocol for tools on TCP: newline-delimited JSON, one object a line. LINE.md beside
// this file is its definition, complete enough to build a tool from. Pure values and functions; a splitter
// belongs to one connection and is used by one thread.
//
// In doubt nothing is made up: a measured value that is no measurement becomes Unreadable in an otherwise
// whole reading, with a note in words; a line that cannot be understood is a LineFault that holds the bytes.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/quantity.hpp"
#include "protocol/reading.hpp"
#include "protocol/trace_line.hpp"

namespace tautgate::protocol {

// Most bytes of a line, its end not counted.
inline constexpr std::size_t line_limit = 4096;

// Why a line was not taken. `what` and `remedy` are one sentence each, fit for `refused` and for the log.
struct LineFault {
    std::string what;
    std::string remedy;
    std::string raw;  // the bytes; of a line that is too long the first line_limit
    bool operator==(const LineFault&) const = default;
};
TAUTGATE_FIELDS(LineFault, what, remedy, raw);

// ---- tool -> station ------------------------------------------------------------------------------------

// First line of every connection.
struct Hello {
    std::string tool;
    std::string epoch;       // the tool's own name for its time since the last restart; never empty
    std::uint64_t last = 0;  // counter of its newest result in this epoch, 0: none yet
    std::string nonce = {};  // of a tool with a key, see line_seal.hpp; empty: it has none
    bool operator==(const Hello&) const = default;
};
TAUTGATE_FIELDS(Hello, tool, epoch, last, nonce);

struct LineResult {
    Reading reading;
    std::vector<std::string> notes;  // one sentence for each value that could not be used, and why
    bool operator==(const LineResult&) const = default;
};
TAUTGATE_FIELDS(LineResult, reading, notes);

// Sign of life, both ways. The station numbers its own; the tool answers each at once with its number, so
// that the station knows how old what it hears is.
struct Beat {
    std::uint64_t number = 0;  // 0: none
    constexpr bool operator==(const Beat&) const = default;
};
TAUTGATE_FIELDS(Beat, number);

// Whether the tool may run: the answer to each order, and sent again whenever it changes.
struct ToolSays {
    std::uint64_t order = 0;  // the number of the order that it had last
    bool enabled = false;
    std::string program;     // that it is set to; empty: it does not say
    std::uint64_t last = 0;  // counter of its newest result in this epoch, 0: none yet
    bool operator==(const ToolSays&) const = default;
};
TAUTGATE_FIELDS(ToolSays, order, enabled, program, last);

using LineMessage = std::variant<Hello, LineResult, Beat, ToolSays, TracePart>;

// `line` without its end. `range` is that of the tool on this connection; its resolutions are positive.
[[nodiscard]] std::expected<LineMessage, LineFault> parse_line(std::string_view line,
                                                               const MeasuringRange& range);

// Whether a line that was refused may have told of a result: whatever does not begin as another message, or
// names one beside it.
[[nodiscard]] bool may_be_result(std::string_view line) noexcept;

// ---- station -> tool ------------------------------------------------------------------------------------

struct Welcome {
    std::uint64_t resend_from = 0;  // counter of the first result that the station wants to see
    bool operator==(const Welcome&) const = default;
};
TAUTGATE_FIELDS(Welcome, resend_from);

// The answer to the hello of a tool with a key: from here on every line bears a seal.
struct Challenge {
    std::string nonce;
    bool operator==(const Challenge&) const = default;
};
TAUTGATE_FIELDS(Challenge, nonce);

// All results up to this counter are stored for good.
struct Acknowledge {
    std::uint64_t counter = 0;
    bool operator==(const Acknowledge&) const = default;
};
TAUTGATE_FIELDS(Acknowledge, counter);

// The trace of this result is stored for good.
struct TraceStored {
    std::uint64_t counter = 0;
    bool operator==(const TraceStored&) const = default;
};
TAUTGATE_FIELDS(TraceStored, counter);

struct Refused {
    std::string why;
    std::string remedy;
    bool operator==(const Refused&) const = default;
};
TAUTGATE_FIELDS(Refused, why, remedy);

// The tool may run, with this program where one is named, until it is told otherwise or the connection ends.
struct Enable {
    std::uint64_t order = 0;
    std::string program;
    bool operator==(const Enable&) const = default;
};
TAUTGATE_FIELDS(Enable, order, program);
struct Disable {
    std::uint64_t order = 0;
    bool operator==(const Disable&) const = default;
};
TAUTGATE_FIELDS(Disable, order);

using StationMessage =
    std::variant<Welcome, Acknowledge, TraceStored, Refused, Beat, Enable, Disable, Challenge>;

// All to_line functions give the whole line with its newline.
[[nodiscard]] std::string to_line(const Welcome& welcome);
[[nodiscard]] std::string to_line(const Acknowledge& acknowledge);
[[nodiscard]] std::string to_line(const Challenge& challenge);
[[nodiscard]] std::string to_line(const TraceStored& stored);
[[nodiscard]] std::string to_line(const Refused& refused);
[[nodiscard]] std::string to_line(const Beat& beat);
[[nodiscard]] std::string to_line(const Enable& enable);
[[nodiscard]] std::string to_line(const Disable& disable);

// ---- the tool's side --------------------------------------------------------------------------------------

// A number as the tool writes it, and its unit; the texts go out unchanged, so that a bad one can be sent.
struct WrittenValue {
    std::string value;
    std::string unit;
    bool operator==(const WrittenValue&) const = default;
};
TAUTGATE_FIELDS(WrittenValue, value, unit);

// What a tool sends; parse_line makes a Reading of it.
struct WrittenResult {
    std::uint64_t counter = 0;
    std::string program;
    Direction direction = Direction::tighten;
    bool aborted = false;
    std::optional<WrittenValue> torque;
    std::optional<WrittenValue> angle;
    ToolVerdict verdict = ToolVerdict::absent;
    std::string reason;
    std::optional<WrittenValue> torque_min;
    std::optional<WrittenValue> torque_max;
    std::optional<WrittenValue> angle_min;
    std::optional<WrittenValue> angle_max;
    std::optional<std::uint32_t> position;
    std::string stamp;
    bool operator==(const WrittenResult&) const = default;
};
TAUTGATE_FIELDS(WrittenResult, counter, program, direction, aborted, torque, angle, verdict, reason,
                torque_min, torque_max, angle_min, angle_max, position, stamp);

[[nodiscard]] std::string to_line(const Hello& hello);
[[nodiscard]] std::string to_line(const ToolSays& says);
[[nodiscard]] std::string to_line(const WrittenResult& result);
[[nodiscard]] std::expected<StationMessage, LineFault> parse_station_line(std::string_view line);

// ---- bytes -> lines
// -----------------------------------------------------------------------------------------

// Cuts a stream of bytes into lines. Feed what was read, then call next() until it has nothing more; never
// holds more than its limit of bytes and the last feed. A line that is too long, is not UTF-8 or holds a NUL
// is a fault, after which the splitter goes on with the next line.
class LineSplitter {
  public:
    void feed(std::string_view bytes);
    // From here on lines may be so long.
    void allow(std::size_t limit) noexcept { limit_ = limit; }
    // The view holds until the next call of feed or next. Ends of line: LF or CR LF. Empty lines are skipped.
    [[nodiscard]] std::optional<std::expected<std::string_view, LineFault>> next();
    // Bytes of a line whose end has not come yet. At the end of a connection they are no line.
    [[nodiscard]] std::size_t pending() const noexcept { return buffer_.size() - begin_; }

  private:
    std::string buffer_;
    std::size_t begin_ = 0;     // of what next() has not yet given
    std::size_t searched_ = 0;  // no newline before this place
    bool discarding_ = false;   // inside a line that was too long
    std::size_t limit_ = line_limit;
};

}  // namespace tautgate::protocol
