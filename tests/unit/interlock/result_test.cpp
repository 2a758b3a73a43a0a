// Where a result belongs, what it does there, and what it does to a tool's count.
#include "service/interlock/tool_count.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;
using evaluation::FindingCode;
using evaluation::Verdict;

namespace {

bool found(const Story& story, FindingCode code) {
    return std::ranges::find(story.judgement().findings, code, &evaluation::Finding::code) !=
           story.judgement().findings.end();
}

}  // namespace

TEST_CASE("a torque that is too low does not prove; after loosening, the next attempt does") {
    Story story;
    story.identified_unit();
    story.hits(mount_low);
    CHECK(story.judgement().verdict == Verdict::not_ok);
    CHECK(story.held_by("lift", ReasonCode::joint_not_ok));
    CHECK(story.held_by("lift", ReasonCode::loosening_due));
    CHECK(is<Loosened>(story.hits(mount_loosened)));
    CHECK_FALSE(story.held_by("lift", ReasonCode::loosening_due));
    story.hits(mount_ok);
    CHECK(story.judgement().verdict == Verdict::ok);
    CHECK(std::get<Attributed>(story.record.outcome).attempt == 2);
    CHECK_FALSE(story.held_by("lift", ReasonCode::joint_not_ok));
}

TEST_CASE("a good value without the loosening that had to come first is not OK") {
    Story story;
    story.identified_unit();
    story.hits(mount_low);
    story.hits(mount_ok);
    CHECK(found(story, FindingCode::not_loosened));
    CHECK_FALSE(story.joint("mount").fasteners[0].passes[0].proof.has_value());
}

TEST_CASE("a fastener locks when its attempts are used up, and an entitled person gives one more") {
    Story story;
    story.identified_unit();
    story.hits(mount_low);
    story.hits(mount_loosened);
    story.hits(mount_low);
    CHECK(story.held_by("lift", ReasonCode::fastener_locked));
    story.hits(mount_loosened);
    story.hits(mount_ok);
    CHECK(found(story, FindingCode::attempts_used_up));
    const UnlockFastener unlock{JointId{"mount"}, 0};
    CHECK(refused(story.proposes(worker, unlock), RefusalCode::not_entitled));
    CHECK(is<Applied>(story.proposes(supervisor, unlock)));
    story.hits(mount_loosened);
    story.hits(mount_ok);
    CHECK(story.judgement().verdict == Verdict::ok);
}

TEST_CASE("one more attempt is one: the next not OK locks again") {
    Story story;
    story.identified_unit();
    for (const Hit& hit : {mount_low, mount_loosened, mount_low, mount_loosened})
        story.hits(hit);
    story.proposes(supervisor, UnlockFastener{JointId{"mount"}, 0});
    story.hits(mount_low);
    CHECK(story.held_by("lift", ReasonCode::fastener_locked));
}

TEST_CASE("a fastener that had to be replaced proves nothing until a person confirms it") {
    Story story;
    story.joined_unit();
    story.hits({"T2", "P3", 20, 45, 1});
    CHECK(story.held_by("leave", ReasonCode::replacement_due));
    story.hits(clip_ok(1));
    CHECK(found(story, FindingCode::not_replaced));
    story.proposes(supervisor, UnlockFastener{JointId{"clip"}, 0});
    story.hits(clip_ok(1));
    CHECK(story.judgement().verdict == Verdict::ok);
}

TEST_CASE("a bolt that was replaced has no proof of the passes of the one before it") {
    auto station = small_station();
    auto& mount = station.joints[0];
    mount.retry = {3, false, true};
    mount.passes.insert(mount.passes.begin(), {"snug", "P0", window(10, 20)});
    Story story(station);
    story.identified_unit();
    story.hits({"T1", "P0", 15});
    story.hits({"T1", "P0", 15});
    story.hits(mount_low);
    REQUIRE(story.held_by("lift", ReasonCode::replacement_due));
    story.proposes(supervisor, UnlockFastener{JointId{"mount"}, 0});
    CHECK_FALSE(story.joint("mount").fasteners[0].passes[0].proof.has_value());
    CHECK(story.joint("mount").fasteners[1].passes[0].proof.has_value());
}

