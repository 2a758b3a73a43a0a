// Rule 7 of the interlock: a bypass is no override. It leads to another way of doing a joint that the rules
// approved beforehand, for so long and for so many units, and is tested when a stay begins; going back asks
// for a verified restart. The numbers are invented.
#include <catch2/catch.hpp>

#include "service/interlock/bypass.hpp"
#include "service/interlock/decide.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

constexpr std::int64_t an_hour_ns = 3'600'000'000'000;
constexpr std::int64_t an_hour_us = an_hour_ns / 1000;

constexpr const char* mount_id = "mount";
const Hit spare_ok{"T2", "P1", 50};
const Hit spare_loosened{"T2", "P1", 0, 45, {}, Direction::loosen};

std::int64_t clock_us(const Story& story) { return story.now_ns / 1000; }

const Outcome& bypasses(Story& story, const std::string& joint, const std::string& way,
                        std::int64_t hours = 4, std::uint32_t units = 3, PersonNumber by = quality) {
    return story.proposes(by, PlaceBypass{JointId{joint}, way, clock_us(story) + hours * an_hour_us, units});
}
const Outcome& ends(Story& story, const std::string& joint = mount_id) {
    return story.proposes(supervisor, EndBypass{JointId{joint}});
}
const Outcome& verifies(Story& story, const std::string& joint = mount_id) {
    return story.proposes(quality, VerifyRestart{JointId{joint}, "ten bolts of the test plate, all good"});
}

Story bypassed(const std::string& way = "spare", std::uint32_t units = 3) {
    Story story{station_with_ways()};
    REQUIRE(is<Applied>(bypasses(story, mount_id, way, 4, units)));
    return story;
}

void hours_pass(Story& story, std::int64_t hours) {
    story.now_ns += hours * an_hour_ns;
    story.happens(SnapshotTaken{});
}

// T2 is the tool of `cap` as well.
bool counts_for_mount(const Outcome& outcome) {
    const auto* counted = std::get_if<Attributed>(&outcome);
    return counted != nullptr && counted->joint.text == mount_id;
}

bool is_open(const Story& story, const std::string& joint) {
    const auto& reasons = story.permissive("lift").reasons;
    return std::ranges::any_of(reasons, [&](const Reason& reason) {
        return reason.code == ReasonCode::joint_open && reason.joint == joint;
    });
}
bool is_bypassed(const Story& story) {
    const Bypass* bypass = bypass_of(story.state, JointId{mount_id});
    return bypass != nullptr && !bypass->ended;
}
bool restart_waits(const Story& story) { return story.held_by("lift", ReasonCode::restart_unverified); }

}  // namespace

TEST_CASE("a unit that comes under a bypass is proven in the other way and in no other") {
    Story story = bypassed();
    story.identified_unit();
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::no_open_joint));
    story.proposes(supervisor, SetResultAside{story.stay().unassigned.front().result});
    CHECK(is_open(story, mount_id));
    CHECK(counts_for_mount(story.hits(spare_ok)));
    CHECK(counts_for_mount(story.hits(spare_ok)));
    CHECK_FALSE(is_open(story, mount_id));
    story.hits(cap_ok);
    story.hits(cap_ok);
    CHECK(story.released("lift"));
    CHECK(story.stay().other_ways ==
          OtherWays{{JointId{mount_id}, "spare", bypass_of(story.state, JointId{mount_id})->since, true}});
    CHECK(bypass_of(story.state, JointId{mount_id})->used == 1);
}

TEST_CASE("a unit that was there before the bypass is done as planned") {
    Story story{station_with_ways()};
    story.identified_unit();
    REQUIRE(is<Applied>(bypasses(story, mount_id, "spare")));
    CHECK(counts_for_mount(story.hits(mount_ok)));
    CHECK_FALSE(counts_for_mount(story.hits(spare_ok)));
    CHECK(story.stay().other_ways.empty());
}

