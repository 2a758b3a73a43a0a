// RFC 4231, Identifiers and Test Vectors for HMAC-SHA-224 to HMAC-SHA-512: test cases 1, 2 and 6. The texts
// are from memory; Python's hmac gives the same values.
#include <catch2/catch.hpp>

#include <fmt/format.h>

#include "protocol/line_seal.hpp"

using tautgate::protocol::hmac_sha256;

namespace {

std::string hmac_digits(std::string_view key, std::string_view text) {
    std::string digits;
    for (const auto byte : hmac_sha256(key, text))
        digits += fmt::format("{:02x}", byte);
    return digits;
}

}  // namespace

TEST_CASE("HMAC-SHA-256 gives the values of RFC 4231") {
    CHECK(hmac_digits(std::string(20, '\x0b'), "Hi There") ==
          "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7");
    CHECK(hmac_digits("Jefe", "what do ya want for nothing?") ==
          "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843");
    CHECK(hmac_digits(std::string(131, '\xaa'), "Test Using Larger Than Block-Size Key - Hash Key First") ==
          "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54");
}
