// The authorisation matrix at work: who may decide what by class, deputies until their date, locks and who
// lifts them, lost administrators, names that are taken out, the own secret.
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

constexpr std::int64_t hour_us = 3'600'000'000;
const PersonNumber maker{6};  // a manufacturing engineer

config::Station with_matrix(std::vector<config::DecisionRule> matrix) {
    auto station = small_station();
    station.people.matrix = std::move(matrix);
    return station;
}

// One result without a fastener, made for the mount (A) or the cap (B).
Story with_lost_result(config::Station station, const Hit& hit) {
    Story story(std::move(station));
    story.enrol(maker, {Role::manufacturing_engineer});
    story.happens(OperatorSignedOn{BayId{"B1"}, worker});
    story.arrives();
    story.scans("D", "D1");
    story.hits(hit);
    story.scans("F", "F1");
    REQUIRE(story.stay().unassigned.size() == 1);
    return story;
}

AssignResult filed_to(const Story& story, const std::string& joint) {
    return {story.stay().unassigned.front().result, JointId{joint}, 0};
}

std::int64_t now_us(const Story& story) { return story.now_ns / 1000; }

DeputyNamed named(const Story& story, std::int64_t lasts_us, PersonNumber by,
                  std::optional<PersonNumber> second) {
    return {worker, Role::production_supervisor, now_us(story) + lasts_us, by, second};
}

Outcome enrols(Story& story, PersonNumber number, Role role) {
    return story.happens(PersonEnrolled{Person{number, {role}, false}, admin, supervisor});
}

void passes(Story& story, std::int64_t time_us) { story.now_ns += time_us * 1000; }

Outcome asks_to_override_cap(Story& story, PersonNumber by) {
    return story.proposes(by, OverrideJoint{JointId{"cap"}, "turned by hand", {}});
}

SignInRefused locks(PersonNumber person) { return {person, "wrong secret; now locked", 900}; }

}  // namespace

// ---- the matrix ---------------------------------------------------------------------------------------

TEST_CASE("without rows a result of class A is filed by two deciders, one of class B by one") {
    Story mount = with_lost_result(small_station(), mount_ok);
    CHECK(refused(mount.proposes(maker, filed_to(mount, "mount")), RefusalCode::not_entitled));
    CHECK(is<AwaitsSecond>(mount.proposes(supervisor, filed_to(mount, "mount"))));
    Story cap = with_lost_result(small_station(), cap_ok);
    CHECK_FALSE(is<AwaitsSecond>(cap.proposes(supervisor, filed_to(cap, "cap"))));
}

TEST_CASE("a row of the matrix decides for its class who files a result and how many they are") {
    const auto station =
        with_matrix({{config::DecisionKind::assign_result,
                      RiskClass::a,
                      2,
                      {Role::manufacturing_engineer, Role::quality_engineer}},
                     {config::DecisionKind::assign_result, RiskClass::b, 2, {Role::production_supervisor}}});
    Story mount = with_lost_result(station, mount_ok);
    CHECK(refused(mount.proposes(supervisor, filed_to(mount, "mount")), RefusalCode::not_entitled));
    CHECK(is<AwaitsSecond>(mount.proposes(maker, filed_to(mount, "mount"))));
    const auto proposal = mount.state.newest;
    CHECK(refused(mount.seconds(maker, proposal), RefusalCode::same_person_twice));
    CHECK(refused(mount.seconds(supervisor, proposal), RefusalCode::not_entitled));
    CHECK(is<Attributed>(mount.seconds(quality, proposal)));
    Story cap = with_lost_result(station, cap_ok);
    CHECK(is<AwaitsSecond>(cap.proposes(supervisor, filed_to(cap, "cap"))));
    CHECK(is<Attributed>(cap.seconds(other_supervisor, cap.state.newest)));
}

