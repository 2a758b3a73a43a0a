#include "protocol/line_seal.hpp"

#include <algorithm>
#include <charconv>
#include <stdexcept>

#include <fmt/format.h>
#include <sodium.h>

namespace tautgate::protocol {

namespace {

constexpr std::string_view purpose = "tautgate line seal 1";

std::string hex_of(std::span<const std::uint8_t> bytes) {
    std::string text;
    text.reserve(2 * bytes.size());
    for (const std::uint8_t byte : bytes)
        text += fmt::format("{:02x}", byte);
    return text;
}

std::string_view as_text(const SharedKey& key) {
    return {reinterpret_cast<const char*>(key.data()), key.size()};
}

bool is_hex(std::string_view text) {
    return std::ranges::all_of(text, [](char c) {
        return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f') || (c >= 'A' && c <= 'F');
    });
}

template <std::size_t Bytes>
std::string drawn_digits() {
    if (sodium_init() < 0)
        throw std::runtime_error("the system's source of chance is not there");
    std::array<std::uint8_t, Bytes> bytes{};
    randombytes_buf(bytes.data(), bytes.size());
    return hex_of(bytes);
}

LineFault unsealed(std::string what, std::string_view line) {
    return {std::move(what), "use the same key at both sides, and connect again",
            std::string(line.substr(0, line_limit))};
}

}  // namespace

std::optional<SharedKey> shared_key_from(std::string_view text) {
    while (!text.empty() && (text.back() == '\n' || text.back() == '\r' || text.back() == ' '))
        text.remove_suffix(1);
    SharedKey key{};
    if (text.size() != 2 * key.size() || !is_hex(text))
        return std::nullopt;
    for (std::size_t i = 0; i < key.size(); ++i)
        std::from_chars(text.data() + 2 * i, text.data() + 2 * i + 2, key[i], 16);
    return key;
}

SharedKey hmac_sha256(std::string_view key, std::string_view text) {
    crypto_auth_hmacsha256_state state;
    SharedKey mac{};
    static_assert(mac.size() == crypto_auth_hmacsha256_BYTES);
    crypto_auth_hmacsha256_init(&state, reinterpret_cast<const unsigned char*>(key.data()), key.size());
    crypto_auth_hmacsha256_update(&state, reinterpret_cast<const unsigned char*>(text.data()), text.size());
    crypto_auth_hmacsha256_final(&state, mac.data());
    return mac;
}

bool is_nonce(std::string_view text) { return text.size() == nonce_length && is_hex(text); }

std::string fresh_nonce() { return drawn_digits<nonce_length / 2>(); }

std::string fresh_shared_key() { return drawn_digits<std::tuple_size_v<SharedKey>>(); }

LineSeal::LineSeal(const SharedKey& key, Side own, std::string_view hello, std::string_view nonce)
    : session_(as_text(hmac_sha256(as_text(key), fmt::format("{}\n{}\n{}", purpose, hello, nonce)))),
      own_(own) {}

std::string LineSeal::mac(Side writer, std::uint64_t number, std::string_view line) const {
    return hex_of(hmac_sha256(
        session_, fmt::format("{}\n{}\n{}", writer == Side::tool ? "tool" : "station", number, line)));
}

std::string LineSeal::seal(std::string_view line) {
    const std::string_view content = line.substr(0, line.find('\n'));
    return fmt::format("{} {}\n", mac(own_, sealed_++, content), content);
}

std::expected<std::string_view, LineFault> LineSeal::open(std::string_view line) {
    if (line.size() <= seal_length || line[seal_length - 1] != ' ')
        return std::unexpected(unsealed("a line without a seal", line));
    const std::string_view content = line.substr(seal_length);
    const Side other = own_ == Side::tool ? Side::station : Side::tool;
    const std::string wanted = mac(other, opened_++, content);
    // In a time that does not tell how much of it was right.
    if (sodium_memcmp(wanted.data(), line.data(), wanted.size()) != 0)
        return std::unexpected(
            unsealed("a line whose seal is wrong: of another key, changed on its way, or sent again", line));
    return content;
}

}  // namespace tautgate::protocol