TEST_CASE("a bypass that ends during a stay covers that stay and no other") {
    Story story = bypassed();
    story.arrives();
    SECTION("by decision") { CHECK(is<Applied>(ends(story))); }
    SECTION("by its time") { hours_pass(story, 5); }
    REQUIRE_FALSE(is_bypassed(story));
    story.scans("D", "D1");
    story.scans("F", "F1");
    CHECK_FALSE(restart_waits(story));
    CHECK(counts_for_mount(story.hits(spare_ok)));
    story.departs();
    story.arrives();
    story.scans("D", "D2", "O2");
    story.scans("F", "F2", "O2");
    CHECK(restart_waits(story));
    CHECK(counts_for_mount(story.hits(mount_ok)));
    CHECK_FALSE(counts_for_mount(story.hits(spare_ok)));
}

TEST_CASE("a bypass that ends by its time withholds at once what was done as planned before it") {
    Story story{station_with_ways()};
    story.joined_unit();
    REQUIRE(is<Applied>(bypasses(story, mount_id, "spare")));
    REQUIRE(story.released("lift"));
    hours_pass(story, 5);  // with an event that changes nothing else
    CHECK(restart_waits(story));
}

TEST_CASE("also a stay whose unit is known only after the restart was verified is covered") {
    Story story = bypassed();
    story.arrives();
    ends(story);
    REQUIRE(is<Applied>(verifies(story)));
    story.scans("D", "D1");
    story.scans("F", "F1");
    CHECK(counts_for_mount(story.hits(spare_ok)));
    CHECK(story.stay().other_ways.front().counted);
}

TEST_CASE("a date that was reached stays reached when the clock is set back") {
    Story story = bypassed();
    hours_pass(story, 4);
    CHECK_FALSE(is_bypassed(story));
    hours_pass(story, -3);
    CHECK_FALSE(is_bypassed(story));
}

TEST_CASE("with the last unit for which it may be used a bypass is over") {
    Story story = bypassed("spare", 1);
    story.identified_unit();
    CHECK_FALSE(is_bypassed(story));
    CHECK(counts_for_mount(story.hits(spare_ok)));
    // A ticket that is corrected makes no other unit of it.
    story.two_decide(CorrectTicket{"D", Serial{"D7"}, "O1", "DV", "", 0});
    CHECK(bypass_of(story.state, JointId{mount_id})->used == 1);
    story.departs();
    story.arrives();
    story.scans("D", "D2", "O2");
    story.scans("F", "F2", "O2");
    CHECK(restart_waits(story));
    CHECK(story.stay().other_ways.empty());
}

TEST_CASE("of two stays that began while one unit was left, the one that is known first is it") {
    Story story = bypassed("spare", 1);
    story.arrives();
    story.scans("D", "D1");
    Stay second = story.stay();
    State state = story.state;
    const config::Station& station = *story.rules.at(Revision{"r1"});
    const config::Plan& plan = station.plans.front();
    Stay first = second;
    count_unit(state, first, station, plan, EventNumber{90});
    count_unit(state, second, station, plan, EventNumber{91});
    REQUIRE(first.other_ways.size() == 1);
    CHECK(first.other_ways.front().counted);
    CHECK(second.other_ways.empty());
    CHECK(bypass_of(state, JointId{mount_id})->ended == EventNumber{90});
}

TEST_CASE("what is done as planned again waits until the restart is verified, and only that") {
    Story story = bypassed();
    ends(story);
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    story.hits(cap_ok);
    story.hits(cap_ok);
    CHECK(story.permissive("lift").reasons.size() == 1);
    REQUIRE(restart_waits(story));
    CHECK(sentence(*story.reason("lift", ReasonCode::restart_unverified)) ==
          "mount: it was done as as spare until event " +
              std::to_string(bypass_of(story.state, JointId{mount_id})->ended->value) +
              ", and nobody has verified that it can be done as planned again.");
    CHECK(is<Applied>(verifies(story)));
    CHECK(story.released("lift"));
    CHECK(story.state.bypasses.empty());
    CHECK(refused(verifies(story), RefusalCode::already_settled));
}

