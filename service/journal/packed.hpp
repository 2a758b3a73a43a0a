// Bytes kept small: one Zstandard frame (RFC 8878) that says how long its content is and has a checksum, so
// that any program that knows the format reads it. What comes back is bounded, whatever the frame claims.
// Pure; any thread.
#pragma once

#include <cstddef>
#include <expected>
#include <string>
#include <string_view>

namespace tautgate::journal {

[[nodiscard]] std::string packed(std::string_view bytes);

// The content of a frame that packed() made; the error is the end of a sentence.
[[nodiscard]] std::expected<std::string, std::string> unpacked(std::string_view frame, std::size_t most);

}  // namespace tautgate::journal
