// The curve of a tightening against what its pass limits. Reports are put together here by hand; what is read
// from samples is tests/unit/protocol/curve_measure_test.cpp.
#include <catch2/catch.hpp>

#include <functional>

#include <boost/describe.hpp>
#include <boost/mp11/algorithm.hpp>

#include "service/evaluation/curve_judgement.hpp"

using namespace tautgate;
using namespace tautgate::evaluation;
using namespace tautgate::protocol;
using config::RiskClass;

namespace {

constexpr Torque newton_metres(std::int64_t value) { return {value * 1'000'000}; }
constexpr Angle degrees(std::int64_t value) { return {value * 1'000'000}; }
constexpr Gradient steep(std::int64_t value) { return {value * 1'000'000}; }

const CurveOrigin origin = FromThreshold{newton_metres(20)};

// A pass that limits everything, and a curve in the middle of all of it.
struct CurveBench {
    config::Joint joint;
    config::Pass pass;
    ToldValues told{newton_metres(50), degrees(60)};
    std::vector<MeasuredOnCurve> values;

    CurveBench() {
        joint.risk = RiskClass::a;
        pass.window.torque = {newton_metres(40), newton_metres(60), {}};
        pass.window.angle = config::AngleWindow{degrees(30), degrees(90),
                                                config::AngleOrigin::threshold_torque, newton_metres(20)};
        config::CurveWindow& curve = pass.window.curve.emplace();
        curve.places = {{"seated", config::TorqueThere{degrees(5), {newton_metres(20), newton_metres(30)}}},
                        {"half way", config::AngleThere{newton_metres(35), {degrees(20), degrees(40)}}}};
        curve.rate = config::RateLimits{degrees(10), degrees(20), {steep(1), steep(3)}};
        curve.prevailing = {newton_metres(1), newton_metres(5)};
        curve.clamp = {newton_metres(38), newton_metres(58)};
        curve.time = {{500}, {1500}};
        values = {{FinalTorque{}, newton_metres(50)},
                  {FinalAngle{origin}, degrees(60)},
                  {TorqueAtAngle{origin, degrees(5)}, newton_metres(25)},
                  {AngleAtTorque{origin, newton_metres(35)}, degrees(30)},
                  {TorqueRate{origin, degrees(10), degrees(20)}, steep(2)},
                  {PrevailingTorque{}, newton_metres(3)},
                  {ClampTorque{}, newton_metres(47)},
                  {Duration{}, RunTime{1000}}};
    }
    void set(const CurveMeasure& measure, const CurveValue& value) {
        for (MeasuredOnCurve& one : values) {
            if (one.measure == measure) {
                one.value = value;
                return;
            }
        }
        FAIL("no such measure");
    }
    void to_yield() {
        pass.window.curve->target = config::CurveTarget::yield;
        pass.window.curve->yield =
            config::YieldLimits{{{newton_metres(44), newton_metres(48)}}, {{degrees(50), degrees(58)}}};
        values.push_back({YieldTorque{}, newton_metres(46)});
        values.push_back({YieldAngle{origin}, degrees(55)});
    }
    [[nodiscard]] Judgement judged() const { return judge_curve(joint, pass, told, {{}, values}); }
    [[nodiscard]] std::vector<FindingCode> found() const {
        std::vector<FindingCode> codes;
        for (const Finding& finding : judged().findings)
            codes.push_back(finding.code);
        return codes;
    }
};

using CurveCodes = std::vector<FindingCode>;
using enum FindingCode;

const CurveMeasure there = TorqueAtAngle{origin, degrees(5)};
const CurveMeasure then = AngleAtTorque{origin, newton_metres(35)};
const CurveMeasure rise = TorqueRate{origin, degrees(10), degrees(20)};

}  // namespace

TEST_CASE("a curve within everything that its pass limits is good") {
    CurveBench bench;
    CHECK(bench.judged() == Judgement{Verdict::ok, {}});
    bench.to_yield();
    CHECK(bench.judged() == Judgement{Verdict::ok, {}});
}

TEST_CASE("what has to be read of a curve is what its pass limits, each once") {
    const CurveBench bench;
    std::vector<CurveMeasure> all;
    for (const MeasuredOnCurve& one : bench.values)
        all.push_back(one.measure);
    CHECK(measures_of(bench.pass) == all);
    config::Pass plain = bench.pass;
    plain.window.curve.reset();
    CHECK(measures_of(plain).empty());
    plain.window.curve.emplace();
    plain.window.angle.reset();
    CHECK(measures_of(plain) == std::vector<CurveMeasure>{FinalTorque{}});
    CurveBench yields;
    yields.to_yield();
    const auto wanted = measures_of(yields.pass);
    CHECK(std::ranges::count(wanted, CurveMeasure{YieldTorque{}}) == 1);
    CHECK(std::ranges::count(wanted, CurveMeasure{YieldAngle{origin}}) == 1);
}

