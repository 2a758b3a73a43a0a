// Who may decide what: overrides by class, two people, what they had seen, who tightened, who is enrolled.
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

OverrideJoint over(const std::string& joint, std::optional<Torque> value = {}) {
    return {JointId{joint}, "turned by hand, did not move", value};
}

// A: both mounts are still open, everything else is done.
Story without_mounts() {
    Story story;
    story.identified_unit();
    story.hits(cap_ok);
    story.hits(cap_ok);
    return story;
}

}  // namespace

TEST_CASE("class A counts without proof only by two people and a hand-checked value") {
    Story story = without_mounts();
    CHECK(is<AwaitsSecond>(story.proposes(supervisor, over("mount", nm(50)))));
    const auto proposal = story.state.newest;
    CHECK_FALSE(story.released("lift"));
    CHECK(is<Applied>(story.seconds(quality, proposal)));
    CHECK(story.released("lift"));
    CHECK(story.joint("mount").override_->by == supervisor);
    CHECK(story.joint("mount").override_->seconded_by == quality);
    CHECK_FALSE(is_proven(story.rules.at(Revision{"r1"})->joints[0], story.joint("mount")));
}

TEST_CASE("the second of two people is another one, entitled, enrolled and not suspended") {
    Story story = without_mounts();
    story.proposes(supervisor, over("mount", nm(50)));
    const auto proposal = story.state.newest;
    CHECK(refused(story.seconds(supervisor, proposal), RefusalCode::same_person_twice));
    CHECK(refused(story.seconds(worker, proposal), RefusalCode::not_entitled));
    CHECK(refused(story.seconds(PersonNumber{99}, proposal), RefusalCode::unknown_person));
    story.happens(PersonSuspended{quality, admin, other_supervisor});
    CHECK(refused(story.seconds(quality, proposal), RefusalCode::suspended));
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("a first signature counts no more once its person is suspended") {
    Story story = without_mounts();
    story.proposes(supervisor, over("mount", nm(50)));
    const auto proposal = story.state.newest;
    story.happens(PersonSuspended{supervisor, admin, quality});
    CHECK(refused(story.seconds(quality, proposal), RefusalCode::suspended));
}

TEST_CASE("the hand-checked value must be there and inside the audit window, limits included") {
    Story story = without_mounts();
    CHECK(refused(story.proposes(supervisor, over("mount")), RefusalCode::value_missing));
    const auto outside = RefusalCode::value_outside_audit_window;
    CHECK(refused(story.proposes(supervisor, over("mount", Torque{37'999'999})), outside));
    CHECK(refused(story.proposes(supervisor, over("mount", Torque{66'000'001})), outside));
    CHECK(is<AwaitsSecond>(story.proposes(supervisor, over("mount", nm(38)))));
    CHECK(is<AwaitsSecond>(story.proposes(supervisor, over("mount", nm(66)))));
}

TEST_CASE("an override says what was verified, and why, by a code of the list and in words") {
    Story story = without_mounts();
    CHECK(refused(story.proposes(supervisor, OverrideJoint{JointId{"mount"}, "", nm(50)}),
                  RefusalCode::value_missing));
    const auto with_reason = [&](std::string code, std::string text) {
        return story.happens(Proposed{BayId{"B1"}, over("mount", nm(50)), supervisor, std::move(code),
                                      std::move(text), story.state.newest});
    };
    CHECK(refused(with_reason("mood", "because I say so"), RefusalCode::reason_missing));
    CHECK(refused(with_reason("checked", "too short"), RefusalCode::reason_missing));
    CHECK(is<AwaitsSecond>(with_reason("checked", "just enough")));
}

TEST_CASE("whoever tightened a joint neither proposes nor seconds its override") {
    Story story;
    story.happens(OperatorSignedOn{BayId{"B1"}, supervisor});
    story.arrives();
    story.scans("D", "D1");
    story.scans("F", "F1");
    story.hits(mount_low);
    CHECK(refused(story.proposes(supervisor, over("mount", nm(50))), RefusalCode::tightened_it));
    CHECK(is<AwaitsSecond>(story.proposes(other_supervisor, over("mount", nm(50)))));
    CHECK(refused(story.seconds(supervisor, story.state.newest), RefusalCode::tightened_it));
}

TEST_CASE("a decision about a joint that changed since the person saw it is refused") {
    Story story = without_mounts();
    const auto seen = story.state.newest;
    story.hits(mount_low);
    CHECK(refused(story.happens(Proposed{BayId{"B1"}, over("mount", nm(50)), supervisor, "checked",
                                         "checked by hand", seen}),
                  RefusalCode::seen_too_old));
}

TEST_CASE(
    "a change between the two signatures spoils both, and a new first signature takes the old one's place") {
    Story story = without_mounts();
    story.proposes(supervisor, over("mount", nm(50)));
    const auto proposal = story.state.newest;
    story.hits(mount_low);
    CHECK(refused(story.happens(Seconded{BayId{"B1"}, proposal, quality, proposal}),
                  RefusalCode::seen_too_old));
    CHECK(refused(story.seconds(quality, proposal), RefusalCode::seen_too_old));
    story.two_decide(over("mount", nm(50)));
    CHECK(story.stay().proposals.empty());
    CHECK(story.released("lift"));
}

TEST_CASE("nobody can have seen an event that has not happened") {
    Story story = without_mounts();
    const auto ahead = [&] { return EventNumber{story.state.newest.value + 1}; };
    CHECK(refused(story.happens(Proposed{BayId{"B1"}, over("mount", nm(50)), supervisor, "checked",
                                         "checked by hand", ahead()}),
                  RefusalCode::seen_too_old));
    story.proposes(supervisor, over("mount", nm(50)));
    const auto proposal = story.state.newest;
    CHECK(
        refused(story.happens(Seconded{BayId{"B1"}, proposal, quality, ahead()}), RefusalCode::seen_too_old));
}

TEST_CASE("class B counts without proof by one entitled person, not by an operator") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    CHECK(refused(story.proposes(worker, over("cap")), RefusalCode::not_entitled));
    CHECK(is<Applied>(story.proposes(supervisor, over("cap"))));
    CHECK(story.released("lift"));
}

