#include <catch2/catch.hpp>

#include <algorithm>
#include <functional>

#include <boost/describe.hpp>
#include <boost/mp11/algorithm.hpp>

#include "service/evaluation/judgement.hpp"

using namespace tautgate;
using namespace tautgate::evaluation;
using config::RiskClass;
using protocol::Absent;
using protocol::Angle;
using protocol::Reading;
using protocol::ToolVerdict;
using protocol::Torque;
using protocol::Unreadable;
using protocol::Unusable;

namespace {

constexpr Torque nm(std::int64_t value) { return {value * 1'000'000}; }
constexpr Angle deg(std::int64_t value) { return {value * 1'000'000}; }

struct Bench {
    config::Joint joint;
    config::Pass pass;
    config::Tool tool;
    Reading reading;

    Bench() {
        joint.risk = RiskClass::a;
        joint.rehit_angle_max = deg(5);
        pass.program = "P1";
        pass.window = {{nm(40), nm(60), {}},
                       config::AngleWindow{deg(30), deg(90), config::AngleOrigin::start, {}}};
        tool.torque_min = nm(10);
        tool.torque_max = nm(100);
        reading.program = "P1";
        reading.torque = nm(50);
        reading.angle = deg(60);
        reading.tool_verdict = ToolVerdict::ok;
    }

    [[nodiscard]] Judgement judged() const { return judge(joint, pass, tool, reading); }
    [[nodiscard]] Verdict verdict() const { return judged().verdict; }
    [[nodiscard]] std::vector<FindingCode> found() const {
        std::vector<FindingCode> codes;
        for (const Finding& finding : judged().findings)
            codes.push_back(finding.code);
        return codes;
    }
};

using Codes = std::vector<FindingCode>;
using enum FindingCode;

// The interlock adds these; judge() knows one tightening, and neither its past nor its curve.
bool is_about_the_past(FindingCode code) {
    return code == not_loosened || code == not_replaced || code == attempts_used_up ||
           code >= hand_check_outside;
}

struct Row {
    const char* what;
    std::function<void(Bench&)> fault;
    Codes found;
    Verdict verdict;
};

const std::vector<Row>& rows() {
    static const std::vector<Row> all{
        {"aborted before measuring",
         [](Bench& b) {
             b.reading.aborted = true;
             b.reading.torque = Absent{};
             b.reading.angle = Absent{};
             b.reading.tool_verdict = ToolVerdict::not_ok;
         },
         {aborted, tool_says_not_ok},
         Verdict::undefined},
        {"no values",
         [](Bench& b) {
             b.reading.torque = Absent{};
             b.reading.angle = Absent{};
         },
         {no_values},
         Verdict::undefined},
        {"wrong program", [](Bench& b) { b.reading.program = "P2"; }, {wrong_program}, Verdict::not_ok},
        {"no program",
         [](Bench& b) { b.reading.program.clear(); },
         {program_missing},
         Verdict::not_decidable},
        {"torque too low",
         [](Bench& b) {
             b.reading.torque = nm(39);
             b.reading.tool_verdict = ToolVerdict::not_ok;
         },
         {torque_low, tool_says_not_ok},
         Verdict::not_ok},
        {"torque too high, and the tool did not mind",
         [](Bench& b) { b.reading.torque = nm(61); },
         {torque_high, verdicts_disagree},
         Verdict::not_ok},
        {"angle too low",
         [](Bench& b) { b.reading.angle = deg(29); },
         {angle_low, torque_without_angle, verdicts_disagree},
         Verdict::not_ok},
        {"angle too high",
         [](Bench& b) { b.reading.angle = deg(91); },
         {angle_high, verdicts_disagree},
         Verdict::not_ok},
        {"turned without getting tight",
         [](Bench& b) {
             b.reading.torque = nm(20);
             b.reading.angle = deg(400);
         },
         {torque_low, angle_high, angle_without_torque, verdicts_disagree},
         Verdict::not_ok},
        {"torque missing",
         [](Bench& b) { b.reading.torque = Absent{}; },
         {torque_missing},
         Verdict::not_decidable},
        {"torque unusable",
         [](Bench& b) { b.reading.torque = Unreadable{Unusable::not_a_number}; },
         {torque_unusable},
         Verdict::not_decidable},
        {"angle missing",
         [](Bench& b) { b.reading.angle = Absent{}; },
         {angle_missing},
         Verdict::not_decidable},
        {"angle unusable",
         [](Bench& b) { b.reading.angle = Unreadable{Unusable::infinite}; },
         {angle_unusable},
         Verdict::not_decidable},
        {"the tool says not OK although the values are right",
         [](Bench& b) { b.reading.tool_verdict = ToolVerdict::not_ok; },
         {tool_says_not_ok, verdicts_disagree},
         Verdict::not_ok},
        {"no verdict of the tool in class A",
         [](Bench& b) { b.reading.tool_verdict = ToolVerdict::absent; },
         {tool_verdict_missing},
         Verdict::not_decidable},
        {"the tool judged torque by other limits",
         [](Bench& b) { b.reading.tool_limits.torque_max = nm(61); },
         {tool_limits_differ},
         Verdict::not_ok},
        {"the tool judged angle by other limits",
         [](Bench& b) { b.reading.tool_limits.angle_min = deg(29); },
         {tool_limits_differ},
         Verdict::not_ok},
        {"outside the tool's range",
         [](Bench& b) { b.tool.torque_max = nm(49); },
         {out_of_tool_range},
         Verdict::not_decidable},
    };
    return all;
}

}  // namespace

