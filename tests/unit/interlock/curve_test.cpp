// Curves that decide: a tightening whose pass limits curves waits for its own, and only that one proves it.
#include "service/interlock/canonical.hpp"
#include "service/interlock/curves.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;
using evaluation::FindingCode;
using evaluation::Verdict;

namespace {

const protocol::CurveOrigin start = protocol::FromStart{};

// `mount` (A) wants 10 to 20 N·m after five degrees; `cap` (B) looks at curves, and does without them.
config::Station curve_station(config::WithoutCurve of_cap = config::WithoutCurve::accept) {
    config::Station station = small_station();
    config::CurveWindow curve = seated_within(10, 20);
    curve.patience = std::chrono::seconds(7);
    limit_curves(station, curve, of_cap);
    return station;
}

// A first pass before it that is tightened by program P0.
config::Station two_passes() {
    config::Station station = curve_station();
    config::Joint& mount = station.joints[0];
    config::Pass snug = mount.passes[0];
    snug.name = "snug";
    snug.program = "P0";
    mount.passes.insert(mount.passes.begin(), snug);
    return station;
}

protocol::CurveReport read_as(std::int64_t torque_nm, std::int64_t seated_nm = 15,
                              std::int64_t angle_deg = 45) {
    return {{},
            {{protocol::FinalTorque{}, nm(torque_nm)},
             {protocol::FinalAngle{start}, deg(angle_deg)},
             {protocol::TorqueAtAngle{start, deg(5)}, nm(seated_nm)}}};
}
const protocol::CurveReport good_mount = read_as(50);
const protocol::CurveReport good_cap = read_as(25);
const protocol::CurveReport damaged{protocol::CurveFault::turns_back, {}};

// The curve of a result, by its key.
TraceReceived curve_of(const ResultReceived& result, protocol::CurveReport report,
                       std::string digest = "c1") {
    return {result.tool, result.epoch, result.reading.counter, std::move(digest),
            200,         1000,         std::move(report)};
}

struct CurveStory : Story {
    explicit CurveStory(config::Station station = curve_station()) : Story(std::move(station)) {
        identified_unit();
    }
    ResultReceived tightens(const Hit& hit) {
        ResultReceived result = made(hit);
        happens(result);
        return result;
    }
    const Outcome& brings(const ResultReceived& result, const protocol::CurveReport& report,
                          const std::string& digest = "c1") {
        return happens(curve_of(result, report, digest));
    }
    const Outcome& gives_up(const ResultReceived& result) {
        return happens(CurveGivenUp{result.tool, result.epoch, result.reading.counter, "the link gave up"});
    }
    // After the first two, so that it belongs to no fastener.
    ResultReceived tightens_once_too_often() {
        hits(mount_ok);
        hits(mount_ok);
        return tightens(mount_ok);
    }
    // By hand, to the first fastener, once nothing there is proven any more.
    void files(EventNumber result) {
        hits(mount_loosened);
        two_decide(AssignResult{result, JointId{"mount"}, 0});
    }
    void proves(const Hit& hit) { brings(tightens(hit), hit.program == "P2" ? good_cap : good_mount); }
    void joined() {
        for (const Hit& hit : {mount_ok, mount_ok, cap_ok, cap_ok})
            proves(hit);
    }
    [[nodiscard]] const PassState& at(std::size_t fastener, std::size_t pass = 0,
                                      const std::string& id = "mount") const {
        return joint(id).fasteners[fastener].passes[pass];
    }
    [[nodiscard]] std::vector<FindingCode> found(std::size_t fastener, std::size_t pass = 0,
                                                 const std::string& id = "mount") const {
        std::vector<FindingCode> codes;
        if (at(fastener, pass, id).not_ok)
            for (const auto& finding : at(fastener, pass, id).not_ok->judgement.findings)
                codes.push_back(finding.code);
        return codes;
    }
    [[nodiscard]] bool waits(std::size_t fastener, std::size_t pass = 0) const {
        return at(fastener, pass).awaited.has_value() && !at(fastener, pass).proof &&
               !at(fastener, pass).not_ok;
    }
    [[nodiscard]] std::vector<AwaitedCurve> awaited() const { return awaited_curves(rules, state); }
};

using Codes = std::vector<FindingCode>;
using enum FindingCode;

}  // namespace

