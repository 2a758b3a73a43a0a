// Passes over one joint: snug, final, and the check after the joint has relaxed. The numbers are invented.
#include <catch2/catch.hpp>

#include "service/interlock/check_passes.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;
using evaluation::FindingCode;
using evaluation::Verdict;

namespace {

constexpr std::chrono::seconds relaxing{600};

// `clip` is snugged, tightened and, ten minutes later, checked. Nothing else of the plan is T2's.
config::Station three_passes(std::chrono::seconds wait = relaxing) {
    config::Station station = small_station();
    station.plans.front().stages[1].steps.pop_back();
    config::Joint& clip = station.joints.back();
    clip.risk = RiskClass::b;
    config::Pass snug = clip.passes.front();
    snug.name = "snug";
    snug.program = "S3";
    snug.window = window(5, 7);
    config::Pass check = clip.passes.front();
    check.name = "check";
    check.program = "K3";
    check.window = {{nm(9), nm(12), {}}, config::AngleWindow{deg(0), deg(8), config::AngleOrigin::start, {}}};
    check.check = config::CheckPass{wait};
    clip.passes = {snug, clip.passes.front(), check};
    clip.retry = {2, false, false};
    return station;
}

Hit snug(std::uint32_t position) { return {"T2", "S3", 6, 45, position}; }
Hit checked(std::uint32_t position, std::int64_t angle_deg = 1) {
    return {"T2", "K3", 10, angle_deg, position};
}

void mounted(Story& story) {
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
}

// All tight; the check waits.
class Relaxing : public Story {
  public:
    explicit Relaxing(std::chrono::seconds wait = relaxing) : Story(three_passes(wait)) {
        mounted(*this);
        for (const std::uint32_t position : {1U, 2U})
            hits(snug(position));
        for (const std::uint32_t position : {1U, 2U})
            hits(clip_ok(position));
    }
    void becomes_due() {
        const auto waiting = waiting_checks(rules, state);
        REQUIRE(waiting.size() == 1);
        now_ns += std::chrono::nanoseconds(waiting.front().wait).count();
        CHECK(is<Applied>(happens(waiting.front().due)));
    }
    const config::Joint& clip() const { return rules.at(Revision{"r1"})->joints.back(); }
    std::size_t pass() const { return pass_at_hand(clip(), joint("clip")); }
    bool waits() const { return waits_for_check(clip(), joint("clip")); }
};

bool has_finding(const evaluation::Judgement& judgement, FindingCode code) {
    return std::ranges::find(judgement.findings, code, &evaluation::Finding::code) !=
           judgement.findings.end();
}

}  // namespace

TEST_CASE("the final pass begins when every fastener is snug, and by its own window") {
    Story story(three_passes());
    mounted(story);
    story.hits(snug(2));
    CHECK(std::get<Attributed>(story.record.outcome).pass == 0);
    CHECK(story.judgement().verdict == Verdict::ok);
    story.hits(clip_ok(1));  // the final program, before all are snug
    CHECK(has_finding(story.judgement(), FindingCode::wrong_program));
    story.hits(snug(1));
    story.hits(clip_ok(1));
    CHECK(std::get<Attributed>(story.record.outcome).pass == 1);
    CHECK(story.judgement().verdict == Verdict::ok);
}

TEST_CASE("a cross pattern goes over the fasteners in the order of its list, once a pass") {
    config::Station station = three_passes();
    config::Joint& clip = station.joints.back();
    clip.placement = config::Placement::listed;
    clip.passes.pop_back();
    clip.fasteners = {{"1", 0, 0}, {"3", 0, 0}, {"2", 0, 0}, {"4", 0, 0}};
    Story story(station);
    mounted(story);
    for (std::uint32_t pass = 0; pass < 2; ++pass) {
        for (std::uint32_t fastener = 0; fastener < 4; ++fastener) {
            if (fastener > 0) {
                Hit again = pass == 0 ? snug(1) : clip_ok(1);
                again.angle_deg = 1;
                CHECK(is<Rehit>(story.hits(again)));  // of the one before: it does not stand for the next
            }
            story.hits(pass == 0 ? snug(1) : clip_ok(1));
            const auto& counted = std::get<Attributed>(story.record.outcome);
            CHECK(counted.fastener == fastener);
            CHECK(counted.pass == pass);
            CHECK(counted.judgement.verdict == Verdict::ok);
        }
    }
}