TEST_CASE("loosening a proven fastener takes its proof away, and the release with it") {
    Story story;
    story.joined_unit();
    REQUIRE(story.released("lift"));
    story.hits(mount_loosened);
    CHECK_FALSE(story.released("lift"));
    CHECK(story.held_by("lift", ReasonCode::joint_open));
}

TEST_CASE("a loosening that cannot be placed takes the proof of the whole joint") {
    Story story;
    story.identified_unit();
    story.hits(cap_ok);
    story.hits(cap_ok);
    story.hits({"T2", "P2", 0, 45, {}, Direction::loosen});
    for (const FastenerState& fastener : story.joint("cap").fasteners)
        CHECK_FALSE(fastener.passes[0].proof.has_value());
}

TEST_CASE(
    "a loosening takes the proof of a joint of a later stage too, though an earlier one is open again") {
    auto station = small_station();
    station.tools.push_back(tool("T3"));
    station.joints[2].tools = {"T3"};
    Story story(station);
    story.happens(ToolLinkChanged{ToolId{"T3"}, Quality::good, "", 1});
    story.happens(ToolAnswered{ToolId{"T3"}, "e1", 0});
    story.joined_unit();
    for (const std::uint32_t position : {1U, 2U})
        story.hits({"T3", "P3", 10, 45, position});
    story.hits(mount_loosened);
    story.hits({"T3", "P3", 0, 45, 1, Direction::loosen});
    CHECK_FALSE(story.joint("clip").fasteners[0].passes[0].proof.has_value());
    CHECK(story.joint("clip").fasteners[1].passes[0].proof.has_value());
}

TEST_CASE("a loosening while one bolt waits for it and another is proven takes the proof of both") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_low);
    story.hits(mount_loosened);
    CHECK_FALSE(std::get<Loosened>(story.record.outcome).fastener.has_value());
    CHECK_FALSE(story.joint("mount").fasteners[0].passes[0].proof.has_value());
    CHECK_FALSE(story.held_by("lift", ReasonCode::loosening_due));
}

TEST_CASE("a loosening of the tool's other joint is not taken for the one that a joint waits for") {
    auto station = small_station();
    station.joints[2].retry = {2, true, false};
    Story story(station);
    story.joined_unit();
    story.hits({"T2", "P3", 20, 45, 1});
    story.hits({"T2", "P2", 0, 45, {}, Direction::loosen});
    CHECK(story.joint("cap").fasteners[0].passes[0].proof == std::nullopt);
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("one more attempt does not hide a fastener from the loosening that it waits for") {
    auto station = small_station();
    station.joints[0].retry = {1, true, false};
    Story story(station);
    story.identified_unit();
    story.hits(mount_low);
    story.proposes(supervisor, UnlockFastener{JointId{"mount"}, 0});
    story.hits(mount_loosened);
    CHECK_FALSE(story.held_by("lift", ReasonCode::loosening_due));
    story.hits(mount_ok);
    CHECK(story.judgement().verdict == Verdict::ok);
}

TEST_CASE("a fastener with one more attempt loses the proof of its first pass when it is loosened") {
    auto station = small_station();
    auto& mount = station.joints[0];
    mount.fasteners = {{"1", 0, 0}};
    mount.retry = {1, false, false};
    mount.passes.insert(mount.passes.begin(), {"snug", "P0", window(10, 20)});
    Story story(station);
    story.identified_unit();
    story.hits({"T1", "P0", 15});
    story.hits({"T1", "P1", 30});
    story.proposes(supervisor, UnlockFastener{JointId{"mount"}, 0});
    story.hits(mount_loosened);
    CHECK_FALSE(story.joint("mount").fasteners[0].passes[0].proof.has_value());
}

TEST_CASE("a loosening of a named position takes that fastener's proof only") {
    Story story;
    story.joined_unit();
    story.hits(clip_ok(1));
    story.hits(clip_ok(2));
    // The caps are loosened by the same tool: it could have been one of them.
    story.hits({"T2", "P3", 0, 45, 2, Direction::loosen});
    CHECK(std::get<Loosened>(story.record.outcome).joints.size() == 2);
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("a second hit on a tight fastener proves nothing and takes nothing away") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    CHECK(is<Rehit>(story.hits({"T1", "P1", 50, 2})));
    CHECK(story.joint("mount").fasteners[0].passes[0].proof.has_value());
    CHECK_FALSE(story.joint("mount").fasteners[1].passes[0].proof.has_value());
    CHECK(story.joint("mount").fasteners[1].passes[0].attempts == 0);
}

TEST_CASE("a second hit with too much torque is not passed over: the unit waits for a decision") {
    Story story;
    story.joined_unit();
    REQUIRE(story.released("lift"));
    CHECK(unassigned(story.hits({"T1", "P1", 95, 2}), UnassignedWhy::no_open_joint));
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("tight without turning on an untouched joint is judged, not taken for a second hit") {
    Story story;
    story.identified_unit();
    story.hits({"T1", "P1", 50, 2});
    CHECK(found(story, FindingCode::torque_without_angle));
}

TEST_CASE("the same result twice counts once and is acknowledged again") {
    Story story;
    story.identified_unit();
    const auto result = story.made(mount_ok);
    CHECK(is<Attributed>(story.happens(result)));
    CHECK(is<Repeated>(story.happens(result)));
    CHECK(story.record.effects == std::vector<Effect>{Acknowledge{ToolId{"T1"}, "e1", 1}});
    CHECK_FALSE(story.joint("mount").fasteners[1].passes[0].proof.has_value());
}

TEST_CASE("the same number with other content is a conflict until people decide, and is not acknowledged") {
    Story story;
    story.joined_unit();
    auto twin = story.made(mount_ok);
    twin.reading.counter = 2;
    CHECK(is<Conflict>(story.happens(twin)));
    CHECK(std::ranges::none_of(story.record.effects, [](const Effect& effect) {
        return std::holds_alternative<Acknowledge>(effect);
    }));
    CHECK(story.held_by("lift", ReasonCode::result_conflict));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptGap{ToolId{"T1"}})));
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_conflict));
}