TEST_CASE("a class B joint that was tightened while nobody was signed on takes two people") {
    Story story;
    story.identified_unit();
    story.happens(OperatorSignedOff{BayId{"B1"}, {}});
    story.hits(cap_ok);
    CHECK(is<AwaitsSecond>(story.proposes(supervisor, over("cap"))));
}

TEST_CASE("class C counts without proof by an operator, but not by the one who tightened it") {
    Story story;
    story.joined_unit();
    CHECK(is<Applied>(story.proposes(worker, over("clip"))));
    story.hits(clip_ok(1));
    CHECK_FALSE(story.joint("clip").override_.has_value());
    CHECK(refused(story.proposes(worker, over("clip")), RefusalCode::tightened_it));
}

TEST_CASE("a later tightening ends an override, and the joint is judged again") {
    Story story = without_mounts();
    story.two_decide(over("mount", nm(50)));
    REQUIRE(story.released("lift"));
    story.hits(mount_low);
    CHECK_FALSE(story.joint("mount").override_.has_value());
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("a later loosening ends an override") {
    Story story = without_mounts();
    story.two_decide(over("mount", nm(50)));
    story.hits(mount_loosened);
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("a second hit on an overridden joint counts for nothing, but ends the override") {
    Story story;
    story.identified_unit();
    for (const Hit& hit : {cap_ok, cap_ok, mount_ok})
        story.hits(hit);
    story.two_decide(over("mount", nm(50)));
    REQUIRE(story.released("lift"));
    CHECK(is<Rehit>(story.hits({"T1", "P1", 50, 2})));
    CHECK_FALSE(story.joint("mount").override_.has_value());
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("an override can be taken back, which withholds again") {
    Story story = without_mounts();
    story.two_decide(over("mount", nm(50)));
    CHECK(is<Applied>(story.proposes(quality, TakeBackOverride{JointId{"mount"}})));
    CHECK_FALSE(story.released("lift"));
    CHECK(refused(story.proposes(quality, TakeBackOverride{JointId{"mount"}}), RefusalCode::already_settled));
}

TEST_CASE("an override lifts nothing but what the joint lacks") {
    Story story = without_mounts();
    story.two_decide(over("mount", nm(50)));
    story.scans("D", "D2");
    CHECK(story.held_by("lift", ReasonCode::ticket_repeated));
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("a proven joint cannot be overridden, an unknown one neither") {
    Story story;
    story.joined_unit();
    CHECK(refused(story.proposes(supervisor, over("cap")), RefusalCode::already_settled));
    CHECK(refused(story.proposes(supervisor, over("none")), RefusalCode::no_such_joint));
}

TEST_CASE("leaving incomplete takes two entitled people") {
    Story story;
    story.identified_unit();
    CHECK(refused(story.proposes(worker, LeaveIncomplete{}), RefusalCode::not_entitled));
    CHECK(is<AwaitsSecond>(story.proposes(supervisor, LeaveIncomplete{})));
    const auto proposal = story.state.newest;
    CHECK(refused(story.seconds(supervisor, proposal), RefusalCode::same_person_twice));
    CHECK(story.on_wire("side") == OnWire::withheld);
    CHECK(is<Applied>(story.seconds(other_supervisor, proposal)));
}

TEST_CASE("a proposal that was taken back cannot be seconded") {
    Story story;
    story.identified_unit();
    story.proposes(supervisor, LeaveIncomplete{});
    const auto proposal = story.state.newest;
    CHECK(is<Applied>(story.happens(ProposalEnded{BayId{"B1"}, proposal, supervisor, "not needed"})));
    CHECK(refused(story.seconds(quality, proposal), RefusalCode::no_such_thing));
}

TEST_CASE("a hold is placed by who decides and lifted by quality only") {
    Story story;
    story.finished_unit();
    CHECK(is<Applied>(story.proposes(supervisor, PlaceHold{Serial{"F1"}})));
    CHECK(story.held_by("leave", ReasonCode::unit_on_hold));
    CHECK(refused(story.proposes(supervisor, LiftHold{Serial{"F1"}}), RefusalCode::not_entitled));
    CHECK(is<Applied>(story.proposes(quality, LiftHold{Serial{"F1"}})));
    CHECK(story.released("leave"));
}

TEST_CASE(
    "a unit may be held for several causes, of which each is told, and lifted are those that were seen") {
    Story story;
    story.finished_unit();
    const auto holds_for = [&](std::string why, EventNumber seen) {
        return story.happens(
            Proposed{BayId{"B1"}, PlaceHold{Serial{"D1"}}, supervisor, "checked", why, seen});
    };
    CHECK(is<Applied>(holds_for("a crack at the flange", story.state.newest)));
    CHECK(refused(holds_for("a crack at the flange", story.state.newest), RefusalCode::already_settled));
    const EventNumber first = story.state.newest;
    CHECK(is<Applied>(holds_for("the wrong paint", story.state.newest)));
    const auto& reasons = story.permissive("leave").reasons;
    CHECK(std::ranges::count(reasons, ReasonCode::unit_on_hold, &Reason::code) == 2);
    CHECK(refused(story.happens(Proposed{BayId{"B1"}, LiftHold{Serial{"D1"}}, quality, "checked",
                                         "it was no crack", first}),
                  RefusalCode::seen_too_old));
    CHECK(is<Applied>(story.proposes(quality, LiftHold{Serial{"D1"}})));
    CHECK(story.released("leave"));
}

TEST_CASE("nobody lifts the hold on themselves, and one of a time to come is refused") {
    Story story;
    story.identified_unit();
    CHECK(is<Applied>(story.proposes(supervisor, PlaceHoldOn{HeldPerson{quality}})));
    CHECK(refused(story.proposes(quality, LiftHoldFrom{HeldPerson{quality}}), RefusalCode::not_entitled));
    PlaceHoldOn later{HeldTool{ToolId{"T1"}}};
    later.since_utc_us = story.now_ns;
    CHECK(refused(story.proposes(supervisor, later), RefusalCode::not_possible_now));
}

TEST_CASE("a hold on a tool is placed once more to take in units that it had not named") {
    Story story;
    story.finished_unit();
    PlaceHoldOn hold{HeldTool{ToolId{"T1"}}};
    CHECK(is<Applied>(story.proposes(supervisor, hold)));
    hold.since_utc_us = 0;
    hold.units = {Serial{"D8"}};
    CHECK(is<Applied>(story.proposes(supervisor, hold)));
    CHECK(story.state.source_holds.size() == 1);
    CHECK(story.on_hold("D8"));
}

TEST_CASE("a tool on quality hold takes what it has tightened out of the count until quality lifts that") {
    Story story;
    story.finished_unit();
    REQUIRE(story.released("leave"));
    const PlaceHoldOn hold{HeldTool{ToolId{"T1"}}};
    CHECK(is<Applied>(story.proposes(supervisor, hold)));
    CHECK(story.held_by("leave", ReasonCode::source_on_hold));
    CHECK(refused(story.proposes(supervisor, hold), RefusalCode::already_settled));
    CHECK(refused(story.proposes(supervisor, PlaceHoldOn{HeldTool{ToolId{"T99"}}}),
                  RefusalCode::no_such_thing));
    CHECK(
        refused(story.proposes(supervisor, LiftHoldFrom{HeldTool{ToolId{"T1"}}}), RefusalCode::not_entitled));
    CHECK(is<Applied>(story.proposes(quality, LiftHoldFrom{HeldTool{ToolId{"T1"}}})));
    CHECK(story.released("leave"));
    CHECK(
        refused(story.proposes(quality, LiftHoldFrom{HeldTool{ToolId{"T1"}}}), RefusalCode::already_settled));
}

TEST_CASE("a hold on a tool concerns the joints that it has tightened, and those that nothing else could") {
    Story story;
    story.identified_unit();
    story.proposes(supervisor, PlaceHoldOn{HeldTool{ToolId{"T1"}}});
    const auto& lift = story.permissive("lift");
    std::vector<std::string> held;
    for (const Reason& reason : lift.reasons)
        if (reason.code == ReasonCode::source_on_hold)
            held.push_back(reason.joint);
    CHECK(held == std::vector<std::string>{"mount"});  // `cap` is of T2
}

TEST_CASE("a hold on a joint's specification or on who tightened it holds that joint") {
    Story story;
    story.finished_unit();
    story.proposes(supervisor, PlaceHoldOn{HeldJoint{JointId{"mount"}}});
    CHECK(story.held_by("leave", ReasonCode::source_on_hold));
    story.proposes(quality, LiftHoldFrom{HeldJoint{JointId{"mount"}}});
    REQUIRE(story.released("leave"));

    REQUIRE(story.stay().joints.front().tightened_by == std::vector{worker});
    story.proposes(supervisor, PlaceHoldOn{HeldPerson{quality}});
    CHECK(story.released("leave"));
    story.proposes(supervisor, PlaceHoldOn{HeldPerson{worker}});
    CHECK(story.held_by("leave", ReasonCode::source_on_hold));
}

TEST_CASE("who overrides a joint knows of the holds of that time, and of no later one") {
    Story story;
    story.joined_unit();
    REQUIRE(story.released("lift"));
    const auto override_mount = [&] {
        CHECK(is<AwaitsSecond>(story.proposes(supervisor, over("mount", nm(50)))));
        CHECK(is<Applied>(story.seconds(quality, story.state.newest)));
    };
    story.proposes(supervisor, PlaceHoldOn{HeldTool{ToolId{"T1"}}});
    REQUIRE(story.held_by("lift", ReasonCode::source_on_hold));
    override_mount();
    CHECK(story.released("lift"));
    story.proposes(supervisor, PlaceHoldOn{HeldJoint{JointId{"mount"}}});
    CHECK(story.held_by("lift", ReasonCode::source_on_hold));
    override_mount();
    CHECK(story.released("lift"));
}

TEST_CASE(
    "units that the tool touched and that have left go on the hold list, the one that is here does not") {
    Story story;
    story.finished_unit();
    PlaceHoldOn hold{HeldTool{ToolId{"T1"}}};
    hold.since_utc_us = 0;
    hold.units = {Serial{"D8"}, Serial{"D9"}, Serial{"D1"}};
    story.proposes(supervisor, hold);
    std::vector<std::string> units;
    for (const UnitHold& held : story.state.holds)
        units.push_back(held.unit.text);
    CHECK(units == std::vector<std::string>{"D8", "D9"});
    CHECK(story.state.holds.front().why.starts_with("touched by tool T1: "));
    story.proposes(quality, LiftHoldFrom{HeldTool{ToolId{"T1"}}});
    CHECK(story.state.holds.size() == 2);  // each is looked at by itself
}

TEST_CASE("the first person of all is an administrator; roles that approve then take a second person") {
    Story story(small_station(), false);
    const auto enrol = [&](PersonNumber number, Role role, std::optional<PersonNumber> by,
                           std::optional<PersonNumber> second) {
        return story.happens(PersonEnrolled{Person{number, {role}, false}, by, second});
    };
    CHECK(refused(enrol(worker, Role::line_operator, {}, {}), RefusalCode::not_possible_now));
    CHECK(is<Applied>(enrol(admin, Role::administrator, {}, {})));
    CHECK(refused(enrol(quality, Role::quality_engineer, {}, {}), RefusalCode::not_entitled));
    CHECK(is<Applied>(enrol(supervisor, Role::production_supervisor, admin, {})));
    CHECK(
        refused(enrol(quality, Role::quality_engineer, admin, {}), RefusalCode::needs_second_administrator));
    CHECK(refused(enrol(quality, Role::quality_engineer, admin, admin), RefusalCode::same_person_twice));
    CHECK(refused(enrol(quality, Role::quality_engineer, admin, quality), RefusalCode::same_person_twice));
    CHECK(is<Applied>(enrol(quality, Role::quality_engineer, admin, supervisor)));
    CHECK(is<Applied>(enrol(worker, Role::line_operator, admin, {})));
    CHECK(refused(enrol(PersonNumber{9}, Role::line_operator, supervisor, {}), RefusalCode::not_entitled));
}

TEST_CASE("the last administrator can be neither suspended nor given other roles") {
    Story story;
    CHECK(refused(story.happens(PersonSuspended{admin, admin}), RefusalCode::not_possible_now));
    CHECK(
        refused(story.happens(PersonEnrolled{Person{admin, {Role::line_operator}, false}, admin, supervisor}),
                RefusalCode::not_possible_now));
}

TEST_CASE("rules come into force by two people who may, and not twice") {
    Story story(small_station(), false);
    story.enrol_everybody();
    const auto approve = [&](PersonNumber by, PersonNumber second) {
        return story.happens(RulesApproved{Revision{"r1"}, by, second, {{BayId{"B1"}, story.fresh()}}});
    };
    CHECK(refused(approve(admin, admin), RefusalCode::same_person_twice));
    CHECK(refused(approve(admin, worker), RefusalCode::not_entitled));
    CHECK(refused(approve(supervisor, admin), RefusalCode::not_entitled));
    CHECK(refused(approve(admin, PersonNumber{99}), RefusalCode::unknown_person));
    CHECK_FALSE(story.state.rules.has_value());
    CHECK(is<Applied>(approve(admin, supervisor)));
    CHECK(refused(approve(admin, supervisor), RefusalCode::already_settled));
    CHECK(refused(story.happens(RulesApproved{Revision{"r7"}, admin, supervisor, {}}),
                  RefusalCode::no_such_thing));
}

TEST_CASE("whoever has a role that approves is suspended by two people, an operator by one") {
    Story story;
    CHECK(
        refused(story.happens(PersonSuspended{quality, admin, {}}), RefusalCode::needs_second_administrator));
    CHECK(refused(story.happens(PersonSuspended{quality, admin, admin}), RefusalCode::same_person_twice));
    CHECK(refused(story.happens(PersonSuspended{quality, admin, quality}), RefusalCode::same_person_twice));
    CHECK(is<Applied>(story.happens(PersonSuspended{quality, admin, supervisor})));
    CHECK(is<Applied>(story.happens(PersonSuspended{worker, admin, {}})));
}

TEST_CASE("a role that approves is taken, and its secret given anew, by two people") {
    Story story;
    const auto becomes = [&](Role role, std::optional<PersonNumber> second) {
        return story.happens(PersonEnrolled{Person{quality, {role}, false}, admin, second});
    };
    CHECK(refused(becomes(Role::line_operator, {}), RefusalCode::needs_second_administrator));
    CHECK(refused(becomes(Role::quality_engineer, {}), RefusalCode::needs_second_administrator));
    CHECK(is<Applied>(becomes(Role::line_operator, supervisor)));
    CHECK(is<Applied>(becomes(Role::line_operator, {})));
}

TEST_CASE("nobody whom an administrator alone enrolled, or gave a secret, is that one's second person") {
    Story story;
    const PersonNumber puppet{10}, approver{11};
    const auto enrols = [&](PersonNumber number, Role role, std::optional<PersonNumber> second) {
        return story.happens(PersonEnrolled{Person{number, {role}, false}, admin, second});
    };
    enrols(puppet, Role::line_operator, {});
    const auto needs = RefusalCode::needs_second_administrator;
    CHECK(refused(enrols(approver, Role::production_supervisor, puppet), needs));
    CHECK(refused(story.happens(PersonSuspended{quality, admin, puppet}), needs));
    CHECK(refused(enrols(PersonNumber{12}, Role::line_operator, puppet), needs));
    CHECK(is<Applied>(enrols(puppet, Role::line_operator, supervisor)));
    CHECK(is<Applied>(enrols(approver, Role::production_supervisor, puppet)));
    CHECK(is<Applied>(enrols(worker, Role::line_operator, {})));
    CHECK(refused(enrols(PersonNumber{12}, Role::quality_engineer, worker), needs));
}

TEST_CASE("of two administrators one is suspended by the other and somebody whom that one did not let in") {
    Story story;
    const PersonNumber second_admin{9};
    story.happens(PersonEnrolled{Person{second_admin, {Role::administrator}, false}, admin, supervisor});
    CHECK(refused(story.happens(PersonSuspended{second_admin, admin, {}}),
                  RefusalCode::needs_second_administrator));
    CHECK(is<Applied>(story.happens(PersonSuspended{second_admin, admin, supervisor})));
}

namespace {

CorrectTicket right_ticket(std::string serial, std::string order) {
    return {"D", Serial{std::move(serial)}, std::move(order), "DV", "", 0};
}

}  // namespace

TEST_CASE("a ticket of a unit with a class A joint is corrected by two people, neither of whom tightened") {
    Story story;
    story.identified_unit();
    story.happens(OperatorSignedOn{BayId{"B1"}, supervisor});
    story.hits(mount_low);
    CHECK(refused(story.proposes(supervisor, right_ticket("D9", "O1")), RefusalCode::tightened_it));
    CHECK(is<AwaitsSecond>(story.proposes(other_supervisor, right_ticket("D9", "O1"))));
    const auto proposal = story.state.newest;
    CHECK(refused(story.seconds(supervisor, proposal), RefusalCode::tightened_it));
    CHECK(is<Applied>(story.seconds(quality, proposal)));
    CHECK(std::get<Identified>(story.stay().identity).unit == Serial{"D9"});
}

TEST_CASE("a unit that was taken for another keeps its locks, attempts and who tightened it") {
    Story story;
    story.identified_unit();
    for (const Hit& hit : {mount_low, mount_loosened, mount_low})
        story.hits(hit);
    const JointState before = story.joint("mount");
    for (const CorrectTicket& ticket :
         {right_ticket("D1", "OX"), right_ticket("D1", "O1"),
          CorrectTicket{"D", Serial{"D1"}, "O1", "DW", "", 0}, right_ticket("D1", "O1")})
        story.two_decide(ticket);
    CHECK(story.joint("mount").fasteners == before.fasteners);
    CHECK(story.joint("mount").tightened_by == std::vector{worker});
    CHECK(story.held_by("lift", ReasonCode::fastener_locked));
}

TEST_CASE("what was tightened under another plan stays tightened by whom it was, but proves nothing") {
    auto station = small_station();
    config::Plan other = station.plans.front();
    other.id = "other";
    other.stages[1].steps = {config::TightenStep{"mount"}};
    other.stages.pop_back();
    station.plans.push_back(other);
    station.variants[1].plan = "other";
    Story story(station);
    story.identified_unit();
    for (const Hit& hit : {cap_ok, mount_ok, mount_low})
        story.hits(hit);
    story.two_decide(CorrectTicket{"F", Serial{"F1"}, "O1", "FW", "", 0});
    story.two_decide(CorrectTicket{"D", Serial{"D1"}, "O1", "DW", "", 0});
    REQUIRE(std::get<Identified>(story.stay().identity).plan == "other");
    CHECK_FALSE(story.joint("mount").fasteners[0].passes[0].proof.has_value());
    CHECK(story.joint("mount").fasteners[1].loosening_due);
    CHECK(story.joint("mount").tightened_by == std::vector{worker});
    story.two_decide(CorrectTicket{"D", Serial{"D1"}, "O1", "DV", "", 0});
    story.two_decide(CorrectTicket{"F", Serial{"F1"}, "O1", "FV", "", 0});
    CHECK(story.joint("cap").tightened_by == std::vector{worker});
    CHECK_FALSE(story.joint("cap").fasteners[0].passes[0].proof.has_value());
}

TEST_CASE("an override, and half of one, ends when the unit turns out to be another") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    story.proposes(other_supervisor, over("cap"));
    REQUIRE(story.released("lift"));
    story.two_decide(right_ticket("D9", "O1"));
    CHECK_FALSE(story.released("lift"));
    CHECK_FALSE(story.joint("cap").override_.has_value());
    story.hits(mount_loosened);
    story.proposes(supervisor, over("mount", nm(50)));
    const auto half = story.state.newest;
    story.two_decide(right_ticket("D8", "O1"));
    CHECK(refused(story.seconds(other_supervisor, half), RefusalCode::no_such_thing));
}

TEST_CASE("nothing of a unit whose plan is not known is overridden") {
    Story story;
    story.identified_unit();
    story.two_decide(right_ticket("D1", "OX"));
    CHECK(refused(story.proposes(supervisor, over("cap")), RefusalCode::no_such_joint));
}

TEST_CASE("an answer that was given to a screen of before the unit came is not taken for this unit") {
    Story story;
    story.finished_unit();
    const EventNumber old = story.state.newest;
    story.departs();
    story.arrives();
    story.scans("D", "D2", "O2", {}, 1);
    const auto answers = [&](Action action) {
        return story.happens(
            Proposed{BayId{"B1"}, std::move(action), supervisor, "checked", "checked by hand", old});
    };
    CHECK(refused(answers(AcceptReturn{}), RefusalCode::seen_too_old));
    CHECK(refused(answers(UnitHasLeft{story.fresh()}), RefusalCode::seen_too_old));
    CHECK(story.held_by("lift", ReasonCode::serial_seen_before));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptReturn{})));
}

