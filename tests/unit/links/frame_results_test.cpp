// What the frames of a tool mean for the record, without any wire. The clock is the test's.
#include <catch2/catch.hpp>

#include "service/links/flood.hpp"
#include "service/links/frame_results.hpp"
#include "service/links/unread.hpp"
#include "tests/unit/links/frame_bench.hpp"
#include "tests/unit/links/kinds.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;
using interlock::ResultReceived;
using interlock::ToolAnswered;
using Numbers = std::vector<std::uint64_t>;

namespace {

// Longest run and silence limit of the tool: how old a result is at most that came at once.
constexpr std::int64_t delay_ns = 1'300'000'000;
// Its settling time and silence limit: what it kept has come by then.
constexpr std::chrono::milliseconds sent_within = 400ms;

protocol::FrameResult result_with(std::uint64_t counter, const std::string& content = {}) {
    protocol::FrameResult result;
    result.reading.counter = counter;
    result.content = content.empty() ? "content of " + std::to_string(counter) : content;
    return result;
}
protocol::FrameResult stamped(const std::string& mark) {
    protocol::FrameResult result = result_with(0, "content at " + mark);
    result.mark = mark;
    return result;
}
protocol::FrameStatus status_with(std::uint64_t newest) {
    protocol::FrameStatus status;
    status.newest = newest;
    return status;
}
std::int64_t ns(SteadyTime time) {
    return std::chrono::duration_cast<std::chrono::nanoseconds>(time.time_since_epoch()).count();
}

// One tool that is connected at the beginning.
struct Wired {
    explicit Wired(protocol::FrameProfile with = counting_profile(),
                   std::optional<KnownOfTool> known = std::nullopt)
        : profile(std::move(with)), results(profile, framed_tool(), std::move(known), "b1", 7) {
        results.connected(now);
    }
    FrameResults::Step says(const protocol::FrameHeard& heard) { return results.take(heard, now); }
    ResultReceived result_of(const protocol::FrameHeard& heard) {
        return all_of<ResultReceived>(says(heard).tell).at(0);
    }
    std::vector<ToolAnswered> answers_to(const protocol::FrameHeard& heard) {
        return all_of<ToolAnswered>(says(heard).tell);
    }
    void reconnects_after(std::chrono::milliseconds time) {
        now += time;
        results.connected(now);
    }

    SteadyTime now{1h};
    protocol::FrameProfile profile;
    FrameResults results;
};

protocol::FrameProfile without_newest() {
    auto profile = counting_profile();
    std::get<protocol::StatusMessage>(profile.messages.at(1).what).newest.reset();
    return profile;
}
KnownOfTool known_to(std::uint64_t counter, const std::string& epoch = "0") {
    return {.epoch = epoch, .counter = counter};
}

}  // namespace

TEST_CASE("where a tool's count stands is told once for a connection, and again when it goes elsewhere") {
    Wired wired;
    CHECK_FALSE(wired.results.stands());
    CHECK(wired.answers_to(status_with(4)) == std::vector{ToolAnswered{{"NR-9"}, "0", 4}});
    CHECK(wired.results.stands());
    CHECK(wired.answers_to(status_with(4)).empty());
    CHECK(wired.result_of(result_with(5)).reading.counter == 5);
    CHECK(wired.answers_to(status_with(5)).empty());
    CHECK(wired.answers_to(status_with(7)) == std::vector{ToolAnswered{{"NR-9"}, "0", 7}});
    wired.reconnects_after(1s);
    CHECK_FALSE(wired.results.stands());
    CHECK(wired.answers_to(status_with(7)).size() == 1);
}

