// A journal replayed gives the same bytes of state, whoever replays it. Long shifts are worked at several
// stations; replayed, from the first event and from any snapshot on, they lead to the same bytes. The digests
// of what was decided stand in replay_digests.txt: every build, debug and sanitized ones too, must come to
// them, so that builds are compared with each other without ever running side by side.
//
// Where the rules change on purpose, so do the digests: TAUTGATE_WRITE_DIGESTS=FILE writes them anew. A
// change that nobody meant is what this test is for.
#include <catch2/catch.hpp>

#include <array>
#include <cstdlib>
#include <fstream>
#include <map>

#include <boost/mp11/algorithm.hpp>
#include <sodium.h>

#include "service/interlock/canonical.hpp"
#include "tests/exploration/shift.hpp"

using namespace tautgate;
using namespace tautgate::exploration;
using namespace tautgate::interlock;

namespace {

constexpr std::size_t events_of_shift = 3000;
constexpr std::array<std::uint64_t, 3> seeds{1, 2, 3};

class Digest {
  public:
    Digest() { crypto_hash_sha256_init(&state_); }
    void add(const std::string& bytes) {
        const std::string length = std::to_string(bytes.size()) + ":";
        put(length);
        put(bytes);
    }
    [[nodiscard]] std::string hex() {
        std::array<unsigned char, crypto_hash_sha256_BYTES> hash{};
        crypto_hash_sha256_final(&state_, hash.data());
        std::string text(2 * hash.size() + 1, '\0');
        sodium_bin2hex(text.data(), text.size(), hash.data(), hash.size());
        text.pop_back();
        return text;
    }

  private:
    void put(const std::string& bytes) {
        crypto_hash_sha256_update(&state_, reinterpret_cast<const unsigned char*>(bytes.data()),
                                  bytes.size());
    }
    crypto_hash_sha256_state state_{};
};

// What every build must come to: the events, what was decided of each, and the state after each.
std::string digests_of(const std::string& station, std::uint64_t seed, const Journal& journal) {
    const RuleBook rules = rules_of_shift(station);
    Digest events;
    Digest decisions;
    State state;
    for (const Event& event : journal.events) {
        events.add(canonical_bytes(event));
        Decision decision = decide(rules, std::move(state), event);
        state = std::move(decision.state);
        decisions.add(canonical_bytes(decision.record));
        decisions.add(canonical_bytes(state));
    }
    Digest last;
    last.add(canonical_bytes(state));
    return station + " " + std::to_string(seed) + " " + std::to_string(journal.events.size()) + " " +
           events.hex() + " " + decisions.hex() + " " + last.hex();
}

// Read back from their bytes, as from a disk.
Event stored(const Event& event) {
    auto read = event_from(canonical_bytes(event));
    REQUIRE(read.has_value());
    return *read;
}

// From a state on, over all that follow; each act's last event is compared.
void replay_from(const RuleBook& rules, const Journal& journal, std::size_t first, State state) {
    for (std::size_t i = first; i < journal.events.size(); ++i) {
        Decision decision = decide(rules, std::move(state), stored(journal.events[i]));
        state = std::move(decision.state);
        if (journal.states[i].empty())
            continue;
        const bool same = canonical_bytes(state) == journal.states[i] &&
                          canonical_bytes(decision.record) == journal.records[i];
        if (!same) {
            FAIL("event " << i + 1 << " of the shift was decided otherwise in its replay from event "
                          << first + 1);
        }
    }
    CHECK(canonical_bytes(state) == journal.states.back());
}

std::vector<std::string> kept_digests() {
    std::ifstream file(std::string(TAUTGATE_SOURCE_DIR) + "/tests/exploration/replay_digests.txt");
    std::vector<std::string> lines;
    for (std::string line; std::getline(file, line);)
        lines.push_back(line);
    return lines;
}

}  // namespace

TEST_CASE("a journal replayed gives the same bytes, from its first event and from any snapshot on") {
    for (const std::string& station : shift_stations()) {
        const Journal journal = work_a_shift(station, 7, 1500);
        const RuleBook rules = rules_of_shift(station);
        INFO(station);
        replay_from(rules, journal, 0, State{});
        for (std::size_t at = 100; at < journal.events.size(); at += 350) {
            std::size_t snapshot = at;
            while (journal.states[snapshot].empty())
                ++snapshot;
            auto state = state_from(journal.states[snapshot]);
            REQUIRE(state.has_value());
            replay_from(rules, journal, snapshot + 1, std::move(*state));
        }
    }
}

TEST_CASE("every build decides the kept shifts as every other does, byte for byte") {
    std::vector<std::string> came;
    for (const std::string& station : shift_stations()) {
        for (const std::uint64_t seed : seeds)
            came.push_back(digests_of(station, seed, work_a_shift(station, seed, events_of_shift)));
    }
    if (const char* path = std::getenv("TAUTGATE_WRITE_DIGESTS")) {
        std::ofstream file(path);
        for (const std::string& line : came)
            file << line << "\n";
    }
    CHECK(came == kept_digests());
}

TEST_CASE("the shifts bring nearly everything that can happen, and it is decided in many ways") {
    std::map<std::size_t, std::size_t> kinds;
    std::map<std::size_t, std::size_t> outcomes;
    std::map<ReasonCode, std::size_t> reasons;
    std::size_t released = 0;
    for (const std::string& station : shift_stations()) {
        const RuleBook rules = rules_of_shift(station);
        State state;
        for (const Event& event : work_a_shift(station, seeds.front(), events_of_shift).events) {
            Decision decision = decide(rules, std::move(state), event);
            state = std::move(decision.state);
            ++kinds[event.payload.index()];
            ++outcomes[decision.record.outcome.index()];
            for (const PermissiveChange& change : decision.record.changes) {
                released += std::holds_alternative<Released>(change.now) ? 1 : 0;
                for (const Reason& reason : change.came)
                    ++reasons[reason.code];
            }
        }
    }
    UNSCOPED_INFO("kinds " << kinds.size() << ", outcomes " << outcomes.size() << ", reasons "
                           << reasons.size() << ", releases " << released);
    CHECK(kinds.size() >= 24);
    CHECK(outcomes.size() >= 12);
    CHECK(reasons.size() >= 25);
    CHECK(released >= 20);
}

TEST_CASE("a digest changes with one bit of one event") {
    Journal journal = work_a_shift("plain", 1, 200);
    const std::string before = digests_of("plain", 1, journal);
    journal.events.back().at.utc_us ^= 1;
    CHECK(digests_of("plain", 1, journal) != before);
}
