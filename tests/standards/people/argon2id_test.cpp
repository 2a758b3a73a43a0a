// Argon2id, RFC 9106, version 0x13. Its test vector (section 5.3) uses a secret key and associated data,
// which libsodium does not offer; so the checks are values that come from the reference implementation
// instead:
//   - its README's example of the command line tool, "password" with salt "somesalt", 2 passes, 64 MiB, one
//     lane (as quoted by public test suites, and computed again with the reference library);
//   - the same with 1 pass over 64 KiB (computed with the reference library), here in the PHC text form.
#include <catch2/catch.hpp>

#include "service/people/credential.hpp"

using namespace tautgate::people;

namespace {

struct Vector {
    const char* name;
    const char* stored;
};

constexpr Vector published{
    "reference README",
    "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"};
// Tag 729c7a54441bc13559bdca71348c4e554599e719c08a952601ed5c83618c1bbd in base64 without padding.
constexpr Vector small{"64 KiB",
                       "$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$cpx6VEQbwTVZvcpxNIxOVUWZ5xnAipUmAe1cg2GMG70"};

}  // namespace

TEST_CASE("what the reference implementation of Argon2id stored verifies here") {
    for (const auto& vector : {published, small}) {
        CAPTURE(vector.name);
        CHECK(verify_secret(vector.stored, Secret("password")) == Verification::right);
        CHECK(verify_secret(vector.stored, Secret("Password")) == Verification::wrong);
    }
}

TEST_CASE("one changed character of a published hash makes it another secret's") {
    std::string stored = published.stored;
    stored[stored.size() - 2] = 'Q';
    CHECK(verify_secret(stored, Secret("password")) == Verification::wrong);
}
