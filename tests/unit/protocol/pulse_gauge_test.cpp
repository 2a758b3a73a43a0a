// Pulses of a contact, told by looks at it. The times are invented; what is checked against is the definition
// in the header, worked out here once more over the whole course of the level.
#include <catch2/catch.hpp>

#include <algorithm>
#include <vector>

#include <rapidcheck.h>

#include "protocol/pulse_count.hpp"
#include "protocol/pulse_gauge.hpp"

using namespace tautgate::protocol;
using namespace std::chrono_literals;

namespace {

constexpr PulseLimits limits{.debounce = 20ms, .shortest = 40ms, .longest = 1000ms};

struct Run {
    bool active = false;
    PulseTime lasts{};
};

// What the gauge says over these levels, looked at every `poll`.
std::vector<PulseNews> news_of(const std::vector<Run>& runs, PulseTime poll = 5ms, PulseLimits of = limits) {
    PulseGauge gauge{of};
    std::vector<PulseNews> all;
    PulseTime at{};
    for (const Run& run : runs)
        for (const PulseTime end = at + run.lasts; at < end; at += poll)
            if (auto news = gauge.look(at, run.active))
                all.push_back(*news);
    return all;
}

template <class Kind>
std::size_t count_of(const std::vector<PulseNews>& all) {
    return static_cast<std::size_t>(
        std::ranges::count_if(all, [](const PulseNews& n) { return std::holds_alternative<Kind>(n); }));
}

std::vector<PulseNews> pulse_of(PulseTime length) {
    return news_of({{false, 100ms}, {true, length}, {false, 100ms}});
}

}  // namespace

TEST_CASE("a pulse is good from the shortest to the longest length, both included, and has its moment") {
    CHECK(pulse_of(40ms) == std::vector<PulseNews>{GoodPulse{95ms, 100ms, 40ms}});
    CHECK(count_of<GoodPulse>(pulse_of(1000ms)) == 1);
    CHECK(pulse_of(35ms) == std::vector<PulseNews>{TooShort{35ms}});
    CHECK(pulse_of(1005ms) == std::vector<PulseNews>{TooLong{1005ms}});
}

TEST_CASE("a contact that stays on is told once as soon as it is too long, and once at its end") {
    CHECK(pulse_of(3000ms) == std::vector<PulseNews>{StillOn{1005ms}, TooLong{3000ms}});
}

TEST_CASE("a spike shorter than the debounce time is nothing at all") {
    CHECK(pulse_of(20ms).empty());
    CHECK(pulse_of(5ms).empty());
}

TEST_CASE("the level that is seen first is no pulse, and neither is its end") {
    CHECK(news_of({{true, 200ms}, {false, 200ms}}).empty());
    CHECK(count_of<GoodPulse>(news_of({{true, 200ms}, {false, 200ms}, {true, 100ms}, {false, 100ms}})) == 1);
}

TEST_CASE("a pulse under way when the looks end is given up, and what is seen next is where it stands") {
    PulseGauge gauge{limits};
    CHECK_FALSE(gauge.look(0ms, false));
    CHECK_FALSE(gauge.look(30ms, false));
    CHECK_FALSE(gauge.look(60ms, true));
    CHECK_FALSE(gauge.look(90ms, true));
    CHECK(gauge.end() == PulseNews{CutOff{0ms}});
    CHECK_FALSE(gauge.end());
    CHECK_FALSE(gauge.look(500ms, true));
    CHECK_FALSE(gauge.look(530ms, true));
    CHECK_FALSE(gauge.look(560ms, false));
    CHECK_FALSE(gauge.look(590ms, false));
}

TEST_CASE("a look that comes later than the shortest pulse lasts gives up what was under way") {
    PulseGauge gauge{limits};
    CHECK_FALSE(gauge.look(0ms, false));
    CHECK_FALSE(gauge.look(20ms, false));
    CHECK_FALSE(gauge.look(40ms, true));
    CHECK_FALSE(gauge.look(60ms, true));
    CHECK(gauge.look(101ms, true) == PulseNews{CutOff{41ms}});
    CHECK_FALSE(gauge.look(121ms, false));
    CHECK_FALSE(gauge.look(141ms, false));
}

TEST_CASE("whatever bounces within the debounce time, one press makes one pulse") {
    const auto holds = [] {
        const auto bounce = [](bool rest) {
            std::vector<Run> runs;
            const auto bounces = *rc::gen::inRange(0, 6);
            for (int i = 0; i < bounces; ++i) {
                runs.push_back({!rest, PulseTime(1ms) * *rc::gen::inRange(1, 20)});
                runs.push_back({rest, PulseTime(1ms) * *rc::gen::inRange(1, 20)});
            }
            return runs;
        };
        std::vector<Run> runs{{false, 60ms}};
        std::ranges::copy(bounce(false), std::back_inserter(runs));
        runs.push_back({true, PulseTime(1ms) * *rc::gen::inRange(60, 300)});
        std::ranges::copy(bounce(true), std::back_inserter(runs));
        runs.push_back({false, 60ms});
        const auto all = news_of(runs, 1ms);
        RC_ASSERT(count_of<GoodPulse>(all) == 1U);
        RC_ASSERT(all.size() == 1U);
    };
    CHECK(rc::check("bounces", holds));
}