TEST_CASE("a count that goes elsewhere with every word is told a few times a second, and none is passed over "
          "in silence") {
    const auto word = [](std::uint64_t newest, const char* epoch) {
        auto status = status_with(newest);
        status.epoch = epoch;
        return status;
    };
    for (const bool by_epoch : {false, true}) {
        CAPTURE(by_epoch);
        Wired wired;
        const auto nth = [&](std::uint64_t n) {
            return by_epoch ? word(0, ("e" + std::to_string(n)).c_str()) : status_with(4 + n);
        };
        constexpr std::uint64_t words = 1000;
        std::uint64_t told = 0;
        std::uint64_t passed_over = 0;
        const auto note = [&](const FrameResults::Step& step) {
            told += all_of<ToolAnswered>(step.tell).size();
            passed_over += step.passed_over;
        };
        for (std::uint64_t n = 1; n <= words; ++n) {
            const auto step = wired.says(nth(n));
            CHECK((n > 3 || step.tell.size() == 1));  // the first ones at once
            note(step);
            wired.now += 10ms;
            note(wired.results.look(wired.now));
        }
        CHECK(told >= 10);
        CHECK(told <= 50);
        wired.now += 1s;
        note(wired.results.look(wired.now));
        if (by_epoch)
            CHECK(told + passed_over == words);
        else
            CHECK(passed_over == 0);  // the newest says of each that is below it
        // What was said last was told, a second later at most.
        CHECK(wired.answers_to(nth(words)).empty());
        CHECK(all_of<ToolAnswered>(wired.results.rest(wired.now).tell).empty());
    }
}

TEST_CASE("a word on what is missing is told at once, however soon after another, where all came before") {
    Wired wired;
    CHECK(wired.answers_to(status_with(4)).size() == 1);
    for (std::uint64_t n = 5; n < 20; ++n) {
        CHECK(wired.answers_to(status_with(n)).size() == 1);
        CHECK(wired.result_of(result_with(n)).reading.counter == n);
    }
}

TEST_CASE(
    "of what is held back nothing that decides is lost: where the count went back, and before a result") {
    Wired wired;
    static_cast<void>(wired.says(status_with(4)));
    static_cast<void>(wired.says(status_with(6)));
    CHECK(wired.answers_to(status_with(7)).size() == 1);
    wired.now += 100ms;
    for (const std::uint64_t newest : std::vector<std::uint64_t>{8, 9, 6, 8, 10})
        CHECK(wired.answers_to(status_with(newest)).empty());
    wired.now += 900ms;
    const auto told = all_of<ToolAnswered>(wired.results.look(wired.now).tell);
    CHECK(told == std::vector<ToolAnswered>{{{"NR-9"}, "0", 9}, {{"NR-9"}, "0", 6}, {{"NR-9"}, "0", 10}});
    wired.now += 100ms;
    CHECK(wired.answers_to(status_with(12)).empty());
    const auto step = wired.says(result_with(5));
    REQUIRE(step.tell.size() == 2);
    CHECK(std::get<ToolAnswered>(step.tell[0]).last == 12);
    CHECK(std::get<ResultReceived>(step.tell[1]).reading.counter == 5);
    CHECK(wired.answers_to(status_with(12)).size() == 1);  // it lacks nothing else, as far as was told
    CHECK(wired.answers_to(status_with(14)).empty());
    const auto rest = all_of<ToolAnswered>(wired.results.rest(wired.now).tell);
    REQUIRE(rest.size() == 1);
    CHECK(rest[0].last == 14);
}

TEST_CASE("a result that comes at once was begun at most the longest run and the silence before it came") {
    Wired wired;
    static_cast<void>(wired.says(status_with(4)));
    wired.now += 10s;
    const auto result = wired.result_of(result_with(5));
    CHECK(result.made == domain::Interval{ns(wired.now) - delay_ns, ns(wired.now), "b1"});
    CHECK(result.epoch == "0");
    CHECK(result.digest != 0);
}

TEST_CASE("a result whose number the tool named before it came was made before that") {
    Wired wired;
    static_cast<void>(wired.says(status_with(4)));
    wired.now += 10s;
    const auto named = wired.now;
    static_cast<void>(wired.says(status_with(6)));
    wired.now += 5s;
    static_cast<void>(wired.says(status_with(7)));
    wired.now += 5s;
    CHECK(wired.result_of(result_with(5)).made.from_ns == ns(named) - delay_ns);
    CHECK(wired.result_of(result_with(6)).made.from_ns == ns(named) - delay_ns);
    CHECK(wired.result_of(result_with(7)).made.from_ns == ns(named + 5s) - delay_ns);
    CHECK(wired.result_of(result_with(8)).made.from_ns == ns(wired.now) - delay_ns);
}

