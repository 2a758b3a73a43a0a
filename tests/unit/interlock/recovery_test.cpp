// After a restart nothing is believed until its source has spoken; what was proven stays proven.
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

// A second ticket has asked whether the unit has left; so many results came before anybody answered.
Story with_unassigned(std::size_t results) {
    Story story;
    story.identified_unit();
    story.scans("D", "D2");
    for (std::size_t i = 0; i < results; ++i)
        story.hits(mount_ok);
    return story;
}

}  // namespace

TEST_CASE("a restart withholds everything at once") {
    Story story;
    story.finished_unit();
    story.restarts(true);
    for (const PermissiveState& each : story.bay().permissives)
        CHECK(std::holds_alternative<Withheld>(each.output));
    CHECK(story.held_by("leave", ReasonCode::presence_unconfirmed));
    CHECK(story.held_by("leave", ReasonCode::controller_link_lost));
    CHECK(story.held_by("leave", ReasonCode::tool_link_lost));
    CHECK_FALSE(story.bay().signed_on.has_value());
}

TEST_CASE("counts that did not change across a restart spare the scan, and the release is a new one") {
    Story story;
    story.finished_unit();
    const auto before = std::get<Released>(story.permissive("leave").output).by;
    story.restarts(true);
    story.links_come_up();
    CHECK(story.released("leave"));
    CHECK(std::get<Released>(story.permissive("leave").output).by > before);
}

TEST_CASE("an equipment that was started itself in between confirms nothing; a ticket of the unit does") {
    Story story;
    story.finished_unit();
    story.restarts(true);
    ++story.equipment.starts;
    story.links_come_up();
    CHECK(story.held_by("leave", ReasonCode::presence_unconfirmed));
    story.report();
    CHECK(story.held_by("leave", ReasonCode::presence_unconfirmed));
    story.scans("F", "F1");
    CHECK(story.released("leave"));
}

TEST_CASE("another unit's ticket after a restart confirms nothing but asks") {
    Story story;
    story.finished_unit();
    story.restarts(true);
    ++story.equipment.starts;
    story.links_come_up();
    story.scans("F", "F2");
    CHECK(story.held_by("leave", ReasonCode::presence_unconfirmed));
    CHECK(story.held_by("leave", ReasonCode::ticket_repeated));
}

TEST_CASE("after an unclean end a tool proves nothing until its count was compared") {
    Story story;
    story.finished_unit();
    story.restarts(false);
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
    story.report();
    for (const std::string id : {"T1", "T2"})
        story.happens(ToolLinkChanged{ToolId{id}, Quality::good, "", 1});
    CHECK(story.held_by("leave", ReasonCode::tool_not_asked));
    story.happens(ToolAnswered{ToolId{"T1"}, "e1", 2});
    CHECK(story.held_by("leave", ReasonCode::tool_not_asked));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptSource{ToolId{"T2"}})));
    CHECK(story.released("leave"));
}

TEST_CASE("a tool that made results while the station was down is waited for") {
    Story story;
    story.finished_unit();
    const auto missed = story.made(mount_loosened);
    story.restarts(false);
    story.links_come_up();
    CHECK(story.held_by("leave", ReasonCode::results_outstanding));
    story.happens(missed);
    CHECK(story.held_by("leave", ReasonCode::joint_open));
}

TEST_CASE("a tool whose count fell back is a gap") {
    Story story;
    story.finished_unit();
    story.restarts(false);
    story.tools["T1"].made = 1;
    story.links_come_up();
    CHECK(story.held_by("leave", ReasonCode::result_gap));
}

TEST_CASE("a movement that was made under a release which a restart withdrew is no violation") {
    Story story;
    story.finished_unit();
    story.restarts(true);
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
    story.moves("leave");
    CHECK_FALSE(story.alarmed(AlarmCode::left_unproven));
    CHECK_FALSE(story.on_hold("D1"));
}

TEST_CASE("results while it is uncertain which unit is here are nobody's") {
    Story story;
    story.identified_unit();
    story.restarts(true);
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::question_open));
}

TEST_CASE("what came in doubt is nobody's at the next unit, too, where units were exchanged before anybody "
          "looked") {
    Story story;
    story.identified_unit();
    const EventNumber first = story.stay().id;
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::stale, "silent", 1});
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::question_open));
    const EventNumber result = story.state.newest;
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
    const bool exchanged = GENERATE(true, false);
    if (exchanged) {
        ++story.equipment.departures;
        ++story.equipment.arrivals;
        story.equipment.echoed = story.offered();
    }
    story.report();
    CHECK((story.stay().id != first) == exchanged);
    REQUIRE(story.stay().unassigned.size() == 1);
    CHECK(story.stay().unassigned.front().result == result);
    CHECK(story.held_by("lift", ReasonCode::result_unassigned));
    if (!exchanged)
        return;
    // One that comes to a place that was seen empty has nothing to do with it.
    story.departs();
    story.arrives();
    CHECK(story.stay().unassigned.empty());
}

