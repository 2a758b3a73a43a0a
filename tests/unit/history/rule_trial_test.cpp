// Proposed rules tried on one stay: what would have been judged, released and decided otherwise, and what
// cannot be told.
#include "protocol/trace.hpp"
#include "service/interlock/check_passes.hpp"
#include "tests/unit/history/tried.hpp"

using namespace tautgate;
using namespace tautgate::tried;
using evaluation::FindingCode;

namespace {

config::Joint& joint_of_proposal(config::Station& station, const std::string& id) {
    return *std::ranges::find(station.joints, id, &config::Joint::id);
}
config::Station with_torque(const std::string& id, std::int64_t least, std::int64_t most) {
    config::Station station = small_station();
    auto& torque = joint_of_proposal(station, id).passes[0].window.torque;
    torque.min = nm(least);
    torque.max = nm(most);
    return station;
}
Hit mount_of(std::int64_t torque) { return {"T1", "P1", torque}; }
Hit cap_of(std::int64_t torque) { return {"T2", "P2", torque}; }

// Two mounts of these torques, everything else well.
Story unit_of(std::int64_t first, std::int64_t second) {
    Story story;
    story.identified_unit();
    story.hits(mount_of(first));
    story.hits(mount_of(second));
    story.hits(cap_ok);
    story.hits(cap_ok);
    story.hits(clip_ok(1));
    story.hits(clip_ok(2));
    story.happens(CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest});
    return story;
}
void leaves(Story& story) {
    story.moves("leave");
    story.departs();
}
OverrideJoint over(const std::string& joint, std::optional<Torque> value = {}) {
    return {JointId{joint}, "turned by hand, did not move", value};
}
// Of the clips, a second pass after they have relaxed.
config::Station checked_after(std::chrono::seconds wait) {
    config::Station station = small_station();
    auto& clip = joint_of_proposal(station, "clip");
    config::Pass check = clip.passes.front();
    check.name = "check";
    check.program = "K3";
    check.window.angle->min = deg(0);
    check.check = config::CheckPass{wait};
    clip.passes.push_back(check);
    return station;
}
// Clip 1 is tightened with so much, 2 well; then both are checked, when they have relaxed.
Story checked_unit(std::int64_t torque) {
    Story story(checked_after(std::chrono::seconds{60}));
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    story.hits(cap_ok);
    story.hits(cap_ok);
    story.hits({"T2", "P3", torque, 45, 1U});
    story.hits(clip_ok(2));
    const auto waiting = waiting_checks(story.rules, story.state);
    REQUIRE(waiting.size() == 1);
    story.now_ns += std::chrono::nanoseconds(waiting.front().wait).count();
    story.happens(waiting.front().due);
    for (const std::uint32_t position : {1U, 2U})
        story.hits({"T2", "K3", 10, 1, position});
    story.happens(CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest});
    leaves(story);
    return story;
}
bool says_nothing(const StayFindings& found) { return !found.differs() && found.without_curve.empty(); }

}  // namespace

TEST_CASE("the rules of then, tried on a unit, find nothing to differ") {
    Story story = unit_of(50, 60);
    leaves(story);
    const auto found = on_newest(story, small_station());
    CHECK(says_nothing(found));
    CHECK(found.unit == "D1");
    CHECK(found.results == 6);
    CHECK(found.joints.at("mount").tightenings == 2);
}

TEST_CASE(
    "a check after relaxation is judged in the course of then, whatever the pass before would have been") {
    Story story = checked_unit(11);
    CHECK(says_nothing(on_newest(story, checked_after(std::chrono::seconds{60}))));
    config::Station narrower = checked_after(std::chrono::seconds{60});
    joint_of_proposal(narrower, "clip").passes[0].window.torque.max = nm(10);
    const auto found = on_newest(story, narrower);
    REQUIRE(found.tightenings.size() == 1);
    CHECK(found.tightenings.front().would_be.findings.front().code == FindingCode::torque_high);
    // No more is known of what would have been after another time.
    const auto longer = history::trial_rules(checked_after(std::chrono::seconds{60}),
                                             checked_after(std::chrono::seconds{600}));
    REQUIRE(longer.untold.size() == 1);
    CHECK(longer.untold.front().about == "joint clip, pass check");
    CHECK(longer.station.joints[2].passes[1].check->wait == std::chrono::seconds{60});
    config::Station unchecked = checked_after(std::chrono::seconds{60});
    joint_of_proposal(unchecked, "clip").passes[1].check.reset();
    const auto other = history::trial_rules(checked_after(std::chrono::seconds{60}), unchecked);
    REQUIRE(other.untold.size() == 1);
    CHECK(other.untold.front().about == "joint clip");
    CHECK(other.station.joints[2].passes[1].check);
}