TEST_CASE("a row for the worst class of the unit decides about the unit") {
    Story story(with_matrix({{config::DecisionKind::unit_has_left, RiskClass::a, 2, {Role::quality_engineer}},
                             {config::DecisionKind::unit_has_left, RiskClass::c, 1, {Role::maintenance}}}));
    story.identified_unit();
    CHECK(refused(story.proposes(supervisor, UnitHasLeft{story.fresh()}), RefusalCode::not_entitled));
    CHECK(is<AwaitsSecond>(story.proposes(quality, UnitHasLeft{story.fresh()})));
}

TEST_CASE("a joint of class A that the unit was taken to have still makes the unit one of class A") {
    auto station =
        with_matrix({{config::DecisionKind::unit_has_left, RiskClass::a, 1, {Role::quality_engineer}}});
    config::Plan other = station.plans.front();
    other.id = "other";
    other.stages[1].steps = {config::TightenStep{"cap"}};
    other.stages.pop_back();
    station.plans.push_back(other);
    station.variants[1].plan = "other";
    Story story(station);
    story.identified_unit();
    story.hits(mount_ok);
    story.two_decide(CorrectTicket{"F", Serial{"F1"}, "O1", "FW", "", 0});
    story.two_decide(CorrectTicket{"D", Serial{"D1"}, "O1", "DW", "", 0});
    REQUIRE(story.stay().joints.size() == 1);
    CHECK(refused(story.proposes(supervisor, UnitHasLeft{story.fresh()}), RefusalCode::not_entitled));
    CHECK_FALSE(is<Refused>(story.proposes(quality, UnitHasLeft{story.fresh()})));
}

TEST_CASE("rules are approved by the role that the rules in force name") {
    Story story(with_matrix({{config::DecisionKind::approve_rules, {}, 2, {Role::quality_engineer}}}));
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(small_station()));
    const auto approve = [&](PersonNumber by) {
        return story.happens(RulesApproved{Revision{"r2"}, by, supervisor, {}});
    };
    CHECK(refused(approve(admin), RefusalCode::not_entitled));
    CHECK(is<Applied>(approve(quality)));
}

// ---- deputies -----------------------------------------------------------------------------------------

TEST_CASE("a deputy decides as the role does until the date, and not after it") {
    Story story;
    story.identified_unit();
    CHECK(refused(asks_to_override_cap(story, worker), RefusalCode::not_entitled));
    story.happens(OperatorSignedOn{BayId{"B1"}, supervisor});
    const PersonNumber nobody_s_deputy{7};
    story.enrol(nobody_s_deputy, {Role::maintenance});
    CHECK(is<Applied>(story.happens(named(story, hour_us, admin, supervisor))));
    CHECK(refused(asks_to_override_cap(story, nobody_s_deputy), RefusalCode::not_entitled));
    CHECK(is<Applied>(asks_to_override_cap(story, worker)));
    CHECK(is<Applied>(story.proposes(worker, TakeBackOverride{JointId{"cap"}})));
    passes(story, hour_us);
    CHECK(refused(asks_to_override_cap(story, worker), RefusalCode::not_entitled));
    CHECK(story.state.deputies.empty());
}

TEST_CASE("a deputy's time that is over does not come back with a clock that is set back") {
    Story story;
    story.identified_unit();
    story.happens(named(story, hour_us, admin, supervisor));
    passes(story, hour_us);
    story.happens(LabelMisread{BayId{"B1"}, "x", "misread", {}});
    passes(story, -hour_us);
    CHECK(refused(asks_to_override_cap(story, worker), RefusalCode::not_entitled));
}

TEST_CASE("a deputy never decides about what they tightened") {
    Story story;
    story.identified_unit();
    story.hits(cap_ok);
    story.happens(named(story, hour_us, admin, supervisor));
    CHECK(refused(asks_to_override_cap(story, worker), RefusalCode::tightened_it));
}

TEST_CASE("a deputy is named by two: an administrator or who has the role, and a second who may agree") {
    Story story;
    CHECK(refused(story.happens(named(story, hour_us, admin, {})), RefusalCode::needs_second_administrator));
    CHECK(refused(story.happens(named(story, hour_us, admin, worker)), RefusalCode::same_person_twice));
    CHECK(refused(story.happens(named(story, hour_us, quality, supervisor)), RefusalCode::not_entitled));
    // While there is an administrator that it is not about, it is that one who agrees.
    CHECK(refused(story.happens(named(story, hour_us, supervisor, quality)),
                  RefusalCode::needs_second_administrator));
    CHECK(is<Applied>(story.happens(named(story, hour_us, supervisor, admin))));
    CHECK(story.state.deputies.size() == 1);
    CHECK(is<Applied>(story.happens(named(story, 2 * hour_us, supervisor, admin))));
    CHECK(story.state.deputies.size() == 1);
}