TEST_CASE("whoever overrides the joint by hand does so whatever works again") {
    Story story = bypassed();
    ends(story);
    story.identified_unit();
    story.hits(cap_ok);
    story.hits(cap_ok);
    REQUIRE(restart_waits(story));
    story.two_decide(OverrideJoint{JointId{mount_id}, "by hand, with wrench 7", nm(50)});
    CHECK(story.released("lift"));
}

TEST_CASE("one that ended may be placed again, as long as its restart is not verified, too") {
    Story story = bypassed();
    CHECK(refused(bypasses(story, mount_id, "spare"), RefusalCode::already_settled));
    ends(story);
    CHECK(is<Applied>(bypasses(story, mount_id, "watched")));
    CHECK(is_bypassed(story));
    CHECK(story.state.bypasses.size() == 1);
    CHECK(refused(verifies(story), RefusalCode::not_possible_now));
}

TEST_CASE("only what the rules approve is a way, for no longer and no more than they say") {
    Story story{station_with_ways()};
    CHECK(refused(bypasses(story, "clip", "spare"), RefusalCode::no_such_thing));
    CHECK(refused(bypasses(story, "bolts", "spare"), RefusalCode::no_such_thing));
    CHECK(refused(bypasses(story, mount_id, "spare", 9), RefusalCode::not_possible_now));
    CHECK(refused(bypasses(story, mount_id, "spare", 0), RefusalCode::not_possible_now));
    CHECK(refused(bypasses(story, mount_id, "spare", 4, 0), RefusalCode::not_possible_now));
    CHECK(refused(bypasses(story, mount_id, "spare", 4, 4), RefusalCode::not_possible_now));
    CHECK(refused(bypasses(story, mount_id, "spare", 4, 3, supervisor), RefusalCode::not_entitled));
    CHECK(refused(ends(story), RefusalCode::already_settled));
    CHECK(story.state.bypasses.empty());
    CHECK(is<Applied>(bypasses(story, mount_id, "spare", 7, 3)));
}

TEST_CASE("nobody ends or verifies what they have not seen") {
    Story story{station_with_ways()};
    const EventNumber before = story.state.newest;
    bypasses(story, mount_id, "spare");
    const auto decided = [&](Action action) {
        return story.happens(
            Proposed{BayId{"B1"}, std::move(action), quality, "checked", "checked by hand", before});
    };
    CHECK(refused(decided(EndBypass{JointId{mount_id}}), RefusalCode::seen_too_old));
    ends(story);
    CHECK(refused(decided(VerifyRestart{JointId{mount_id}, "tried"}), RefusalCode::seen_too_old));
    CHECK(refused(story.proposes(quality, VerifyRestart{JointId{mount_id}, ""}), RefusalCode::value_missing));
}

TEST_CASE("rules that approve the way no more end it, and those without the joint ask for nothing") {
    Story story = bypassed();
    const auto approve = [&](const std::string& revision, config::Station station) {
        story.rules.emplace(Revision{revision}, std::make_shared<const config::Station>(std::move(station)));
        story.happens(RulesApproved{Revision{revision}, admin, supervisor, {}});
        story.happens(SnapshotTaken{});
    };
    auto without_way = station_with_ways();
    without_way.joints[0].alternates.clear();
    approve("r2", without_way);
    CHECK_FALSE(is_bypassed(story));
    story.identified_unit();
    CHECK(restart_waits(story));
    story.departs();
    auto without_joint = small_station();
    without_joint.joints.erase(without_joint.joints.begin());
    without_joint.plans[0].stages[1].steps.erase(without_joint.plans[0].stages[1].steps.begin());
    approve("r3", without_joint);
    CHECK(story.state.bypasses.empty());
}

