// What a stack light shows. Meanings of the colours: IEC 60073:2002, 4.2.1.1 and table 4 (green normal,
// yellow abnormal, red emergency or faulty, blue mandatory action), from memory; which reason is which is
// ours.
#include "service/interlock/signals.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {
Signals shown(const Story& story) { return signals_of(story.bay(), story.state.newest, false); }
}  // namespace

TEST_CASE("an empty bay lights nothing") {
    const Story story;
    CHECK(shown(story) == Signals{});
}

TEST_CASE("blue while the operator has something to do, green as well once something is released") {
    Story story;
    story.arrives();
    CHECK(shown(story) == Signals{.action = true});
    story.scans("D", "D1");
    story.scans("F", "F1");
    story.hits(mount_ok);
    CHECK(shown(story) == Signals{.action = true});
    story.hits(mount_ok);
    story.hits(cap_ok);
    story.hits(cap_ok);
    REQUIRE(story.released("lift"));
    CHECK(shown(story) == Signals{.released = true, .action = true});
}

TEST_CASE("green waits until the release is stored for good, as the release itself does") {
    Story story;
    story.finished_unit();
    const EventNumber before{story.state.newest.value - 1};
    REQUIRE(std::get<Released>(story.permissive("leave").output).by == story.state.newest);
    story.state.bays.front().permissives.front().output = Withheld{};  // decided earlier
    CHECK_FALSE(signals_of(story.bay(), before, false).released);
    CHECK(signals_of(story.bay(), story.state.newest, false).released);
}

TEST_CASE("green alone when everything is proven") {
    Story story;
    story.finished_unit();
    CHECK(shown(story).released);
    CHECK_FALSE(shown(story).wrong);
    CHECK_FALSE(shown(story).action);
}

TEST_CASE("red for a tightening that is not OK, and green never beside it") {
    Story story;
    story.joined_unit();
    REQUIRE(shown(story).released);
    story.hits({"T2", "P3", 20, 45, 1});
    CHECK(shown(story).wrong);
    CHECK(story.released("lift"));
    CHECK_FALSE(shown(story).released);
}

TEST_CASE("red for a lost link, and for a station that withholds everything") {
    Story story;
    story.finished_unit();
    CHECK(signals_of(story.bay(), story.state.newest, true) ==
          Signals{.released = false, .attention = false, .wrong = true});
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::failed, "", 1});
    CHECK(shown(story).wrong);
    CHECK_FALSE(shown(story).released);
}

TEST_CASE("yellow while a question is open, a decision waits, or a unit leaves incomplete") {
    Story story;
    story.identified_unit();
    story.scans("F", "F2");
    CHECK(shown(story).attention);
    story.proposes(supervisor, UnitStillHere{});
    CHECK_FALSE(shown(story).attention);
    story.proposes(supervisor, LeaveIncomplete{});
    CHECK(shown(story).attention);
    story.seconds(quality, story.state.newest);
    REQUIRE(story.on_wire("side") == OnWire::leaving_incomplete);
    CHECK(shown(story).attention);
    CHECK_FALSE(shown(story).released);
}
