// Instants as tools write them in a text of their own pattern. Internal to this folder. Pure; any thread.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string_view>

namespace tautgate::protocol {

// Where year, month, day, hour, minute and second begin in the text.
using StampParts = std::array<std::size_t, 6>;
// Nothing: the pattern has not each of YYYY, MM, DD, hh, mm and ss once.
[[nodiscard]] std::optional<StampParts> stamp_parts(std::string_view pattern);
// Microseconds since 1970 if the text were UTC; nothing: it is not of the pattern, or no instant.
[[nodiscard]] std::optional<std::int64_t> stamp_in(std::string_view pattern, std::string_view text);

}  // namespace tautgate::protocol
