// What guards a frame: the text before its checksum and the checksum, as they stand on the wire. Internal to
// this folder. Pure; any thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

#include "protocol/frame_profile.hpp"

namespace tautgate::protocol {

// Bytes that both take up on the wire; 0 without a checksum.
[[nodiscard]] std::size_t guard_length(const FrameProfile& profile) noexcept;
// What guards these bytes; nothing without a checksum.
[[nodiscard]] std::string guard_of(const FrameProfile& profile, std::string_view covered);
// Whether `guard`, of the right length, is right for bytes with this sum.
[[nodiscard]] bool is_right(const FrameChecksum& checksum, std::uint16_t sum, std::string_view guard);
// Empty: it is right; otherwise what is wrong with it, as a sentence without its end.
[[nodiscard]] std::string guard_fault(const FrameChecksum& checksum, std::uint16_t sum,
                                      std::string_view guard);

// The bytes that the checksum covers. `head` is start and length.
[[nodiscard]] std::string covered_by(const FrameProfile& profile, std::string_view head,
                                     std::string_view content);

// The bytes of the length of a frame.
[[nodiscard]] std::size_t length_bytes(const LengthPrefixed& framing) noexcept;
// Start and length, or the start byte: what stands before the content.
[[nodiscard]] std::size_t head_bytes(const FrameProfile& profile) noexcept;

}  // namespace tautgate::protocol