TEST_CASE("a tightening with everything right is OK and has no findings") {
    CHECK(Bench().judged() == Judgement{Verdict::ok, {}});
}

TEST_CASE("each fault is found by its own name, whole and in order, and decides the verdict") {
    for (const Row& row : rows()) {
        Bench bench;
        row.fault(bench);
        INFO(row.what);
        CHECK(bench.found() == row.found);
        CHECK(bench.verdict() == row.verdict);
    }
}

TEST_CASE("every finding can be made, is told in words and comes with advice") {
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<FindingCode>>([](auto each) {
        INFO(each.name);
        CHECK_FALSE(text_of(each.value).sentence.empty());
        CHECK_FALSE(text_of(each.value).advice.empty());
        const bool made = std::ranges::any_of(rows(), [&](const Row& row) {
            return std::ranges::find(row.found, each.value) != row.found.end();
        });
        CHECK(made != is_about_the_past(each.value));
    });
}

TEST_CASE("exactly on a limit is inside, the smallest step beyond is outside") {
    struct Limit {
        std::int64_t torque;
        std::int64_t angle;
        Verdict verdict;
    };
    const std::vector<Limit> limits{
        {40'000'000, 30'000'000, Verdict::ok},     {60'000'000, 90'000'000, Verdict::ok},
        {39'999'999, 60'000'000, Verdict::not_ok}, {60'000'001, 60'000'000, Verdict::not_ok},
        {50'000'000, 29'999'999, Verdict::not_ok}, {50'000'000, 90'000'001, Verdict::not_ok}};
    for (const Limit& limit : limits) {
        Bench bench;
        bench.reading.torque = Torque{limit.torque};
        bench.reading.angle = Angle{limit.angle};
        INFO(limit.torque << " uN.m, " << limit.angle << " udeg");
        CHECK(bench.verdict() == limit.verdict);
    }
}

TEST_CASE("a click is the tool's own word, and proves only where that is the joint's method") {
    Bench bench;
    bench.reading = Reading{};
    bench.reading.tool_verdict = ToolVerdict::ok;
    CHECK(bench.verdict() == Verdict::undefined);
    bench.joint.method = config::Method::click;
    CHECK(bench.verdict() == Verdict::ok);
    bench.reading.tool_verdict = ToolVerdict::absent;
    CHECK(bench.found() == Codes{no_values});
    bench.reading.tool_verdict = ToolVerdict::not_ok;
    CHECK(bench.found() == Codes{tool_says_not_ok});
    bench.reading.aborted = true;
    CHECK(bench.verdict() == Verdict::undefined);
}