TEST_CASE("a narrower limit finds exactly the tightenings beyond it, each on its own fastener") {
    Story story = unit_of(58, 50);
    leaves(story);
    const auto found = on_newest(story, with_torque("mount", 40, 55));
    REQUIRE(found.tightenings.size() == 1);
    const auto& one = found.tightenings.front();
    CHECK(one.was.taken == Taken::ok);
    CHECK(one.would_be.taken == Taken::not_ok);
    CHECK(one.would_be.joint == "mount");
    CHECK(one.would_be.fastener == "1");
    CHECK(one.would_be.findings.front().code == FindingCode::torque_high);
    CHECK(one.would_be.findings.front().found == "58 N·m");
    CHECK(found.joints.at("mount").ok_to_not_ok == 1);
    CHECK(found.joints.at("mount").units == 1);
    CHECK(found.joints.at("cap").ok_to_not_ok == 0);
}

TEST_CASE("all of a joint beyond a narrower limit are found, not only the first") {
    const auto found = on_newest(unit_of(58, 59), with_torque("mount", 40, 55));
    REQUIRE(found.tightenings.size() == 2);
    CHECK(found.tightenings[1].would_be.fastener == "2");
    CHECK(found.tightenings[1].would_be.findings.front().found == "59 N·m");
}

TEST_CASE("a release that would not have come is told with the reason that holds it, and no other") {
    const auto found = on_newest(unit_of(50, 58), with_torque("mount", 40, 55));
    for (const char* id : {"lift", "leave"}) {
        const auto* lost = release(found, id);
        REQUIRE(lost != nullptr);
        CHECK(lost->kind == ReleaseKind::would_not_have_come);
        CHECK(lost->was.has_value());
        CHECK_FALSE(lost->would_be.has_value());
        std::vector<std::string> about;
        for (const Reason& reason : lost->reasons)
            about.push_back(reason.joint + reason.fastener + " " +
                            std::to_string(static_cast<int>(reason.code)));
        const auto not_ok = std::ranges::find(lost->reasons, ReasonCode::joint_not_ok, &Reason::code);
        REQUIRE(not_ok != lost->reasons.end());
        CHECK(not_ok->fastener == "2");
        CHECK(std::ranges::all_of(lost->reasons, [](const Reason& each) { return each.joint == "mount"; }));
    }
}

TEST_CASE("a wider limit takes back a not OK; what people did after it changes nothing else") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    story.hits(cap_of(18));  // not OK; done again on the same fastener
    story.hits(cap_ok);
    story.hits(cap_ok);
    const auto found = on_newest(story, with_torque("cap", 15, 30));
    REQUIRE(found.tightenings.size() == 1);
    CHECK(found.tightenings.front().was.taken == Taken::not_ok);
    CHECK(found.tightenings.front().would_be.taken == Taken::ok);
    CHECK(found.joints.at("cap").not_ok_to_ok == 1);
    CHECK(found.releases.empty());
    CHECK(found.acts.empty());
}

TEST_CASE("one attempt fewer asks for a decision that nobody had to take; the attempt after it is judged") {
    Story story;
    story.identified_unit();
    story.hits(cap_of(18));
    story.hits(cap_ok);
    story.hits(cap_ok);
    config::Station proposed = small_station();
    joint_of_proposal(proposed, "cap").retry.attempts = 1;
    const auto found = on_newest(story, proposed);
    CHECK(found.tightenings.empty());
    const auto* needed = act(found, ActKind::needed);
    REQUIRE(needed != nullptr);
    CHECK(needed->what == "fastener_locked");
    CHECK(needed->sentence == "cap, 1: the allowed attempts are used up.");
    CHECK(found.acts.size() == 1);
}

TEST_CASE("an override of a joint that the proposal finds proven would not have been needed") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_of(62));
    story.hits(cap_ok);
    story.hits(cap_ok);
    story.two_decide(over("mount", nm(50)));
    REQUIRE(story.released("lift"));
    const auto found = on_newest(story, with_torque("mount", 40, 65));
    CHECK(found.tightenings.size() == 1);
    const auto* spared = act(found, ActKind::not_needed);
    REQUIRE(spared != nullptr);
    CHECK(spared->what == "OverrideJoint");
    CHECK(found.acts.size() == 1);  // the consent to it is no act of its own
    const auto* lift = release(found, "lift");
    REQUIRE(lift != nullptr);
    CHECK(lift->kind == ReleaseKind::would_have_come_earlier);
}