TEST_CASE("the second of two results under one number is kept, and nothing counts until people decide") {
    Story story;
    story.joined_unit();
    auto twin = story.made(mount_loosened);
    twin.reading.counter = 2;
    story.happens(twin);
    REQUIRE(story.stay().unassigned.size() == 1);
    CHECK(story.stay().unassigned.front().why == UnassignedWhy::conflicting);
    CHECK(is<Repeated>(story.happens(twin)));
    CHECK(story.stay().unassigned.size() == 1);
    story.tools["T1"].made = 2;
    CHECK(unassigned(story.hits(mount_loosened), UnassignedWhy::conflicting));
    story.proposes(supervisor, AcceptGap{ToolId{"T1"}});
    CHECK_FALSE(story.released("lift"));
    CHECK(is<Loosened>(story.hits(mount_loosened)));
}

TEST_CASE("a gap in the count withholds, and the missing results fill it in order") {
    Story story;
    story.identified_unit();
    const auto first = story.made(mount_ok);
    const auto second = story.made(mount_ok);
    CHECK(unassigned(story.happens(second), UnassignedWhy::count_broken));
    CHECK(story.record.effects.empty());
    CHECK(story.held_by("lift", ReasonCode::result_gap));
    CHECK(is<Attributed>(story.happens(first)));
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_gap));
    CHECK(story.record.effects == std::vector<Effect>{Acknowledge{ToolId{"T1"}, "e1", 2}});
    CHECK(story.held_by("lift", ReasonCode::result_unassigned));
}

TEST_CASE(
    "what comes in a second gap after the first was filled is kept, and nothing is acknowledged before") {
    Story story;
    story.joined_unit();
    const Hit again{"T1", "P1", 50, 2};
    const auto third = story.made(again);
    const auto fourth = story.made(again);
    const auto fifth = story.made(mount_loosened);
    const auto sixth = story.made(again);
    story.happens(fourth);
    story.happens(sixth);
    CHECK(is<Rehit>(story.happens(third)));
    CHECK(story.record.effects.empty());
    CHECK(story.held_by("lift", ReasonCode::result_gap));
    CHECK(unassigned(story.happens(fifth), UnassignedWhy::count_broken));
    CHECK(story.record.effects == std::vector<Effect>{Acknowledge{ToolId{"T1"}, "e1", 6}});
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_gap));
    CHECK(story.stay().unassigned.size() == 3);
}