TEST_CASE("a result that was kept in the tool is of the time since it was last heard, or of any age") {
    Wired wired;
    static_cast<void>(wired.says(status_with(4)));
    CHECK(wired.result_of(result_with(4)).made.from_ns < 0);  // never heard before
    wired.now += 10s;
    static_cast<void>(wired.says(status_with(4)));
    const auto last_sign = wired.now;
    wired.reconnects_after(60s);
    static_cast<void>(wired.says(status_with(6)));
    wired.now += 1s;
    CHECK(wired.result_of(result_with(5)).made.from_ns == ns(last_sign) - delay_ns);
    CHECK(wired.result_of(result_with(6)).made.from_ns == ns(last_sign) - delay_ns);
    CHECK(wired.result_of(result_with(7)).made.from_ns == ns(wired.now) - delay_ns);
}

TEST_CASE("a connection that breaks before it brings what the tool kept moves nothing forward") {
    Wired wired;
    static_cast<void>(wired.says(status_with(4)));
    const auto last_sign = wired.now;
    wired.reconnects_after(60s);
    static_cast<void>(wired.says(status_with(6)));
    wired.now += 1s;
    static_cast<void>(wired.says(status_with(6)));
    wired.reconnects_after(1s);
    static_cast<void>(wired.says(status_with(6)));
    CHECK(wired.result_of(result_with(5)).made.from_ns == ns(last_sign) - delay_ns);
    CHECK(wired.result_of(result_with(6)).made.from_ns == ns(last_sign) - delay_ns);
    // Now it has caught up.
    const auto caught_up = wired.now;
    wired.reconnects_after(60s);
    static_cast<void>(wired.says(status_with(7)));
    CHECK(wired.result_of(result_with(7)).made.from_ns == ns(caught_up) - delay_ns);
}

TEST_CASE("what may have waited unread is as old as since when it may have") {
    Wired wired;
    static_cast<void>(wired.says(status_with(4)));
    wired.now += 10s;
    const auto stopped = wired.now;
    wired.results.read_late(stopped);
    wired.now += 100s;
    CHECK(wired.result_of(result_with(5)).made.from_ns == ns(stopped) - delay_ns);
    static_cast<void>(wired.says(status_with(6)));
    wired.results.read_late(std::nullopt);
    wired.now += 10s;
    CHECK(wired.result_of(result_with(6)).made.from_ns == ns(stopped) - delay_ns);  // named then
    CHECK(wired.result_of(result_with(7)).made.from_ns == ns(wired.now) - delay_ns);
    // Nor had it said then that there was nothing more.
    wired.results.read_late(wired.now);
    const auto late = wired.now;
    wired.now += 100s;
    static_cast<void>(wired.says(status_with(7)));
    wired.reconnects_after(1s);
    static_cast<void>(wired.says(status_with(8)));
    CHECK(wired.result_of(result_with(8)).made.from_ns == ns(late) - delay_ns);
}

TEST_CASE("reading late ends once all was read, or nothing came for two looks") {
    Unread unread;
    const SteadyTime now{1h};
    CHECK(unread.came_at(now) == now);
    unread.begin(now - 5s);
    unread.begin(now - 2s);
    CHECK(unread.came_at(now) == now - 5s);
    unread.look(true);
    unread.look(false);
    unread.look(true);
    CHECK(unread.came_at(now) == now - 5s);
    unread.look(true);
    CHECK(unread.came_at(now) == now);
    unread.begin(now);
    unread.end();
    CHECK_FALSE(unread.since());
}

TEST_CASE("a result that comes before the tool has said where it stands may have been kept") {
    Wired wired;
    static_cast<void>(wired.says(status_with(4)));
    const auto last_sign = wired.now;
    wired.reconnects_after(60s);
    CHECK(wired.result_of(result_with(5)).made.from_ns == ns(last_sign) - delay_ns);
}

TEST_CASE("a result that comes again, or after a later one, is passed on as it came and may be of any age") {
    Wired wired;
    static_cast<void>(wired.says(status_with(4)));
    const auto first = wired.result_of(result_with(6));
    const auto again = wired.result_of(result_with(6));
    CHECK(again.reading.counter == 6);
    CHECK(again.digest == first.digest);
    CHECK(again.made.from_ns < 0);
    CHECK(wired.result_of(result_with(5)).made.from_ns < 0);
    CHECK(wired.result_of(result_with(6, "other values")).digest != first.digest);
}

