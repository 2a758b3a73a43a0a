// How a secret comes in: typed at the terminal without being shown, or from a file that only its owner can
// read. Never from the command line, where every user of the computer could read it. Blocking.
#pragma once

#include <expected>
#include <string>
#include <string_view>

namespace tautgate::cli {

// Asks at the controlling terminal, even where standard input is something else. The error is one sentence.
[[nodiscard]] std::expected<std::string, std::string> ask_secret(std::string_view question);
// The first line of the file. A file that others may read is refused.
[[nodiscard]] std::expected<std::string, std::string> secret_from_file(const std::string& path);
// Whether a person says "yes" at the terminal; the error: there is none.
[[nodiscard]] std::expected<bool, std::string> ask_yes(std::string_view question);

}  // namespace tautgate::cli
