// The order of a tool's results, and what happens where one is missing.
#include <catch2/catch.hpp>

#include "service/links/tool_count.hpp"

using namespace tautgate::links;
using namespace std::chrono_literals;

namespace {
const SteadyTime now{1h};

ArrivedResult numbered(std::uint64_t counter) {
    ArrivedResult result;
    result.reading.counter = counter;
    return result;
}
std::vector<std::uint64_t> counters(const ToolCount::Step& step) {
    std::vector<std::uint64_t> all;
    for (const auto& result : step.pass_on)
        all.push_back(result.reading.counter);
    return all;
}
using Counters = std::vector<std::uint64_t>;
}  // namespace

TEST_CASE("results in order are passed on as they come, repeated ones too") {
    ToolCount count{5, 1s};
    CHECK(counters(count.take(numbered(5), now)) == Counters{5});
    CHECK(counters(count.take(numbered(6), now)) == Counters{6});
    CHECK(counters(count.take(numbered(5), now)) == Counters{5});
    CHECK_FALSE(count.waiting());
}

TEST_CASE("a jump is held back and the tool asked once for what is missing") {
    ToolCount count{5, 1s};
    const auto jump = count.take(numbered(7), now);
    CHECK(jump.pass_on.empty());
    CHECK(jump.ask_from == 5);
    CHECK_FALSE(count.take(numbered(8), now).ask_from);
    CHECK(counters(count.take(numbered(5), now)) == Counters{5});
    CHECK(counters(count.take(numbered(6), now)) == Counters{6, 7, 8});
    CHECK_FALSE(count.waiting());
}

TEST_CASE("a tool that sends the jump again has nothing before it, and the gap is passed on") {
    ToolCount count{5, 1s};
    (void)count.take(numbered(7), now);
    CHECK(counters(count.take(numbered(7), now)) == Counters{7});
    CHECK(counters(count.take(numbered(8), now)) == Counters{8});
}

TEST_CASE("two contents under one number are both passed on, each once") {
    const auto with = [](std::uint64_t counter, const char* raw) {
        ArrivedResult result = numbered(counter);
        result.reading.received.raw = raw;
        return result;
    };
    ToolCount count{5, 1s};
    (void)count.take(with(6, "tighten"), now);
    const auto jump = count.take(with(6, "loosen"), now);
    REQUIRE(counters(jump) == Counters{6, 6});
    CHECK(jump.pass_on[0].reading.received.raw == "tighten");
    CHECK(jump.pass_on[1].reading.received.raw == "loosen");

    ToolCount filled{5, 1s};
    (void)filled.take(with(7, "tighten"), now);
    (void)filled.take(with(8, "later"), now);
    CHECK(counters(filled.take(with(5, "five"), now)) == Counters{5});
    CHECK(counters(filled.take(with(7, "loosen"), now)) == Counters{7, 7, 8});
}

TEST_CASE("a tool that does not answer gets the gap passed on when its time is over, not before") {
    ToolCount count{5, 1s};
    (void)count.take(numbered(7), now);
    CHECK(count.look(now + 999ms).pass_on.empty());
    CHECK(counters(count.look(now + 1s)) == Counters{7});
    CHECK(count.take(numbered(10), now + 2s).ask_from == 8);
}
