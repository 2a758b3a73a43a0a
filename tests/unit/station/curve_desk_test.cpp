// What the station reads from curves for the record, and when it gives one up.
#include <catch2/catch.hpp>

#include <memory>

#include "service/station/curve_desk.hpp"

using namespace tautgate;
using namespace tautgate::station;
using namespace std::chrono_literals;

namespace {

std::shared_ptr<const config::Station> limits(protocol::Torque threshold) {
    config::Station station;
    config::Tool tool;
    tool.id = "T1";
    tool.torque_resolution = {5'000'000};
    tool.angle_resolution = {1'000'000};
    station.tools = {tool};
    config::Joint joint;
    joint.id = "mount";
    joint.tools = {"T1"};
    joint.passes.resize(1);
    joint.passes[0].window.angle =
        config::AngleWindow{{}, {}, config::AngleOrigin::threshold_torque, threshold};
    joint.passes[0].window.curve.emplace();
    station.joints = {joint};
    return std::make_shared<const config::Station>(station);
}

// 0.4 N·m a degree, up to 60 degrees: 24 N·m, which the tool of coarse steps calls 25.
std::string rise() {
    protocol::Trace trace;
    trace.torque.step = {1, -1};
    trace.angle = protocol::TraceColumn{};
    for (std::int64_t i = 0; i <= 60; ++i) {
        trace.angle->counts.push_back(i);
        trace.torque.counts.push_back(4 * i);
    }
    return protocol::encode_trace(trace);
}

interlock::AwaitedCurve awaited(std::uint64_t counter) { return {{"T1"}, "e1", counter, {counter + 10}, 5s}; }

}  // namespace

TEST_CASE("of a curve is read what the rules in force and those of open stays limit, in the tool's steps") {
    const interlock::RuleBook rules{{{"r1"}, limits({8'000'000})}, {{"r2"}, limits({12'000'000})}};
    interlock::State state;
    state.rules = interlock::Revision{"r2"};
    const auto final_angle = [](std::int64_t threshold, std::int64_t angle) {
        return protocol::MeasuredOnCurve{
            protocol::FinalAngle{protocol::FromThreshold{protocol::Torque{threshold}}},
            protocol::Angle{angle}};
    };
    auto report = read_curve(rules, state, {"T1"}, rise());
    REQUIRE(report);
    CHECK_FALSE(report->fault);
    CHECK(report->values ==
          std::vector<protocol::MeasuredOnCurve>{{protocol::FinalTorque{}, protocol::Torque{25'000'000}},
                                                 final_angle(12'000'000, 30'000'000)});
    interlock::BayState bay;
    interlock::Stay stay;
    stay.rules = {"r1"};
    bay.occupant = stay;
    state.bays = {bay};
    report = read_curve(rules, state, {"T1"}, rise());
    REQUIRE(report);
    CHECK(report->values.size() == 3);
    CHECK(std::ranges::count(report->values, final_angle(8'000'000, 40'000'000)) == 1);
    CHECK(std::ranges::count(report->values, final_angle(12'000'000, 30'000'000)) == 1);
}

TEST_CASE("of a curve that nobody looks at nothing is read, and one that cannot be read has no values") {
    const interlock::RuleBook rules{{{"r1"}, limits({8'000'000})}};
    interlock::State state;
    CHECK_FALSE(read_curve(rules, state, {"T1"}, rise()));
    state.rules = interlock::Revision{"r1"};
    CHECK_FALSE(read_curve(rules, state, {"T2"}, rise()));
    CHECK(read_curve(rules, state, {"T1"}, "no curve") == protocol::CurveReport{});
}

TEST_CASE("a curve is given up when its patience is over, and not before") {
    CurvePatience patience;
    CHECK(patience.overdue({awaited(1)}, 100s).empty());
    CHECK(patience.overdue({awaited(1), awaited(2)}, 103s).empty());
    CHECK(patience.overdue({awaited(1), awaited(2)}, 104999ms).empty());
    const auto over = patience.overdue({awaited(1), awaited(2)}, 105s);
    REQUIRE(over.size() == 1);
    CHECK(over[0] == interlock::CurveGivenUp{{"T1"}, "e1", 1, "none came within 5000 ms"});
    // The first one came, or was given up; the second one's time runs on.
    CHECK(patience.overdue({awaited(2)}, 107s).empty());
    CHECK(patience.overdue({awaited(2)}, 108s).size() == 1);
}

TEST_CASE("the time of a curve that is awaited anew begins anew") {
    CurvePatience patience;
    CHECK(patience.overdue({awaited(1)}, 100s).empty());
    CHECK(patience.overdue({}, 104s).empty());
    CHECK(patience.overdue({awaited(1)}, 106s).empty());
    CHECK(patience.overdue({awaited(1)}, 110s).empty());
    CHECK(patience.overdue({awaited(1)}, 111s).size() == 1);
}

TEST_CASE("the time of a curve does not run while its tool cannot be asked") {
    interlock::State state;
    interlock::ToolState tool;
    tool.id = {"T1"};
    state.tools = {tool};
    for (const auto& [link, counted] :
         {std::pair{interlock::Quality::unknown, 0U}, std::pair{interlock::Quality::stale, 0U},
          std::pair{interlock::Quality::failed, 0U}, std::pair{interlock::Quality::good, 2U}}) {
        state.tools[0].link = link;
        CHECK(within_reach({awaited(1), awaited(2)}, state).size() == counted);
    }
    state.tools.clear();  // the rules know it no longer: nothing will come
    CHECK(within_reach({awaited(1)}, state).size() == 1);
}