TEST_CASE("good values whose curve is still to come prove nothing, and say what is waited for") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    CHECK(story.judgement().verdict == Verdict::ok);
    CHECK(std::get<Attributed>(story.record.outcome).awaits_curve);
    CHECK(story.waits(0));
    const Reason* reason = story.reason("lift", ReasonCode::curve_awaited);
    REQUIRE(reason != nullptr);
    CHECK(sentence(*reason) == "mount, 1: waiting for the curve of attempt 1 in final.");
    CHECK(remedy(*reason) ==
          "Wait until tool T1 has sent it; if it does not come, the attempt may not count.");
    CHECK(interlock::text_of(ReasonCode::curve_awaited).clears == Clears::by_itself);
    CHECK(story.awaited() == std::vector<AwaitedCurve>{{ToolId{"T1"}, "e1", result.reading.counter,
                                                        story.state.newest, std::chrono::seconds(7)}});
}

TEST_CASE("the curve of the result, and a good one, makes it proof") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    const EventNumber number = story.state.newest;
    CHECK(story.brings(result, good_mount) ==
          Outcome{CurveJudged{story.stay().id, JointId{"mount"}, 0, 0, number, {Verdict::ok, {}}}});
    REQUIRE(story.at(0).proof);
    CHECK(story.at(0).proof->result == number);
    CHECK(story.at(0).proof->operator_ == worker);
    CHECK_FALSE(story.at(0).awaited);
    CHECK(story.awaited().empty());
    CHECK_FALSE(story.held_by("lift", ReasonCode::curve_awaited));
}

TEST_CASE("a unit is released by the last curve, not by the last result") {
    CurveStory story;
    for (const Hit& hit : {mount_ok, mount_ok, cap_ok})
        story.proves(hit);
    const auto last = story.tightens(cap_ok);
    CHECK_FALSE(story.released("lift"));
    REQUIRE(story.permissive("lift").reasons.size() == 1);
    CHECK(story.held_by("lift", ReasonCode::curve_awaited));
    story.brings(last, good_cap);
    CHECK(story.released("lift"));
}

TEST_CASE("each limit that a curve breaks makes the tightening not OK, by name") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    story.brings(result, read_as(52, 25));
    CHECK(story.found(0) == Codes{curve_disagrees, curve_place_outside});
    CHECK(story.at(0).not_ok->judgement.verdict == Verdict::not_ok);
    CHECK_FALSE(story.at(0).proof);
    CHECK_FALSE(story.at(0).awaited);
    CHECK(story.joint("mount").fasteners[0].loosening_due);
    CHECK(story.held_by("lift", ReasonCode::joint_not_ok));
    CHECK(story.at(0).attempts == 1);
}

TEST_CASE("an attempt whose curve is not good is used up, and the last one locks the fastener") {
    CurveStory story;
    story.brings(story.tightens(mount_ok), read_as(50, 25));
    story.hits(mount_loosened);
    const auto second = story.tightens(mount_ok);
    CHECK_FALSE(story.joint("mount").fasteners[0].locked);
    story.brings(second, read_as(50, 25));
    CHECK(story.joint("mount").fasteners[0].locked);
    CHECK(story.at(0).attempts == 2);
}

