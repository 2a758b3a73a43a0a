// Time stamps as tools and records write them: RFC 3339 texts on the outside, microseconds since
// 1970-01-01T00:00:00Z inside (UTC without leap seconds, as POSIX counts). A text that is not valid is
// refused, never repaired. Pure functions; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

struct UtcStamp {
    std::int64_t micros = 0;
    bool leap_second = false;  // the text said second 60; micros is the last microsecond before the next day
    constexpr bool operator==(const UtcStamp&) const = default;
};
TAUTGATE_FIELDS(UtcStamp, micros, leap_second);

// Reads an RFC 3339 date-time, years 0000 to 9999, any offset below 24 hours. Digits beyond the microsecond
// are cut off, not rounded. Second 60 is accepted only where UTC can have it: as the last of 30 June or
// 31 December; whether that year really had one is not checked, since no built-in list stays true.
[[nodiscard]] std::optional<UtcStamp> parse_utc(std::string_view text) noexcept;

// Always UTC with six decimals and "Z", so that texts sort as the instants do: "2026-11-25T06:14:03.120000Z".
// Instants outside the years 0000 to 9999 get a signed year, or beyond 16 bits of years the signed count with
// "us"; parse_utc refuses both.
[[nodiscard]] std::string utc_text(std::int64_t micros);

}  // namespace tautgate::protocol