TEST_CASE("what came after the screen was drawn is not decided by it") {
    Story story;
    story.identified_unit();
    EventNumber old;
    PersonNumber who = supervisor;
    const auto answers = [&](Action action) {
        return story.happens(
            Proposed{BayId{"B1"}, std::move(action), who, "checked", "checked by hand", old});
    };
    const auto only_when_seen = [&](const Action& action) {
        CHECK(refused(answers(action), RefusalCode::seen_too_old));
        CHECK(is<Applied>(story.proposes(who, action)));
    };
    SECTION("another movement without proof, of the permissive whose first one was seen") {
        story.moves("lift");
        old = story.state.newest;
        story.moves("lift");
        only_when_seen(AcknowledgeMove{PermissiveId{"lift"}});
        only_when_seen(RearmPermissive{PermissiveId{"lift"}});
    }
    SECTION("another ticket that is not this unit's") {
        story.scans("D", "D2");
        old = story.state.newest;
        story.scans("D", "D3");
        only_when_seen(UnitStillHere{});
    }
    SECTION("another ticket that was here before") {
        story.departs();
        story.arrives();
        story.scans("D", "D4", "O1", {}, 1);
        old = story.state.newest;
        story.scans("F", "F4", "O1", {}, 1);
        only_when_seen(AcceptReturn{});
    }
    SECTION("the hold itself") {
        old = story.state.newest;
        CHECK(is<Applied>(story.proposes(supervisor, PlaceHold{Serial{"D1"}})));
        who = quality;
        only_when_seen(LiftHold{Serial{"D1"}});
    }
}