TEST_CASE("a check pass waits from the last tightening before it until an event says that it is due") {
    Relaxing story;
    CHECK(story.pass() == 2);
    CHECK(story.waits());
    REQUIRE(story.held_by("leave", ReasonCode::check_waits));
    CHECK(sentence(*story.reason("leave", ReasonCode::check_waits)) ==
          "clip: relaxes for 10 min before check may be made.");
    CHECK_FALSE(story.held_by("leave", ReasonCode::joint_open));
    CHECK(story.joint("clip").wait->since == story.events.back().at);
    story.now_ns += std::chrono::nanoseconds(2 * relaxing).count();
    story.report();  // however late it is: time is an event
    CHECK(story.waits());
    story.becomes_due();
    CHECK_FALSE(story.waits());
    CHECK(waiting_checks(story.rules, story.state).empty());
    CHECK(story.held_by("leave", ReasonCode::joint_open));
    CHECK_FALSE(story.held_by("leave", ReasonCode::check_waits));
    story.hits(checked(1));
    CHECK(story.judgement().verdict == Verdict::ok);
    CHECK_FALSE(is_proven(story.clip(), story.joint("clip")));
    story.hits(checked(2));
    CHECK(is_proven(story.clip(), story.joint("clip")));
}

TEST_CASE("what is checked too early is not OK, and the joint relaxes anew") {
    Relaxing story;
    const EventNumber began = story.joint("clip").wait->began;
    story.hits(checked(1, 5));
    CHECK(has_finding(story.judgement(), FindingCode::too_early));
    CHECK(story.judgement().verdict == Verdict::not_ok);
    CHECK(story.joint("clip").fasteners[0].passes[2].attempts == 1);
    CHECK(story.joint("clip").fasteners[0].passes[1].proof);
    CHECK(story.waits());
    CHECK(story.joint("clip").wait->began == story.state.newest);
    // The moment of the first waiting is none of the second.
    story.happens(CheckDue{story.stay().id, JointId{"clip"}, 2, began});
    CHECK(story.waits());
    story.becomes_due();
    story.hits(checked(1));
    story.hits(checked(2));
    CHECK(is_proven(story.clip(), story.joint("clip")));
}

TEST_CASE("what was made before the check was due is too early, though it comes afterwards") {
    Relaxing story;
    ResultReceived late = story.made(checked(1, 5));
    story.becomes_due();
    story.happens(late);
    CHECK(has_finding(story.judgement(), FindingCode::too_early));
    story.becomes_due();  // anew
    ResultReceived across = story.made(checked(1, 5));
    across.made.from_ns = story.joint("clip").wait->over->monotonic_ns - 1;
    story.happens(across);
    CHECK(has_finding(story.judgement(), FindingCode::too_early));
    CHECK(story.joint("clip").fasteners[0].locked);
}

TEST_CASE("a second hit while the joint relaxes is one of the pass before and counts for nothing") {
    Relaxing story;
    const auto wait = story.joint("clip").wait;
    Hit again = clip_ok(2);
    again.angle_deg = 2;
    CHECK(is<Rehit>(story.hits(again)));
    CHECK(story.joint("clip").wait == wait);
    CHECK(story.joint("clip").fasteners[1].passes[2].attempts == 0);
}

TEST_CASE("in a check pass no good tightening is taken for a second hit") {
    Relaxing story;
    story.becomes_due();
    story.hits(checked(1, 0));
    CHECK(story.judgement().verdict == Verdict::ok);
    story.hits(checked(2, 1));
    CHECK(story.judgement().verdict == Verdict::ok);
    // All is done: nothing else can be meant.
    CHECK(is<Rehit>(story.hits(checked(2, 1))));
}

TEST_CASE("a fastener that turns far in the check has relaxed, and is not OK by the window of the check") {
    Relaxing story;
    story.becomes_due();
    story.hits(checked(1, 20));
    CHECK(has_finding(story.judgement(), FindingCode::angle_high));
    CHECK(story.held_by("leave", ReasonCode::joint_not_ok));
    CHECK(story.waits());  // it was turned
    story.becomes_due();
    story.hits(checked(1));
    CHECK(story.judgement().verdict == Verdict::ok);
}

TEST_CASE("a loosening ends the waiting; when all is tight again, it begins anew") {
    Relaxing story;
    Hit loosened = clip_ok(1);
    loosened.direction = Direction::loosen;
    story.hits(loosened);
    CHECK_FALSE(story.joint("clip").wait);
    CHECK(story.pass() == 0);
    story.hits(snug(1));
    CHECK_FALSE(story.joint("clip").wait);
    story.hits(clip_ok(1));
    REQUIRE(story.joint("clip").wait);
    CHECK(story.joint("clip").wait->began == story.state.newest);
}

