// The frames that the station sends: their parts put together, start, length, checksum and end around them,
// so that whoever splits by the same profile gets the content back. Pure; any thread.
#pragma once

#include <cstdint>
#include <expected>
#include <string>
#include <string_view>

#include "protocol/frame_profile.hpp"

namespace tautgate::protocol {

// `number` is the count or the number of a program, where a part asks for one. The error is a number that has
// no room in its part, or content that has no form in this framing.
[[nodiscard]] std::expected<std::string, std::string>
compose(const FrameProfile& profile, const FrameToSend& frame, std::uint64_t number = 0);
// A frame around this content.
[[nodiscard]] std::expected<std::string, std::string> frame_around(const FrameProfile& profile,
                                                                   std::string_view content);

}  // namespace tautgate::protocol