TEST_CASE("missing results that come in another order are kept, and none is dropped as a repetition") {
    Story story;
    story.joined_unit();
    const auto third = story.made({"T1", "P1", 50, 2});
    const auto fourth = story.made(mount_loosened);
    const auto fifth = story.made({"T1", "P1", 50, 2});
    story.happens(fifth);
    CHECK(unassigned(story.happens(fourth), UnassignedWhy::count_broken));
    CHECK(is<Repeated>(story.happens(fourth)));
    CHECK(is<Rehit>(story.happens(third)));
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_gap));
}

TEST_CASE("what comes although people accepted that it would not is kept, and withholds until they decide") {
    Story story;
    story.joined_unit();
    const auto third = story.made(mount_loosened);
    story.hits({"T1", "P1", 50, 2});
    const auto fourth = story.state.newest;
    story.proposes(supervisor, AcceptGap{ToolId{"T1"}});
    story.proposes(supervisor, SetResultAside{fourth});
    REQUIRE(story.released("lift"));
    CHECK(unassigned(story.happens(third), UnassignedWhy::gap_accepted));
    CHECK_FALSE(story.released("lift"));
    CHECK(is<Repeated>(story.happens(third)));
}

TEST_CASE("results of an accepted new count that come after all are kept, and withhold") {
    Story story;
    story.joined_unit();
    story.tools["T1"] = {"e2", 0};
    const auto first = story.made(mount_loosened);
    const auto second = story.made({"T1", "P1", 50, 2});
    story.happens(ToolAnswered{ToolId{"T1"}, "e2", 2});
    story.proposes(supervisor, AcceptGap{ToolId{"T1"}});
    REQUIRE(story.released("lift"));
    CHECK(unassigned(story.happens(first), UnassignedWhy::gap_accepted));
    CHECK(unassigned(story.happens(second), UnassignedWhy::gap_accepted));
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("a number of before the baseline that is given again breaks the count") {
    Story story(small_station(), false);
    story.tools["T1"].made = 100;
    story.come_into_service();
    story.joined_unit();
    REQUIRE(story.released("lift"));
    story.tools["T1"].made = 0;
    CHECK(unassigned(story.hits(mount_loosened), UnassignedWhy::count_broken));
    CHECK(unassigned(story.hits(mount_loosened), UnassignedWhy::count_broken));
    CHECK(story.held_by("lift", ReasonCode::result_gap));
    story.proposes(supervisor, AcceptGap{ToolId{"T1"}});
    CHECK(is<Loosened>(story.hits(mount_loosened)));
}

TEST_CASE("a number that was stored long ago cannot have been made just now: the count began anew") {
    Story story;
    story.joined_unit();
    for (int i = 0; i < 10; ++i)
        story.hits({"T1", "P1", 50, 2});
    for (const auto& result : std::vector(story.stay().unassigned))
        story.proposes(supervisor, SetResultAside{result.result});
    REQUIRE(story.released("lift"));
    story.tools["T1"].made = 0;
    CHECK(unassigned(story.hits(mount_loosened), UnassignedWhy::count_broken));
    CHECK_FALSE(story.released("lift"));
}

TEST_CASE("the result that a tool shows when it is first asked was made before, and is acknowledged") {
    Story story(small_station(), false);
    auto shown = story.made(mount_ok);
    story.come_into_service();
    CHECK(is<BeforeBaseline>(story.happens(shown)));
    CHECK(story.record.effects == std::vector<Effect>{Acknowledge{ToolId{"T1"}, "e1", 1}});
    story.identified_unit();
    CHECK(is<Attributed>(story.hits(mount_ok)));
}

TEST_CASE("a count at the end of its numbers goes on as a new one, not as repetitions") {
    Story story(small_station(), false);
    story.tools["T1"].made = std::numeric_limits<std::uint64_t>::max();
    story.come_into_service();
    story.identified_unit();
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::count_broken));
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::count_broken));
}

