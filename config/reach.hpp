// Why something that a description names cannot be reached, where the error's number does not tell: what else
// lies at the name of a serial line, whether a computer's name has an address, that nobody answered. The
// words are those of the service and of the commands that connect without it. Any thread.
#pragma once

#include <chrono>
#include <optional>
#include <string>
#include <string_view>

namespace tautgate::config {

// "a folder"; empty: it may well be a serial line, or nothing is there.
[[nodiscard]] std::string_view what_else_it_is(const std::string& device);

// With the remedy. `kind` is of what_else_it_is().
[[nodiscard]] std::string no_serial_line(const std::string& device, std::string_view kind);

// Why the host has no address, in the resolver's words; none: it has one. Asks, and waits for the answer.
[[nodiscard]] std::optional<std::string> why_no_address(const std::string& host);

// With the remedy. `why` is of the resolver.
[[nodiscard]] std::string unknown_name(std::string_view why);

[[nodiscard]] std::string no_answer_within(std::chrono::milliseconds time);

}  // namespace tautgate::config
