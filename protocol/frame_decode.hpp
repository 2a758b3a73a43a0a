// What a frame says. Pure; any thread.
//
// In doubt nothing is made up: one value that is no measurement becomes Unreadable in an otherwise whole
// reading; a frame that cannot be understood is a DecodeFault.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "protocol/frame_profile.hpp"
#include "protocol/frame_splitter.hpp"
#include "protocol/reading.hpp"
#include "protocol/register_decode.hpp"
#include "protocol/trace.hpp"

namespace tautgate::protocol {

// The reading's counter is the number in the frame, or 0 without one; FrameCount gives the one to use.
// `content` is what the profile names, in a form that is equal for equal values: by it a result that is sent
// again is known. `mark` is the stamp as it stands, of a tool that shows by it that a result is new.
struct FrameResult {
    Reading reading;
    std::string epoch;
    std::string content;
    std::string mark;
    bool operator==(const FrameResult&) const = default;
};
struct FrameStatus {
    std::optional<std::uint64_t> newest;  // as it stands
    std::optional<std::string> epoch;
    std::optional<bool> enabled;
    std::optional<std::string> program;
    bool operator==(const FrameStatus&) const = default;
};
struct FrameTrace {
    std::uint64_t belongs_to = 0;  // as it stands
    Trace trace;
    bool operator==(const FrameTrace&) const = default;
};
struct FrameOther {
    std::string name;  // of the message
    bool operator==(const FrameOther&) const = default;
};
using FrameHeard = std::variant<FrameResult, FrameStatus, FrameTrace, FrameOther>;

// check(profile) found nothing.
[[nodiscard]] std::expected<FrameHeard, DecodeFault> decode(const FrameProfile& profile,
                                                            const WholeFrame& frame);

// One value of a message, for a person who looks.
struct FrameRow {
    std::string place;  // "column 4 to 9", "index 3", "key TQ", "/torque", "byte 8, float32 dcba"
    std::string field;  // "torque", "counter"
    std::string raw;    // the text, or the bytes in hex
    std::string value;  // what it means; empty: it does not decode
    std::string why;    // why not
    bool operator==(const FrameRow&) const = default;
};
struct FrameExplained {
    std::string message;  // its name; empty: no message fits
    std::vector<FrameRow> rows;
    std::string why;  // why the whole is not understood
    bool operator==(const FrameExplained&) const = default;
};
[[nodiscard]] FrameExplained explain(const FrameProfile& profile, const WholeFrame& frame);

}  // namespace tautgate::protocol