TEST_CASE("a damaged curve is not decidable in class A, with its fault") {
    CurveStory story;
    story.brings(story.tightens(mount_ok), damaged);
    CHECK(story.found(0) == Codes{curve_damaged});
    CHECK(story.at(0).not_ok->judgement.verdict == Verdict::not_decidable);
    const Reason* reason = story.reason("lift", ReasonCode::joint_not_ok);
    REQUIRE(reason != nullptr);
    CHECK(sentence(*reason) ==
          "mount, 1: not OK, its curve cannot be looked at (the curve turns back by more "
          "than five degrees).");
}

TEST_CASE("a curve that will not come is not decidable in class A; a good one after that heals nothing") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    CHECK(is<CurveJudged>(story.gives_up(result)));
    CHECK(story.found(0) == Codes{curve_missing});
    CHECK(story.at(0).not_ok->judgement.verdict == Verdict::not_decidable);
    CHECK(is<Applied>(story.gives_up(result)));
    CHECK(is<Applied>(story.brings(result, good_mount)));
    CHECK_FALSE(story.at(0).proof);
}

TEST_CASE(
    "where its pass accepts that, a tightening counts without its curve, and one that speaks against it "
    "still takes the proof") {
    for (const bool given_up : {true, false}) {
        CurveStory story;
        story.proves(mount_ok);
        story.proves(mount_ok);
        const auto result = story.tightens(cap_ok);
        CHECK_FALSE(story.at(0, 0, "cap").proof);
        given_up ? story.gives_up(result) : story.brings(result, damaged, "");
        CHECK(story.at(0, 0, "cap").proof);
        story.proves(cap_ok);
        CHECK(story.released("lift"));
        story.brings(result, read_as(25, 30), "late");
        CHECK_FALSE(story.released("lift"));
        CHECK(story.found(0, 0, "cap") == Codes{curve_place_outside});
    }
}

TEST_CASE("a curve that came in spite of all makes a proof without one as good as any") {
    CurveStory story;
    const auto result = story.tightens(cap_ok);
    story.gives_up(result);
    CHECK(is<CurveJudged>(story.brings(result, good_cap)));
    CHECK(story.at(0, 0, "cap").proof->curve->digest == "c1");
    CHECK(is<Repeated>(story.brings(result, good_cap)));
}

TEST_CASE("a curve that comes before its result is kept for it") {
    CurveStory story;
    const auto result = story.made(mount_ok);
    CHECK(is<Applied>(story.brings(result, good_mount)));
    CHECK(story.record.changes.empty());
    story.happens(result);
    CHECK(story.judgement().verdict == Verdict::ok);
    CHECK_FALSE(std::get<Attributed>(story.record.outcome).awaits_curve);
    CHECK(story.at(0).proof);
    const auto bad = story.made(mount_ok);
    story.brings(bad, read_as(50, 25));
    story.happens(bad);
    CHECK(story.judgement().verdict == Verdict::not_ok);
    CHECK(story.found(1) == Codes{curve_place_outside});
}

TEST_CASE("the state keeps a few curves without a result, and drops the oldest") {
    CurveStory story;
    std::vector<ResultReceived> results;
    for (std::size_t i = 0; i <= early_curves_most; ++i) {
        results.push_back(story.made(mount_ok));
        story.brings(results.back(), good_mount);
    }
    CHECK(story.state.tools[0].early_curves.size() == early_curves_most);
    story.happens(results[0]);
    CHECK(story.waits(0));  // its curve was dropped
    story.happens(results[1]);
    CHECK(story.at(1).proof);
}

TEST_CASE("a curve without any result, or of a result that needs none, changes no output and is not kept") {
    CurveStory story;
    const auto low = story.tightens(mount_low);
    CHECK(is<Applied>(story.brings(low, read_as(30))));
    CHECK(story.state.tools[0].early_curves.empty());
    story.hits(mount_loosened);
    TraceReceived unread = curve_of(story.made(mount_ok), {});
    unread.read.reset();  // nobody looks at it
    CHECK(is<Applied>(story.happens(unread)));
    CHECK(story.state.tools[0].early_curves.empty());
    CHECK(is<Applied>(story.happens(TraceReceived{ToolId{"T9"}, "e1", 1, "c", 2, 3, good_mount})));
    CHECK(refused(story.happens(CurveGivenUp{ToolId{"T9"}, "e1", 1, ""}), RefusalCode::no_such_thing));
}