TEST_CASE("a watched way is proven only once somebody who did not do it has seen it") {
    Story story = bypassed("watched");
    story.identified_unit();
    story.hits(spare_ok);
    CHECK(
        refused(story.proposes(supervisor, WitnessJoint{JointId{mount_id}}), RefusalCode::not_possible_now));
    story.hits(spare_ok);
    story.hits(cap_ok);
    story.hits(cap_ok);
    REQUIRE(story.permissive("lift").reasons.size() == 1);
    CHECK(sentence(story.permissive("lift").reasons.front()) ==
          "mount: done as as watched, and nobody has witnessed it.");
    SECTION("and stays so until it changes") {
        CHECK(is<Applied>(story.proposes(supervisor, WitnessJoint{JointId{mount_id}})));
        CHECK(story.released("lift"));
        CHECK(refused(story.proposes(supervisor, WitnessJoint{JointId{mount_id}}),
                      RefusalCode::already_settled));
        story.hits(spare_loosened);
        CHECK_FALSE(story.released("lift"));
        story.hits(spare_ok);
        story.hits(spare_ok);
        CHECK(story.held_by("lift", ReasonCode::witness_missing));
    }
    SECTION("by whoever did it never") {
        story.happens(OperatorSignedOn{BayId{"B1"}, supervisor});
        story.hits(spare_loosened);
        story.hits(spare_ok);
        story.hits(spare_ok);
        CHECK(
            refused(story.proposes(supervisor, WitnessJoint{JointId{mount_id}}), RefusalCode::tightened_it));
        CHECK(is<Applied>(story.proposes(other_supervisor, WitnessJoint{JointId{mount_id}})));
    }
    SECTION("an override needs none") {
        story.two_decide(OverrideJoint{JointId{mount_id}, "by hand, with wrench 7", nm(50)});
        CHECK(story.released("lift"));
    }
}

TEST_CASE("of what was tightened while nobody was signed on, two people are witnesses") {
    Story story = bypassed("watched");
    story.arrives();
    story.scans("D", "D1");
    story.scans("F", "F1");
    story.hits(spare_ok);
    story.hits(spare_ok);
    const auto& outcome = story.proposes(supervisor, WitnessJoint{JointId{mount_id}});
    REQUIRE(is<AwaitsSecond>(outcome));
    CHECK(is<Applied>(story.seconds(quality, std::get<AwaitsSecond>(outcome).proposal)));
    CHECK(story.joint(mount_id).witnessed);
}

TEST_CASE("a joint that is confirmed instead of tightened is seen by another person than confirms it") {
    Story story{station_with_ways()};
    REQUIRE(is<Applied>(bypasses(story, "cap", "by-hand")));
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    CHECK(unassigned(story.hits(cap_ok), UnassignedWhy::no_open_joint));
    story.proposes(supervisor, SetResultAside{story.stay().unassigned.front().result});
    CHECK(story.held_by("lift", ReasonCode::check_open));
    CHECK(
        is<Applied>(story.happens(CheckConfirmed{BayId{"B1"}, "cap", other_supervisor, story.state.newest})));
    CHECK(story.held_by("lift", ReasonCode::witness_missing));
    CHECK_FALSE(story.held_by("lift", ReasonCode::check_open));
    CHECK(refused(story.proposes(other_supervisor, WitnessJoint{JointId{"cap"}}), RefusalCode::tightened_it));
    CHECK(is<Applied>(story.proposes(supervisor, WitnessJoint{JointId{"cap"}})));
    CHECK(story.released("lift"));
}

TEST_CASE("a result that comes late for a unit that was done otherwise is judged by that way") {
    Story story = bypassed();
    story.identified_unit();
    story.hits(spare_ok);
    story.hits(spare_ok);
    const ResultReceived late = story.made(spare_ok);
    story.two_decide(LeaveIncomplete{});
    story.report();
    story.moves("side");
    story.departs();
    const auto& outcome = story.happens(late);
    REQUIRE(is<FiledLate>(outcome));
    CHECK_FALSE(std::get<FiledLate>(outcome).on_hold);
}
