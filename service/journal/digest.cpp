#include "service/journal/digest.hpp"

#include <algorithm>

#include <sodium.h>

#include "service/interlock/canonical.hpp"

namespace tautgate::journal {
namespace {

// libsodium takes unsigned bytes.
const unsigned char* unsigned_bytes(std::string_view bytes) noexcept {
    return reinterpret_cast<const unsigned char*>(bytes.data());
}

}  // namespace

Hash sha256(std::string_view bytes) noexcept { return sha256(bytes, {}); }

Hash sha256(std::string_view first, std::string_view second) noexcept {
    crypto_hash_sha256_state state;
    crypto_hash_sha256_init(&state);
    crypto_hash_sha256_update(&state, unsigned_bytes(first), first.size());
    crypto_hash_sha256_update(&state, unsigned_bytes(second), second.size());
    Hash hash{};
    static_assert(sizeof(Hash) == crypto_hash_sha256_BYTES);
    crypto_hash_sha256_final(&state, hash.data());
    return hash;
}

std::string_view bytes_of(const Hash& hash) noexcept {
    return {reinterpret_cast<const char*>(hash.data()), hash.size()};
}

std::string hex(const Hash& hash) {
    std::string text(2 * hash.size() + 1, '\0');
    sodium_bin2hex(text.data(), text.size(), hash.data(), hash.size());
    text.pop_back();
    return text;
}

std::optional<Hash> hash_from_hex(std::string_view text) noexcept {
    const bool lower =
        std::ranges::all_of(text, [](char c) { return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'); });
    Hash hash{};
    if (!lower || text.size() != 2 * hash.size())
        return std::nullopt;
    if (sodium_hex2bin(hash.data(), hash.size(), text.data(), text.size(), nullptr, nullptr, nullptr) != 0)
        return std::nullopt;
    return hash;
}

Hash genesis(std::string_view journal_id) { return sha256("tautgate journal 1 ", journal_id); }

Hash chained(const Hash& before, std::string_view body) noexcept { return sha256(bytes_of(before), body); }

std::string decision_digest(const interlock::State& after, const interlock::Record& record) {
    return hex(sha256(interlock::canonical_bytes(after), interlock::canonical_bytes(record)));
}

}  // namespace tautgate::journal