TEST_CASE("a waiting of no time is over at once") {
    Relaxing story(std::chrono::seconds{0});
    CHECK_FALSE(story.waits());
    story.hits(checked(1));
    CHECK(story.judgement().verdict == Verdict::ok);
}

TEST_CASE("a waiting outlasts a restart, and what was due stays due") {
    Relaxing waiting;
    waiting.restarts(false);
    CHECK(waiting.waits());
    CHECK(waiting_checks(waiting.rules, waiting.state).size() == 1);
    Relaxing due;
    due.becomes_due();
    due.restarts(true);
    CHECK_FALSE(due.waits());
}

TEST_CASE("a due moment of another stay, joint or pass changes nothing") {
    Relaxing story;
    const CheckDue right = waiting_checks(story.rules, story.state).front().due;
    story.now_ns += std::chrono::nanoseconds(relaxing).count();
    for (CheckDue wrong : {CheckDue{EventNumber{1}, right.joint, right.pass, right.began},
                           CheckDue{right.stay, JointId{"cap"}, right.pass, right.began},
                           CheckDue{right.stay, JointId{"nothing"}, right.pass, right.began},
                           CheckDue{right.stay, right.joint, 1, right.began},
                           CheckDue{right.stay, right.joint, right.pass, EventNumber{1}}}) {
        CHECK(is<Applied>(story.happens(wrong)));
        CHECK(story.waits());
    }
    CHECK(is<Applied>(story.happens(right)));
    CHECK_FALSE(story.waits());
}

TEST_CASE("a due moment that comes before the time is over changes nothing") {
    Relaxing story;
    const WaitingCheck waiting = waiting_checks(story.rules, story.state).front();
    constexpr std::int64_t a_moment = 1'000'000'000;  // passes with each event of a story
    const std::int64_t due_ns = waiting.since.monotonic_ns + std::chrono::nanoseconds(waiting.wait).count();
    story.now_ns = due_ns - a_moment - 1;
    story.happens(waiting.due);
    CHECK(story.waits());
    story.now_ns = due_ns - a_moment;
    story.happens(waiting.due);
    CHECK_FALSE(story.waits());
}

TEST_CASE("a torque found wrong by hand lets the joint relax anew before it is checked on") {
    config::Station station = three_passes();
    station.joints.back().audit = config::TorqueWindow{nm(8), nm(13), {}};
    Story story(station);
    mounted(story);
    for (const std::uint32_t position : {1U, 2U})
        story.hits(snug(position));
    for (const std::uint32_t position : {1U, 2U})
        story.hits(clip_ok(position));
    story.now_ns += std::chrono::nanoseconds(relaxing).count();
    story.happens(waiting_checks(story.rules, story.state).front().due);
    story.hits(checked(1));
    story.happens(HandChecked{BayId{"B1"}, JointId{"clip"}, 0, nm(5), "5 N.m", "dial 7", supervisor,
                              story.state.newest});
    CHECK(is<OutsideAudit>(story.record.outcome));
    const config::Joint& clip = story.rules.at(Revision{"r1"})->joints.back();
    CHECK(pass_at_hand(clip, story.joint("clip")) == 2);
    CHECK(waits_for_check(clip, story.joint("clip")));
}

TEST_CASE(
    "what was made before a start of the computer and is filed by hand after it was checked too early") {
    Relaxing story;
    ResultReceived early = story.made(checked(9));
    story.happens(early);  // nobody knows at which fastener: the joint has two
    REQUIRE(story.stay().unassigned.size() == 1);
    const EventNumber result = story.stay().unassigned.front().result;
    story.boot = "another boot";
    story.restarts(true);
    story.links_come_up();
    story.becomes_due();
    story.proposes(supervisor, UnitStillHere{});
    story.proposes(supervisor, AssignResult{result, JointId{"clip"}, 0});
    CHECK(has_finding(story.judgement(), FindingCode::too_early));
}

TEST_CASE("waiting times are told in minutes where they are whole") {
    CHECK(wait_text(std::chrono::seconds{0}) == "0 s");
    CHECK(wait_text(std::chrono::seconds{90}) == "90 s");
    CHECK(wait_text(std::chrono::seconds{60}) == "1 min");
}
