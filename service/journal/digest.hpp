// SHA-256 (FIPS 180-4) as the journal uses it: the chain over the stored bytes and the digests of texts and
// decisions. The exact rule of the chain is in RECORD.md. Pure; any thread.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "service/interlock/decide.hpp"

namespace tautgate::journal {

using Hash = std::array<std::uint8_t, 32>;

[[nodiscard]] Hash sha256(std::string_view bytes) noexcept;
// Of both, one after the other.
[[nodiscard]] Hash sha256(std::string_view first, std::string_view second) noexcept;

[[nodiscard]] std::string_view bytes_of(const Hash& hash) noexcept;
[[nodiscard]] std::string hex(const Hash& hash);
// The first 64 bits, the first byte highest: tells received bytes apart that were sent under one number.
[[nodiscard]] std::uint64_t short_name(const Hash& hash) noexcept;
// 64 lower-case digits, nothing else.
[[nodiscard]] std::optional<Hash> hash_from_hex(std::string_view text) noexcept;

// With its length in front, so that of several texts, one after the other, no part can be moved into another.
[[nodiscard]] std::string netstring(std::string_view text);
// What stands before the first event of a journal: ties the chain to this journal of this station and no
// other.
[[nodiscard]] Hash genesis(std::string_view journal_id, std::string_view station);
// Of the event whose stored bytes are `body`.
[[nodiscard]] Hash chained(const Hash& before, std::string_view body) noexcept;

// Hex. Covers the whole state that the decision led to and everything that was recorded of it.
[[nodiscard]] std::string decision_digest(const interlock::State& after, const interlock::Record& record);

}  // namespace tautgate::journal