TEST_CASE(
    "a result that counted before its tool's count fell back does not count under the same number again") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.hits(mount_ok);
    const auto once = story.made(cap_ok);
    story.happens(once);
    story.happens(ToolAnswered{ToolId{"T2"}, "e1", 0});
    story.proposes(supervisor, AcceptGap{ToolId{"T2"}});
    CHECK(unassigned(story.happens(once), UnassignedWhy::maybe_counted));
    CHECK_FALSE(story.released("lift"));
    story.tools["T2"].made = 1;
    CHECK(is<Attributed>(story.hits(cap_ok)));
}

TEST_CASE("more gaps than are kept apart become wider ones: what comes in them is kept, never counted") {
    Story story;
    story.joined_unit();
    std::vector<ResultReceived> left_out;
    for (int i = 0; i < 20; ++i) {
        left_out.push_back(story.made({"T1", "P1", 50, 2}));
        story.hits({"T1", "P1", 50, 2});
    }
    CHECK(story.state.tools.front().missing.size() == 16);
    for (const ResultReceived& result : left_out)
        CHECK(unassigned(story.happens(result), UnassignedWhy::count_broken));
    CHECK(story.held_by("lift", ReasonCode::result_gap));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptGap{ToolId{"T1"}})));
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_gap));
}

TEST_CASE("people may accept that results are missing; what came after goes on from there") {
    Story story;
    story.identified_unit();
    static_cast<void>(story.made(mount_ok));
    story.hits(mount_ok);
    CHECK(is<Applied>(story.proposes(quality, AcceptGap{ToolId{"T1"}})));
    CHECK_FALSE(story.held_by("lift", ReasonCode::result_gap));
    CHECK(is<Attributed>(story.hits(mount_ok)));
}

TEST_CASE("results of a count that started again are kept, not taken for repetitions") {
    Story story;
    story.identified_unit();
    story.tools["T1"] = {"e2", 0};
    const auto first = story.made(mount_ok);
    const auto second = story.made(mount_ok);
    story.happens(ToolAnswered{ToolId{"T1"}, "e2", 2});
    CHECK(story.held_by("lift", ReasonCode::result_gap));
    CHECK(unassigned(story.happens(first), UnassignedWhy::count_broken));
    CHECK(unassigned(story.happens(second), UnassignedWhy::count_broken));
    CHECK(is<Repeated>(story.happens(second)));
    story.proposes(supervisor, AcceptGap{ToolId{"T1"}});
    CHECK(is<Attributed>(story.hits(mount_ok)));
}

TEST_CASE("numbers of an earlier count do not conflict with the same numbers of the new one") {
    Story story;
    story.identified_unit();
    story.hits(mount_ok);
    story.tools["T1"] = {"e2", 0};
    const auto result = story.made(mount_ok);
    story.happens(result);
    story.proposes(supervisor, AcceptGap{ToolId{"T1"}});
    CHECK(is<Repeated>(story.happens(result)));
}

TEST_CASE("while the tool holds results that we lack, its joints are withheld") {
    Story story;
    story.identified_unit();
    const auto result = story.made(mount_ok);
    story.happens(ToolAnswered{ToolId{"T1"}, "e1", 1});
    CHECK(story.held_by("lift", ReasonCode::results_outstanding));
    story.happens(result);
    CHECK_FALSE(story.held_by("lift", ReasonCode::results_outstanding));
}

TEST_CASE("a tool that holds fewer results than it said has lost some: its count began anew") {
    Story story;
    story.joined_unit();
    REQUIRE(story.released("lift"));
    story.happens(ToolAnswered{ToolId{"T1"}, "e1", story.tools["T1"].made + 1});
    REQUIRE(story.held_by("lift", ReasonCode::results_outstanding));
    story.happens(ToolAnswered{ToolId{"T1"}, "e1", story.tools["T1"].made});
    CHECK_FALSE(story.released("lift"));
    CHECK(story.held_by("lift", ReasonCode::result_gap));
    story.proposes(supervisor, AcceptGap{ToolId{"T1"}});
    CHECK(story.released("lift"));
}