TEST_CASE("after the highest number the count goes on, and the tool is acknowledged by its own numbers") {
    Wired wired(counting_profile(), known_to(65534));
    CHECK(wired.answers_to(status_with(65534)).at(0).last == 65534);
    CHECK(wired.result_of(result_with(65535)).reading.counter == 65535);
    CHECK(wired.result_of(result_with(0)).reading.counter == 65536);
    CHECK(wired.answers_to(status_with(0)).empty());
    CHECK(wired.results.stored({{"NR-9"}, "0", 65536}, wired.now) == Numbers{65535, 0});
}

TEST_CASE("only what is stored of the tool's own count is acknowledged, each result once, in order") {
    Wired wired;
    static_cast<void>(wired.says(status_with(0)));
    for (const std::uint64_t counter : {1, 2, 3})
        static_cast<void>(wired.says(result_with(counter)));
    CHECK(wired.results.unconfirmed() == 3);
    CHECK(wired.results.stored({{"NR-9"}, "another", 3}, wired.now).empty());
    CHECK(wired.results.stored({{"NR-9"}, "0", 2}, wired.now) == Numbers{1, 2});
    CHECK(wired.results.stored({{"NR-9"}, "0", 2}, wired.now).empty());
    CHECK(wired.results.unconfirmed() == 1);
    // It comes again, and is told again once the interlock says again that it is stored.
    static_cast<void>(wired.says(result_with(2)));
    CHECK(wired.results.stored({{"NR-9"}, "0", 2}, wired.now) == Numbers{2});
}

TEST_CASE("a tool that does not wait for acknowledgements has none outstanding") {
    auto profile = counting_profile();
    profile.acknowledge.reset();
    Wired wired(profile);
    static_cast<void>(wired.says(result_with(1)));
    CHECK(wired.results.unconfirmed() == 0);
    CHECK(wired.results.stored({{"NR-9"}, "0", 1}, wired.now).empty());
}

TEST_CASE("a tool whose newest result is stored is told so again when it connects") {
    auto seven = status_with(7);
    seven.epoch = "a";
    auto other = seven;
    Wired wired(counting_profile(), known_to(7, "a"));
    CHECK(wired.says(seven).acknowledge == Numbers{7});
    CHECK(wired.says(seven).acknowledge.empty());
    wired.reconnects_after(1s);
    other.newest = 8;
    CHECK(wired.says(other).acknowledge.empty());
    Wired incomplete(counting_profile(),
                     KnownOfTool{.epoch = "a", .counter = 7, .digest = {}, .complete = false});
    CHECK(incomplete.says(seven).acknowledge.empty());
    // A lower one is of a count that began anew, and so may the same one be where no epoch says otherwise.
    Wired anew(counting_profile(), known_to(7, "a"));
    other.newest = 3;
    CHECK(anew.says(other).acknowledge.empty());
    Wired without(counting_profile(), known_to(7));
    CHECK(without.says(status_with(7)).acknowledge.empty());
    static_cast<void>(without.says(result_with(7)));
    CHECK(without.results.stored({{"NR-9"}, "0", 7}, without.now) == Numbers{7});
}

TEST_CASE("a tool that never says where it stands has said so by the first result that goes on from there") {
    Wired wired(without_newest(), known_to(4));
    CHECK(wired.results.stands());
    const auto step = wired.says(result_with(5));
    REQUIRE(step.tell.size() == 2);
    CHECK(std::get<ToolAnswered>(step.tell.at(0)) == ToolAnswered{{"NR-9"}, "0", 4});
    CHECK(std::get<ResultReceived>(step.tell.at(1)).reading.counter == 5);
    CHECK(wired.says(result_with(6)).tell.size() == 1);
    wired.reconnects_after(1s);
    CHECK(wired.answers_to(result_with(6)) == std::vector{ToolAnswered{{"NR-9"}, "0", 6}});
    wired.reconnects_after(1s);
    CHECK(wired.answers_to(result_with(9)).empty());
    Wired nothing_known(without_newest());
    CHECK(nothing_known.answers_to(result_with(1)).empty());
}

TEST_CASE("of such a tool a result is live once it has had the time to send the last one again") {
    auto profile = without_newest();
    profile.acknowledge.reset();
    Wired wired(profile, known_to(4));
    wired.now += 10s;
    static_cast<void>(wired.says(result_with(5)));
    const auto last_sign = wired.now;
    wired.reconnects_after(60s);
    wired.now += sent_within;
    CHECK(wired.result_of(result_with(6)).made.from_ns == ns(last_sign) - delay_ns);
    wired.now += 1ms;
    CHECK(wired.result_of(result_with(7)).made.from_ns == ns(wired.now) - delay_ns);
}

