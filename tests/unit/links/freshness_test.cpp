// How far a source can be believed, how long to wait, how refusals are told: all with the test's own clock.
#include <catch2/catch.hpp>

#include "service/links/backoff.hpp"
#include "service/links/freshness.hpp"
#include "service/links/pace.hpp"
#include "service/links/refusals.hpp"

using namespace tautgate::links;
using namespace std::chrono_literals;
using tautgate::interlock::Quality;

namespace {
const SteadyTime begin{1h};
const Freshness::Limits limits{.silence = 200ms, .settling = 1000ms, .quiet = 10s};

// Signs of life every 100 ms, both ends included. The last change that was told.
std::optional<QualityChange> lives(Freshness& source, SteadyTime from, SteadyTime to) {
    std::optional<QualityChange> last;
    for (auto now = from; now <= to; now += 100ms) {
        if (auto change = source.alive(now))
            last = std::move(change);
    }
    return last;
}
}  // namespace

TEST_CASE("a source is unknown at first, and time alone makes it neither good nor bad") {
    Freshness source{limits};
    CHECK_FALSE(source.look(begin + 1h));
    CHECK(source.quality() == Quality::unknown);
    CHECK_FALSE(source.health("NR-12", begin).age);
}

TEST_CASE("a source is good only after signs of life throughout the settling time") {
    Freshness source{limits};
    CHECK_FALSE(lives(source, begin, begin + 900ms));
    const auto change = source.alive(begin + 1000ms);
    REQUIRE(change);
    CHECK(change->quality == Quality::good);
    CHECK(source.health("NR-12", begin + 1050ms).age == 50ms);
}

TEST_CASE("two signs of life a settling time apart do not make a source good") {
    Freshness source{limits};
    CHECK_FALSE(source.alive(begin));
    (void)source.alive(begin + 1000ms);
    CHECK(source.quality() != Quality::good);
}

TEST_CASE("a good source is stale as soon as it was silent for longer than the limit, not before") {
    Freshness source{limits};
    (void)lives(source, begin, begin + 1s);
    CHECK_FALSE(source.look(begin + 1200ms));
    const auto change = source.look(begin + 1201ms);
    REQUIRE(change);
    CHECK(change->quality == Quality::stale);
    CHECK(change->changes == 1);
    CHECK_FALSE(source.look(begin + 1300ms));
}

TEST_CASE("silence that nobody looked at is told by the sign of life that ends it") {
    Freshness source{limits};
    (void)lives(source, begin, begin + 1s);
    const auto change = source.alive(begin + 5s);
    REQUIRE(change);
    CHECK(change->quality == Quality::stale);
    CHECK(source.quality() == Quality::stale);
}

TEST_CASE("a failure acts at once and starts the settling again") {
    Freshness source{limits};
    (void)lives(source, begin, begin + 1s);
    const auto change = source.failed(begin + 1001ms, "the connection broke");
    REQUIRE(change);
    CHECK(*change == QualityChange{Quality::failed, "the connection broke", 1});
    CHECK_FALSE(lives(source, begin + 1100ms, begin + 2000ms));
    REQUIRE(source.alive(begin + 2100ms));
    CHECK(source.quality() == Quality::good);
}

TEST_CASE("a source that comes and goes without getting good is one change with a count") {
    Freshness source{limits};
    REQUIRE(source.failed(begin, "the connection broke"));
    for (int i = 1; i <= 5; ++i) {
        CHECK_FALSE(source.alive(begin + i * 100ms));
        CHECK_FALSE(source.failed(begin + i * 100ms + 50ms, "the connection broke"));
    }
    const auto told = source.look(begin + 10s);
    REQUIRE(told);
    CHECK(told->changes == 5);
    CHECK_FALSE(source.look(begin + 30s));
}

TEST_CASE("the loss of good is told at once however often it happens") {
    Freshness source{limits};
    auto now = begin;
    for (int i = 0; i < 3; ++i) {
        (void)lives(source, now, now + 1s);
        REQUIRE(source.quality() == Quality::good);
        CHECK(source.failed(now + 1001ms, "the connection broke"));
        now += 1100ms;
    }
}

TEST_CASE("waits between attempts stay between the floor and the cap, and grow") {
    Backoff backoff{7};
    std::chrono::milliseconds longest{0};
    for (int i = 0; i < 1000; ++i) {
        const auto wait = backoff.next();
        CHECK(wait >= 250ms);
        CHECK(wait <= (i == 0 ? 500ms : 10s));
        longest = std::max(longest, wait);
    }
    CHECK(longest > 5s);
}

TEST_CASE("a connection that was dropped at once does not shorten the waits, one that lasted does") {
    Backoff dropped{7};
    Backoff lasted{7};
    for (int i = 0; i < 10; ++i) {
        (void)dropped.next();
        (void)lasted.next();
    }
    dropped.ended_after(10ms);
    lasted.ended_after(5s);
    CHECK(lasted.next() <= 500ms);
    auto longest = 0ms;
    for (int i = 0; i < 20; ++i)
        longest = std::max(longest, dropped.next());
    CHECK(longest > 2s);
}

TEST_CASE("refusals that follow each other are one event with a count, and none is left out") {
    Refusals refusals{"NR-12"};
    const auto first = refusals.add(begin, "x", "no JSON");
    REQUIRE(first);
    CHECK(first->count == 1);
    CHECK_FALSE(refusals.add(begin + 1ms, "y", "no JSON"));
    CHECK_FALSE(refusals.add(begin + 2ms, "z", "no JSON"));
    CHECK_FALSE(refusals.due(begin + 999ms));
    const auto rest = refusals.due(begin + 1000ms);
    REQUIRE(rest);
    CHECK(*rest == tautgate::interlock::InputRefused{"NR-12", "y", "no JSON", 2});
    CHECK_FALSE(refusals.rest());
}

TEST_CASE("how often a source came, was lost and failed is counted, told or not") {
    Freshness source{limits};
    for (int i = 0; i < 3; ++i)
        (void)source.failed(begin, "refused");
    (void)lives(source, begin, begin + 1s);
    (void)source.failed(begin + 1s, "broke");
    (void)lives(source, begin + 2s, begin + 3s);
    (void)source.look(begin + 5s);
    CHECK(source.health("NR-12", begin + 5s).counts == LinkCounts{2, 2, 4});
}

TEST_CASE("polls keep their schedule, and those that were missed are counted and not made up for") {
    const auto next = [](SteadyTime now) { return next_poll(begin, 100ms, now); };
    CHECK(next(begin).at == begin + 100ms);
    CHECK(next(begin + 99ms).missed == 0);
    CHECK(next(begin + 100ms).at == begin + 200ms);
    CHECK(next(begin + 100ms).missed == 1);
    CHECK(next(begin + 450ms).at == begin + 500ms);
    CHECK(next(begin + 450ms).missed == 4);
}

TEST_CASE("a link calls at once, waits longer after each call that reached nobody, and less after one that "
          "lasted") {
    Redial redial(7, {.floor = 100ms, .cap = 10s, .proven = 1s});
    CHECK(redial.is_due(begin));
    for (int i = 0; i < 8; ++i) {
        redial.began(begin);
        redial.reached_nobody(begin);
        CHECK_FALSE(redial.is_due(begin + 99ms));
        CHECK(redial.at() <= begin + 10s);
    }
    redial.began(begin);
    redial.lost(begin + 1s);
    CHECK_FALSE(redial.is_due(begin + 1s + 99ms));
    CHECK(redial.at() <= begin + 1s + 200ms);
}
