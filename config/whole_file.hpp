// Reads a file that somebody named, whole. A folder, a device or a pipe is told instead of being waited for
// or read without end, and so is a file of more bytes than its reader can mean. Blocking; any thread.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>
#include <string>

namespace tautgate::config {

// The error says why, as a clause: "there is no such file", "this is no regular file".
[[nodiscard]] std::expected<std::string, std::string> whole_file(const std::filesystem::path& path,
                                                                 std::uintmax_t most_bytes);

}  // namespace tautgate::config
