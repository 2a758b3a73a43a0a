#include "service/people/credential.hpp"

#include <type_traits>

#include <catch2/catch.hpp>

using namespace tautgate::people;

namespace {

// The least that the library computes: the tests are about our side of it.
constexpr HashCost cheap{.passes = 1, .memory_kib = 8};

Secret secret(std::string text) { return Secret(std::move(text)); }

}  // namespace

TEST_CASE("a secret verifies against its own hash and no other does") {
    const auto stored = hash_secret(secret("204816"), cheap);
    REQUIRE(stored);
    CHECK(stored->starts_with("$argon2id$v=19$m=8,t=1,p=1$"));
    CHECK(verify_secret(*stored, secret("204816")) == Verification::right);
    CHECK(verify_secret(*stored, secret("204817")) == Verification::wrong);
    CHECK(verify_secret(*stored, secret("20481")) == Verification::wrong);
    CHECK(verify_secret(*stored, secret("")) == Verification::wrong);
}

TEST_CASE("the same secret is stored differently each time") {
    CHECK(hash_secret(secret("204816"), cheap).value() != hash_secret(secret("204816"), cheap).value());
}

TEST_CASE("unless told otherwise, the cost is the second recommendation of RFC 9106 section 4") {
    const auto stored = hash_secret(secret("204816"), HashCost{});
    REQUIRE(stored);
    CHECK(stored->starts_with("$argon2id$v=19$m=65536,t=3,p=1$"));
    CHECK(verify_secret(*stored, secret("204816")) == Verification::right);
}

TEST_CASE("a damaged stored text is neither right nor wrong") {
    const auto stored = hash_secret(secret("204816"), cheap).value();
    for (const auto& damaged :
         {std::string{}, std::string{"204816"}, stored.substr(0, stored.rfind('$')),
          "$argon2i$" + stored.substr(10),
          std::string{"$argon2id$v=19$m=4294967295,t=1,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAA"},
          std::string(500, 'a')}) {
        CAPTURE(damaged);
        CHECK(verify_secret(damaged, secret("204816")) == Verification::not_checkable);
    }
}

TEST_CASE("more memory than there is gives a fault that names the remedy, not a hash") {
    const auto stored = hash_secret(secret("204816"), HashCost{.passes = 1, .memory_kib = 1ULL << 60U});
    REQUIRE_FALSE(stored);
    CHECK_FALSE(stored.error().remedy.empty());
}

TEST_CASE("secrets that are too easy are refused with what would do") {
    const auto* given = GENERATE("", "1", "12345", "111111", "123456", "654321", "135791", "121212", "123123",
                                 "890123", "00000000", "short", "ninechars", "aaaaaaaaaaaa", "äöüßäöüßä");
    CAPTURE(given);
    const auto fault = weakness(secret(given));
    REQUIRE(fault);
    CHECK_FALSE(fault->what.empty());
    CHECK_FALSE(fault->remedy.empty());
}

TEST_CASE("the refusal of a weak secret never repeats it") {
    const auto* given = GENERATE("12345", "482", "123123", "ninechars", "aaaaaaaaaaaa");
    const auto fault = weakness(secret(given));
    REQUIRE(fault);
    CHECK(fault->what.find(given) == std::string::npos);
    CHECK(fault->remedy.find(given) == std::string::npos);
}

TEST_CASE("six digits without a pattern, and passphrases of ten characters, will do") {
    const auto* given = GENERATE("204816", "9074135", "lift the bogie", "0123456789a", "äöüßäöüßäö");
    CAPTURE(given);
    CHECK_FALSE(weakness(secret(given)));
}

TEST_CASE("a secret of more than 256 bytes is refused") {
    CHECK(weakness(secret(std::string(255, 'a') + "bc")));
    CHECK_FALSE(weakness(secret(std::string(255, 'a') + "b")));
}

TEST_CASE("taking a secret over leaves nothing of it with the giver") {
    for (const auto& text :
         {std::string{"204816"}, std::string{"a passphrase longer than a short string holds"}}) {
        auto given = text;
        Secret taken(std::move(given));
        CHECK(given.empty());  // NOLINT(bugprone-use-after-move): the claim
        CHECK(std::string(given.data(), 6).find(text.substr(0, 6)) == std::string::npos);
        CHECK(taken.reveal() == text);
    }
}

TEST_CASE("wiping overwrites the bytes in place") {
    std::string text = "a passphrase longer than a short string holds";
    const char* place = text.data();
    const auto length = text.size();
    wipe(text);
    CHECK(text.empty());
    CHECK(std::string(place, length) == std::string(length, '\0'));
}

TEST_CASE("a secret cannot be copied") {
    STATIC_REQUIRE_FALSE(std::is_copy_constructible_v<Secret>);
    STATIC_REQUIRE_FALSE(std::is_copy_assignable_v<Secret>);
    STATIC_REQUIRE_FALSE(std::is_convertible_v<Secret, std::string>);
}
