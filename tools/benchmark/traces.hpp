// What a trace of a program's system calls says about one result: which calls lie between the arrival of one
// line and that of a later one. The trace is that of strace (Debian package of that name) with -f, one call a
// line.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>
#include <map>
#include <string>

namespace tautgate::benchmark {

// Calls by name, from the line that received the result with the counter `first` up to the one that received
// `last`.
[[nodiscard]] std::expected<std::map<std::string, std::uint64_t>, std::string>
calls_between(const std::filesystem::path& trace, std::uint64_t first, std::uint64_t last);

}  // namespace tautgate::benchmark