TEST_CASE("the record says which override ended, and none that ended with the stay") {
    Story story;
    story.identified_unit();
    story.two_decide(over("mount", nm(50)));
    const EventNumber proposal = story.joint("mount").override_->proposal;
    CHECK(story.record.ended.empty());
    SECTION("tightened again") {
        story.hits(mount_ok);
        CHECK(story.record.ended == std::vector<OverrideEnded>{{BayId{"B1"}, JointId{"mount"}, proposal}});
        story.hits(mount_ok);
        CHECK(story.record.ended.empty());
    }
    SECTION("taken back") {
        CHECK(is<Applied>(story.proposes(quality, TakeBackOverride{JointId{"mount"}})));
        CHECK(story.record.ended == std::vector<OverrideEnded>{{BayId{"B1"}, JointId{"mount"}, proposal}});
    }
    SECTION("the unit left") {
        story.departs();
        CHECK(story.record.ended.empty());
    }
}

TEST_CASE("a gap is accepted only as it is now, not as it stood on an older screen") {
    Story story;
    story.identified_unit();
    static_cast<void>(story.made(mount_ok));
    story.hits(mount_ok);
    const EventNumber old = story.state.newest;
    static_cast<void>(story.made(mount_loosened));
    story.hits(mount_ok);
    CHECK(refused(story.happens(Proposed{BayId{"B1"}, AcceptGap{ToolId{"T1"}}, supervisor, "checked",
                                         "checked by hand", old}),
                  RefusalCode::seen_too_old));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptGap{ToolId{"T1"}})));
}

