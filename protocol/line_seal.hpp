// Lines of the line protocol that bear a seal: both sides hold a key, and each line proves by HMAC-SHA-256
// (RFC 2104, FIPS 198-1) that it was written by the other side, on this connection, in this place of the
// sequence. LINE.md is the definition. It keeps nobody from reading.
//
// A seal belongs to one connection and is used by one thread.
#pragma once

#include <array>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/line.hpp"

namespace tautgate::protocol {

using SharedKey = std::array<std::uint8_t, 32>;

// 64 hexadecimal digits; an end of line after them is dropped.
[[nodiscard]] std::optional<SharedKey> shared_key_from(std::string_view text);
// A new one as such digits, from the system's source of chance.
[[nodiscard]] std::string fresh_shared_key();
[[nodiscard]] SharedKey hmac_sha256(std::string_view key, std::string_view text);

// Longest line with its seal, the end not counted.
inline constexpr std::size_t seal_length = 65;  // 64 digits and a space
inline constexpr std::size_t sealed_limit = line_limit + seal_length;
// Digits of a nonce in hello and challenge: 16 bytes from the system's source of chance.
inline constexpr std::size_t nonce_length = 32;
[[nodiscard]] bool is_nonce(std::string_view text);
[[nodiscard]] std::string fresh_nonce();

class LineSeal {
  public:
    enum class Side : std::uint8_t { tool, station };

    // `hello` is that line as it was sent, without its end; `nonce` is that of the challenge.
    LineSeal(const SharedKey& key, Side own, std::string_view hello, std::string_view nonce);

    // `line` with its newline, which stays at the end.
    [[nodiscard]] std::string seal(std::string_view line);
    // `line` without its end. After a fault nothing on this connection is to be believed.
    [[nodiscard]] std::expected<std::string_view, LineFault> open(std::string_view line);

  private:
    [[nodiscard]] std::string mac(Side writer, std::uint64_t number, std::string_view line) const;

    std::string session_;
    Side own_;
    std::uint64_t sealed_ = 0;
    std::uint64_t opened_ = 0;
};

}  // namespace tautgate::protocol
