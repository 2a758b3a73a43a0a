// The curve of a polled tool's newest result: what is read for it, and where in that the samples lie. Pure;
// any thread. All but check_trace and trace_places ask for a profile with a trace in which check() finds no
// fault.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/register_plan.hpp"
#include "protocol/register_profile.hpp"
#include "protocol/trace_layout.hpp"

namespace tautgate::protocol {

// All mistakes of the profile's trace, places as in ProfileFault.
[[nodiscard]] std::vector<ProfileFault> check_trace(const RegisterProfile& profile);

// What is read before the samples and again after them: the count of the result, and what else is one number.
[[nodiscard]] BlockRange trace_head(const RegisterProfile& profile);

// Where the curve lies, head and samples; nothing: the profile has none. It may still have faults.
[[nodiscard]] std::vector<FieldPlace> trace_places(const RegisterProfile& profile);

struct TraceHead {
    std::uint64_t belongs_to = 0;  // as it stands in the registers, see raw_count
    std::size_t samples = 0;
    bool operator==(const TraceHead&) const = default;
};
// `words` are those of trace_head. The error is a sentence without its end.
[[nodiscard]] std::expected<TraceHead, std::string> trace_head_in(const RegisterProfile& profile,
                                                                  std::span<const std::uint16_t> words);

// What is read for so many samples, of which there is at least one, each block in one request, and where they
// lie in the bytes of all that was read: the words of the head and of the blocks, in a row, as they come over
// the wire.
struct TracePlan {
    std::vector<BlockRange> blocks;
    TraceLayout layout;
};
[[nodiscard]] TracePlan plan_trace(const RegisterProfile& profile, std::size_t samples);

}  // namespace tautgate::protocol
