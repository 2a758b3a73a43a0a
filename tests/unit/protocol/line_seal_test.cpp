// Seals of lines: what they prove, and what they let through.
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include "protocol/line_seal.hpp"

using namespace tautgate::protocol;
using Side = LineSeal::Side;

namespace {

SharedKey counting_key() {
    SharedKey key{};
    for (std::size_t i = 0; i < key.size(); ++i)
        key[i] = static_cast<std::uint8_t>(i);
    return key;
}

constexpr std::string_view hello_said =
    R"({"hello":{"tool":"NR-1","epoch":"17","last":"4211","nonce":"000102030405060708090a0b0c0d0e0f"}})";
constexpr std::string_view nonce_given = "f0f1f2f3f4f5f6f7f8f9fafbfcfdfeff";
constexpr std::string_view beat_line = "{\"beat\":{}}\n";

LineSeal side(Side own, std::string_view hello = hello_said, std::string_view nonce = nonce_given,
              const SharedKey& key = counting_key()) {
    return {key, own, hello, nonce};
}

std::string without_end(std::string line) {
    REQUIRE(line.ends_with('\n'));
    line.pop_back();
    return line;
}

}  // namespace

// Computed with Python's hmac and hashlib, by LINE.md.
TEST_CASE("seals are those of another implementation") {
    auto tool = side(Side::tool);
    CHECK(tool.seal(beat_line) ==
          "d27ff9f3466960690ab9297a899eef399dd8f4724a7b8efc96d0564ca160fc68 {\"beat\":{}}\n");
    CHECK(tool.seal(beat_line) ==
          "75275ec504fa4aa4db722719c1f496224ae145ed3cca787d4d473ab23ac0d87d {\"beat\":{}}\n");
    CHECK(side(Side::station).seal(beat_line) ==
          "570f200669ebd74ba42ea232bd045ee02b029cd8c0bd6dd9c7215f2387282f04 {\"beat\":{}}\n");
}

TEST_CASE("what one side seals the other opens, in order") {
    auto tool = side(Side::tool);
    auto station = side(Side::station);
    for (int i = 0; i < 3; ++i) {
        CHECK(station.open(without_end(tool.seal(beat_line))) == "{\"beat\":{}}");
        CHECK(tool.open(without_end(station.seal("{\"acknowledge\":{\"counter\":\"7\"}}\n"))) ==
              "{\"acknowledge\":{\"counter\":\"7\"}}");
    }
}

TEST_CASE("a line that is not exactly what the other side sealed next is not opened") {
    auto tool = side(Side::tool);
    const std::string first = without_end(tool.seal(beat_line));
    const std::string second = without_end(tool.seal(beat_line));
    std::string changed = first;
    changed.back() = ' ';
    std::string other_seal = first;
    other_seal.front() = other_seal.front() == '0' ? '1' : '0';
    const auto first_of = [](LineSeal other) { return without_end(other.seal(beat_line)); };
    const std::vector<std::pair<std::string, std::string>> bad{
        {"changed content", changed},
        {"changed seal", other_seal},
        {"one left out", second},
        {"sent back", first_of(side(Side::station))},
        {"without a seal", "{\"beat\":{}}"},
        {"of another connection", first_of(side(Side::tool, hello_said, "00000000000000000000000000000000"))},
        {"after another hello", first_of(side(Side::tool, "{\"hello\":{}}"))},
        {"of another key", first_of(side(Side::tool, hello_said, nonce_given, SharedKey{}))}};
    for (const auto& [what, line] : bad) {
        INFO(what);
        auto station = side(Side::station);
        const auto opened = station.open(line);
        REQUIRE_FALSE(opened);
        CHECK_FALSE(opened.error().remedy.empty());
    }
    auto station = side(Side::station);
    REQUIRE(station.open(first));
    CHECK_FALSE(station.open(first));  // sent again
}

TEST_CASE("a key is 64 hexadecimal digits") {
    const std::string digits = "000102030405060708090a0b0c0d0e0f101112131415161718191A1B1C1D1E1F";
    CHECK(shared_key_from(digits) == counting_key());
    CHECK(shared_key_from(digits + "\r\n") == counting_key());
    CHECK_FALSE(shared_key_from(digits + "00"));
    CHECK_FALSE(shared_key_from(digits.substr(2)));
    CHECK_FALSE(shared_key_from("0x" + digits.substr(2)));
    CHECK_FALSE(shared_key_from(""));
}

TEST_CASE("nonces are 32 digits and never the same") {
    const auto one = fresh_nonce();
    CHECK(is_nonce(one));
    CHECK(one != fresh_nonce());
    CHECK_FALSE(is_nonce(one + "0"));
    CHECK_FALSE(is_nonce("z" + one.substr(1)));
}