TEST_CASE("an override that the proposal leaves to two people waits for the second") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    story.proposes(supervisor, over("cap"));
    REQUIRE(story.released("lift"));
    config::Station proposed = small_station();
    proposed.people.overrides[1].people = 2;
    const auto found = on_newest(story, proposed);
    REQUIRE(act(found, ActKind::second_needed) != nullptr);
    REQUIRE(release(found, "lift") != nullptr);
    CHECK(release(found, "lift")->kind == ReleaseKind::would_not_have_come);
}

TEST_CASE("an override by whom the proposal does not entitle would have been refused, with its words") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    story.proposes(supervisor, over("cap"));
    config::Station proposed = small_station();
    proposed.people.overrides[1].roles = {Role::quality_engineer};
    const auto found = on_newest(story, proposed);
    const auto* refused_act = act(found, ActKind::refused);
    REQUIRE(refused_act != nullptr);
    CHECK(refused_act->sentence.starts_with("This person's roles do not allow it"));
}

TEST_CASE("a joint that the proposal brings in was not tightened then: it is named, and judged nowhere") {
    Story story = unit_of(50, 50);
    config::Station proposed = small_station();
    config::Joint extra = proposed.joints[1];
    extra.id = extra.name = "brace";
    extra.passes[0].program = "P9";
    proposed.joints.push_back(extra);
    proposed.plans[0].stages[1].steps.push_back(config::TightenStep{"brace"});
    CHECK(says_nothing(on_newest(story, proposed)));
    const auto rules = history::trial_rules(small_station(), proposed);
    REQUIRE(rules.untold.size() == 1);
    CHECK(rules.untold.front() == history::Untold{"plan plan, joint brace", "it was not tightened then"});
}

TEST_CASE("what cannot be told of a proposal is named for each thing, and left as it was") {
    config::Station proposed = small_station();
    SECTION("a fastener") {
        joint_of_proposal(proposed, "cap").fasteners.push_back({"3", 0, 0});
        CHECK(history::trial_rules(small_station(), proposed).untold ==
              std::vector<history::Untold>{{"joint cap, fastener 3", "it was not tightened then"}});
    }
    SECTION("a pass") {
        auto& passes = joint_of_proposal(proposed, "cap").passes;
        passes.insert(passes.begin(), passes.front());
        passes.front().name = "snug";
        const auto rules = history::trial_rules(small_station(), proposed);
        REQUIRE(rules.untold.size() == 1);
        CHECK(rules.untold.front().about == "joint cap");
        CHECK(rules.station.joints[1].passes.size() == 1);
    }
    SECTION("a program") {
        joint_of_proposal(proposed, "cap").passes[0].program = "P20";
        const auto rules = history::trial_rules(small_station(), proposed);
        REQUIRE(rules.untold.size() == 1);
        CHECK(rules.untold.front().about == "joint cap, pass final");
        CHECK(rules.station.joints[1].passes[0].program == "P2");
    }
    SECTION("an origin of the angle") {
        auto& angle = *joint_of_proposal(proposed, "cap").passes[0].window.angle;
        angle.origin = config::AngleOrigin::threshold_torque;
        angle.threshold = nm(5);
        angle.min = deg(44);
        const auto rules = history::trial_rules(small_station(), proposed);
        REQUIRE(rules.untold.size() == 1);
        CHECK(rules.station.joints[1].passes[0].window.angle->min == deg(10));
    }
    SECTION("a tool") {
        proposed.tools.push_back(tool("T3"));
        joint_of_proposal(proposed, "cap").tools.push_back("T3");
        const auto rules = history::trial_rules(small_station(), proposed);
        CHECK(rules.untold == std::vector<history::Untold>{{"tool T3", "there was no such tool then"}});
        CHECK(rules.station.joints[1].tools == std::vector<std::string>{"T2"});
    }
    SECTION("a tool's resolution") {
        proposed.tools[0].torque_resolution = nm(2);
        const auto rules = history::trial_rules(small_station(), proposed);
        REQUIRE(rules.untold.size() == 1);
        CHECK(rules.untold.front().about == "tool T1");
        CHECK(rules.station.tools[0].torque_resolution == nm(1));
    }
    SECTION("a permissive") {
        proposed.permissives.push_back(permissive("turn", 4));
        const auto rules = history::trial_rules(small_station(), proposed);
        REQUIRE(rules.untold.size() == 1);
        CHECK(rules.untold.front().about == "permissive turn");
    }
    SECTION("a step") {
        proposed.plans[0].stages[2].steps.push_back(config::ConfirmStep{"wipe", "Wipe it"});
        const auto rules = history::trial_rules(small_station(), proposed);
        REQUIRE(rules.untold.size() == 1);
        CHECK(rules.untold.front().about == "plan plan, step wipe");
    }
    CHECK(says_nothing(on_newest(unit_of(50, 50), proposed)));
}