TEST_CASE("nobody names themselves, or for longer than the rules say, or as administrator or operator") {
    Story story;
    const std::int64_t longest = 14 * 24 * hour_us;
    CHECK(refused(story.happens(named(story, 1'000'000, admin, supervisor)), RefusalCode::not_possible_now));
    CHECK(refused(story.happens(named(story, longest + hour_us, admin, supervisor)),
                  RefusalCode::not_possible_now));
    CHECK(is<Applied>(story.happens(named(story, longest, admin, supervisor))));
    for (const Role role : {Role::administrator, Role::line_operator}) {
        DeputyNamed event = named(story, hour_us, admin, supervisor);
        event.role = role;
        CHECK(refused(story.happens(event), RefusalCode::not_possible_now));
    }
    DeputyNamed self = named(story, hour_us, supervisor, admin);
    self.person = supervisor;
    CHECK(refused(story.happens(self), RefusalCode::not_entitled));
    DeputyNamed has_it = named(story, hour_us, supervisor, admin);
    has_it.person = other_supervisor;
    CHECK(refused(story.happens(has_it), RefusalCode::already_settled));
}

TEST_CASE("a deputy's time is ended by the deputy, an administrator or the role, and once") {
    const DeputyEnded by_admin{worker, Role::production_supervisor, admin};
    for (const PersonNumber by : {admin, worker, other_supervisor}) {
        Story story;
        story.happens(named(story, hour_us, admin, supervisor));
        CHECK(refused(story.happens(DeputyEnded{worker, Role::production_supervisor, quality}),
                      RefusalCode::not_entitled));
        CHECK(is<Applied>(story.happens(DeputyEnded{worker, Role::production_supervisor, by})));
        CHECK(refused(story.happens(by_admin), RefusalCode::already_settled));
    }
}

TEST_CASE("a deputy is suspended by two people, as every approver, and is none after that") {
    Story story;
    story.happens(named(story, hour_us, admin, supervisor));
    CHECK(
        refused(story.happens(PersonSuspended{worker, admin, {}}), RefusalCode::needs_second_administrator));
    CHECK(is<Applied>(story.happens(PersonSuspended{worker, admin, supervisor})));
    CHECK(story.state.deputies.empty());
}

TEST_CASE("a deputy's secret is given anew by two people, as every approver's") {
    Story story;
    const auto renew = [&](std::optional<PersonNumber> second) {
        return story.happens(
            PersonEnrolled{Person{worker, {Role::line_operator}, false, "", "mark"}, admin, second});
    };
    CHECK(is<Applied>(renew({})));
    story.happens(named(story, hour_us, admin, supervisor));
    CHECK(refused(renew({}), RefusalCode::needs_second_administrator));
    CHECK(is<Applied>(renew(supervisor)));
}

TEST_CASE("a deputy whose time is over when the other one signs has not signed") {
    Story story;
    story.identified_unit();
    story.happens(named(story, hour_us, admin, supervisor));
    CHECK(
        is<AwaitsSecond>(story.proposes(worker, OverrideJoint{JointId{"mount"}, "turned by hand", nm(50)})));
    const auto proposal = story.state.newest;
    passes(story, hour_us);
    CHECK(refused(story.seconds(quality, proposal), RefusalCode::not_entitled));
}

TEST_CASE("a deputy may be the second who approves rules, and no operator else") {
    Story story;
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(small_station()));
    const RulesApproved by_both{Revision{"r2"}, admin, worker, {}};
    CHECK(refused(story.happens(by_both), RefusalCode::not_entitled));
    story.happens(named(story, hour_us, admin, supervisor));
    CHECK(is<Applied>(story.happens(by_both)));
}

