// What a tool that obeys is told and when its word is news, on a clock that the test moves.
#include <catch2/catch.hpp>

#include "service/links/tool_talk.hpp"

using namespace tautgate;
using namespace tautgate::links;
using std::chrono::milliseconds;

namespace {

struct Talk {
    SteadyTime now{std::chrono::hours(1)};
    ToolTalk talk{domain::ToolId{"T1"}, milliseconds(1000)};

    void orders(std::uint64_t number, bool enabled, std::string program = "") {
        talk.order({domain::EventNumber{number}, enabled, std::move(program)});
        REQUIRE(talk.to_tell(now));
        talk.told(now);
    }
    [[nodiscard]] auto says(bool enabled, std::string program = "", std::uint64_t counter = 7) {
        return talk.hear({enabled, std::move(program), "e1", counter}, now);
    }
};

}  // namespace

TEST_CASE("an order is told once, and its answer is reported once") {
    Talk t;
    t.orders(5, true, "P1");
    CHECK_FALSE(t.talk.to_tell(t.now));
    CHECK_FALSE(t.says(false));  // not yet
    const auto word = t.says(true, "P1");
    REQUIRE(word);
    CHECK(*word == interlock::ToolControlSeen{{"T1"}, {5}, true, "P1", "e1", 7});
    CHECK_FALSE(t.says(true, "P1"));
    CHECK_FALSE(t.says(true, "P1", 8));  // its results speak for themselves
    t.now += milliseconds(5000);
    CHECK_FALSE(t.talk.to_tell(t.now));
}

TEST_CASE("a tool that does not do as it was told is told again, and its word is reported") {
    Talk t;
    t.orders(5, true, "P1");
    t.now += milliseconds(999);
    CHECK_FALSE(t.talk.to_tell(t.now));
    CHECK_FALSE(t.says(true, "P2"));
    t.now += milliseconds(1);
    REQUIRE(t.talk.to_tell(t.now));
    const auto word = t.says(true, "P2");
    REQUIRE(word);
    CHECK(word->program == "P2");
    t.talk.told(t.now);
    CHECK_FALSE(t.says(true, "P2"));
    CHECK(t.says(false));  // another word is news, though it was told again just now
    CHECK(t.says(true, "P1"));
}

TEST_CASE("a tool that obeyed and does no more is news at once") {
    Talk t;
    t.orders(5, false);
    REQUIRE(t.says(false));
    const auto word = t.says(true);
    REQUIRE(word);
    CHECK(word->enabled);
}

TEST_CASE("at rest a count that goes on is news, since the tool changes bays by it") {
    Talk t;
    t.orders(5, false);
    REQUIRE(t.says(false, "", 7));
    CHECK_FALSE(t.says(false, "", 7));
    const auto word = t.says(false, "", 8);
    REQUIRE(word);
    CHECK(word->counter == 8);
}

TEST_CASE("what was said before a connection ended is asked for again") {
    Talk t;
    t.orders(5, false);
    REQUIRE(t.says(false));
    t.talk.connected();
    CHECK_FALSE(t.says(false));  // of whatever it was told elsewhere
    REQUIRE(t.talk.to_tell(t.now));
    t.talk.told(t.now);
    CHECK(t.says(false));
}

TEST_CASE("an order that nobody gave stops a tool and is not reported") {
    Talk t;
    CHECK(t.talk.to_tell(t.now) == RunOrder{});
    t.talk.told(t.now);
    CHECK_FALSE(t.says(true));
    CHECK_FALSE(t.says(false));
    t.orders(5, false);
    REQUIRE(t.says(false));
    // It rests already.
    t.talk.order({});
    CHECK_FALSE(t.talk.to_tell(t.now));
    t.orders(6, true);
    t.talk.order({});
    CHECK(t.talk.to_tell(t.now) == RunOrder{});
}