TEST_CASE(
    "one that waits to be told of each has what it kept still behind it, for as long as it is not told") {
    Wired wired(without_newest(), known_to(4));
    const auto is_stored = [&](std::uint64_t counter) {
        static_cast<void>(wired.results.stored({{"NR-9"}, "0", counter}, wired.now));
    };
    wired.now += 10s;
    const auto idle_from = ns(wired.now) - delay_ns;
    CHECK(wired.result_of(result_with(5)).made.from_ns == idle_from);
    wired.reconnects_after(60s);
    CHECK(wired.result_of(result_with(6)).made.from_ns == idle_from);
    wired.now += 10s;  // somebody had to look before it was told
    is_stored(6);
    CHECK(wired.result_of(result_with(7)).made.from_ns == idle_from);
    wired.now += 10s;
    CHECK(wired.result_of(result_with(8)).made.from_ns == idle_from);
    is_stored(8);
    wired.now += sent_within;
    CHECK(wired.result_of(result_with(9)).made.from_ns == idle_from);
    is_stored(9);
    wired.now += sent_within + 1ms;  // it was free, and had nothing
    CHECK(wired.result_of(result_with(10)).made.from_ns == ns(wired.now) - delay_ns);
    const auto free_from = ns(wired.now) - delay_ns;
    is_stored(10);
    wired.now += 50ms;
    CHECK(wired.result_of(result_with(11)).made.from_ns == free_from);
}

TEST_CASE("another epoch is told as it stands, and its numbers are no repetitions") {
    Wired wired;
    auto status = status_with(300);
    status.epoch = "a";
    static_cast<void>(wired.says(status));
    auto result = result_with(301);
    result.epoch = "a";
    CHECK(wired.result_of(result).epoch == "a");
    status = status_with(0);
    status.epoch = "b";
    CHECK(wired.answers_to(status) == std::vector{ToolAnswered{{"NR-9"}, "b", 0}});
    result = result_with(1);
    result.epoch = "b";
    wired.now += 1s;
    const auto received = wired.result_of(result);
    CHECK(received.epoch == "b");
    CHECK(received.made.from_ns == ns(wired.now) - delay_ns);
    CHECK(wired.results.stored({{"NR-9"}, "a", 301}, wired.now).empty());
    CHECK(wired.results.stored({{"NR-9"}, "b", 1}, wired.now) == Numbers{1});
}

TEST_CASE("a count that begins anew without an epoch is followed from there") {
    SECTION("as the tool says where it stands") {
        Wired wired;
        static_cast<void>(wired.says(status_with(300)));
        static_cast<void>(wired.says(result_with(301)));
        CHECK(wired.answers_to(status_with(0)) == std::vector{ToolAnswered{{"NR-9"}, "0", 0}});
        wired.now += 1s;
        CHECK(wired.result_of(result_with(1)).made.from_ns == ns(wired.now) - delay_ns);
    }
    SECTION("as its results show") {
        Wired wired(without_newest(), known_to(300));
        wired.now += 1s;
        CHECK(wired.result_of(result_with(1)).made.from_ns < 0);
        CHECK(wired.result_of(result_with(2)).made.from_ns == ns(wired.now) - delay_ns);
    }
}

TEST_CASE("a tool that only stamps its results is counted while it is heard") {
    Wired wired(stamping_profile());
    const auto first = all_of<ToolAnswered>(wired.results.look(wired.now + 100ms).tell);
    REQUIRE(first.size() == 1);
    CHECK(first[0].last == 0);
    CHECK(wired.results.look(wired.now + 200ms).tell.empty());
    const auto one = wired.result_of(stamped("1000"));
    CHECK(one.epoch == first[0].epoch);
    CHECK(one.reading.counter == 1);
    CHECK(wired.result_of(stamped("1000")).reading.counter == 1);
    CHECK(wired.result_of(stamped("1002")).reading.counter == 2);
}