TEST_CASE("a deputy tries the wiring of an empty bay as the role may, and no other deputy does") {
    auto station = small_station();
    station.wiring_tests.roles = {Role::quality_engineer};
    Story story(station);
    const WiringTestBegan begins{BayId{"B1"}, {}, worker, Token{0xFF00BEEF}};
    story.happens(named(story, hour_us, admin, supervisor));  // for a supervisor
    CHECK(refused(story.happens(begins), RefusalCode::not_entitled));
    DeputyNamed for_quality = named(story, hour_us, admin, supervisor);
    for_quality.role = Role::quality_engineer;
    story.happens(for_quality);
    CHECK(is<Applied>(story.happens(begins)));
}

// ---- locks --------------------------------------------------------------------------------------------

TEST_CASE("a lock is in the record and lifts by itself after its time") {
    Story story;
    story.happens(SignInRefused{supervisor, "wrong secret", {}});
    CHECK(story.state.locks.empty());
    story.happens(locks(supervisor));
    REQUIRE(story.state.locks.size() == 1);
    CHECK(story.state.locks.front().until_utc_us == now_us(story) + 900'000'000);
    passes(story, 898'000'000);
    story.happens(LabelMisread{BayId{"B1"}, "x", "misread", {}});
    CHECK(story.state.locks.size() == 1);
    story.happens(LabelMisread{BayId{"B1"}, "x", "misread", {}});
    CHECK(story.state.locks.empty());
}

TEST_CASE("a locked person is unlocked by another role, never by the same role or by themselves") {
    Story story;
    story.happens(locks(supervisor));
    CHECK(refused(story.happens(PersonUnlocked{supervisor, supervisor}), RefusalCode::not_entitled));
    CHECK(refused(story.happens(PersonUnlocked{supervisor, other_supervisor}), RefusalCode::not_entitled));
    CHECK(refused(story.happens(PersonUnlocked{supervisor, worker}), RefusalCode::not_entitled));
    CHECK(refused(story.happens(PersonUnlocked{supervisor, PersonNumber{99}}), RefusalCode::unknown_person));
    CHECK(is<Applied>(story.happens(PersonUnlocked{supervisor, quality})));
    CHECK(refused(story.happens(PersonUnlocked{supervisor, admin}), RefusalCode::already_settled));
    story.happens(locks(admin));
    CHECK(is<Applied>(story.happens(PersonUnlocked{admin, supervisor})));
}

TEST_CASE("a deputy who is locked does not unlock themselves by the role that they stand in for") {
    Story story;
    story.happens(named(story, hour_us, admin, supervisor));
    story.happens(locks(worker));
    CHECK(refused(story.happens(PersonUnlocked{worker, worker}), RefusalCode::not_entitled));
    CHECK(is<Applied>(story.happens(PersonUnlocked{worker, quality})));
}

TEST_CASE("a wrong secret of somebody who is unknown locks nobody") {
    Story story;
    story.happens(locks(PersonNumber{99}));
    CHECK(story.state.locks.empty());
}

TEST_CASE("the matrix says who unlocks") {
    Story story(with_matrix({{config::DecisionKind::unlock_person,
                              {},
                              1,
                              {Role::quality_engineer, Role::manufacturing_engineer}}}));
    story.happens(locks(worker));
    CHECK(refused(story.happens(PersonUnlocked{worker, admin}), RefusalCode::not_entitled));
    CHECK(is<Applied>(story.happens(PersonUnlocked{worker, quality})));
}

// ---- lost administrators ------------------------------------------------------------------------------

TEST_CASE("lost administrators are replaced: suspended, alarmed, and the new one may act") {
    Story story;
    const PersonNumber fresh{20};
    const Person person{fresh, {Role::administrator}, false};
    CHECK(is<Applied>(story.happens(AdministratorReplaced{person, {admin}})));
    CHECK(story.alarmed(AlarmCode::administrator_replaced));
    CHECK(person_of(story.state, admin)->suspended);
    CHECK(refused(story.happens(PersonSuspended{worker, admin, {}}), RefusalCode::suspended));
    CHECK(is<Applied>(story.happens(PersonSuspended{worker, fresh, {}})));
}

