#include "service/people/credential.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <cerrno>
#include <string_view>

#include <sodium.h>

namespace tautgate::people {
namespace {

// More than any cost that we would store: a damaged text must not make the service take all memory.
constexpr std::uint64_t stored_memory_kib_max = 1024 * 1024;

bool is_digit(char c) noexcept { return c >= '0' && c <= '9'; }

bool sodium_is_ready() noexcept { return sodium_init() >= 0; }

// Characters of UTF-8 text: every byte that does not continue one.
std::size_t characters(std::string_view text) noexcept {
    return static_cast<std::size_t>(std::count_if(
        text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

// Every digit differs from the one `period` places before by the same step: 111111, 123456, 246802, 121212.
bool one_step(std::string_view digits, std::size_t period) noexcept {
    const int step = digits[period] - digits[0];
    for (std::size_t i = period; i < digits.size(); ++i)
        if ((digits[i] - digits[i - period] - step) % 10 != 0)
            return false;
    return true;
}

bool easily_guessed(std::string_view digits) noexcept {
    return one_step(digits, 1) || one_step(digits, 2) || one_step(digits, 3);
}

std::optional<SecretFault> weakness_of_pin(std::string_view digits) {
    if (digits.size() < pin_digits_min)
        return SecretFault{"the PIN has fewer than 6 digits", "choose a PIN of 6 digits or more"};
    if (easily_guessed(digits))
        return SecretFault{"the PIN follows a simple pattern and is among the first that anybody tries",
                           "choose 6 digits that neither repeat nor run in steps"};
    return std::nullopt;
}

std::optional<std::uint64_t> stored_memory_kib(std::string_view stored) noexcept {
    constexpr std::string_view key = "$m=";
    const auto at = stored.find(key);
    if (at == std::string_view::npos)
        return std::nullopt;
    std::uint64_t value = 0;
    std::size_t digits = 0;
    for (std::size_t i = at + key.size(); i < stored.size() && is_digit(stored[i]); ++i, ++digits) {
        if (digits == 10)
            return std::nullopt;
        value = value * 10 + static_cast<std::uint64_t>(stored[i] - '0');
    }
    return digits == 0 ? std::nullopt : std::optional{value};
}

bool readable(std::string_view stored) noexcept {
    if (!stored.starts_with("$argon2id$") || stored.size() >= crypto_pwhash_STRBYTES)
        return false;
    const auto memory = stored_memory_kib(stored);
    return memory && *memory <= stored_memory_kib_max;
}

}  // namespace

std::optional<SecretFault> weakness(const Secret& secret) {
    const auto text = secret.reveal();
    if (text.size() > secret_bytes_max)
        return SecretFault{"the secret is longer than 256 bytes", "choose a shorter one"};
    if (!text.empty() && std::all_of(text.begin(), text.end(), is_digit))
        return weakness_of_pin(text);
    if (characters(text) < passphrase_characters_min)
        return SecretFault{"the passphrase has fewer than 10 characters",
                           "choose at least 10 characters, or a PIN of 6 digits or more"};
    if (std::all_of(text.begin(), text.end(), [&](char c) { return c == text.front(); }))
        return SecretFault{"the passphrase is one character over and over",
                           "choose words that only you would put together"};
    return std::nullopt;
}

std::expected<std::string, SecretFault> hash_secret(const Secret& secret, const HashCost& cost) {
    const bool ready = sodium_is_ready();
    assert(ready);
    const auto text = secret.reveal();
    std::array<char, crypto_pwhash_STRBYTES> out{};
    if (crypto_pwhash_str_alg(out.data(), text.data(), text.size(), cost.passes, cost.memory_kib * 1024,
                              crypto_pwhash_ALG_ARGON2ID13) != 0)
        return std::unexpected(
            SecretFault{"the secret could not be hashed: " + std::to_string(cost.memory_kib / 1024) +
                            " MiB of memory were not to be had",
                        "free memory on the station PC and try again"});
    return std::string(out.data());
}

Verification verify_secret(const std::string& stored, const Secret& secret) {
    const bool ready = sodium_is_ready();
    assert(ready);
    if (!readable(stored))
        return Verification::not_checkable;
    const auto text = secret.reveal();
    // libsodium tells "another secret" (EINVAL) from "could not compute" by errno alone.
    errno = 0;
    if (crypto_pwhash_str_verify(stored.c_str(), text.data(), text.size()) == 0)
        return Verification::right;
    return errno == EINVAL ? Verification::wrong : Verification::not_checkable;
}

}  // namespace tautgate::people