TEST_CASE("a curve of a result of long ago is not kept as one that came early") {
    CurveStory story;
    const auto old = story.tightens(cap_ok);
    for (int i = 0; i < 20; ++i)
        story.hits(cap_ok);
    CHECK(is<Applied>(story.brings(old, good_cap)));
    CHECK(story.state.tools[1].early_curves.empty());
}

TEST_CASE("a curve of another result, tool or count never proves one that waits") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    for (const auto& other : {
             TraceReceived{ToolId{"T2"}, "e1", result.reading.counter, "c", 2, 3, good_mount},
             TraceReceived{ToolId{"T1"}, "e2", result.reading.counter, "c", 2, 3, good_mount},
             TraceReceived{ToolId{"T1"}, "e1", result.reading.counter + 1, "c", 2, 3, good_mount},
         }) {
        story.happens(other);
        CHECK(story.waits(0));
    }
}

TEST_CASE("after a count that began anew, the same number's curve is not that of the old result") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    story.happens(ToolAnswered{ToolId{"T1"}, "e1", 0});  // it counts from the beginning again
    CHECK(is<Applied>(story.brings(result, good_mount)));
    CHECK(story.waits(0));
    // The new result of that number comes, and then its curve.
    ResultReceived other = result;
    other.digest += 1;
    other.made = {story.now_ns, story.now_ns + 1000, story.boot};
    story.happens(other);
    CHECK(is<Applied>(story.brings(other, good_mount)));
    CHECK(story.waits(0));
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("values that the rules did not know of when the curve came are not decidable") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    TraceReceived unread = curve_of(result, {});
    unread.read.reset();
    CHECK(is<CurveJudged>(story.happens(unread)));
    CHECK(story.at(0).not_ok->judgement.verdict == Verdict::not_decidable);
    CHECK(story.found(0).front() == curve_value_missing);
}

TEST_CASE("a curve that comes twice with different content takes the proof") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    story.brings(result, good_mount, "c1");
    CHECK(is<Repeated>(story.brings(result, good_mount, "c1")));
    CHECK(story.at(0).proof);
    story.brings(result, good_mount, "c2");
    CHECK(story.found(0) == Codes{curve_changed});
    CHECK_FALSE(story.at(0).proof);
    // The same before the result.
    CurveStory early;
    const auto later = early.made(mount_ok);
    early.brings(later, good_mount, "c1");
    early.brings(later, good_mount, "c1");
    CHECK_FALSE(early.state.tools[0].early_curves[0].curve.changed);
    early.brings(later, good_mount, "c2");
    early.happens(later);
    CHECK(early.found(0) == Codes{curve_changed});
}

TEST_CASE("while one fastener waits, the work goes on at the next, and each gets its own curve") {
    CurveStory story;
    const auto first = story.tightens(mount_ok);
    const auto second = story.tightens(mount_ok);
    CHECK(story.waits(0));
    CHECK(story.waits(1));
    CHECK_FALSE(story.held_by("lift", ReasonCode::loosening_due));
    const Reason* open = story.reason("lift", ReasonCode::joint_open);
    REQUIRE(open != nullptr);
    CHECK(open->joint == "cap");  // of mount only curves are missing
    story.brings(second, read_as(50, 25));
    CHECK(story.waits(0));
    CHECK(story.found(1) == Codes{curve_place_outside});
    story.brings(first, good_mount);
    CHECK(story.at(0).proof);
    CHECK_FALSE(story.at(1).proof);
}

