// Which errors of a message a tool's link detects, after OPC 10000-15, table 2: what follows from the
// profile, and nothing that only usually goes well. An 8-bit sum lets one disturbed frame in 256 through and
// is no detection here. Pure; any thread.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/frame_profile.hpp"
#include "protocol/link_error.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

// Where the highest number of a count lies less than this above the lowest, the count comes round so soon
// that an old frame passes for the next result, and lost results for none. A count of eight bits goes so far,
// one that leaves out the 0 included; that is more than any device sends again (no source: taken so).
inline constexpr std::uint64_t shortest_count_span = 254;

// In the order of the enum.
[[nodiscard]] std::vector<LinkError> detected(const FrameProfile& profile);
// `serial`: on a serial line, where each frame has a CRC-16.
[[nodiscard]] std::vector<LinkError> detected(const RegisterProfile& profile, bool serial);
// Of the line protocol; `keyed`: each line bears a seal.
[[nodiscard]] std::vector<LinkError> detected_by_lines(bool keyed);

// Whether each status that tells the newest count tells its epoch, where results have one: else a count that
// began anew could pass for the one before.
[[nodiscard]] bool newest_has_epoch(const FrameProfile& profile) noexcept;

[[nodiscard]] bool detects(const std::vector<LinkError>& detected, LinkError error) noexcept;

// "corruption", "wrong sequence".
[[nodiscard]] std::string_view link_error_text(LinkError error) noexcept;

// Why a tool that sends frames by this profile does not detect it, and what would have to be added.
struct NotDetected {
    std::string why;
    std::string remedy;
};
[[nodiscard]] NotDetected why_not(const FrameProfile& profile, LinkError error);

}  // namespace tautgate::protocol