TEST_CASE("a joint that the proposal drops is not judged; what waited for it would have come earlier") {
    Story story = unit_of(50, 50);
    config::Station proposed = small_station();
    std::erase_if(proposed.joints, [](const config::Joint& each) { return each.id == "clip"; });
    auto& steps = proposed.plans[0].stages[2].steps;
    steps.erase(steps.begin());
    const auto found = on_newest(story, proposed);
    CHECK(found.tightenings.empty());
    CHECK(found.acts.empty());
    CHECK(found.releases.empty());  // the check was confirmed last
    const auto rules = history::trial_rules(small_station(), proposed);
    CHECK(rules.gone_joints == std::vector<std::string>{"clip"});
}

TEST_CASE("a tool that the proposal takes from a joint: its results count for none, and people must decide") {
    Story story = unit_of(50, 50);
    config::Station proposed = small_station();
    joint_of_proposal(proposed, "mount").tools = {"T2"};
    const auto found = on_newest(story, proposed);
    REQUIRE(found.tightenings.size() == 2);
    CHECK(found.tightenings.front().would_be.taken == Taken::unassigned);
    CHECK(found.tightenings.front().would_be.why == UnassignedWhy::no_open_joint);
    REQUIRE(act(found, ActKind::needed) != nullptr);
    CHECK(act(found, ActKind::needed)->what == "result_unassigned");
    REQUIRE(release(found, "lift") != nullptr);
    CHECK(release(found, "lift")->kind == ReleaseKind::would_not_have_come);
}

TEST_CASE("a tool range that leaves out what was tightened speaks against it") {
    config::Station proposed = small_station();
    proposed.tools[0].torque_max = nm(55);
    const auto found = on_newest(unit_of(50, 58), proposed);
    REQUIRE(found.tightenings.size() == 1);
    CHECK(found.tightenings.front().would_be.findings.front().code == FindingCode::out_of_tool_range);
}

TEST_CASE(
    "the limits that the tool judged by then are no fault by the proposal; where they were one, they stay") {
    const auto judged_by = [](std::int64_t tool_max) {
        Story story;
        story.identified_unit();
        auto result = story.made(mount_ok);
        result.reading.tool_limits = {nm(40), nm(tool_max), {}, {}};
        story.happens(result);
        return on_newest(story, with_torque("mount", 40, 55));
    };
    CHECK(says_nothing(judged_by(60)));
    CHECK(says_nothing(judged_by(70)));  // not OK then, and not OK by the proposal
}

TEST_CASE("what the tool itself called not OK by its limits of then cannot be told by a wider window") {
    Story story;
    story.identified_unit();
    story.hits(mount_low);  // the tool says so, too
    const auto found = on_newest(story, with_torque("mount", 25, 60));
    REQUIRE(found.tightenings.size() == 1);
    CHECK(found.tightenings.front().was.taken == Taken::not_ok);
    CHECK(found.tightenings.front().would_be.taken == Taken::tools_own_word);
    CHECK(found.joints.at("mount").not_told == 1);
    CHECK(found.joints.at("mount").not_ok_to_ok == 0);
}

TEST_CASE("a narrower scope releases earlier, a wider one later, by the events of then") {
    Story story = unit_of(50, 50);
    config::Station proposed = small_station();
    proposed.permissives[0].classes = {RiskClass::a};
    const auto earlier = on_newest(story, proposed);
    REQUIRE(release(earlier, "lift") != nullptr);
    CHECK(release(earlier, "lift")->kind == ReleaseKind::would_have_come_earlier);
    proposed.permissives[0].classes = {RiskClass::a, RiskClass::b, RiskClass::c};
    const auto later = on_newest(story, proposed);
    REQUIRE(release(later, "lift") != nullptr);
    CHECK(release(later, "lift")->kind == ReleaseKind::would_have_come_later);
    CHECK(*release(later, "lift")->would_be > *release(later, "lift")->was);
}