TEST_CASE("with all fasteners waiting, one more tightening belongs to none") {
    CurveStory story;
    story.hits(mount_ok);
    story.hits(mount_ok);
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::no_open_joint));
    CHECK(story.waits(0));
    CHECK(story.waits(1));
    CHECK(is<Rehit>(story.hits({"T1", "P1", 50, 2})));
}

TEST_CASE("where the tool names the fastener, tightening again replaces the attempt that waits") {
    config::Station station = curve_station();
    station.joints[0].placement = config::Placement::by_tool;
    CurveStory story(std::move(station));
    Hit hit = mount_ok;
    hit.position = 1;
    const auto first = story.tightens(hit);
    const auto again = story.tightens(hit);
    CHECK(story.at(0).attempts == 2);
    CHECK(is<Applied>(story.brings(first, good_mount)));
    CHECK(story.waits(0));
    CHECK(is<CurveJudged>(story.brings(again, good_mount)));
    CHECK(story.at(0).proof);
}

TEST_CASE("the next pass may begin while curves of the one before are to come; a bad one takes both") {
    CurveStory story(two_passes());
    Hit snug = mount_ok;
    snug.program = "P0";
    const auto first = story.tightens(snug);
    story.brings(story.tightens(snug), good_mount);
    const auto final_first = story.tightens(mount_ok);
    CHECK(story.waits(0, 0));
    CHECK(story.waits(0, 1));
    story.brings(final_first, good_mount);
    CHECK(story.at(0, 1).proof);
    story.brings(first, read_as(50, 25));
    CHECK(story.found(0, 0) == Codes{curve_place_outside});
    CHECK_FALSE(story.at(0, 1).proof);
    CHECK(story.at(0, 1).attempts == 0);
    CHECK(story.at(1, 0).proof);
    const Reason* open = story.reason("lift", ReasonCode::joint_open);
    REQUIRE(open != nullptr);
    CHECK(sentence(*open) == "mount: 1 of 2 still to do in snug, next 1.");
}

TEST_CASE("a loosening ends the waiting, and the curve proves nothing any more") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    CHECK(is<Loosened>(story.hits(mount_loosened)));
    CHECK_FALSE(story.at(0).awaited);
    CHECK(is<Applied>(story.brings(result, good_mount)));
    CHECK_FALSE(story.at(0).proof);
    CHECK(story.at(0).attempts == 1);
}

TEST_CASE("a torque measured by hand outside the audit limits ends the waiting, too") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    CHECK(is<OutsideAudit>(story.happens(
        HandChecked{BayId{"B1"}, JointId{"mount"}, 0, nm(20), "20 N.m", "W1", worker, story.state.newest})));
    CHECK(story.joint("mount").fasteners[0].locked);
    story.brings(result, good_mount);
    CHECK_FALSE(story.at(0).proof);
}

TEST_CASE("an override lifts the waiting, stands when the curve is good, and ends when it is not") {
    for (const bool good : {true, false}) {
        CurveStory story;
        story.proves(mount_ok);
        story.proves(cap_ok);
        story.proves(cap_ok);
        const auto result = story.tightens(mount_ok);
        story.two_decide(OverrideJoint{JointId{"mount"}, "torque by hand", nm(50)});
        CHECK(story.released("lift"));
        story.brings(result, good ? good_mount : read_as(50, 25));
        CHECK(story.released("lift") == good);
        CHECK(story.joint("mount").override_.has_value() == good);
        CHECK(story.at(1).proof.has_value() == good);
    }
}

TEST_CASE("a second signature is refused where a curve came after the first") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    story.proposes(supervisor, OverrideJoint{JointId{"mount"}, "torque by hand", nm(50)});
    const EventNumber proposal = std::get<AwaitsSecond>(story.record.outcome).proposal;
    const EventNumber seen = story.state.newest;
    story.brings(result, good_mount);
    CHECK(refused(story.happens(Seconded{BayId{"B1"}, proposal, quality, seen}), RefusalCode::seen_too_old));
}

