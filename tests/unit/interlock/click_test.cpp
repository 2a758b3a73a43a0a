// Wrenches that only click, and push buttons: what they may prove and what they may not.
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

config::Station with_clicks() {
    auto station = small_station();
    auto wrench = tool("CW");
    wrench.link = config::PulseLink{"IO-1", "wrench"};
    station.tools.push_back(wrench);
    config::Joint& clip = station.joints.back();
    clip.method = config::Method::click;
    clip.placement = config::Placement::counted;
    clip.passes = {{"click", "", {}}};
    clip.tools = {"CW"};
    clip.rehit_angle_max.reset();
    clip.retry = {};
    return station;
}

// The clips are what is left to do.
struct Clicks : Story {
    Clicks() : Story(with_clicks()) {
        happens(ToolLinkChanged{ToolId{"CW"}, Quality::good, "", 1});
        happens(ToolAnswered{ToolId{"CW"}, "1", 0});
        joined_unit();
    }
    const Outcome& clicks(protocol::ToolVerdict verdict = protocol::ToolVerdict::ok) {
        ResultReceived result{ToolId{"CW"}, "1", {}, {now_ns, now_ns + 1000, boot}, ++made};
        result.reading.counter = made;
        result.reading.tool_verdict = verdict;
        return happens(std::move(result));
    }
    const Outcome& presses(const std::string& step) {
        return happens(ButtonPressed{BayId{"B1"}, "IO-1/done", step, {now_ns, now_ns + 1000, boot}});
    }
    std::uint64_t made = 0;
};

}  // namespace

TEST_CASE("a click proves a fastener of a joint whose method it is") {
    Clicks story;
    CHECK(is<Attributed>(story.clicks()));
    CHECK(story.judgement().verdict == evaluation::Verdict::ok);
    CHECK(story.held_by("leave", ReasonCode::joint_open));
    story.clicks();
    CHECK_FALSE(story.held_by("leave", ReasonCode::joint_open));
    story.presses("look");
    CHECK(story.released("leave"));
}

TEST_CASE("a click proves nothing of a joint that is proven by tightening") {
    auto station = with_clicks();
    station.joints.back() = small_joints().back();
    station.joints.back().tools = {"CW"};
    station.joints.back().placement = config::Placement::counted;
    Story story{station};
    story.happens(ToolLinkChanged{ToolId{"CW"}, Quality::good, "", 1});
    story.happens(ToolAnswered{ToolId{"CW"}, "1", 0});
    story.joined_unit();
    ResultReceived click{ToolId{"CW"}, "1", {}, {story.now_ns, story.now_ns + 1000, story.boot}, 1};
    click.reading.counter = 1;
    click.reading.tool_verdict = protocol::ToolVerdict::ok;
    REQUIRE(is<Attributed>(story.happens(click)));
    CHECK(story.judgement().verdict == evaluation::Verdict::undefined);
    CHECK(story.held_by("leave", ReasonCode::joint_open));
}

TEST_CASE("a result that brings no click does not count as one") {
    Clicks story;
    story.clicks(protocol::ToolVerdict::absent);
    CHECK(story.judgement().verdict == evaluation::Verdict::undefined);
    CHECK(story.held_by("leave", ReasonCode::joint_open));
}

TEST_CASE("a lost link to the wrench withholds what its joint is for") {
    Clicks story;
    story.clicks();
    story.clicks();
    story.happens(ToolLinkChanged{ToolId{"CW"}, Quality::failed, "", 1});
    CHECK(story.held_by("leave", ReasonCode::tool_link_lost));
    CHECK_FALSE(story.held_by("lift", ReasonCode::tool_link_lost));
}

TEST_CASE("a wrench whose count goes on after its link was lost leaves no gap") {
    Clicks story;
    story.clicks();
    story.happens(ToolLinkChanged{ToolId{"CW"}, Quality::failed, "", 1});
    story.happens(ToolAnswered{ToolId{"CW"}, "1", 1});
    story.happens(ToolLinkChanged{ToolId{"CW"}, Quality::good, "", 1});
    CHECK(is<Attributed>(story.clicks()));
    CHECK_FALSE(story.held_by("leave", ReasonCode::result_gap));
}

TEST_CASE("a click after the last fastener is kept, and counts for nothing") {
    Clicks story;
    story.clicks();
    story.clicks();
    CHECK(unassigned(story.clicks(), UnassignedWhy::no_open_joint));
}

// ---- push buttons ---------------------------------------------------------------------------------------

TEST_CASE("a button confirms its step for whoever is signed on, and for nobody else") {
    Clicks story;
    story.presses("look");
    REQUIRE(story.stay().checks.size() == 1);
    CHECK(story.stay().checks[0].by == worker);
    Clicks alone;
    alone.happens(OperatorSignedOff{BayId{"B1"}, worker});
    CHECK(refused(alone.presses("look"), RefusalCode::not_possible_now));
    CHECK(alone.stay().checks.empty());
}

TEST_CASE("a button without a step confirms the one that is open, and none before its turn") {
    Clicks story;
    const auto stay = stay_at(*bay_of(story.state, BayId{"B1"}))->id;
    CHECK(story.presses("") == Outcome{Confirmed{stay, "look", worker}});
    CHECK(story.stay().checks.size() == 1);
    CHECK(refused(story.presses(""), RefusalCode::not_possible_now));
    Story early{with_clicks()};
    early.identified_unit();
    const ButtonPressed press{BayId{"B1"}, "IO-1/done", "", {early.now_ns, early.now_ns + 1000, early.boot}};
    CHECK(refused(early.happens(press), RefusalCode::not_possible_now));
    auto named = press;
    named.step = "look";
    CHECK(refused(early.happens(named), RefusalCode::not_possible_now));
}

TEST_CASE("where two steps are open, a button that names none confirms neither") {
    auto station = with_clicks();
    station.plans[0].stages.back().steps.emplace_back(config::ConfirmStep{"seal", "Look at the seal"});
    Story story{station};
    story.joined_unit();
    const ButtonPressed press{BayId{"B1"}, "IO-1/done", "", {story.now_ns, story.now_ns + 1000, story.boot}};
    CHECK(refused(story.happens(press), RefusalCode::not_possible_now));
    CHECK(story.stay().checks.empty());
}

TEST_CASE("a press of before the unit came confirms nothing of it") {
    Clicks story;
    const ButtonPressed press{BayId{"B1"}, "IO-1/done", "look", {1, 2, story.boot}};
    CHECK(refused(story.happens(press), RefusalCode::not_possible_now));
}

TEST_CASE("a button overrides nothing: with a joint open it leaves the permissive held") {
    Clicks story;
    story.presses("look");
    CHECK(story.held_by("leave", ReasonCode::joint_open));
    CHECK_FALSE(story.released("leave"));
    CHECK(refused(story.presses("clip"), RefusalCode::no_such_thing));
}
