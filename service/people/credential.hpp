// How a person's secret is kept: as Argon2id (RFC 9106) in the PHC text form, with a salt of its own. Hashing
// takes tenths of a second and tens of MiB by intent, so the loop never calls these; verifier.hpp runs them
// on a worker, one at a time. In doubt (damaged text, no memory) nobody is signed in.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <string>

#include "service/people/secret.hpp"

namespace tautgate::people {

// What one guess costs. RFC 9106 section 4, second recommendation: 3 passes over 64 MiB; libsodium computes
// with one lane.
struct HashCost {
    std::uint64_t passes = 3;              // 1..
    std::uint64_t memory_kib = 64 * 1024;  // 8..
    bool operator==(const HashCost&) const = default;
};

// Why a secret cannot be taken, and what would do.
struct SecretFault {
    std::string what;
    std::string remedy;
    bool operator==(const SecretFault&) const = default;
};

inline constexpr std::size_t pin_digits_min = 6;
inline constexpr std::size_t passphrase_characters_min = 10;
inline constexpr std::size_t secret_bytes_max = 256;

// A PIN has at least 6 digits, not all in one step (111111, 123456, 975310, 121212); anything else is a
// passphrase of at least 10 characters that are not all the same. Nothing: it will do.
[[nodiscard]] std::optional<SecretFault> weakness(const Secret& secret);

// The text to store. Fails when memory is short.
[[nodiscard]] std::expected<std::string, SecretFault> hash_secret(const Secret& secret, const HashCost& cost);

enum class Verification : std::uint8_t {
    right,
    wrong,
    not_checkable  // no memory, or the stored text is damaged: says nothing about the secret
};
[[nodiscard]] Verification verify_secret(const std::string& stored, const Secret& secret);

}  // namespace tautgate::people