TEST_CASE("the limits of the tool's range are inside") {
    Bench bench;
    bench.tool.torque_min = bench.tool.torque_max = nm(50);
    CHECK(bench.verdict() == Verdict::ok);
}

TEST_CASE("a measured violation outweighs a missing value, and an abort outweighs both") {
    Bench bench;
    bench.reading.torque = nm(30);
    bench.reading.angle = Absent{};
    CHECK(bench.verdict() == Verdict::not_ok);
    bench.reading.aborted = true;
    CHECK(bench.verdict() == Verdict::undefined);
}

TEST_CASE("a tool that says OK disagrees with a violation, not with a missing value") {
    Bench missing;
    missing.reading.angle = Absent{};
    CHECK(missing.found() == Codes{angle_missing});
    Bench violated;
    violated.reading.torque = nm(61);
    CHECK(std::ranges::count(violated.found(), verdicts_disagree) == 1);
}

TEST_CASE("what two say otherwise is told of both, and nothing of it as allowed") {
    Bench bench;
    bench.reading.torque = nm(61);
    bench.reading.program = "P2";
    const auto findings = bench.judged().findings;
    const auto told = [&](FindingCode code) {
        const auto found = std::ranges::find(findings, code, &Finding::code);
        return found == findings.end() ? "not found" : found->found + "|" + found->allowed;
    };
    CHECK(told(verdicts_disagree) == "tool: OK; station: not OK|");
    CHECK(told(wrong_program) == "tool ran P2; the plan names P1|");
}

TEST_CASE("class B needs the tool's verdict only where no angle is judged, class C never") {
    Bench bench;
    bench.reading.tool_verdict = ToolVerdict::absent;
    bench.joint.risk = RiskClass::b;
    CHECK(bench.verdict() == Verdict::ok);
    bench.pass.window.angle.reset();
    CHECK(bench.found() == Codes{tool_verdict_missing});
    bench.joint.risk = RiskClass::c;
    CHECK(bench.verdict() == Verdict::ok);
}

TEST_CASE("a joint without an angle window is not judged by angle") {
    Bench bench;
    bench.pass.window.angle.reset();
    bench.reading.angle = Absent{};
    CHECK(bench.verdict() == Verdict::ok);
}

TEST_CASE("torque with almost no angle is a second hit; a real turn, low torque or an abort is none") {
    Bench bench;
    const auto second_hit = [&] { return is_rehit(bench.joint, bench.pass, bench.reading); };
    bench.reading.angle = deg(5);
    CHECK(second_hit());
    bench.reading.angle = Angle{5'000'001};
    CHECK_FALSE(second_hit());
    bench.reading.angle = deg(5);
    bench.reading.torque = nm(39);
    CHECK_FALSE(second_hit());
    bench.reading.torque = nm(50);
    bench.reading.aborted = true;
    CHECK_FALSE(second_hit());
    bench.reading.aborted = false;
    bench.reading.angle = Absent{};
    CHECK_FALSE(second_hit());
    bench.reading.angle = deg(5);
    bench.joint.rehit_angle_max.reset();
    CHECK_FALSE(second_hit());
}

TEST_CASE(
    "too much torque, the tool's not OK or another program is no second hit, however little it turned") {
    Bench bench;
    const auto second_hit = [&] { return is_rehit(bench.joint, bench.pass, bench.reading); };
    bench.reading.angle = deg(5);
    bench.reading.torque = bench.pass.window.torque.max;
    REQUIRE(second_hit());
    bench.reading.torque = Torque{bench.pass.window.torque.max.micro_nm + 1};
    CHECK_FALSE(second_hit());
    bench.reading.torque = bench.pass.window.torque.max;
    bench.reading.tool_verdict = protocol::ToolVerdict::not_ok;
    CHECK_FALSE(second_hit());
    bench.reading.tool_verdict = protocol::ToolVerdict::ok;
    bench.reading.program = "another";
    CHECK_FALSE(second_hit());
}