TEST_CASE("an administrator who is not named as lost stands against a replacement") {
    Story story;
    const PersonNumber second{21};
    CHECK(is<Applied>(enrols(story, second, Role::administrator)));
    const Person person{PersonNumber{20}, {Role::administrator}, false};
    CHECK(refused(story.happens(AdministratorReplaced{person, {admin}}), RefusalCode::not_possible_now));
    CHECK(refused(story.happens(AdministratorReplaced{person, {admin, supervisor}}),
                  RefusalCode::no_such_thing));
    CHECK_FALSE(person_of(story.state, admin)->suspended);
    CHECK(is<Applied>(story.happens(AdministratorReplaced{person, {admin, second}})));
}

TEST_CASE("a replacement is of somebody new who is administrator, at a station that has people") {
    Story empty(small_station(), false);
    CHECK(refused(empty.happens(AdministratorReplaced{{PersonNumber{1}, {Role::administrator}}, {}}),
                  RefusalCode::not_possible_now));
    Story story;
    CHECK(refused(story.happens(AdministratorReplaced{{supervisor, {Role::administrator}}, {admin}}),
                  RefusalCode::not_possible_now));
    CHECK(refused(story.happens(AdministratorReplaced{{PersonNumber{20}, {Role::maintenance}}, {admin}}),
                  RefusalCode::not_possible_now));
}

// ---- names --------------------------------------------------------------------------------------------

TEST_CASE("a name is taken out by two people, of somebody suspended, and once") {
    Story story;
    story.happens(PersonEnrolled{Person{worker, {Role::line_operator}, false, "mark", "mark"}, admin, {}});
    const NameErased by_two{worker, admin, supervisor};
    CHECK(refused(story.happens(by_two), RefusalCode::not_possible_now));
    story.happens(PersonSuspended{worker, admin, {}});
    CHECK(refused(story.happens(NameErased{worker, admin, {}}), RefusalCode::needs_second_administrator));
    CHECK(refused(story.happens(NameErased{worker, supervisor, admin}), RefusalCode::not_entitled));
    CHECK(is<Applied>(story.happens(by_two)));
    CHECK(person_of(story.state, worker)->name_mark.empty());
    CHECK(person_of(story.state, worker)->secret_mark == "mark");
    CHECK(refused(story.happens(by_two), RefusalCode::already_settled));
}

// ---- the own secret -----------------------------------------------------------------------------------

TEST_CASE("a person renews the own secret alone, and changes nothing else by it") {
    Story story;
    story.happens(PersonEnrolled{Person{supervisor, {Role::production_supervisor}, false, "name", "old"},
                                 admin, worker});
    const State before = story.state;
    CHECK(is<Applied>(story.happens(SecretRenewed{supervisor, "new"})));
    CHECK(person_of(story.state, supervisor)->secret_mark == "new");
    State expected = before;
    std::ranges::find(expected.people, supervisor, &Person::number)->secret_mark = "new";
    expected.newest = story.state.newest;
    CHECK(story.state == expected);
}

TEST_CASE("nobody renews a secret who is suspended or unknown, and none is renewed to nothing") {
    Story story;
    CHECK(refused(story.happens(SecretRenewed{PersonNumber{99}, "new"}), RefusalCode::unknown_person));
    CHECK(refused(story.happens(SecretRenewed{worker, ""}), RefusalCode::not_possible_now));
    story.happens(PersonSuspended{worker, admin, {}});
    CHECK(refused(story.happens(SecretRenewed{worker, "new"}), RefusalCode::suspended));
}

TEST_CASE("whoever one person alone let in stays so with a secret of their own") {
    Story story;
    const PersonNumber puppet{30};
    story.happens(PersonEnrolled{Person{puppet, {Role::line_operator}, false}, admin, {}});
    story.happens(SecretRenewed{puppet, "new"});
    CHECK(refused(story.happens(named(story, hour_us, admin, puppet)),
                  RefusalCode::needs_second_administrator));
}