TEST_CASE("a tool with a gap that holds fewer results than it said has lost some, too") {
    Story story;
    story.joined_unit();
    const auto left_out = story.made({"T1", "P1", 50, 2});
    story.hits({"T1", "P1", 50, 2});
    const std::uint64_t newest = story.tools["T1"].made;
    story.happens(ToolAnswered{ToolId{"T1"}, "e1", newest + 2});
    story.happens(ToolAnswered{ToolId{"T1"}, "e1", newest});
    story.happens(left_out);
    CHECK(story.held_by("lift", ReasonCode::result_gap));
    CHECK(std::get<Broken>(tool_of(story.state, ToolId{"T1"})->count).began_anew);
}

TEST_CASE(
    "what people accept as never coming, the tool may drop, and it counts nothing if it comes after all") {
    Story story;
    story.identified_unit();
    const auto result = story.made(mount_ok);
    story.happens(ToolAnswered{ToolId{"T1"}, "e1", 1});
    REQUIRE(story.held_by("lift", ReasonCode::results_outstanding));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptGap{ToolId{"T1"}})));
    CHECK_FALSE(story.held_by("lift", ReasonCode::results_outstanding));
    CHECK(std::get<Following>(tool_of(story.state, ToolId{"T1"})->count).counter == 1);
    CHECK(unassigned(story.happens(result), UnassignedWhy::gap_accepted));
}

TEST_CASE("a tool's first word is a baseline: what it made before is nobody's") {
    Story story(small_station(), false);
    story.happens(StationStarted{"test", true, {}});
    story.enrol_everybody();
    story.happens(RulesApproved{Revision{"r1"}, admin, supervisor, {{BayId{"B1"}, story.fresh()}}});
    CHECK(is<BeforeBaseline>(story.hits(mount_ok)));
}

TEST_CASE("a result that no tool of ours made is kept as nobody's") {
    Story story;
    CHECK(unassigned(story.hits({"T9", "P1", 50}), UnassignedWhy::unknown_tool));
    CHECK(story.state.unassigned.size() == 1);
}

TEST_CASE("a result without a unit is kept and belongs to no later one") {
    Story story;
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::no_stay));
    story.identified_unit();
    CHECK(story.stay().unassigned.empty());
}

TEST_CASE("a late result of a unit that left is filed to its stay and changes nothing for the next") {
    Story story;
    story.identified_unit();
    const auto late = story.made(mount_ok);
    story.departs();
    story.arrives();
    story.scans("D", "D2");
    story.scans("F", "F2");
    const auto before = story.stay();
    CHECK(is<FiledLate>(story.happens(late)));
    CHECK(std::get<FiledLate>(story.record.outcome).unit == Serial{"D1"});
    CHECK(story.stay() == before);
}

TEST_CASE("a late loosening puts the unit that left on the hold list, with an alarm") {
    Story story;
    story.finished_unit();
    const auto late = story.made(mount_loosened);
    story.moves("leave");
    story.departs();
    REQUIRE_FALSE(story.on_hold("D1"));
    story.happens(late);
    CHECK(std::get<FiledLate>(story.record.outcome).on_hold);
    CHECK(story.alarmed(AlarmCode::late_result_against_unit));
    CHECK(story.on_hold("D1"));
}

TEST_CASE(
    "a late result that the rules of its stay refuse puts the unit on hold, whatever the tool says of it") {
    Story story;
    story.finished_unit();
    auto low = story.made({"T2", "P3", 1, 45, 1});
    low.reading.tool_verdict = protocol::ToolVerdict::absent;
    const auto good = story.made({"T2", "P3", 10, 45, 1});
    story.moves("leave");
    story.departs();
    story.happens(low);
    CHECK(std::get<FiledLate>(story.record.outcome).on_hold);
    CHECK(story.on_hold("D1"));
    story.happens(good);
    CHECK_FALSE(std::get<FiledLate>(story.record.outcome).on_hold);
}

TEST_CASE("a late loosening is filed to a stay that began before the computer was started") {
    Story story;
    story.finished_unit();
    story.boot = "boot-2";
    story.now_ns = 1'000'000'000;
    story.restarts(true);
    story.links_come_up();
    REQUIRE(story.released("leave"));
    const auto late = story.made(mount_loosened);
    story.moves("leave");
    story.departs();
    CHECK(is<FiledLate>(story.happens(late)));
    CHECK(story.on_hold("D1"));
}