TEST_CASE("of a tool's curves is read what any joint wants that it may tighten") {
    CurveBench bench;
    bench.joint.tools = {"T1"};
    bench.joint.passes = {bench.pass, bench.pass};
    config::Joint other = bench.joint;
    other.tools = {"T2", "T1"};
    other.passes[0].window.angle->origin = config::AngleOrigin::snug_point;
    other.passes.resize(1);
    config::Station station;
    station.joints = {bench.joint, other};
    const auto of_pass = measures_of(bench.pass);
    const auto both = measures_for(station, "T1");
    CHECK(both.size() == of_pass.size() + 4);  // final angle, two places and rate, from the snug point
    CHECK(measures_for(station, "T2") == measures_of(other.passes[0]));
    CHECK(measures_for(station, "T3").empty());
}

TEST_CASE("each limit of a curve is inclusive and has a finding of its own") {
    struct Border {
        CurveMeasure measure;
        CurveValue below, low, high, above;
        FindingCode code;
    };
    const std::vector<Border> borders{
        {there, Torque{19'999'999}, newton_metres(20), newton_metres(30), Torque{30'000'001},
         curve_place_outside},
        {then, Angle{19'999'999}, degrees(20), degrees(40), Angle{40'000'001}, curve_place_outside},
        {rise, Gradient{999'999}, steep(1), steep(3), Gradient{3'000'001}, curve_rate_outside},
        {PrevailingTorque{}, Torque{999'999}, newton_metres(1), newton_metres(5), Torque{5'000'001},
         curve_prevailing_outside},
        {ClampTorque{}, Torque{37'999'999}, newton_metres(38), newton_metres(58), Torque{58'000'001},
         curve_clamp_outside},
        {Duration{}, RunTime{499}, RunTime{500}, RunTime{1500}, RunTime{1501}, curve_time_outside},
    };
    for (const Border& border : borders) {
        INFO(name_of(border.measure));
        CurveBench bench;
        for (const CurveValue& value : {border.low, border.high}) {
            bench.set(border.measure, value);
            CHECK(bench.found().empty());
        }
        for (const CurveValue& value : {border.below, border.above}) {
            bench.set(border.measure, value);
            CHECK(bench.found() == CurveCodes{border.code});
            CHECK(bench.judged().verdict == Verdict::not_ok);
        }
    }
}

TEST_CASE("every limit of a curve that is broken is named, not just the first") {
    CurveBench bench;
    bench.set(there, newton_metres(12));
    bench.set(then, degrees(50));
    bench.set(PrevailingTorque{}, newton_metres(9));
    const Judgement judged = bench.judged();
    CHECK(judged.verdict == Verdict::not_ok);
    CHECK(judged.findings ==
          std::vector<Finding>{
              {curve_place_outside, "seated, torque at 5 deg after 20 N·m 12 N·m", "20 N·m to 30 N·m"},
              {curve_place_outside, "half way, angle at 35 N·m after 20 N·m 50 deg", "20 deg to 40 deg"},
              {curve_prevailing_outside, "prevailing torque 9 N·m", "1 N·m to 5 N·m"}});
}

TEST_CASE("a value that the curve lacks is not decidable, and says why") {
    for (const CurveMeasure& measure :
         {CurveMeasure{FinalTorque{}}, CurveMeasure{FinalAngle{origin}}, there, then, rise,
          CurveMeasure{PrevailingTorque{}}, CurveMeasure{ClampTorque{}}, CurveMeasure{Duration{}}}) {
        INFO(name_of(measure));
        CurveBench bench;
        bench.set(measure, Unmeasured{CurveGap::not_that_far});
        CHECK(bench.found() == CurveCodes{curve_value_missing});
        CHECK(bench.judged().verdict == Verdict::not_decidable);
        CHECK(bench.judged().findings[0].found.find("the curve ends before") != std::string::npos);
        // The same of one that was read under rules that did not name it, or as something else.
        std::erase_if(bench.values, [&](const MeasuredOnCurve& one) { return one.measure == measure; });
        CHECK(bench.found() == CurveCodes{curve_value_missing});
        bench.values.push_back(
            {measure, measure == CurveMeasure{Duration{}} ? CurveValue{newton_metres(1)} : RunTime{1}});
        CHECK(bench.found() == CurveCodes{curve_value_missing});
    }
}

TEST_CASE("a curve that cannot be looked at is not decidable, unless its pass accepts that") {
    CurveBench bench;
    const CurveReport damaged{CurveFault::turns_back, {}};
    CHECK(judge_curve(bench.joint, bench.pass, bench.told, damaged) ==
          Judgement{Verdict::not_decidable,
                    {{curve_damaged, "the curve turns back by more than five degrees", ""}}});
    CHECK(judge_without_curve(bench.joint, bench.pass, "the link gave up") ==
          Judgement{Verdict::not_decidable, {{curve_missing, "the link gave up", ""}}});
    bench.pass.window.curve->without = config::WithoutCurve::accept;
    bench.joint.risk = RiskClass::b;
    CHECK(judge_curve(bench.joint, bench.pass, bench.told, damaged).verdict == Verdict::ok);
    CHECK(judge_without_curve(bench.joint, bench.pass, "").verdict == Verdict::ok);
    // What can be looked at is judged there, too.
    bench.set(there, newton_metres(12));
    CHECK(bench.found() == CurveCodes{curve_place_outside});
    // Never in class A, whatever its description says.
    bench.joint.risk = RiskClass::a;
    CHECK(judge_curve(bench.joint, bench.pass, bench.told, damaged).verdict == Verdict::not_decidable);
    CHECK(judge_without_curve(bench.joint, bench.pass, "").verdict == Verdict::not_decidable);
}

TEST_CASE("where tool and curve say different things, that is a finding") {
    CurveBench bench;
    bench.pass.window.curve->agreement = {{2, 0}, degrees(3)};
    bench.told.torque = newton_metres(51);  // exactly 2 % of 50
    bench.told.angle = degrees(63);
    CHECK(bench.found().empty());
    bench.told.torque = Torque{51'000'001};
    CHECK(bench.found() == CurveCodes{curve_disagrees});
    bench.told.angle = Angle{56'999'999};
    CHECK(bench.found() == CurveCodes{curve_disagrees, curve_disagrees});
    CHECK(bench.judged().verdict == Verdict::not_ok);
    CHECK(bench.judged().findings[0].found == "tool: 51.000001 N·m; curve: 50 N·m");
    bench.told.torque = Torque{48'999'999};
    bench.told.angle = Absent{};
    CHECK(bench.found() == CurveCodes{curve_disagrees});
    bench.told.torque = Unreadable{};
    CHECK(bench.found().empty());
    // A tolerance that cannot be is none.
    bench.told.torque = newton_metres(50);
    bench.pass.window.curve->agreement.torque_percent = {-1, 0};
    CHECK(bench.found() == CurveCodes{curve_disagrees});
}

TEST_CASE("what the tightening goes by is judged on the curve, too") {
    CurveBench bench;
    bench.pass.window.curve->agreement = {{100, 0}, degrees(90)};
    bench.set(FinalTorque{}, Torque{60'000'001});
    CHECK(bench.found() == CurveCodes{curve_target_outside});
    bench.set(FinalTorque{}, newton_metres(60));
    CHECK(bench.found().empty());
    bench.pass.window.curve->target = config::CurveTarget::angle;
    bench.set(FinalTorque{}, newton_metres(61));
    CHECK(bench.found().empty());
    bench.set(FinalAngle{origin}, degrees(29));
    CHECK(bench.found() == CurveCodes{curve_target_outside});
    bench.set(FinalAngle{origin}, degrees(30));
    CHECK(bench.found().empty());
    bench.pass.window.angle->origin = config::AngleOrigin::step_change;
    CHECK(std::ranges::count(bench.found(), curve_value_missing) > 0);
}

TEST_CASE("a tightening to yield has to show where it yields, within its limits") {
    CurveBench bench;
    bench.to_yield();
    bench.set(FinalTorque{}, newton_metres(51));
    CHECK(bench.found().empty());
    bench.set(YieldTorque{}, newton_metres(49));
    bench.set(YieldAngle{origin}, degrees(49));
    CHECK(bench.found() == CurveCodes{curve_yield_outside, curve_yield_outside});
    CHECK(bench.judged().verdict == Verdict::not_ok);
    bench.set(YieldTorque{}, Unmeasured{CurveGap::no_yield});
    bench.set(YieldAngle{origin}, Unmeasured{CurveGap::no_yield});
    CHECK(bench.found() == CurveCodes{curve_no_yield});
    CHECK(bench.judged().verdict == Verdict::not_ok);
    std::erase_if(bench.values,
                  [](const MeasuredOnCurve& one) { return one.measure == CurveMeasure{YieldTorque{}}; });
    CHECK(bench.found() == CurveCodes{curve_value_missing});
}

TEST_CASE("no finding about a curve makes it OK") {
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<FindingCode>>([](auto code) {
        if (code.value < curve_missing)
            return;
        INFO(code.name);
        CHECK(verdict_of({{code.value, "", ""}}) != Verdict::ok);
        CHECK_FALSE(text_of(code.value).sentence.empty());
        CHECK_FALSE(text_of(code.value).advice.empty());
    });
}
