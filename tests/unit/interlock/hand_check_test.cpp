// Torques measured by hand: what they say about a joint, and that they never prove it.
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

const Outcome& checks(Story& story, std::int64_t torque_nm, std::uint32_t fastener = 0,
                      const std::string& joint = "mount") {
    return story.happens(HandChecked{BayId{"B1"}, JointId{joint}, fastener, nm(torque_nm),
                                     std::to_string(torque_nm) + " N.m", "wrench 7", quality,
                                     story.state.newest});
}

}  // namespace

TEST_CASE("a hand check on the audit limits is inside, and changes nothing about a proven joint") {
    Story story;
    story.joined_unit();
    REQUIRE(story.released("lift"));
    CHECK(is<InsideAudit>(checks(story, 38)));
    CHECK(is<InsideAudit>(checks(story, 66)));
    CHECK(story.released("lift"));
}

TEST_CASE("a hand check outside the audit limits takes the proof, and only people decide what follows") {
    Story story;
    story.joined_unit();
    const Outcome& outcome = checks(story, 67, 1);
    REQUIRE(is<OutsideAudit>(outcome));
    CHECK(sentence(std::get<OutsideAudit>(outcome)) ==
          "67 N·m is outside the audit limits (38 N·m to 66 N·m): the fastener is not proven any more, and a "
          "supervisor decides.");
    CHECK_FALSE(story.released("lift"));
    CHECK(story.held_by("lift", ReasonCode::joint_not_ok));
    CHECK(story.held_by("lift", ReasonCode::fastener_locked));
    story.hits(mount_ok);
    CHECK_FALSE(story.released("lift"));
    story.proposes(supervisor, UnlockFastener{JointId{"mount"}, 1});
    CHECK(story.held_by("lift", ReasonCode::loosening_due));
    story.hits(mount_loosened);
    story.hits(mount_ok);
    story.hits(mount_ok);
    CHECK(story.released("lift"));
}

TEST_CASE("a hand check proves nothing of a fastener that was not tightened") {
    Story story;
    story.identified_unit();
    CHECK(is<InsideAudit>(checks(story, 50)));
    CHECK(story.held_by("lift", ReasonCode::joint_open));
    CHECK(is<OutsideAudit>(checks(story, 10)));
    CHECK_FALSE(story.held_by("lift", ReasonCode::fastener_locked));
}

TEST_CASE("a hand check outside the limits ends an override of the joint") {
    Story story;
    story.identified_unit();
    story.two_decide(OverrideJoint{JointId{"mount"}, "by hand", nm(50)});
    REQUIRE(story.joint("mount").override_);
    checks(story, 10);
    CHECK_FALSE(story.joint("mount").override_);
    CHECK(story.held_by("lift", ReasonCode::joint_open));
}

TEST_CASE("a hand check is about a fastener of this unit whose joint has audit limits") {
    Story story;
    CHECK(refused(checks(story, 50), RefusalCode::no_stay));
    story.arrives();
    CHECK(refused(checks(story, 50), RefusalCode::no_such_joint));
    story.scans("D", "D1");
    const EventNumber before = story.state.newest;
    story.scans("F", "F1");
    CHECK(refused(checks(story, 50, 0, "nothing"), RefusalCode::no_such_joint));
    CHECK(refused(checks(story, 50, 2), RefusalCode::no_such_thing));
    CHECK(refused(checks(story, 25, 0, "cap"), RefusalCode::not_possible_now));
    CHECK(
        refused(story.happens(HandChecked{BayId{"B1"}, JointId{"mount"}, 0, nm(50), "", "", quality, before}),
                RefusalCode::seen_too_old));
}
