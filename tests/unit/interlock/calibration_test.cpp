// Rule 11 of attribution and evaluation: a tool that is overdue for calibration proves nothing.
#include <catch2/catch.hpp>

#include "service/interlock/calibration.hpp"
#include "service/interlock/decide.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;
using evaluation::FindingCode;
using evaluation::Verdict;

namespace {

constexpr std::int64_t day_ns = 86'400'000'000'000;
constexpr std::int64_t day_us = day_ns / 1000;

config::Station watched_station() {
    auto station = small_station();
    station.tools.front().calibration = config::CalibrationRule{std::chrono::days(30), std::chrono::days(5)};
    return station;
}

const ToolState& mount_tool(const Story& story) { return *tool_of(story.state, ToolId{"T1"}); }
CalibrationStanding standing(const Story& story) { return mount_tool(story).calibration.standing; }

const Outcome& records(Story& story, std::int64_t done_utc_us, std::string certificate = "C-17") {
    return story.proposes(quality, RecordCalibration{ToolId{"T1"}, done_utc_us, std::move(certificate)});
}

// Something that changes nothing, by which time passes.
void days_pass(Story& story, std::int64_t days) {
    story.now_ns += days * day_ns;
    story.happens(SnapshotTaken{});
}

Story calibrated() {
    Story story{watched_station()};
    records(story, 0);
    return story;
}

}  // namespace

TEST_CASE("the standing of a calibration follows its rule, day by day") {
    Story story{watched_station()};
    CHECK(standing(story) == CalibrationStanding::not_recorded);
    CHECK(is<Applied>(records(story, 0)));
    CHECK(standing(story) == CalibrationStanding::good);
    days_pass(story, 24);
    CHECK(standing(story) == CalibrationStanding::good);
    days_pass(story, 1);
    CHECK(standing(story) == CalibrationStanding::due_soon);
    days_pass(story, 5);
    CHECK(standing(story) == CalibrationStanding::overdue);
    CHECK(words_of(mount_tool(story).calibration) == "is over since 1970-01-31");
    CHECK(tool_of(story.state, ToolId{"T2"})->calibration.standing == CalibrationStanding::not_watched);
}

TEST_CASE("a clock that is set back makes no calibration good again, and a later one does") {
    Story story = calibrated();
    days_pass(story, 31);
    REQUIRE(standing(story) == CalibrationStanding::overdue);
    days_pass(story, -30);
    CHECK(standing(story) == CalibrationStanding::overdue);
    records(story, 1);
    CHECK(standing(story) == CalibrationStanding::good);
}

TEST_CASE("a clock before the calibration knows nothing of it") {
    Story story = calibrated();
    days_pass(story, 10);
    records(story, 10 * day_us);
    REQUIRE(standing(story) == CalibrationStanding::good);
    days_pass(story, -5);
    CHECK(standing(story) == CalibrationStanding::clock_behind);
    days_pass(story, 6);
    CHECK(standing(story) == CalibrationStanding::good);
}

TEST_CASE("rules by which it holds for longer are another date") {
    Story story = calibrated();
    days_pass(story, 31);
    REQUIRE(standing(story) == CalibrationStanding::overdue);
    auto longer = watched_station();
    longer.tools.front().calibration->every = std::chrono::days(60);
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(longer));
    story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
    CHECK(standing(story) == CalibrationStanding::good);
}

TEST_CASE("rules that do not watch a tool any more ask for no calibration of it") {
    Story story{watched_station()};
    REQUIRE(standing(story) == CalibrationStanding::not_recorded);
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(small_station()));
    story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
    CHECK(standing(story) == CalibrationStanding::not_watched);
}

TEST_CASE("good values of an overdue tool stay good ones, prove nothing, and count as an attempt") {
    Story story{watched_station()};
    story.identified_unit();
    CHECK(story.held_by("lift", ReasonCode::tool_overdue));
    story.hits(mount_ok);
    CHECK(story.judgement().verdict == Verdict::ok);
    REQUIRE(story.judgement().findings.size() == 1);
    CHECK(story.judgement().findings.front().code == FindingCode::tool_overdue);
    const PassState& pass = story.joint("mount").fasteners.front().passes.front();
    CHECK_FALSE(pass.proof);
    CHECK(pass.attempts == 1);
    CHECK(sentence(*story.reason("lift", ReasonCode::joint_not_ok)) ==
          "mount, 1: not OK, the calibration of its tool was over or not known.");

    // What is recorded later does not make it good; it is loosened and tightened anew.
    records(story, 0);
    CHECK_FALSE(story.held_by("lift", ReasonCode::tool_overdue));
    CHECK(story.held_by("lift", ReasonCode::joint_not_ok));
    story.hits(mount_loosened);
    story.hits(mount_ok);
    story.hits(mount_ok);
    story.hits(cap_ok);
    story.hits(cap_ok);
    CHECK(story.released("lift"));
}

TEST_CASE("what a tool has proven before its calibration was over stays proven") {
    Story story = calibrated();
    story.joined_unit();
    REQUIRE(story.released("lift"));
    days_pass(story, 31);
    REQUIRE(standing(story) == CalibrationStanding::overdue);
    story.report();
    CHECK(story.released("lift"));
}

TEST_CASE("a result that waited to be filed proves nothing if its tool was overdue when it came") {
    Story story{watched_station()};
    story.identified_unit();
    story.scans("D", "D2");  // until it is settled which unit stands here, results belong to nobody
    REQUIRE(unassigned(story.hits(mount_ok), UnassignedWhy::question_open));
    const EventNumber result = story.state.newest;
    story.proposes(supervisor, UnitStillHere{});
    records(story, 0);
    story.two_decide(AssignResult{result, JointId{"mount"}, 0});
    CHECK(story.judgement().findings.front().code == FindingCode::tool_overdue);
    CHECK_FALSE(story.joint("mount").fasteners.front().passes.front().proof);
}

TEST_CASE("a late result of an overdue tool puts the unit that left on the hold list") {
    Story story = calibrated();
    story.finished_unit();
    auto late = story.made({"T1", "P1", 50});
    story.moves("leave");
    story.departs();
    REQUIRE_FALSE(story.on_hold("D1"));
    days_pass(story, 31);
    story.happens(late);
    CHECK(story.on_hold("D1"));
}

TEST_CASE("a calibration is recorded with its certificate, of a day that was, by who may") {
    Story story{watched_station()};
    CHECK(refused(records(story, 0, ""), RefusalCode::value_missing));
    CHECK(refused(records(story, story.now_ns), RefusalCode::not_possible_now));
    CHECK(refused(story.proposes(supervisor, RecordCalibration{ToolId{"T1"}, 0, "C-17"}),
                  RefusalCode::not_entitled));
    CHECK(refused(story.proposes(quality, RecordCalibration{ToolId{"T9"}, 0, "C-17"}),
                  RefusalCode::no_such_thing));
    CHECK(standing(story) == CalibrationStanding::not_recorded);
}

TEST_CASE("one calibrated tool of several is enough for nobody to be held by the others") {
    auto station = watched_station();
    station.joints.front().tools = {"T1", "T2"};
    Story story{station};
    story.identified_unit();
    CHECK_FALSE(story.held_by("lift", ReasonCode::tool_overdue));
}
