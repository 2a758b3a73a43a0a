// What one run of a tool told us, before anybody judges it: the values as received beside the converted
// ones. A reading knows no joint, no unit and no limit of ours. Pure values; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>

#include "protocol/quantity.hpp"

namespace tautgate::protocol {

// The tool sent nothing for this quantity.
struct Absent {
    constexpr bool operator==(const Absent&) const = default;
};
TAUTGATE_NO_FIELDS(Absent);

// The tool sent something that is no measurement. It is never replaced by an earlier or a default value.
struct Unreadable {
    Unusable why = Unusable::unreadable;
    constexpr bool operator==(const Unreadable&) const = default;
};
TAUTGATE_FIELDS(Unreadable, why);

template <class Quantity>
using Measured = std::variant<Absent, Unreadable, Quantity>;

enum class ToolVerdict : std::uint8_t { absent, ok, not_ok };
TAUTGATE_ENUM(ToolVerdict, absent, ok, not_ok);

enum class Direction : std::uint8_t { tighten, loosen };
TAUTGATE_ENUM(Direction, tighten, loosen);

// The limits under which the tool itself judged. Where they differ from ours, the tool ran another program.
struct ToolLimits {
    std::optional<Torque> torque_min;
    std::optional<Torque> torque_max;
    std::optional<Angle> angle_min;
    std::optional<Angle> angle_max;
    bool operator==(const ToolLimits&) const = default;
};
TAUTGATE_FIELDS(ToolLimits, torque_min, torque_max, angle_min, angle_max);

// The texts exactly as the tool sent them; empty where it sent none.
struct AsReceived {
    std::string torque;
    std::string torque_unit;
    std::string angle;
    std::string stamp;
    std::string raw;  // the whole frame or register block, exact bytes
    bool operator==(const AsReceived&) const = default;
};
TAUTGATE_FIELDS(AsReceived, torque, torque_unit, angle, stamp, raw);

struct Reading {
    std::uint64_t counter = 0;  // the tool's own count of results
    std::string program;        // empty: the tool names none
    Direction direction = Direction::tighten;
    bool aborted = false;                   // ended before anything was measured
    Measured<Torque> torque;                // final torque
    Measured<Angle> angle;                  // final angle, counted from the origin that the spec window names
    std::optional<std::uint32_t> position;  // fastener number 1.., if the tool knows it
    ToolVerdict tool_verdict = ToolVerdict::absent;
    std::string tool_reason;  // the tool's own word for it, never dropped
    ToolLimits tool_limits;
    std::optional<std::int64_t> stamp_utc_us;  // the tool's own time stamp, microseconds since 1970
    AsReceived received;
    bool operator==(const Reading&) const = default;
};
TAUTGATE_FIELDS(Reading, counter, program, direction, aborted, torque, angle, position, tool_verdict,
                tool_reason, tool_limits, stamp_utc_us, received);

}  // namespace tautgate::protocol
