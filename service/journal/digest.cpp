#include "service/journal/digest.hpp"

#include <algorithm>
#include <cassert>
#include <memory>

#include <openssl/evp.h>
#include <sodium.h>

#include "service/interlock/canonical.hpp"

namespace tautgate::journal {
namespace {

// One for each thread, since making one costs more than the digest of a small event. OpenSSL rather than
// libsodium: it uses what the processor offers for SHA-256, and digests are half of what a result costs.
struct FreeDigest {
    void operator()(EVP_MD_CTX* context) const noexcept { EVP_MD_CTX_free(context); }
};

EVP_MD_CTX* digest_context() noexcept {
    thread_local const std::unique_ptr<EVP_MD_CTX, FreeDigest> context{EVP_MD_CTX_new()};
    return context.get();
}

}  // namespace

Hash sha256(std::string_view bytes) noexcept { return sha256(bytes, {}); }

Hash sha256(std::string_view first, std::string_view second) noexcept {
    static const EVP_MD* const algorithm = EVP_MD_fetch(nullptr, "SHA256", nullptr);  // for good
    EVP_MD_CTX* const context = digest_context();
    Hash hash{};
    unsigned size = 0;
    // Fails only without memory; then nothing can be recorded any more.
    const bool done = context != nullptr && EVP_DigestInit_ex(context, algorithm, nullptr) == 1 &&
                      EVP_DigestUpdate(context, first.data(), first.size()) == 1 &&
                      EVP_DigestUpdate(context, second.data(), second.size()) == 1 &&
                      EVP_DigestFinal_ex(context, hash.data(), &size) == 1;
    assert(done && size == hash.size());
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

std::uint64_t short_name(const Hash& hash) noexcept {
    std::uint64_t name = 0;
    for (std::size_t i = 0; i < sizeof name; ++i)
        name = name << 8U | hash[i];
    return name;
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

std::string netstring(std::string_view text) {
    return std::to_string(text.size()) + ":" + std::string(text) + ",";
}

Hash genesis(std::string_view journal_id, std::string_view station) {
    return sha256("tautgate journal 1 ", netstring(journal_id) + netstring(station));
}

Hash chained(const Hash& before, std::string_view body) noexcept { return sha256(bytes_of(before), body); }

std::string decision_digest(const interlock::State& after, const interlock::Record& record) {
    return hex(sha256(interlock::canonical_bytes(after), interlock::canonical_bytes(record)));
}

}  // namespace tautgate::journal