TEST_CASE("a tool that only stamps begins a new count on each connection, unless it shows its last result") {
    Wired wired(stamping_profile());
    const auto before = wired.result_of(stamped("1000"));
    SECTION("it does") {
        wired.reconnects_after(10s);
        const auto step = wired.says(stamped("1000"));
        CHECK(all_of<ToolAnswered>(step.tell) == std::vector{ToolAnswered{{"NR-9"}, before.epoch, 1}});
        CHECK(all_of<ResultReceived>(step.tell).at(0).digest == before.digest);
        const auto next = wired.result_of(stamped("1001"));
        CHECK(next.epoch == before.epoch);
        CHECK(next.reading.counter == 2);
        CHECK(wired.results.look(wired.now + 10s).tell.empty());
    }
    SECTION("it shows another") {
        wired.reconnects_after(10s);
        const auto next = wired.result_of(stamped("1001"));
        CHECK(next.epoch != before.epoch);
        CHECK(next.reading.counter == 1);
    }
    SECTION("it shows nothing in time") {
        wired.reconnects_after(10s);
        const auto told = all_of<ToolAnswered>(wired.results.look(wired.now + 100ms).tell);
        REQUIRE(told.size() == 1);
        CHECK(told[0].epoch != before.epoch);
    }
    SECTION("the service was started anew, and knows it by what it said") {
        Wired later(stamping_profile(),
                    KnownOfTool{.epoch = before.epoch, .counter = 1, .digest = before.digest});
        const auto again = later.result_of(stamped("1000"));
        CHECK(again.epoch == before.epoch);
        CHECK(again.reading.counter == 1);
    }
}

TEST_CASE("of a tool that does not count, what is not understood may have been a result") {
    Wired wired(stamping_profile());
    static_cast<void>(wired.says(stamped("1000")));
    const auto told = all_of<ToolAnswered>(wired.results.not_understood(wired.now).tell);
    REQUIRE(told.size() == 1);
    CHECK(told[0].last == 0);
    CHECK(wired.results.not_understood(wired.now).tell.empty());  // said already
    CHECK(wired.result_of(stamped("1001")).epoch == told[0].epoch);
    Wired counting;
    static_cast<void>(counting.says(status_with(1)));
    CHECK(counting.results.not_understood(wired.now).tell.empty());
}

TEST_CASE("what a tool says of whether it may run goes with the place of its count at that moment") {
    Wired wired;
    auto status = status_with(4);
    status.enabled = true;
    status.program = "small";
    const auto seen = wired.says(status).seen;
    REQUIRE(seen);
    CHECK(seen->enabled);
    CHECK(seen->program == "small");
    CHECK(seen->epoch == "0");
    CHECK(seen->counter == 4);
    CHECK_FALSE(wired.says(status_with(4)).seen);
}

TEST_CASE("a curve is named by the number that its result has here") {
    Wired wired(counting_profile(), known_to(65535));
    static_cast<void>(wired.says(result_with(0)));
    protocol::FrameTrace trace;
    trace.belongs_to = 0;
    trace.trace.times = protocol::SampleInterval{2000};
    trace.trace.torque.counts = {0, 10, 20};
    const auto step = wired.says(trace);
    REQUIRE(step.trace);
    CHECK(step.trace->event.counter == 65536);
    CHECK(step.trace->event.epoch == "0");
}

TEST_CASE("200 frames may come at once, then as many a second, and too many are news once") {
    Flood flood{200};
    SteadyTime now{1h};
    for (int i = 0; i < 200; ++i) {
        CHECK(flood.has_room(now));
        flood.frame(now);
    }
    CHECK_FALSE(flood.has_room(now));
    CHECK(flood.is_news());
    CHECK_FALSE(flood.is_news());
    now += 5ms;
    CHECK(flood.has_room(now));
    now += 2s;
    CHECK(flood.has_room(now));
    CHECK(flood.is_news());
}

TEST_CASE("64 KiB of garbage may come at once, then as much a second") {
    Flood flood{200};
    SteadyTime now{1h};
    flood.bytes(now, 64 * 1024 + 1);
    CHECK_FALSE(flood.has_room(now));
    flood.were_a_frame(1);
    CHECK(flood.has_room(now));
    flood.bytes(now, 64 * 1024);
    CHECK_FALSE(flood.has_room(now + 900ms));
    CHECK(flood.has_room(now + 1000ms));
}
