// Numbers of fields: raw value, scale and offset, exactly or not at all.
#include <cstdint>
#include <expected>

#include <catch2/catch.hpp>

#include "protocol/field_number.hpp"

using namespace tautgate::protocol;

namespace {

using Outcome = std::expected<Decimal, Unusable>;
constexpr std::int64_t most_digits = 900'000'000'000'000'001;

}  // namespace

TEST_CASE("a scaled value is exact") {
    CHECK(scaled({40255, 0}, {1, -2}, {0, 0}) == Outcome(Decimal{40255, -2}));
    CHECK(scaled({40255, 0}, {5, -2}, {-25, -1}) == Outcome(Decimal{201025, -2}));
    CHECK(scaled({25, 0}, {4, 0}, {-100, 0}) == Outcome(Decimal{0, 0}));
    CHECK(scaled({0, 0}, {1, 0}, {0, 1'000'000'000}) == Outcome(Decimal{0, 0}));
}

TEST_CASE("what does not fit on the way is too large, not another number") {
    CHECK(scaled({most_digits, 0}, {11, 0}, {1, 0}) == Outcome(std::unexpected(Unusable::too_large)));
    // With the digits of the offset these need 39 digits, and 128 bits hold 38.
    CHECK(scaled({most_digits, 9}, {301, 0}, {1, -9}) == Outcome(std::unexpected(Unusable::too_large)));
    CHECK(scaled({-most_digits, 9}, {301, 0}, {1, -9}) == Outcome(std::unexpected(Unusable::too_large)));
    CHECK(scaled({1, 300}, {1, 0}, {1, -9}) == Outcome(std::unexpected(Unusable::too_large)));
}
