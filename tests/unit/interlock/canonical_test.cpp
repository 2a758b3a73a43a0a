#include <catch2/catch.hpp>

#include "service/interlock/canonical.hpp"
#include "tests/unit/journal/samples.hpp"

using namespace tautgate;
using namespace tautgate::interlock;
using namespace std::string_literals;

namespace {

template <class Type>
std::string bytes(const Type& value) {
    std::string out;
    canonical(value, out);
    return out;
}

}  // namespace

TEST_CASE("canonical bytes are the ones that the format states") {
    CHECK(bytes(std::uint32_t{0}) == "\0"s);
    CHECK(bytes(std::uint32_t{300}) == "\xac\x02"s);
    CHECK(bytes(std::int64_t{-1}) == "\x01"s);
    CHECK(bytes(std::int64_t{1}) == "\x02"s);
    CHECK(bytes("ab"s) == "\x02"s + "ab");
    CHECK(bytes(std::optional<bool>{}) == "\0"s);
    CHECK(bytes(std::optional<bool>{true}) == "\x01\x01"s);
    CHECK(bytes(std::vector<std::uint16_t>{5, 6}) == "\x02\x05\x06"s);
    CHECK(bytes(Output{Released{EventNumber{7}, Token{9}}}) == "\x01\x07\x09"s);
    CHECK(bytes(ReasonCode::joint_open) == std::string(1, static_cast<char>(74)));
}

TEST_CASE("every kind of event comes back from its canonical bytes as it was") {
    samples::Chance chance(1);
    int seen = 0;
    samples::each_kind<Payload>(chance, 40, [&](Payload payload) {
        const Event event{EventNumber{chance()}, samples::value<Stamp>(chance), std::move(payload)};
        const auto back = event_from(canonical_bytes(event));
        REQUIRE(back.has_value());
        REQUIRE(*back == event);
        ++seen;
    });
    CHECK(seen == 40 * static_cast<int>(std::variant_size_v<Payload>));
}

TEST_CASE("a whole station's state comes back from its canonical bytes as it was") {
    samples::Chance chance(2);
    for (int round = 0; round < 200; ++round) {
        const auto state = samples::value<State>(chance);
        const auto back = state_from(canonical_bytes(state));
        REQUIRE(back.has_value());
        REQUIRE(*back == state);
    }
}

TEST_CASE("bytes that were cut short anywhere are refused") {
    samples::Chance chance(3);
    auto state = samples::value<State>(chance);
    state.bays.push_back(samples::value<BayState>(chance));
    const std::string whole = canonical_bytes(state);
    for (std::size_t size = 0; size < whole.size(); ++size)
        REQUIRE_FALSE(state_from(std::string_view(whole).substr(0, size)).has_value());
    CHECK_FALSE(state_from(whole + "x").has_value());
}

TEST_CASE("whatever is read from damaged bytes has exactly these bytes") {
    samples::Chance chance(4);
    int read = 0;
    for (int round = 0; round < 3000; ++round) {
        const Event event{EventNumber{chance()}, samples::value<Stamp>(chance),
                          samples::value<Payload>(chance)};
        std::string damaged = canonical_bytes(event);
        damaged[chance() % damaged.size()] = static_cast<char>(chance());
        if (const auto back = event_from(damaged)) {
            ++read;
            REQUIRE(canonical_bytes(*back) == damaged);
        }
    }
    CHECK(read > 0);
}

TEST_CASE("a number that is not in its shortest form, or too large for its field, is refused") {
    CHECK_FALSE(read_canonical<std::uint32_t>("\x80\x00"s).has_value());
    CHECK_FALSE(read_canonical<std::uint16_t>("\x80\x80\x04"s).has_value());
    CHECK_FALSE(read_canonical<std::uint64_t>("\xff\xff\xff\xff\xff\xff\xff\xff\xff\x02"s).has_value());
    CHECK(read_canonical<std::uint64_t>("\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01"s) ==
          std::numeric_limits<std::uint64_t>::max());
}

TEST_CASE("enumerators, alternatives and truth values that do not exist are refused") {
    CHECK_FALSE(read_canonical<Quality>("\x04"s).has_value());
    CHECK_FALSE(read_canonical<ReasonCode>("\x01"s).has_value());
    CHECK_FALSE(read_canonical<Output>("\x03"s).has_value());
    CHECK_FALSE(read_canonical<bool>("\x02"s).has_value());
}

TEST_CASE("a count cannot promise more elements than there are bytes") {
    const auto read = read_canonical<std::vector<UnassignedResult>>("\xff\xff\xff\xff\x0f"s);
    REQUIRE_FALSE(read.has_value());
    CHECK(read.error() == "at byte 5: a list is longer than the bytes at hand");
}

TEST_CASE("a snapshot of other fields or another format is refused by name") {
    std::string snapshot = canonical_bytes(State{});
    snapshot[3] = static_cast<char>(snapshot[3] + 1);
    CHECK(state_from(snapshot).error() == "the bytes were written by a program version with other fields");
    snapshot[0] = 9;
    CHECK(state_from(snapshot).error() == "the bytes are of format 9, this program reads format 1");
    // The shape of an event is not that of a state.
    CHECK_FALSE(state_from(canonical_bytes(Event{})).has_value());
}