TEST_CASE("who was signed on when it was made has tightened it, not who is when it arrives") {
    Story story;
    story.identified_unit();
    story.happens(OperatorSignedOn{BayId{"B1"}, supervisor});
    const auto low = story.made(mount_low);
    story.happens(OperatorSignedOn{BayId{"B1"}, worker});
    story.happens(low);
    CHECK(story.joint("mount").tightened_by == std::vector{supervisor});
    CHECK(refused(story.proposes(supervisor, over("mount", nm(50))), RefusalCode::tightened_it));
}

TEST_CASE("everybody who may have made a result has; where nobody may have been signed on, that counts too") {
    Story story;
    story.identified_unit();
    auto result = story.made(mount_low);
    story.happens(OperatorSignedOff{BayId{"B1"}, {}});
    story.happens(OperatorSignedOn{BayId{"B1"}, supervisor});
    result.made.to_ns = story.now_ns;
    story.happens(result);
    CHECK(story.joint("mount").tightened_by == std::vector{worker, supervisor});
    CHECK(story.joint("mount").tightened_unsigned);
}

TEST_CASE("whoever made a result does not set it aside") {
    Story story;
    story.joined_unit();
    story.happens(OperatorSignedOn{BayId{"B1"}, supervisor});
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::failed, "", 1});
    story.hits(mount_loosened);
    const SetResultAside aside{story.stay().unassigned.front().result};
    CHECK(refused(story.proposes(supervisor, aside), RefusalCode::tightened_it));
    CHECK(is<Applied>(story.proposes(quality, aside)));
}