TEST_CASE("a result that may have been made before the unit came is not its own") {
    Story story;
    const auto before = story.now_ns;
    story.identified_unit();
    auto straddling = story.made(mount_ok);
    straddling.made.from_ns = before;
    CHECK(unassigned(story.happens(straddling), UnassignedWhy::not_in_one_stay));
    CHECK(story.held_by("lift", ReasonCode::result_unassigned));
    const Reason* reason = story.reason("lift", ReasonCode::result_unassigned);
    REQUIRE(reason != nullptr);
    CHECK(remedy(*reason) == "A supervisor files it to its fastener or sets it aside.");
}

TEST_CASE("a result out of count that was made for the unit before is filed to that one, not to this") {
    Story story;
    story.identified_unit();
    static_cast<void>(story.made(mount_ok));
    const auto late = story.made(mount_loosened);
    story.departs();
    story.arrives();
    story.scans("D", "D2", "O2");
    story.scans("F", "F2", "O2");
    CHECK(is<FiledLate>(story.happens(late)));
    CHECK(story.stay().unassigned.empty());
    CHECK(story.on_hold("D1"));
    CHECK(story.held_by("lift", ReasonCode::result_gap));
}

TEST_CASE(
    "a result that may have been made in this stay is filed to its fasteners by people, never by itself") {
    Story story;
    const auto before = story.now_ns;
    story.identified_unit();
    for (const Hit& hit : {cap_ok, Hit{"T2", "P2", 0, 45, {}, Direction::loosen}}) {
        auto straddling = story.made(hit);
        straddling.made.from_ns = before;
        story.happens(straddling);
        REQUIRE(story.stay().unassigned.size() == 1);
        const AssignResult assign{story.state.newest, JointId{"cap"}, 0};
        story.two_decide(assign);  // nobody may have been signed on yet when it was made
        CHECK(story.stay().unassigned.empty());
    }
}

TEST_CASE("a result that ends after the unit left is not filed to it") {
    Story story;
    story.identified_unit();
    auto straddling = story.made(mount_ok);
    story.departs();
    straddling.made.to_ns = story.now_ns + 1;
    CHECK(unassigned(story.happens(straddling), UnassignedWhy::no_stay));
}

TEST_CASE("a tool that serves nothing open has its result kept, and the unit waits for a decision") {
    Story story;
    story.joined_unit();
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::no_open_joint));
    CHECK(story.held_by("lift", ReasonCode::result_unassigned));
    const SetResultAside aside{story.state.newest};
    CHECK(is<Applied>(story.proposes(supervisor, aside)));
    CHECK(story.released("lift"));
}

TEST_CASE("a position that the joint does not have, or none, is nobody's") {
    Story story;
    story.joined_unit();
    CHECK(unassigned(story.hits(clip_ok(3)), UnassignedWhy::position_unknown));
    CHECK(unassigned(story.hits({"T2", "P3", 10}), UnassignedWhy::position_unknown));
    CHECK(unassigned(story.hits(clip_ok(0)), UnassignedWhy::position_unknown));
}

TEST_CASE("two joints that could claim a result get none of it") {
    auto station = small_station();
    station.joints[1].tools = {"T1"};
    Story story(station);
    story.identified_unit();
    CHECK(unassigned(story.hits({"T1", "P7", 50}), UnassignedWhy::several_joints));
    CHECK(is<Attributed>(story.hits({"T1", "P2", 25})));
    CHECK(std::get<Attributed>(story.record.outcome).joint == JointId{"cap"});
}

TEST_CASE(
    "a number that is neither remembered nor missing breaks the count: the tool gives its numbers again") {
    ToolState tool;
    tool.count = Following{"e", 0};
    tool.baseline = 0;
    std::int64_t now = 1000;
    const auto arrives = [&](std::uint64_t number, std::uint64_t digest) {
        ResultReceived result{ToolId{"T1"}, "e", {}, {-1000, now, "boot"}, digest};
        result.reading.counter = number;
        return count(tool, result, Stamp{0, now++, "boot"});
    };
    for (std::uint64_t number = 1; number <= 40; ++number)
        REQUIRE(arrives(number, number) == Arrival::next);
    CHECK(arrives(40, 40) == Arrival::repeated);
    CHECK(arrives(30, 30) == Arrival::repeated);
    CHECK(arrives(39, 99) == Arrival::conflict);
    CHECK(std::holds_alternative<Following>(tool.count));
    CHECK(arrives(3, 99) == Arrival::out_of_count);
    CHECK(std::holds_alternative<Broken>(tool.count));
}