TEST_CASE("a movement that was made while it was released is no movement unproven by the proposal") {
    Story story = unit_of(50, 58);
    story.moves("lift");
    REQUIRE_FALSE(story.stay().ever_moved_unproven);
    const auto found = on_newest(story, with_torque("mount", 40, 55));
    CHECK(std::ranges::none_of(
        found.acts, [](const history::ActDifference& each) { return each.what == "moved_unproven"; }));
}

TEST_CASE("narrower audit limits find a torque by hand outside, and the release lost by it") {
    Story story = unit_of(50, 50);
    REQUIRE(story.released("leave"));
    story.happens(
        HandChecked{BayId{"B1"}, JointId{"mount"}, 0, nm(64), "64", "wrench 7", quality, story.state.newest});
    REQUIRE(story.released("leave"));
    config::Station proposed = small_station();
    joint_of_proposal(proposed, "mount").audit->max = nm(62);
    const auto found = on_newest(story, proposed);
    REQUIRE(act(found, ActKind::judged_otherwise) != nullptr);
    REQUIRE(release(found, "leave") != nullptr);
    CHECK(release(found, "leave")->kind == ReleaseKind::would_have_been_lost);
}

TEST_CASE("a variant that the proposal does not know holds the unit") {
    Story story = unit_of(50, 50);
    config::Station proposed = small_station();
    proposed.variants.erase(proposed.variants.begin());
    const auto found = on_newest(story, proposed);
    REQUIRE(release(found, "lift") != nullptr);
    CHECK(release(found, "lift")->reasons.front().code == ReasonCode::unknown_variant);
}

TEST_CASE("rules that were approved during a stay are not those that are tried") {
    Story story;
    story.identified_unit();
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(with_torque("mount", 1, 2)));
    story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
    story.hits(mount_of(58));
    story.hits(mount_ok);
    const auto found = on_newest(story, with_torque("mount", 40, 55));
    CHECK(found.tightenings.size() == 1);
}

// ---- curves -----------------------------------------------------------------------------------------------

namespace {

// After five degrees: 5 N·m a degree up to 10 degrees, less from there on; ends at 45 degrees and 50 N·m.
std::string mount_curve() {
    protocol::Trace trace;
    trace.torque.step = {1, 0};
    trace.angle = protocol::TraceColumn{};
    for (std::int64_t degree = 0; degree <= 45; ++degree) {
        trace.angle->counts.push_back(degree);
        trace.torque.counts.push_back(degree <= 5 ? 3 * degree : 15 + (degree - 5) * 35 / 40);
    }
    return protocol::encode_trace(trace);
}
config::Station with_curve(std::int64_t least, std::int64_t most) {
    config::Station station = small_station();
    joint_of_proposal(station, "mount").passes[0].window.curve = seated_within(least, most);
    return station;
}
// Each mount with a curve that nobody looked at then.
Story with_stored_curves(bool stored) {
    Story story;
    story.identified_unit();
    for (int i = 0; i < 2; ++i) {
        const auto result = story.made(mount_ok);
        story.happens(result);
        if (stored)
            story.happens(TraceReceived{result.tool, result.epoch, result.reading.counter, "curve", 46, 100});
    }
    story.hits(cap_ok);
    story.hits(cap_ok);
    return story;
}
const history::CurveBytes mounts = [](const std::string& digest) {
    return digest == "curve" ? std::optional(mount_curve()) : std::nullopt;
};

}  // namespace

TEST_CASE("a proposal that limits curves judges those that are stored") {
    const Story story = with_stored_curves(true);
    CHECK(says_nothing(on_newest(story, with_curve(10, 20), mounts)));
    const auto found = on_newest(story, with_curve(16, 20), mounts);
    REQUIRE(found.tightenings.size() == 2);
    CHECK(found.tightenings.front().was.taken == Taken::ok);
    CHECK(found.tightenings.front().would_be.taken == Taken::not_ok);
    CHECK(found.tightenings.front().would_be.findings.front().code == FindingCode::curve_place_outside);
}

TEST_CASE("a tightening whose curve is not stored cannot be told by a proposal that limits curves") {
    const auto found = on_newest(with_stored_curves(false), with_curve(10, 20), mounts);
    CHECK(found.tightenings.empty());
    CHECK(found.without_curve.size() == 2);
    CHECK(found.joints.at("mount").not_told == 2);
    REQUIRE(release(found, "lift") != nullptr);
    CHECK(release(found, "lift")->kind == ReleaseKind::cannot_be_told);
}