TEST_CASE("a curve that comes after its unit left, and speaks against it, puts the unit on hold") {
    struct Row {
        protocol::CurveReport report;
        bool against;
    };
    for (const Row& row : {Row{good_mount, false}, Row{read_as(50, 25), true}, Row{damaged, true}}) {
        CurveStory story;
        story.proves(mount_ok);
        story.proves(cap_ok);
        story.proves(cap_ok);
        const auto result = story.tightens(mount_ok);
        story.two_decide(OverrideJoint{JointId{"mount"}, "torque by hand", nm(50)});
        story.hits(clip_ok(1));
        story.hits(clip_ok(2));
        story.happens(CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest});
        REQUIRE(story.released("leave"));
        const EventNumber stay = story.stay().id;
        story.moves("leave");
        story.departs();
        REQUIRE_FALSE(story.on_hold("D1"));
        CHECK(is<Applied>(story.gives_up(result)));
        CHECK(story.brings(result, row.report) == Outcome{FiledLate{stay, Serial{"D1"}, row.against}});
        CHECK(story.on_hold("D1") == row.against);
        CHECK(story.alarmed(AlarmCode::late_result_against_unit) == row.against);
        CHECK(is<Applied>(story.brings(result, row.report)));  // said once
    }
}

TEST_CASE("a unit that moves over what is withheld while a curve is to come has left unproven") {
    CurveStory story;
    story.joined();
    story.hits(mount_loosened);
    story.proves(mount_ok);
    story.hits(mount_ok);  // its curve is still to come
    REQUIRE_FALSE(story.released("lift"));
    story.moves("leave");
    CHECK(story.on_hold("D1"));
}

TEST_CASE("a result without a fastener keeps its curve until people file it") {
    CurveStory story;
    const auto extra = story.tightens_once_too_often();
    const EventNumber number = story.state.newest;
    CHECK(is<Applied>(story.brings(extra, good_mount)));
    story.files(number);
    REQUIRE(story.at(0).proof);
    CHECK(story.at(0).proof->assigned_by_hand);
    CHECK(story.at(0).proof->curve->digest == "c1");
    // Without a curve it waits for it.
    CurveStory other;
    const auto late = other.tightens_once_too_often();
    const EventNumber filed = other.state.newest;
    other.files(filed);
    CHECK(other.waits(0));
    other.brings(late, good_mount);
    REQUIRE(other.at(0).proof);
    CHECK(other.at(0).proof->assigned_by_hand);
}

TEST_CASE("of a result without a fastener, too, two different curves prove nothing") {
    CurveStory story;
    const auto extra = story.tightens_once_too_often();
    const EventNumber number = story.state.newest;
    story.brings(extra, good_mount);
    story.brings(extra, good_mount, "c2");
    story.files(number);
    CHECK_FALSE(story.at(0).proof);
    CHECK(story.found(0) == Codes{curve_changed});
}

TEST_CASE("what waits for a curve survives a restart, and snapshots hold it") {
    CurveStory story;
    const auto result = story.tightens(mount_ok);
    const auto early = story.made(mount_ok);
    story.brings(early, good_mount);
    const auto again = state_from(canonical_bytes(story.state));
    REQUIRE(again);
    CHECK(*again == story.state);
    story.restarts(true);
    CHECK(story.awaited().size() == 1);
    story.brings(result, good_mount);
    CHECK(story.at(0).proof);
    State replayed;
    for (const Event& event : story.events)
        replayed = decide(story.rules, std::move(replayed), event).state;
    CHECK(canonical_bytes(replayed) == canonical_bytes(story.state));
}

TEST_CASE("a pass that limits no curve is proven by its values as ever") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    CHECK(story.joint("mount").fasteners[0].passes[0].proof);
    CHECK_FALSE(std::get<Attributed>(story.record.outcome).awaits_curve);
    CHECK(awaited_curves(story.rules, story.state).empty());
}