TEST_CASE("over any course of a level the gauge finds the pulses that the definition gives") {
    const auto holds = [] {
        const auto levels = *rc::gen::container<std::vector<bool>>(
            std::size_t{400}, rc::gen::weightedElement<bool>({{1, true}, {1, false}}));
        const auto stretch = *rc::gen::inRange<std::size_t>(1, 40);
        std::vector<bool> looks;
        for (const bool level : levels)
            looks.insert(looks.end(), stretch, level);
        const auto poll = PulseTime(2ms);
        PulseGauge gauge{limits};
        std::size_t found = 0;
        for (std::size_t i = 0; i < looks.size(); ++i) {
            const auto news = gauge.look(poll * static_cast<std::int64_t>(i), looks[i]);
            found += news && std::holds_alternative<GoodPulse>(*news) ? 1 : 0;
        }
        // Once more, over runs of equal looks: a run counts if it stands for the debounce time.
        std::size_t expected = 0;
        std::optional<std::size_t> rise;
        std::optional<bool> settled;
        for (std::size_t begin = 0, end = 0; begin < looks.size(); begin = end) {
            while (end < looks.size() && looks[end] == looks[begin])
                ++end;
            const bool stands = poll * static_cast<std::int64_t>(end - 1 - begin) >= limits.debounce;
            if (!stands || settled == looks[begin])
                continue;
            const bool first = begin == 0;
            settled = looks[begin];
            if (looks[begin]) {
                rise = first ? std::nullopt : std::optional(begin);
            } else if (rise) {
                const auto length = poll * static_cast<std::int64_t>(begin - *rise);
                expected += length >= limits.shortest && length <= limits.longest ? 1 : 0;
                rise.reset();
            }
        }
        RC_ASSERT(found == expected);
    };
    CHECK(rc::check("definition", holds));
}

// ---- counted by the device ------------------------------------------------------------------------------

TEST_CASE("a count in a register gives its steps, over its turn as well") {
    PulseCount count{65535, 50ms};
    CHECK_FALSE(count.look(0ms, 65534));
    CHECK_FALSE(count.look(100ms, 65534));
    CHECK(count.look(200ms, 1) == CountNews{CountedPulses{3, 100ms}});
    PulseCount small{99, 50ms};
    CHECK_FALSE(small.look(0ms, 99));
    CHECK(small.look(100ms, 0) == CountNews{CountedPulses{1, 0ms}});
}

TEST_CASE("a count that went further than pulses can have come counts for nothing, and goes on from there") {
    PulseCount count{65535, 50ms};
    CHECK_FALSE(count.look(0ms, 10));
    CHECK(count.look(100ms, 13) == CountNews{CountedPulses{3, 0ms}});
    CHECK(count.look(200ms, 17) == CountNews{CountJumped{13, 17}});
    CHECK(count.look(300ms, 0) == CountNews{CountJumped{17, 0}});
    CHECK(count.look(400ms, 1) == CountNews{CountedPulses{1, 300ms}});
}

TEST_CASE("what a device counted while nobody looked is told and made up by nothing") {
    PulseCount count{65535, 50ms};
    CHECK_FALSE(count.look(0ms, 10));
    count.end();
    CHECK(count.look(9000ms, 12) == CountNews{CountJumped{10, 12}});
    CHECK(count.look(9100ms, 13) == CountNews{CountedPulses{1, 9000ms}});
    count.end();
    CHECK_FALSE(count.look(9200ms, 13));
}

TEST_CASE("a count above its highest is no count") {
    PulseCount count{99, 1ms};
    CHECK_FALSE(count.look(0ms, 98));
    CHECK(count.look(100ms, 100) == CountNews{CountJumped{98, 100}});
}

TEST_CASE("a pulse that misses a limit by little is told with the digits that show it") {
    CHECK(pulse_text(50ms) == "50.0 ms");
    CHECK(pulse_text(30ms, 40ms) == "30.0 ms");
    CHECK(pulse_text(39'960us, 40ms) == "39.96 ms");
    CHECK(pulse_text(PulseTime{39'999'999}, 40ms) == "39.999999 ms");
    CHECK(pulse_text(PulseTime{200'004'000}, 200ms) == "200.004 ms");
    CHECK(pulse_text(40ms, 40ms) == "40.0 ms");
}

TEST_CASE("a level that comes back after a while lapses, and one that is another by then does not") {
    using std::chrono::milliseconds;
    Debouncer level{milliseconds(1000)};
    constexpr milliseconds longest{1500};
    static_cast<void>(level.look(milliseconds(0), true));
    CHECK_FALSE(level.has_lapsed(milliseconds(900), true, longest));  // nothing has settled yet
    REQUIRE(level.look(milliseconds(1000), true));
    CHECK_FALSE(level.has_lapsed(milliseconds(2500), true, longest));
    CHECK(level.has_lapsed(milliseconds(2501), true, longest));
    CHECK_FALSE(level.has_lapsed(milliseconds(2501), false, longest));  // it will settle or come back
    static_cast<void>(level.look(milliseconds(2000), true));
    CHECK_FALSE(level.has_lapsed(milliseconds(3500), true, longest));
    static_cast<void>(level.look(milliseconds(2100), false));
    CHECK(level.has_lapsed(milliseconds(3501), true, longest));
    level.forget();
    CHECK_FALSE(level.has_lapsed(milliseconds(9000), true, longest));
}