TEST_CASE("a simulated result never proves a real unit") {
    auto station = small_station();
    station.tools.front().simulated = true;
    Story story(station);
    story.identified_unit();
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::simulated_tool));
    CHECK(refused(story.proposes(supervisor, AssignResult{story.state.newest, JointId{"mount"}, 0}),
                  RefusalCode::not_possible_now));
}

TEST_CASE("a joint of several passes is gone round once a pass before the next counts") {
    auto station = small_station();
    auto& passes = station.joints.front().passes;
    passes.insert(passes.begin(), {"snug", "P0", window(10, 20)});
    Story story(station);
    story.identified_unit();
    const Hit snug{"T1", "P0", 15};
    story.hits(snug);
    story.hits(mount_ok);
    CHECK(found(story, FindingCode::wrong_program));
    story.hits(mount_loosened);  // of one or the other: the whole joint is gone round again
    story.hits(snug);
    CHECK(std::get<Attributed>(story.record.outcome).fastener == 0);
    story.hits(snug);
    CHECK(std::get<Attributed>(story.record.outcome).fastener == 1);
    story.hits(mount_ok);
    CHECK(std::get<Attributed>(story.record.outcome).pass == 1);
    CHECK(std::get<Attributed>(story.record.outcome).fastener == 0);
}

TEST_CASE("a result is assigned by two people in class A, never by whoever tightened, and marked for ever") {
    Story story;
    story.identified_unit();
    story.scans("D", "D2");
    story.hits(mount_ok);
    const AssignResult assign{story.state.newest, JointId{"mount"}, 0};
    story.proposes(supervisor, UnitStillHere{});
    CHECK(refused(story.proposes(worker, assign), RefusalCode::not_entitled));
    story.two_decide(assign);
    const auto* counted = std::get_if<Attributed>(&story.record.outcome);
    REQUIRE(counted != nullptr);  // the record of the decision names what came of it
    CHECK(counted->joint == assign.joint);
    CHECK(counted->fastener == assign.fastener);
    CHECK(counted->judgement.verdict == evaluation::Verdict::ok);
    const auto& proof = story.joint("mount").fasteners[0].passes[0].proof;
    REQUIRE(proof.has_value());
    CHECK(proof->assigned_by_hand);
    CHECK(proof->result == assign.result);
    CHECK(refused(story.proposes(supervisor, assign), RefusalCode::no_such_thing));
}

TEST_CASE("whoever was signed on at the tool cannot assign its result") {
    Story story;
    story.happens(OperatorSignedOn{BayId{"B1"}, supervisor});
    story.arrives();
    story.scans("D", "D1");
    story.scans("F", "F1");
    story.scans("D", "D2");
    story.hits(mount_ok);
    const AssignResult assign{story.state.newest, JointId{"mount"}, 0};
    CHECK(refused(story.proposes(supervisor, assign), RefusalCode::tightened_it));
}

TEST_CASE("a loosening that could not be placed in time is filed as one, and takes the proof away") {
    Story story;
    story.joined_unit();
    story.scans("D", "D2");
    story.hits(mount_loosened);
    const AssignResult assign{story.state.newest, JointId{"mount"}, 0};
    story.proposes(supervisor, UnitStillHere{});
    story.two_decide(assign);
    const auto* loosened = std::get_if<Loosened>(&story.record.outcome);
    REQUIRE(loosened != nullptr);
    CHECK(loosened->joints == std::vector{assign.joint});
    CHECK(loosened->fastener == assign.fastener);
    CHECK_FALSE(story.joint("mount").fasteners[0].passes[0].proof.has_value());
    CHECK(story.joint("mount").fasteners[1].passes[0].proof.has_value());
    CHECK_FALSE(story.released("lift"));
}
