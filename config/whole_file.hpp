// Reads a file that somebody named, whole. A folder, a device or a pipe is told instead of being waited for
// or read without end, and so is a file of more bytes than its reader can mean. Blocking; any thread.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>
#include <string>

namespace tautgate::config {

// The error says why, as a clause: "there is no such file", "this is a folder, and no file".
[[nodiscard]] std::expected<std::string, std::string> whole_file(const std::filesystem::path& path,
                                                                 std::uintmax_t most_bytes);

// As whom this program opens files, for a sentence: "tautgate", or its number where it has no name.
[[nodiscard]] std::string this_user();

}  // namespace tautgate::config