TEST_CASE("of a tool that runs wild the state keeps a part, and the unit waits for people all the same") {
    constexpr std::size_t most = 500;
    Story story = with_unassigned(most);
    CHECK(story.stay().set_aside.empty());
    for (std::size_t i = 0; i < 3; ++i)
        CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::question_open));
    CHECK(story.stay().unassigned.size() == most);
    CHECK(story.stay().set_aside.empty());
    const EventNumber newest = story.state.newest;
    CHECK(story.stay().many_unassigned == ManyUnassigned{EventNumber{newest.value - 2}, newest, 3});
    REQUIRE(story.held_by("lift", ReasonCode::event_set_aside));
    CHECK(sentence(*story.reason("lift", ReasonCode::event_set_aside)) ==
          "3 more results without a fastener came than are kept one by one, with events " +
              std::to_string(newest.value - 2) + " to " + std::to_string(newest.value) + ".");

    // One word is about all that there were when it was said.
    story.hits(mount_ok);
    CHECK(refused(story.proposes(supervisor, DisposeSetAside{newest}), RefusalCode::already_settled));
    const EventNumber last = story.stay().many_unassigned->newest;
    CHECK(refused(story.happens(Proposed{BayId{"B1"}, DisposeSetAside{last}, supervisor, "checked",
                                         "checked by hand", newest}),
                  RefusalCode::seen_too_old));
    CHECK(is<Applied>(story.proposes(supervisor, DisposeSetAside{last})));
    CHECK_FALSE(story.held_by("lift", ReasonCode::event_set_aside));
    story.hits(mount_ok);
    CHECK(story.held_by("lift", ReasonCode::event_set_aside));
}

TEST_CASE("a tool that sends without end holds by some of its results, and all of them are kept") {
    constexpr std::size_t sent = 60;
    Story story = with_unassigned(sent);
    CHECK(story.stay().unassigned.size() == sent);
    const auto& reasons = story.permissive("lift").reasons;
    CHECK(std::ranges::count(reasons, ReasonCode::result_unassigned, &Reason::code) == 16);
    CHECK(is<Applied>(story.proposes(supervisor, UnitStillHere{})));
    for (std::size_t left = sent; left > 0; --left) {
        CHECK(story.held_by("lift", ReasonCode::result_unassigned));
        const EventNumber next = story.stay().unassigned.front().result;
        REQUIRE(is<Applied>(story.proposes(supervisor, SetResultAside{next})));
    }
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_unassigned));
}

TEST_CASE("an event set aside withholds the bay, goes on in the tool's count, and people dispose of it") {
    Story story;
    story.joined_unit();
    const auto lost = story.made(cap_ok);
    EventSetAside aside{BayId{"B1"},          "raw",      "the process ended", lost.tool, lost.epoch,
                        lost.reading.counter, lost.digest};
    story.happens(aside);
    CHECK(story.alarmed(AlarmCode::event_set_aside));
    CHECK(story.held_by("lift", ReasonCode::event_set_aside));
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_gap));
    CHECK(std::ranges::find(story.record.effects, Effect{Acknowledge{ToolId{"T2"}, "e1", 3}}) !=
          story.record.effects.end());
    const DisposeSetAside dispose{story.state.newest};
    // The tool had no acknowledgement when it sent it again.
    story.happens(lost);
    CHECK(is<Repeated>(story.record.outcome));
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_gap));
    CHECK(is<Applied>(story.proposes(supervisor, dispose)));
    CHECK(story.released("lift"));
    story.hits(clip_ok(1));
    CHECK(is<Attributed>(story.record.outcome));
}

TEST_CASE("an event set aside while no unit was there withholds the next one until people dispose of it") {
    Story story;
    story.happens(EventSetAside{BayId{"B1"}, "raw", "the process ended", {}, "", 0, 0});
    const DisposeSetAside dispose{story.state.newest};
    story.joined_unit();
    CHECK(story.held_by("lift", ReasonCode::event_set_aside));
    CHECK(is<Applied>(story.proposes(supervisor, dispose)));
    CHECK(story.released("lift"));
    CHECK(story.bay().set_aside.empty());
}

TEST_CASE("a newer program that would have decided otherwise withholds until people looked") {
    Story story;
    story.joined_unit();
    story.happens(DecisionDiffered{EventNumber{9}, "next"});
    CHECK(story.held_by("lift", ReasonCode::decision_differs));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptDifference{})));
    CHECK(story.released("lift"));
}

TEST_CASE("records about the record change no output") {
    Story story;
    story.joined_unit();
    const auto before = story.bay();
    for (const Payload& payload :
         {Payload{SnapshotTaken{"state"}}, Payload{InputRefused{"T1", "raw", "why", 1}},
          Payload{SignInRefused{worker, "why"}}, Payload{LabelMisread{BayId{"B1"}, "raw", "why"}},
          Payload{TraceReceived{ToolId{"T1"}, "1", 1, "digest", 2, 3}}}) {
        CHECK(is<Applied>(story.happens(payload)));
        BayState after = story.bay();
        after.unused_scan.reset();  // told, and read by no rule
        CHECK(after == before);
        CHECK(story.record.changes.empty());
    }
}

TEST_CASE("the same events lead to the same state, whatever came of them in between") {
    Story story;
    story.finished_unit();
    story.restarts(false);
    story.links_come_up();
    State again;
    for (const Event& event : story.events)
        again = decide(story.rules, std::move(again), event).state;
    CHECK(again == story.state);
}
