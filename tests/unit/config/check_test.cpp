#include <algorithm>
#include <functional>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include "config/findings.hpp"
#include "tests/unit/config/station_fixture.hpp"

using namespace tautgate::config;

namespace {

// One at the bay of the smallest station.
IoModule module_with(std::vector<IoInput> inputs) {
    IoModule module;
    module.id = "IO";
    module.bay = "B1";
    module.host = "192.0.2.9";
    module.inputs = std::move(inputs);
    return module;
}

struct Spoiled {
    std::string fault;
    std::function<void(Station&)> spoil;
    std::vector<std::string> errors;
};

void check_table(const std::vector<Spoiled>& table, const std::function<Station()>& good = smallest) {
    for (const auto& row : table) {
        INFO(row.fault);
        auto station = good();
        row.spoil(station);
        CHECK(found(station) == row.errors);
    }
}

void set_sign_in(Station& station, std::chrono::seconds lasts) { station.people.sign_in_lasts = lasts; }

Torque nm(std::int64_t value) { return Torque{value * 1'000'000}; }
Angle deg(std::int64_t value) { return Angle{value * 1'000'000}; }

Window& window(Station& station) { return station.joints[0].passes[0].window; }

void set_pattern(Station& station, const std::string& pattern) {
    station.tickets[0].content = tautgate::protocol::PatternLabel{pattern};
}

// A second joint in the same stage, tightened by the same tool.
void add_twin(Station& station, const std::string& program) {
    auto twin = station.joints[0];
    twin.id = "twin";
    twin.passes[0].program = program;
    station.joints.push_back(twin);
    station.plans[0].stages[1].steps.emplace_back(TightenStep{.joint = "twin"});
}

void add_bay(Station& station) {
    auto bay = station.bays[0];
    bay.id = "B2";
    bay.number = 2;
    bay.controller.unit = 2;
    station.bays.push_back(bay);
    auto permissive = station.permissives[0];
    permissive.id = "exit-2";
    permissive.number = 2;
    permissive.bay = "B2";
    station.permissives.push_back(permissive);
    auto tool = station.tools[0];
    tool.id = "T2";
    std::get<LineLink>(tool.link).key = "T2.key";
    tool.bay = "B2";
    station.tools.push_back(tool);
    station.joints[0].tools.push_back("T2");
    station.plans[0].leaving_incomplete.permissives.push_back("exit-2");
}

}  // namespace

TEST_CASE("the smallest station and the demo station have no findings") {
    CHECK(check(smallest()).empty());
    CHECK(check(larkmoor()).empty());
}

TEST_CASE("a window that cannot be met, or means nothing, is refused") {
    check_table({
        {"angle inverted",
         [](Station& s) { window(s).angle->max = deg(7); },
         {"/joints/0/passes/0/window/angle/max: 7 deg is below min (8 deg)"}},
        {"torque min 0",
         [](Station& s) {
             window(s).torque.min = nm(0);
             s.tools[0].torque_min = nm(0);
         },
         {"/joints/0/passes/0/window/torque/min: 0 N·m would let an untightened fastener pass"}},
        {"threshold without its origin",
         [](Station& s) { window(s).angle->threshold = nm(20); },
         {"/joints/0/passes/0/window/angle/threshold: a threshold means something with origin "
          "threshold_torque only"}},
        {"threshold inside the window",
         [](Station& s) {
             window(s).angle->origin = AngleOrigin::threshold_torque;
             window(s).angle->threshold = nm(67);
         },
         {"/joints/0/passes/0/window/angle/threshold: 67 N·m is not below the torque window (min 67 N·m)"}},
        {"re-hit angle that a good tightening stays within",
         [](Station& s) { s.joints[0].rehit_angle_max = deg(8); },
         {"/joints/0/rehit_angle_max: 8 deg is not below the angle window of pass 0 (min 8 deg)"}},
        {"audit inverted",
         [](Station& s) { s.joints[0].audit->max = nm(61); },
         {"/joints/0/audit/max: 61 N·m is below min (62 N·m)"}},
        {"angle off the tool's resolution",
         [](Station& s) { window(s).angle->max = Angle{30'050'000}; },
         {"/joints/0/passes/0/window/angle/max: 30.05 deg is no multiple of 0.1 deg, the resolution of tool "
          "\"T1\""}},
    });
}

TEST_CASE("limits of curves that cannot be met, or mean nothing, are refused") {
    const auto with = [](auto spoil) {
        return [spoil](Station& s) {
            s.joints[0].retry.replace_fastener = true;
            spoil(s, window(s).curve.emplace());
        };
    };
    const std::string at = "/joints/0/passes/0/window/curve";
    check_table({
        {"place inverted",
         with([](Station&, CurveWindow& c) {
             c.places = {{"end", TorqueThere{deg(9), {nm(9), nm(8)}}}};
         }),
         {at + "/places/0/torque/max: 8 N·m is below min (9 N·m)"}},
        {"angle of a place inverted",
         with([](Station&, CurveWindow& c) {
             c.places = {{"end", AngleThere{nm(9), {deg(9), deg(8)}}}};
         }),
         {at + "/places/0/angle/max: 8 deg is below min (9 deg)"}},
        {"place at a torque beyond the window",
         with([](Station&, CurveWindow& c) {
             c.places = {{"end", AngleThere{nm(76), {deg(8), deg(9)}}}};
         }),
         {at + "/places/0/at_torque: 76 N·m is beyond the torque window (max 75 N·m), so no good curve comes "
               "that far"}},
        {"place that needs more angle than the window has",
         with([](Station&, CurveWindow& c) {
             c.places = {{"end", AngleThere{nm(70), {deg(31), deg(32)}}}};
         }),
         {at + "/places/0/angle/min: 31 deg is beyond the angle window (max 30 deg), so no good curve comes "
               "that far"}},
        {"two places of one name",
         with([](Station&, CurveWindow& c) {
             c.places = {{"end", TorqueThere{deg(9), {nm(1), nm(8)}}},
                         {"end", TorqueThere{deg(8), {nm(1), nm(8)}}}};
         }),
         {at + "/places/1/name: the name of a place \"end\" is taken already, at " + at + "/places/0/name"}},
        {"rate inverted",
         with([](Station&, CurveWindow& c) {
             c.rate = {deg(1), deg(2), {{9}, {8}}};
         }),
         {at + "/rate/max: 0.000008 N·m/deg is below min (0.000009 N·m/deg)"}},
        {"rate beyond the window",
         with([](Station&, CurveWindow& c) {
             c.rate = {deg(1), deg(31), {{8}, {9}}};
         }),
         {at + "/rate/to: 31 deg is beyond the angle window (max 30 deg), so no good curve comes that far"}},
        {"rate of no turn",
         with([](Station&, CurveWindow& c) {
             c.rate = {deg(2), deg(2), {{8}, {9}}};
         }),
         {at + "/rate/to: 2 deg is not beyond from (2 deg)"}},
        {"prevailing torque inverted",
         with([](Station&, CurveWindow& c) {
             c.prevailing = {nm(9), nm(8)};
         }),
         {at + "/prevailing/max: 8 N·m is below min (9 N·m)"}},
        {"prevailing torque that leaves nothing",
         with([](Station&, CurveWindow& c) {
             c.prevailing = {nm(75), nm(80)};
         }),
         {at +
          "/prevailing/min: 75 N·m is not below the torque window (max 75 N·m), so nothing would be left "
          "to clamp"}},
        {"more left to clamp than there is",
         with([](Station&, CurveWindow& c) {
             c.clamp = {nm(76), nm(80)};
         }),
         {at + "/clamp/min: 76 N·m is above the torque window (max 75 N·m), so no good tightening has it"}},
        {"time inverted",
         with([](Station&, CurveWindow& c) {
             c.time = {{9}, {8}};
         }),
         {at + "/time/max_ms: 8 ms is below min (9 ms)"}},
        {"yield point without that target",
         with([](Station&, CurveWindow& c) { c.yield = YieldLimits{}; }),
         {at + "/yield: limits of the yield point mean something with target yield only"}},
        {"yield point above the window",
         with([](Station&, CurveWindow& c) {
             c.target = CurveTarget::yield;
             c.yield = YieldLimits{{{nm(76), nm(77)}}, {{deg(31), deg(30)}}};
         }),
         {at + "/yield/torque/min: 76 N·m is above the torque window (max 75 N·m)",
          at + "/yield/angle/max: 30 deg is below min (31 deg)",
          at +
              "/yield/angle/min: 31 deg is beyond the angle window (max 30 deg), so no good curve comes that "
              "far"}},
        {"agreement of more than everything",
         with([](Station&, CurveWindow& c) {
             c.agreement.torque_percent = {101, 0};
         }),
         {at + "/agreement/torque_percent: 101 % is no tolerance"}},
        {"agreement below nothing",
         with([](Station&, CurveWindow& c) {
             c.agreement.torque_percent = {-1, 0};
         }),
         {at + "/agreement/torque_percent: -1 % is no tolerance"}},
        {"class A that counts without its curve",
         with([](Station&, CurveWindow& c) { c.without = WithoutCurve::accept; }),
         {at + "/if_missing_or_damaged: class A counts nothing of which the curve is missing or damaged"}},
        {"angles counted from what no curve shows",
         with([](Station& s, CurveWindow& c) {
             c.target = CurveTarget::angle;
             window(s).angle->origin = AngleOrigin::step_change;
         }),
         {at + ": it limits angles, and a curve does not show where the tool changes its step"}},
        {"angles counted from nowhere, and yield without an angle",
         with([](Station& s, CurveWindow& c) {
             s.joints[0].risk = RiskClass::b;
             s.people.overrides[0].risk = RiskClass::b;
             window(s).angle.reset();
             c.target = CurveTarget::yield;
             c.rate = {deg(1), deg(31), {{8}, {9}}};
         }),
         {at + ": it limits angles, and the window has no angle that says from where",
          at + "/target: tightening to yield needs torque and angle monitored, and the window has no angle"}},
    });
}

TEST_CASE(
    "a curve that may be missing is accepted in class B, and one that is limited to its borders anywhere") {
    auto station = smallest();
    station.joints[0].risk = RiskClass::b;
    station.people.overrides[0].risk = RiskClass::b;
    window(station).curve.emplace().without = WithoutCurve::accept;
    CHECK(found(station).empty());
    station = smallest();
    CurveWindow& curve = window(station).curve.emplace();
    curve.places = {{"end", TorqueThere{deg(30), {nm(8), nm(8)}}},
                    {"on", AngleThere{nm(75), {deg(30), deg(30)}}}};
    curve.rate = {deg(29), deg(30), {{8}, {8}}};
    curve.clamp = {nm(75), nm(75)};
    curve.agreement.torque_percent = {100, 0};
    CHECK(found(station).empty());
}

TEST_CASE("tightening to yield warns where a stretched bolt may be used again") {
    auto station = smallest();
    window(station).curve.emplace().target = CurveTarget::yield;
    CHECK(found(station).empty());
    const std::vector<std::string> warned{
        "/joints/0/passes/0/window/curve/target: the pass stretches its bolts for "
        "good, and one that was not OK may be used again"};
    CHECK(found(station, Severity::warning) == warned);
    station.joints[0].retry.replace_fastener = true;
    CHECK(found(station, Severity::warning).empty());
}

TEST_CASE("a pass that limits curves needs tools that send them, with all that it looks at") {
    const std::string at = "/joints/0/passes/0/window/curve: ";
    namespace proto = tautgate::protocol;
    auto polled = smallest();
    RegisterLink link;
    link.host = "192.0.2.1";
    link.profile = "P";
    polled.tools[0].link = link;
    proto::RegisterProfile profile;
    profile.torque = proto::TorqueField{};
    window(polled).curve.emplace().time = {{1}, {9}};
    const auto says = [&](const proto::RegisterProfile& now) {
        auto station = polled;
        station.profiles = {{"P", now}};
        std::vector<std::string> about;
        for (const std::string& one : found(station))
            if (one.starts_with(at))
                about.push_back(one.substr(at.size()));
        return about;
    };
    using Words = std::vector<std::string>;
    CHECK(says(profile) ==
          Words{"tool \"T1\" of the joint cannot send curves, so none of its results would count"});
    profile.trace = proto::TraceFields{};
    CHECK(says(profile) ==
          Words{"the curves of tool \"T1\" have no angle, so nothing could be read from them"});
    profile.trace->angle = proto::SampleFields{};
    CHECK(says(profile) ==
          Words{"the curves of tool \"T1\" have no times, and the time of the run is limited"});
    profile.trace->interval_us = 1000;
    CHECK(says(profile).empty());
}

TEST_CASE("limits that lie exactly on the border are accepted") {
    auto station = smallest();
    window(station).torque = {.min = nm(20), .max = nm(20), .target = nm(20)};
    window(station).angle->max = window(station).angle->min;
    CHECK(found(station).empty());
}

namespace {

// After the joint has relaxed; a good fastener may stand it without turning.
void add_check(Station& station) {
    Pass check = station.joints[0].passes[0];
    check.name = "check";
    check.check = CheckPass{std::chrono::seconds{600}};
    check.window.angle->min = {};
    station.joints[0].passes.push_back(check);
}

}  // namespace

TEST_CASE("a check pass is well where it is known which fastener is checked, and knows no second hit") {
    for (const Placement placement : {Placement::by_tool, Placement::selected}) {
        auto station = smallest();
        add_check(station);
        station.joints[0].placement = placement;
        station.joints[0].rehit_angle_max = tautgate::protocol::Angle{1'000'000};
        CHECK(found(station).empty());
    }
}

TEST_CASE("an arm is told of a tool at the module's bay, by one input") {
    const auto with_arm = [] {
        auto station = smallest();
        station.joints[0].placement = Placement::by_arm;
        IoInput arm;
        arm.id = "arm";
        arm.table = tautgate::protocol::RegisterTable::holding;
        arm.use = ArmInput{"T1"};
        station.io = {module_with({arm})};
        return station;
    };
    CHECK(found(with_arm()).empty());
    const auto says = [](const Station& station, const std::string& what) {
        const auto all = found(station);
        return std::ranges::any_of(all, [&](const std::string& each) { return each.starts_with(what); });
    };
    auto unknown = with_arm();
    std::get<ArmInput>(unknown.io[0].inputs[0].use).tool = "T9";
    CHECK(says(unknown, "/io/0/inputs/0/arm/tool: there is no tool \"T9\""));
    CHECK(says(unknown, "/joints/0/tools/0: no input says where the arm of tool \"T1\" is"));
    auto twice = with_arm();
    twice.io[0].inputs.push_back(twice.io[0].inputs[0]);
    twice.io[0].inputs[1].id = "again";
    twice.io[0].inputs[1].number = 1;
    CHECK(says(twice, "/io/0/inputs/1/arm/tool: 2 inputs tell the position of tool \"T1\""));
    auto elsewhere = with_arm();
    add_bay(elsewhere);
    elsewhere.io[0].bay = "B2";
    CHECK(says(elsewhere, "/io/0/inputs/0/arm/tool: tool \"T1\" is not at bay \"B2\""));
    auto bit = with_arm();
    bit.io[0].inputs[0].bit = std::uint8_t{1};
    CHECK(says(bit, "/io/0/inputs/0/bit: a position is the whole register"));
    auto single = with_arm();
    single.io[0].inputs[0].table = tautgate::protocol::RegisterTable::discrete_inputs;
    CHECK(says(single, "/io/0/inputs/0/table: a position stands in a register"));
}

TEST_CASE("a class asks for the proof that it needs") {
    check_table({
        {"class A confirmed by a person",
         [](Station& s) {
             s.joints[0].method = Method::confirmed_check;
             s.joints[0].passes.clear();
             s.joints[0].tools.clear();
         },
         {"/joints/0/method: a confirmed check is no proof for class A"}},
        {"class B counted without an angle",
         [](Station& s) {
             s.joints[0].risk = RiskClass::b;
             s.joints[0].placement = Placement::counted;
             window(s).angle.reset();
             s.people.overrides[0].risk = RiskClass::b;
         },
         {"/joints/0/passes/0/window: without an angle one fastener tightened twice would count for two"}},
        {"class A counted with an angle of 0",
         [](Station& s) {
             s.joints[0].placement = Placement::counted;
             window(s).angle->min = {};
         },
         {"/joints/0/passes/0/window/angle/min: with an angle of 0 one fastener tightened twice would count "
          "for "
          "two"}},
        {"class A checked in the order of a list",
         [](Station& s) { add_check(s); },
         {"/joints/0/passes/1: a good fastener hardly turns in a check pass, so one checked twice would "
          "count for "
          "two"}},
        {"class C checked and only counted",
         [](Station& s) {
             add_check(s);
             s.joints[0].risk = RiskClass::c;
             s.joints[0].placement = Placement::counted;
             s.people.overrides[0].risk = RiskClass::c;
         },
         {"/joints/0/passes/1: a good fastener hardly turns in a check pass, so one checked twice would "
          "count for "
          "two"}},
        {"a check with nothing before it",
         [](Station& s) {
             s.joints[0].placement = Placement::selected;
             s.joints[0].passes[0].check.emplace();
         },
         {"/joints/0/passes/0/check: the first pass has no pass before it that could be checked"}},
        {"no pass",
         [](Station& s) { s.joints[0].passes.clear(); },
         {"/joints/0: there is no pass, so nothing could prove the joint"}},
        {"no tool",
         [](Station& s) { s.joints[0].tools.clear(); },
         {"/joints/0: no tool may tighten the joint"}},
        {"no attempt",
         [](Station& s) { s.joints[0].retry.attempts = 0; },
         {"/joints/0/retry/attempts: with 0 attempts no fastener could ever be tightened"}},
        {"no fastener",
         [](Station& s) { s.joints[0].fasteners.clear(); },
         {"/joints/0/fasteners: the joint has no fastener"}},
        {"fasteners of one name",
         [](Station& s) { s.joints[0].fasteners[1].name = "1"; },
         {"/joints/0/fasteners/1/name: the fastener name \"1\" is taken already, at "
          "/joints/0/fasteners/0/name"}},
    });
}

TEST_CASE("a listed joint of class B may do without an angle, and class C may be confirmed by a person") {
    auto station = smallest();
    station.joints[0].risk = RiskClass::b;
    window(station).angle.reset();
    station.people.overrides[0].risk = RiskClass::b;
    CHECK(found(station).empty());
    station.joints[0].risk = RiskClass::c;
    station.joints[0].method = Method::confirmed_check;
    station.joints[0].passes.clear();
    station.joints[0].tools.clear();
    station.people.overrides[0].risk = RiskClass::c;
    CHECK(found(station).empty());
}

TEST_CASE("joints that are open together must be told apart") {
    const std::vector<std::string> confused{
        "/plans/0/stages/1/steps/1/tighten: nothing tells a result of tool \"T1\" for \"twin\" from one for "
        "\"flange\", which is open at the same time"};
    SECTION("by nothing: refused") {
        auto station = smallest();
        add_twin(station, "");
        CHECK(found(station) == confused);
    }
    SECTION("by a program that only one of them names: refused, since the other takes any program") {
        auto station = smallest();
        add_twin(station, "P2");
        CHECK(found(station) == confused);
    }
    SECTION("by different programs: accepted") {
        auto station = smallest();
        station.joints[0].passes[0].program = "P1";
        add_twin(station, "P2");
        CHECK(found(station).empty());
    }
    SECTION("by whoever selects the fasteners of both: accepted; of one of them only: refused") {
        auto station = smallest();
        add_twin(station, "");
        station.joints[0].placement = Placement::selected;
        CHECK(found(station) == confused);
        station.joints[1].placement = Placement::selected;
        CHECK(found(station).empty());
    }
    SECTION("by different stages: accepted") {
        auto station = smallest();
        add_twin(station, "");
        station.plans[0].stages[1].steps.pop_back();
        station.plans[0].stages.push_back({.name = "later", .steps = {TightenStep{.joint = "twin"}}});
        CHECK(found(station).empty());
    }
    SECTION("by different tools: accepted") {
        auto station = smallest();
        add_twin(station, "");
        auto tool = station.tools[0];
        tool.id = "T2";
        std::get<LineLink>(tool.link).key = "T2.key";
        station.tools.push_back(tool);
        station.joints[1].tools = {"T2"};
        CHECK(found(station).empty());
    }
}

TEST_CASE("numbers on the wire and ids are unique") {
    check_table({
        {"two tools of one id",
         [](Station& s) { s.tools.push_back(s.tools[0]); },
         {"/tools/1/id: the id \"T1\" is taken already, at /tools/0/id"}},
        {"two permissives of one number",
         [](Station& s) {
             s.permissives.push_back(s.permissives[0]);
             s.permissives[1].id = "gate";
         },
         {"/permissives/1/number: the number 1 is taken already, at /permissives/0/number"}},
        {"permissive number 0",
         [](Station& s) { s.permissives[0].number = 0; },
         {"/permissives/0/number: permissive number 0 is no number on the wire"}},
        {"bay number 0",
         [](Station& s) { s.bays[0].number = 0; },
         {"/bays/0/number: bay number 0 is no number on the wire"}},
        {"tool of no bay",
         [](Station& s) { s.tools[0].bay = "B9"; },
         {"/tools/0/bay: there is no bay \"B9\"", "/joints/0/tools: none of the tools is at bay \"B1\""}},
    });
}

TEST_CASE("a permissive covers something in every plan") {
    check_table({
        {"scope without a class",
         [](Station& s) { s.permissives[0].scope = Scope::classes; },
         {"/permissives/0: the scope names no class, so nothing would have to be proven",
          "/plans/0: the permissive \"exit\" covers no joint of plan \"join\", so nothing would have to be "
          "proven "
          "for it"}},
        {"scope of a class that the plan lacks",
         [](Station& s) {
             s.permissives[0].scope = Scope::classes;
             s.permissives[0].classes = {RiskClass::b};
         },
         {"/plans/0: the permissive \"exit\" covers no joint of plan \"join\", so nothing would have to be "
          "proven "
          "for it"}},
        {"every_joint with classes",
         [](Station& s) { s.permissives[0].classes = {RiskClass::a}; },
         {"/permissives/0/classes: the scope every_joint has no classes"}},
        {"no movement ends the stay",
         [](Station& s) {
             s.permissives[0].leaving = false;
             s.plans[0].leaving_incomplete = {.permissives = {}, .unguarded_way = "hand cart"};
         },
         {"/bays/0: no permissive of bay \"B1\" has \"leaving\": true, so a stay would never end"}},
    });
}

TEST_CASE("every bay has the tools and the way out that its units need") {
    auto station = smallest();
    add_bay(station);
    CHECK(found(station).empty());
    SECTION("tools") {
        station.joints[0].tools.pop_back();
        CHECK(found(station) ==
              std::vector<std::string>{"/joints/0/tools: none of the tools is at bay \"B2\""});
    }
    SECTION("way out") {
        station.plans[0].leaving_incomplete.permissives.pop_back();
        CHECK(found(station) ==
              std::vector<std::string>{
                  "/plans/0/leaving_incomplete: a unit that cannot be proven has no way out of bay \"B2\""});
    }
    SECTION("registers of its own") {
        station.bays[1].controller.unit = 1;
        CHECK(found(station).size() == 2);  // both blocks lie on those of the first bay
    }
}

// Bay B1, from which a unit moves to B2 once `flange` is proven; there `cover` is tightened, and it leaves.
Station queue() {
    Station station = smallest();
    add_bay(station);
    std::erase_if(station.permissives, [](const Permissive& one) { return one.id == "exit"; });
    auto shift = station.permissives[0];
    shift.id = "shift";
    shift.number = 3;
    shift.bay = "B1";
    shift.leaving = false;
    shift.moves_to = "B2";
    shift.scope = Scope::stages;
    shift.through_stage = "joints";
    station.permissives.push_back(shift);
    station.joints[0].tools = {"T1"};
    auto cover = station.joints[0];
    cover.id = "cover";
    cover.tools = {"T2"};
    station.joints.push_back(cover);
    station.plans[0].stages.push_back({"cover", {TightenStep{"cover"}}});
    station.plans[0].leaving_incomplete.permissives = {"shift", "exit-2"};
    return station;
}

const std::string no_end_at_b1 = "/bays/0: no permissive of bay \"B1\", or of one to which its units move, "
                                 "has \"leaving\": true, so a stay "
                                 "would never end";

TEST_CASE("a unit that moves on needs a tool and a way out somewhere on its way, and no more") {
    CHECK(check(queue()).empty());
    check_table(
        {
            {"nothing leads to the tool",
             [](Station& s) {
                 s.permissives[1].moves_to.clear();
                 s.permissives[1].leaving = true;
             },
             {"/joints/0/tools: none of the tools is at bay \"B2\"",
              "/joints/1/tools: none of the tools is at bay \"B1\""}},
            {"no way out at the end",
             [](Station& s) { s.permissives[0].leaving = false; },
             {no_end_at_b1,
              "/bays/1: no permissive of bay \"B2\" has \"leaving\": true, so a stay would never end",
              "/plans/0/leaving_incomplete/permissives/1: the movement of \"exit-2\" does not end the stay",
              "/plans/0/leaving_incomplete: a unit that cannot be proven has no way out of bay \"B1\"",
              "/plans/0/leaving_incomplete: a unit that cannot be proven has no way out of bay \"B2\""}},
            {"no way on for what is not proven",
             [](Station& s) { s.plans[0].leaving_incomplete.permissives = {"exit-2"}; },
             {"/plans/0/leaving_incomplete: a unit that cannot be proven has no way out of bay \"B1\""}},
        },
        queue);
}

TEST_CASE("a turntable leads round, and out of it") {
    auto station = queue();
    auto back = station.permissives[1];
    back.id = "back";
    back.number = 4;
    back.bay = "B2";
    back.moves_to = "B1";
    station.permissives.push_back(back);
    CHECK(found(station).empty());
}

TEST_CASE("a movement to another bay means something") {
    check_table(
        {
            {"to a bay that is not there",
             [](Station& s) { s.permissives[1].moves_to = "B7"; },
             {"/permissives/1/moves_to: there is no bay \"B7\""}},
            {"and out",
             [](Station& s) { s.permissives[1].leaving = true; },
             {"/permissives/1/moves_to: a movement that ends the stay takes the unit to no bay"}},
            {"from real to simulated",
             [](Station& s) { s.bays[0].simulated = true; },
             {"/permissives/1/moves_to: bay \"B1\" is simulated and bay \"B2\" is not, so what proves a unit "
              "at "
              "one would not prove it at the other"}},
            {"up to no stage",
             [](Station& s) { s.permissives[1].through_stage.clear(); },
             {"/permissives/1: the scope names no stage, so it is not known what would have to be done"}},
            {"up to a stage that is there twice",
             [](Station& s) { s.plans[0].stages[2].name = "joints"; },
             {"/permissives/1/through_stage: plan \"join\" has more than one stage \"joints\""}},
            {"up to a stage before the first joint",
             [](Station& s) { s.permissives[1].through_stage = "tickets"; },
             {"/plans/0: the permissive \"shift\" covers no joint of plan \"join\", so nothing would have to "
              "be proven for it"}},
            {"of stages, with classes",
             [](Station& s) { s.permissives[1].classes = {RiskClass::a}; },
             {"/permissives/1/classes: the scope stages has no classes"}},
        },
        queue);
}

TEST_CASE("no unit moves to or from a bay whose equipment has coils only") {
    for (const std::size_t bay : {0U, 1U}) {
        auto station = queue();
        station.bays[bay].controller.coils.emplace();
        const auto errors = found(station);
        CHECK(std::ranges::any_of(errors, [](const std::string& error) {
            return error.starts_with("/permissives/1/moves_to: ") &&
                   error.find("which carry no token") != std::string::npos;
        }));
    }
}

TEST_CASE("a movement that waits for tools which the unit has not met is told") {
    auto station = queue();
    CHECK(found(station, Severity::warning).empty());
    station.permissives[1].through_stage = "cover";
    CHECK(
        found(station, Severity::warning) ==
        std::vector<std::string>{
            "/permissives/1: \"shift\" waits for the joint \"cover\", whose tools are neither at bay \"B1\" "
            "nor at a bay from which a unit comes there"});
}

TEST_CASE("a unit leaves incomplete by a movement that ends the stay") {
    check_table({
        {"movement that does not",
         [](Station& s) {
             auto hoist = s.permissives[0];
             hoist.id = "hoist";
             hoist.number = 2;
             hoist.leaving = false;
             s.permissives.push_back(hoist);
             s.plans[0].leaving_incomplete.permissives = {"exit", "hoist"};
         },
         {"/plans/0/leaving_incomplete/permissives/1: the movement of \"hoist\" does not end the stay"}},
        {"unknown permissive",
         [](Station& s) { s.plans[0].leaving_incomplete.permissives = {"exti"}; },
         {"/plans/0/leaving_incomplete/permissives/0: there is no permissive \"exti\""}},
    });
}

TEST_CASE("tickets name one variant, and the pair can be judged") {
    check_table({
        {"one type, two variants",
         [](Station& s) {
             s.variants.push_back(s.variants[0]);
             s.variants[1].id = "other";
         },
         {"/variants/1/types/0/types/0: the type \"plain\" names the variant \"plain\" already"}},
        {"variant without a type",
         [](Station& s) { s.variants[0].types.clear(); },
         {"/variants/0/types: nothing says which types of \"M\" belong to the variant"}},
        {"unknown plan",
         [](Station& s) { s.variants[0].plan = "jion"; },
         {"/variants/0/plan: there is no plan \"jion\""}},
        {"variant named by a ticket outside the pair",
         [](Station& s) { s.pair.variant_kind = "Q"; },
         {"/pair/variant_kind: \"Q\" is no ticket of the pair"}},
        {"unit named by a ticket outside the pair",
         [](Station& s) { s.pair.unit_kind = "Q"; },
         {"/pair/unit_kind: \"Q\" is no ticket of the pair"}},
        {"label without the order",
         [](Station& s) { set_pattern(s, "M (?P<type>[a-z]+) (?P<serial>[0-9]+)"); },
         {"/pair/ticket_kinds/0: a label of kind \"M\" states no order, but the pair must be of one order"}},
        {"label without the type",
         [](Station& s) { set_pattern(s, "M (?P<order>[0-9]+) (?P<serial>[0-9]+)"); },
         {"/pair/variant_kind: a label of kind \"M\" states no type, but its type is to name the variant"}},
        {"a second rule of the kind, without the order",
         [](Station& s) {
             s.tickets.push_back(
                 {"M", tautgate::protocol::PatternLabel{"old (?P<type>[a-z]+) (?P<serial>[0-9]+)"}});
         },
         {"/pair/ticket_kinds/0: a label of kind \"M\" states no order, but the pair must be of one order"}},
        {"scan of a kind that is no ticket of the pair",
         [](Station& s) {
             s.tickets.push_back({"Q", tautgate::protocol::PatternLabel{"Q (?P<serial>[0-9]+)"}});
             s.plans[0].stages[0].steps.emplace_back(ScanStep{.ticket_kind = "Q"});
         },
         {"/plans/0/stages/0/steps/1/scan: \"Q\" is no ticket of the pair, so its scan would never be "
          "taken"}},
        {"a mistake of a rule as a whole",
         [](Station& s) {
             tautgate::protocol::FixedLabel label;
             label.length = 12;
             label.serial = {1, 12};
             s.tickets.push_back({"Q", label});
             s.tickets.push_back({"M", label});
         },
         {"/tickets/2: one label can fit both this rule and the rule of kind 'Q' at place 1",
          "/pair/ticket_kinds/0: a label of kind \"M\" states no order, but the pair must be of one order",
          "/pair/variant_kind: a label of kind \"M\" states no type, but its type is to name the variant"}},
        {"scan of an unknown kind",
         [](Station& s) { s.plans[0].stages[0].steps.emplace_back(ScanStep{.ticket_kind = "Q"}); },
         {"/plans/0/stages/0/steps/1/scan: there is no ticket kind \"Q\""}},
        {"scanned together with the first joint",
         [](Station& s) {
             auto& stages = s.plans[0].stages;
             stages[0].steps.emplace_back(stages[1].steps[0]);
             stages.pop_back();
         },
         {"/plans/0/stages: the ticket \"M\" is not scanned before the first joint opens"}},
    });
}

TEST_CASE("the authorisation matrix locks nobody out and lets no operator approve") {
    const auto row = [](DecisionRule rule) { return [rule](Station& s) { s.people.matrix = {rule}; }; };
    const std::vector<Role> supervisor{Role::production_supervisor};
    check_table({
        {"a gap for two, with nowhere to wait",
         row({DecisionKind::accept_source, {}, 2, supervisor}),
         {"/people/matrix/0/people: \"accept_source\" may have to be decided while no unit is there, and a "
          "first signature waits with a unit: everybody would be locked out"}},
        {"nobody",
         row({DecisionKind::accept_return, {}, 1, {}}),
         {"/people/matrix/0/roles: nobody could ever decide \"accept_return\""}},
        {"an operator",
         row({DecisionKind::unit_still_here, {}, 1, {Role::line_operator}}),
         {"/people/matrix/0/roles/0: an operator may not decide \"unit_still_here\""}},
        {"class A moved to another unit by one",
         row({DecisionKind::correct_ticket, RiskClass::a, 1, supervisor}),
         {"/people/matrix/0/people: \"correct_ticket\" in class A takes 2 different people, not 1"}},
        {"the same twice",
         [&](Station& s) {
             s.people.matrix = {{DecisionKind::place_hold, {}, 1, supervisor},
                                {DecisionKind::place_hold, {}, 1, {Role::maintenance}}};
         },
         {"/people/matrix/1: the row of \"place_hold\" is taken already, at /people/matrix/0"}},
        {"rows that are good: by class, and without",
         [&](Station& s) {
             s.people.matrix = {{DecisionKind::assign_result, RiskClass::a, 2, supervisor},
                                {DecisionKind::assign_result, {}, 1, {Role::maintenance}},
                                {DecisionKind::unit_has_left, {}, 2, supervisor}};
         },
         {}},
    });
    auto station = smallest();
    station.people.matrix = {{DecisionKind::assign_result, RiskClass::c, 1, supervisor}};
    CHECK(found(station, Severity::warning) ==
          std::vector<std::string>{
              "/people/matrix/0/risk_class: no joint of the station is of class C: the row does nothing"});
}

TEST_CASE("people rules let the right people act, and nobody else") {
    check_table({
        {"no rule for the class",
         [](Station& s) { s.people.overrides.clear(); },
         {"/people/overrides: there is no rule for class A, which the joint \"flange\" has"}},
        {"nobody may approve",
         [](Station& s) { s.people.overrides[0].roles.clear(); },
         {"/people/overrides/0/roles: nobody could ever approve an override"}},
        {"class A without a hand-checked value",
         [](Station& s) { s.people.overrides[0].hand_checked_value = false; },
         {"/people/overrides/0/hand_checked_value: a class A override needs a hand-checked value"}},
        {"nothing to check the value by",
         [](Station& s) { s.joints[0].audit.reset(); },
         {"/joints/0: an override of class A needs a hand-checked value, but the joint \"flange\" has no "
          "audit "
          "limits to check it by"}},
        {"operator lets units leave",
         [](Station& s) { s.people.leaving_incomplete = {Role::line_operator}; },
         {"/people/leaving_incomplete/0: an operator may not let a unit leave incomplete"}},
        {"operator decides",
         [](Station& s) { s.people.decisions = {Role::line_operator}; },
         {"/people/decisions/0: an operator may not answer what the station asks"}},
        {"two rules for a class",
         [](Station& s) { s.people.overrides.push_back(s.people.overrides[0]); },
         {"/people/overrides/1/risk_class: the class A is taken already, at /people/overrides/0/risk_class"}},
        {"two reasons of one code",
         [](Station& s) { s.people.reason_codes.push_back(s.people.reason_codes[0]); },
         {"/people/reason_codes/1/code: the reason code \"by-hand\" is taken already, at "
          "/people/reason_codes/0/code"}},
    });
}

TEST_CASE("a shift that goes past midnight may end where the next begins, and not later") {
    auto station = smallest();
    station.calendar.shifts[0] = {.name = "night",
                                  .begin = std::chrono::hours(22),
                                  .end = std::chrono::hours(6),
                                  .days = {std::chrono::Saturday}};
    station.calendar.shifts.push_back({.name = "early",
                                       .begin = std::chrono::hours(6),
                                       .end = std::chrono::hours(14),
                                       .days = {std::chrono::Sunday}});
    CHECK(found(station).empty());
    station.calendar.shifts[1].begin = std::chrono::minutes(359);
    CHECK(found(station) ==
          std::vector<std::string>{"/calendar/shifts/1: the shift \"early\" overlaps the shift \"night\""});
    station.calendar.shifts[1].begin = station.calendar.shifts[1].end;
    CHECK(found(station) == std::vector<std::string>{
                                "/calendar/shifts/1/end: the shift ends at the minute at which it begins"});
}

TEST_CASE("a polled tool reports everything that its joints need, and is polled once") {
    const auto polled = [](Station& s) -> Tool& { return s.tools[1]; };
    auto good = larkmoor();
    REQUIRE(std::holds_alternative<RegisterLink>(polled(good).link));
    check_table(
        {
            {"no verdict",
             [](Station& s) {
                 std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile).verdict.reset();
             },
             {"/joints/2/tools/0: the profile \"nutrunner-block\" of tool \"NR-16\" has no verdict, and "
              "class A needs "
              "the tool's own"}},
            {"no angle",
             [](Station& s) {
                 std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile).angle.reset();
                 std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile).limits = {};
             },
             {"/joints/2/tools/0: the profile \"nutrunner-block\" of tool \"NR-16\" has no angle, and a "
              "window of the "
              "joint has one"}},
            {"no program",
             [](Station& s) {
                 std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile).program.reset();
             },
             {"/joints/2/tools/0: the profile \"nutrunner-block\" of tool \"NR-16\" has no program, and a "
              "pass names one"}},
            {"no position",
             [](Station& s) {
                 std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile).position.reset();
                 s.joints[2].placement = Placement::by_tool;
             },
             {"/joints/2/tools/0: the profile \"nutrunner-block\" of tool \"NR-16\" has no position, and the "
              "tool is to "
              "say which fastener it was"}},
            {"other resolution than the profile",
             [&](Station& s) { polled(s).torque_resolution = Torque{500'000}; },
             {"/tools/1/torque/resolution: 0.5 N·m differs from the 0.1 N·m of profile \"nutrunner-block\""}},
            {"beyond the sensor",
             [&](Station& s) { polled(s).torque_max = nm(401); },
             {"/tools/1/torque/max: 401 N·m is above what the sensor can measure by profile "
              "\"nutrunner-block\" (400 "
              "N·m)"}},
            {"unknown profile",
             [&](Station& s) { std::get<RegisterLink>(polled(s).link).profile = "x"; },
             {"/tools/1/link/registers/profile: there is no profile \"x\""}},
            {"two tools at one address",
             [&](Station& s) {
                 auto twin = polled(s);
                 twin.id = "NR-17";
                 s.tools.push_back(twin);
             },
             {"/tools/3/link/registers: 127.0.0.1:8464 unit 1 is polled already, by tool \"NR-16\""}},
            {"silence limit below two polls",
             [&](Station& s) { polled(s).silence_limit = std::chrono::milliseconds(99); },
             {"/tools/1/silence_limit_ms: 99 ms is less than 2 polls of 50 ms, so one late answer would "
              "count as a "
              "lost link"}},
        },
        larkmoor);
}

namespace {

// The demo's second tool as one that the station lets run.
Station obedient_larkmoor() {
    auto station = larkmoor();
    station.tools[1].control = ToolControl{};
    using namespace tautgate::protocol;
    std::get<tautgate::protocol::RegisterProfile>(station.profiles[0].profile).control =
        RegisterControl{.enable = {.address = 140},
                        .enabled = {.address = 142},
                        .program = 141,
                        .selected = RegisterField{.address = 143},
                        .programs = {{161, "M16-snug"}, {162, "M16-final"}}};
    return station;
}

}  // namespace

TEST_CASE("a tool that is let run is one that can be told and can answer") {
    CHECK(found(obedient_larkmoor()).empty());
    check_table(
        {{"the profile does not say how",
          [](Station& s) {
              std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile).control.reset();
          },
          {"/tools/1/control: the profile of tool \"NR-16\" does not say how it is let run"}},
         {"a program that cannot be chosen",
          [](Station& s) {
              std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile)
                  .control->programs.pop_back();
          },
          {"/joints/2/passes/1/program: tool \"NR-16\" has no number for program \"M16-final\", so that it "
           "could not be chosen there"}},
         {"a fault in the control itself",
          [](Station& s) {
              std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile).control->enable.off = 1;
          },
          {"/profiles/0/layout/control/enable/off: 1 also lets the tool run"}}},
        obedient_larkmoor);
}

TEST_CASE("bays share only a tool that is let run at one of them after the other") {
    const auto shared = [] {
        auto station = smallest();
        add_bay(station);
        station.joints[0].tools = {"T1"};
        std::erase_if(station.tools, [](const Tool& tool) { return tool.id == "T2"; });
        station.tools[0].also_at = {"B2"};
        station.tools[0].control = ToolControl{};
        return station;
    };
    CHECK(found(shared()).empty());
    check_table({{"it runs by itself",
                  [](Station& s) { s.tools[0].control.reset(); },
                  {"/tools/0/also_at: nobody could tell at which bay tool \"T1\" made a result, since the "
                   "station does "
                   "not stop it at one before it lets it run at another"}},
                 {"an unknown bay",
                  [](Station& s) {
                      s.tools[0].also_at = {"B2", "B9"};
                  },
                  {"/tools/0/also_at/1: there is no bay \"B9\""}},
                 {"its own bay again",
                  [](Station& s) {
                      s.tools[0].also_at = {"B2", "B1"};
                  },
                  {"/tools/0/also_at/1: tool \"T1\" is at bay \"B1\" already"}}},
                shared);
}

TEST_CASE("a fault inside a register profile is found with its place in the file") {
    auto station = larkmoor();
    std::get<tautgate::protocol::RegisterProfile>(station.profiles[0].profile).torque->field.order.reset();
    const auto errors = found(station);
    REQUIRE(errors.size() == 1);
    CHECK(errors[0].starts_with("/profiles/0/layout/torque/field/order: "));
}

namespace {

// The smallest station with a hoist that a controller of its own moves.
Station with_further_controller() {
    auto station = smallest();
    auto hoist = station.permissives[0];
    hoist.id = "hoist";
    hoist.number = 2;
    hoist.leaving = false;
    station.permissives.push_back(hoist);
    FurtherController further{
        .id = "hoist-plc", .link = station.bays[0].controller, .permissives = {"hoist"}};
    further.link.host = "192.0.2.30";
    station.bays[0].further_controllers.push_back(further);
    return station;
}

FurtherController& further_of(Station& station) { return station.bays[0].further_controllers[0]; }

}  // namespace

TEST_CASE("a bay with a further controller has no findings") {
    CHECK(found(with_further_controller()).empty());
}

TEST_CASE("further controllers that could be taken for another, or tell nothing, are refused") {
    const std::string here = "/bays/0/further_controllers/0";
    check_table(
        {
            {"an unknown permissive",
             [](Station& s) { further_of(s).permissives.push_back("crane"); },
             {here + "/permissives/1: there is no permissive \"crane\""}},
            {"a permissive of another bay",
             [](Station& s) {
                 add_bay(s);
                 s.permissives.back().number = 3;
                 further_of(s).permissives.push_back("exit-2");
                 s.bays[1].further_controllers.clear();
             },
             {here + "/permissives/1: permissive \"exit-2\" is at bay \"B2\""}},
            {"a permissive named twice",
             [](Station& s) { further_of(s).permissives.push_back("hoist"); },
             {here + "/permissives/1: permissive \"hoist\" is carried already, at " + here +
              "/permissives/0"}},
            {"none left for the main one",
             [](Station& s) { further_of(s).permissives.push_back("exit"); },
             {"/bays/0/further_controllers: no permissive is left for the main controller, which tells of "
              "the "
              "unit and is heard by what it echoes"}},
            {"two of one name",
             [](Station& s) {
                 auto other = further_of(s);
                 other.permissives = {"crane"};
                 other.link.host = "192.0.2.31";
                 auto crane = s.permissives[1];
                 crane.id = "crane";
                 crane.number = 3;
                 s.permissives.push_back(crane);
                 s.bays[0].further_controllers.push_back(other);
             },
             {"/bays/0/further_controllers/1/id: the id hoist-plc is taken already, at " + here + "/id"}},
            {"blocks on those of the main one",
             [](Station& s) { further_of(s).link.host = s.bays[0].controller.host; },
             {here + "/permissive_address: registers 0 to 11 overlap registers 0 to 11 of "
                     "/bays/0/controller/permissive_address",
              here + "/feedback_address: registers 50 to 65 overlap registers 50 to 65 of "
                     "/bays/0/controller/feedback_address"}},
            {"serving on a port that is taken",
             [](Station& s) {
                 further_of(s).link.role = WireRole::server;
                 further_of(s).link.host = "127.0.0.1";
                 further_of(s).link.port = 8481;
             },
             {here + "/port: port 8481 is taken already, at /tool_port/port"}},
            {"a sight of the unit that differs for no longer than it takes to tell",
             [](Station& s) { further_of(s).presence_within = std::chrono::milliseconds(399); },
             {here + "/presence_within_ms: 399 ms is less than 4 beats of 100 ms, so that one unit would be "
                     "taken for two"}},
            {"with an echo time-out in which another unit could stand there",
             [](Station& s) { further_of(s).link.echo_timeout = std::chrono::milliseconds(2001); },
             {here + "/echo_timeout_ms: 2001 ms is longer than it may take until another unit stands there "
                     "(2000 ms)"}},
            {"with a beat time-out in which another unit could stand there",
             [](Station& s) { further_of(s).link.beat_timeout = std::chrono::milliseconds(2001); },
             {here + "/beat_timeout_ms: 2001 ms is longer than it may take until another unit stands there "
                     "(2000 ms)"}},
            {"with an echo time-out of exactly that",
             [](Station& s) { further_of(s).link.echo_timeout = std::chrono::milliseconds(2000); },
             {}},
            {"with a beat of which three do not fit into any echo time-out",
             [](Station& s) {
                 further_of(s).link.beat_interval = std::chrono::milliseconds(667);
                 further_of(s).presence_within = std::chrono::milliseconds(3000);
                 further_of(s).link.echo_timeout = std::chrono::milliseconds(2000);
                 further_of(s).link.beat_timeout = std::chrono::milliseconds(2000);
             },
             {here +
              "/beat_interval_ms: 3 beats of 667 ms do not fit into the 2000 ms within which another unit "
              "may stand there"}},
            {"with an echo time-out of two beats",
             [](Station& s) { further_of(s).link.echo_timeout = 2 * further_of(s).link.beat_interval; },
             {here + "/echo_timeout_ms: 200 ms is less than 3 beats of 100 ms, so one late answer would "
                     "withhold"}},
        },
        with_further_controller);
}

TEST_CASE("links that lead nowhere are refused") {
    check_table({
        {"line tool without a port",
         [](Station& s) { s.tool_port.reset(); },
         {"/tools/0/link/line: the tool would connect, but the station has no tool port"}},
        {"scanner without a port",
         [](Station& s) { s.scanners.push_back({.id = "S1", .bay = "B1", .peer = "127.0.0.1"}); },
         {"/scanners: the scanners would connect, but the station has no scanner port"}},
        {"two scanners that call from one address",
         [](Station& s) {
             s.scanner_port = Endpoint{"127.0.0.1", 8462};
             s.scanners.push_back({.id = "S1", .bay = "B1", .peer = "127.0.0.1"});
             s.scanners.push_back({.id = "S2", .bay = "B2", .peer = "127.0.0.1"});
         },
         {"/scanners/1/bay: there is no bay \"B2\"",
          "/scanners/1/peer: scanner \"S1\" calls from 127.0.0.1 already"}},
        {"two scanners on one serial line",
         [](Station& s) {
             s.scanners.push_back({.id = "S1", .bay = "B1", .peer = {}, .serial = SerialLine{"/dev/ttyS0"}});
             s.scanners.push_back({.id = "S2", .bay = "B1", .peer = {}, .serial = SerialLine{"/dev/ttyS0"}});
         },
         {"/scanners/1/serial/device: /dev/ttyS0 is taken already, by scanner \"S1\""}},
        {"serial scanner without a path",
         [](Station& s) {
             s.scanners.push_back({.id = "S1", .bay = "B1", .peer = {}, .serial = SerialLine{"ttyS0"}});
         },
         {"/scanners/0/serial/device: \"ttyS0\" is no path of a device"}},
        {"serving the controller on the port of the tools",
         [](Station& s) {
             s.bays[0].controller.role = WireRole::server;
             s.bays[0].controller.port = 8481;
         },
         {"/bays/0/controller/port: port 8481 is taken already, at /tool_port/port"}},
        {"registers beyond the last one",
         [](Station& s) { s.bays[0].controller.feedback_address = 65530; },
         {"/bays/0/controller/feedback_address: the blocks from 65530 on would end at 65546, beyond register "
          "65535"}},
        {"tool range inverted",
         [](Station& s) { std::swap(s.tools[0].torque_min, s.tools[0].torque_max); },
         {"/tools/0/torque/max: 20 N·m is not above min (200 N·m)",
          "/joints/0/passes/0/window/torque/min: 67 N·m is below the range of tool \"T1\" (200 N·m to 20 "
          "N·m)",
          "/joints/0/passes/0/window/torque/max: 75 N·m is above the range of tool \"T1\" (200 N·m to 20 "
          "N·m)"}},
    });
}

namespace {

// The smallest station with a wrench that only clicks for a joint of class C, and a push button.
Station with_module() {
    auto station = smallest();
    IoInput wrench;
    wrench.id = "wrench";
    wrench.use = PulseInput{};
    IoInput button;
    button.id = "done";
    button.number = 1;
    button.use = ButtonInput{};
    IoModule module = module_with({wrench, button});
    module.outputs = {{0, SignalOutput{{Signal::released}}}, {1, AliveOutput{}}};
    station.io = {module};
    Tool clicks;
    clicks.id = "CW";
    clicks.name = "Click wrench";
    clicks.bay = "B1";
    clicks.link = PulseLink{"IO", "wrench"};
    station.tools.push_back(clicks);
    Joint clips = station.joints[0];
    clips.id = "clips";
    clips.risk = RiskClass::c;
    clips.method = Method::click;
    clips.placement = Placement::counted;
    clips.passes = {{"click", "", {}}};
    clips.tools = {"CW"};
    clips.rehit_angle_max.reset();
    clips.retry = {};
    station.joints.push_back(clips);
    station.plans[0].stages.back().steps.emplace_back(TightenStep{"clips"});
    station.people.overrides.push_back({RiskClass::c, 1, {Role::production_supervisor}, false});
    return station;
}

}  // namespace

TEST_CASE("a click is a method of class C, for wrenches that only click and for no others") {
    CHECK(found(with_module()).empty());
    check_table(
        {
            {"class A",
             [](Station& s) { s.joints[1].risk = RiskClass::a; },
             {"/joints/1/method: a click is no proof for class A, since nothing is measured"}},
            {"by the tool's position",
             [](Station& s) { s.joints[1].placement = Placement::by_tool; },
             {"/joints/1/placement: a click does not say at which fastener it was"}},
            {"with a loosening between",
             [](Station& s) { s.joints[1].retry.loosening_between = true; },
             {"/joints/1/retry/loosening_between: a click never tells of a loosening"}},
            {"a tool that measures for a click",
             [](Station& s) { s.joints[1].tools = {"T1"}; },
             {"/joints/1/tools/0: tool \"T1\" measures, and the joint is proven by a click",
              "/plans/0/stages/1/steps/1/tighten: nothing tells a result of tool \"T1\" for \"clips\" from "
              "one "
              "for \"flange\", which is open at the same time"}},
            {"a tool that clicks for a tightening",
             [](Station& s) { s.joints[0].tools = {"CW"}; },
             {"/joints/0/tools/0: tool \"CW\" only clicks, and the joint is proven by tightening",
              "/plans/0/stages/1/steps/1/tighten: nothing tells a result of tool \"CW\" for \"clips\" from "
              "one "
              "for \"flange\", which is open at the same time"}},
        },
        with_module);
}

namespace {

// The class A joint may be done with a second tool, one of class B by a click that somebody watches.
Station with_other_ways() {
    auto station = with_module();
    Tool spare = station.tools[0];
    spare.id = "T9";
    std::get<LineLink>(spare.link).key = "T9.key";
    std::get<LineLink>(spare.link).peer = "192.0.2.29";
    station.tools.push_back(spare);
    Joint& flange = station.joints[0];
    Joint by_spare = flange;
    by_spare.alternate = Alternate{"spare", "Spare tool", std::chrono::hours(8), 20, false};
    by_spare.tools = {"T9"};
    flange.alternates = {by_spare};
    return station;
}

// The joint of class A by a click, which nobody watches unless `witness`.
void click_instead(Station& station, RiskClass risk, bool witness) {
    Joint& flange = station.joints[0];
    flange.risk = risk;
    Joint clicked = station.joints[1];
    clicked.id = flange.id;
    clicked.risk = risk;
    clicked.fasteners = flange.fasteners;
    clicked.alternate = Alternate{"wrench", "Click wrench", std::chrono::hours(8), 20, witness};
    flange.alternates = {clicked};
    // Otherwise a click for the one could be one for the other.
    station.joints.pop_back();
    station.plans[0].stages.back().steps.pop_back();
    station.people.overrides.push_back({RiskClass::b, 1, {Role::production_supervisor}, false});
}

}  // namespace

TEST_CASE("every other way of a joint is checked as what it may become") {
    CHECK(found(with_other_ways()).empty());
    CHECK(found(with_other_ways(), Severity::warning) == found(with_module(), Severity::warning));
    const auto other = [](Station& s) -> Joint& { return s.joints[0].alternates[0]; };
    check_table(
        {
            {"two of one name",
             [&](Station& s) { s.joints[0].alternates.push_back(other(s)); },
             {"/joints/0/alternates/1/id: the alternate \"spare\" is taken already, at "
              "/joints/0/alternates/0/id"}},
            {"by a tool that is not there",
             [&](Station& s) { other(s).tools = {"T8"}; },
             {"/joints/0/alternates/0/tools/0: done as \"spare\": there is no tool \"T8\""}},
            {"by no tool",
             [&](Station& s) { other(s).tools.clear(); },
             {"/joints/0/alternates/0: done as \"spare\": no tool may tighten the joint"}},
            {"by a tool that is too small",
             [&](Station& s) { s.tools.back().torque_max = nm(70); },
             {"/joints/0/alternates/0/passes/0/window/torque/max: done as \"spare\": 75 N·m is above the "
              "range of tool \"T9\" (20 N·m to 70 N·m)"}},
            {"in class A without an angle",
             [&](Station& s) { other(s).passes[0].window.angle.reset(); },
             {"/joints/0/alternates/0/passes/0/window: done as \"spare\": a class A joint needs torque and "
              "angle, and this window has no angle"}},
        },
        with_other_ways);
}

TEST_CASE("what measures nothing serves class B where somebody watches it, and class A never") {
    const auto faults = [](RiskClass risk, bool witness) {
        auto station = with_module();
        click_instead(station, risk, witness);
        return found(station);
    };
    const std::string click = "/joints/0/alternates/0/method: done as \"wrench\": a click is no proof for "
                              "class ";
    CHECK(faults(RiskClass::a, true) == std::vector{click + "A, since nothing is measured"});
    CHECK(faults(RiskClass::b, false) == std::vector{click + "B, since nothing is measured"});
    CHECK(faults(RiskClass::b, true).empty());
    CHECK(faults(RiskClass::c, false).empty());
}

TEST_CASE("inputs of modules that could not tell a pulse, or not whose it is, are refused") {
    const auto input = [](Station& s, std::size_t at) -> IoInput& { return s.io[0].inputs[at]; };
    check_table(
        {
            {"polled too seldom for its pulse",
             [](Station& s) { s.io[0].poll_interval = std::chrono::milliseconds(21); },
             {"/io/0/inputs/0: looked at every 21 ms, a pulse of 40 ms could pass between two looks",
              "/io/0/inputs/1: looked at every 21 ms, a pulse of 40 ms could pass between two looks"}},
            {"pulse shorter than a bounce",
             [&](Station& s) { input(s, 0).debounce = std::chrono::milliseconds(41); },
             {"/io/0/inputs/0/pulse/min_ms: a pulse of 40 ms could not be told from a bounce of up to 41 "
              "ms"}},
            {"limits the wrong way round",
             [&](Station& s) {
                 input(s, 0).use = PulseInput{std::chrono::milliseconds(40), std::chrono::milliseconds(39)};
             },
             {"/io/0/inputs/0/pulse/max_ms: 39 ms is below min_ms (40 ms)"}},
            {"a count in a bit",
             [&](Station& s) { input(s, 0).use = CountInput{}; },
             {"/io/0/inputs/0/table: a count stands in a register, not in a single bit"}},
            {"a register without its bit",
             [&](Station& s) { input(s, 1).table = tautgate::protocol::RegisterTable::holding; },
             {"/io/0/inputs/1: a register has 16 bits, and none is named"}},
            {"two inputs at one place",
             [&](Station& s) { input(s, 1).number = 0; },
             {"/io/0/inputs/1: another input of the module stands at the same place"}},
            {"a button within the position of an arm",
             [&](Station& s) {
                 input(s, 1).table = tautgate::protocol::RegisterTable::holding;
                 input(s, 1).bit = 4;
                 IoInput arm;
                 arm.id = "arm";
                 arm.table = input(s, 1).table;
                 arm.number = input(s, 1).number;
                 arm.use = ArmInput{"T1"};
                 s.io[0].inputs.push_back(arm);
             },
             {"/io/0/inputs/2: another input of the module stands at the same place"}},
            {"a button that the station's own lamp presses",
             [&](Station& s) {
                 input(s, 1).table = tautgate::protocol::RegisterTable::coils;
                 input(s, 1).number = s.io[0].outputs[1].number;
             },
             {"/io/0/inputs/1: the station itself writes this coil, for /io/0/outputs/1/number, so that it "
              "would read back its own word"}},
            {"the same on a serial line",
             [&](Station& s) {
                 s.io[0].host.clear();
                 s.io[0].serial = SerialLine{.device = "/dev/ttyUSB0"};
                 input(s, 0).table = tautgate::protocol::RegisterTable::coils;
                 input(s, 0).number = s.io[0].outputs[0].number;
             },
             {"/io/0/inputs/0: the station itself writes this coil, for /io/0/outputs/0/number, so that it "
              "would read back its own word"}},
            {"a bit of a permissive's block",
             [&](Station& s) {
                 s.io[0].host = s.bays[0].controller.host;
                 input(s, 1).table = tautgate::protocol::RegisterTable::holding;
                 input(s, 1).number = static_cast<std::uint16_t>(s.bays[0].controller.permissive_address + 3);
                 input(s, 1).bit = 0;
             },
             {"/io/0/inputs/1: the station itself writes this register, for "
              "/bays/0/controller/permissive_address, so that it would read back its own word"}},
            {"two wrenches on one input",
             [](Station& s) {
                 s.tools.push_back(s.tools.back());
                 s.tools.back().id = "CW-2";
             },
             {"/tools/2/link/pulse/input: another tool has the same input, so a pulse could be of either"}},
            {"a wrench on the button",
             [](Station& s) { std::get<PulseLink>(s.tools[1].link).input = "done"; },
             {"/tools/1/link/pulse/input: the input \"done\" is for something else"}},
            {"a real wrench on a simulated module",
             [](Station& s) {
                 s.bays[0].simulated = true;
                 s.io[0].simulated = true;
             },
             {"/tools/1/link/pulse/io: the module is simulated and the tool is not"}},
            {"a simulated module at a real bay",
             [](Station& s) {
                 s.io[0].simulated = true;
                 s.tools[1].simulated = true;
             },
             {"/io/0/simulated: a simulated module would act for bay \"B1\", whose equipment is real"}},
            {"a button for a step that no plan confirms",
             [&](Station& s) {
                 input(s, 1).use = ButtonInput{{}, "nothing"};
             },
             {"/io/0/inputs/1/button/step: no plan has a step \"nothing\" that is confirmed"}},
            {"two modules at one address",
             [](Station& s) {
                 s.io.push_back(s.io[0]);
                 s.io[1].id = "IO-2";
             },
             {"/io/1: the same device is module \"IO\" already"}},
            {"two outputs on one coil",
             [](Station& s) { s.io[0].outputs[1].number = 0; },
             {"/io/0/outputs/1/number: the number 0 is taken already, at /io/0/outputs/0/number"}},
        },
        with_module);
}

namespace {

// The smallest station whose permissive is a coil.
Station with_coils() {
    auto loading = load_station_file(test_folder + "good/coils.json");
    REQUIRE(loading.station.has_value());
    return *loading.station;
}

// A module at the bay whose inputs tell what the equipment's coils would.
IoModule sensors_of_bay() {
    IoInput unit;
    unit.id = "unit";
    unit.use = PresentInput{};
    IoInput gone;
    gone.id = "gone";
    gone.number = 1;
    gone.use = MovedInput{"exit"};
    return module_with({unit, gone});
}

CoilPlan& coils_of(Station& station) { return *station.bays[0].controller.coils; }

}  // namespace

TEST_CASE("equipment by coils tells of a unit and its movement once, itself or by a module") {
    CHECK(found(with_coils()).empty());
    check_table(
        {
            {"by the module instead",
             [](Station& s) {
                 s.io = {sensors_of_bay()};
                 coils_of(s).present.reset();
                 coils_of(s).permissives[0].moved.reset();
             },
             {}},
            {"by a module that debounces for so long that a unit could be exchanged meanwhile",
             [](Station& s) {
                 s.io = {sensors_of_bay()};
                 s.io[0].poll_interval = std::chrono::milliseconds(700);
                 s.io[0].silence_limit = std::chrono::seconds(2);
                 s.io[0].inputs[0].debounce = std::chrono::milliseconds(701);
                 coils_of(s).present.reset();
                 coils_of(s).permissives[0].moved.reset();
             },
             {"/io/0/inputs/0/debounce_ms: with 701 ms and a look every 700 ms a change is taken after 2100 "
              "ms only, and a unit could be exchanged for another in 2000 ms"}},
            {"by a module that debounces for one look",
             [](Station& s) {
                 s.io = {sensors_of_bay()};
                 s.io[0].poll_interval = std::chrono::milliseconds(700);
                 s.io[0].silence_limit = std::chrono::seconds(2);
                 s.io[0].inputs[0].debounce = std::chrono::milliseconds(700);
                 coils_of(s).present.reset();
                 coils_of(s).permissives[0].moved.reset();
             },
             {}},
            {"by coils that are debounced for so long that a unit could be exchanged meanwhile",
             [](Station& s) { coils_of(s).debounce = std::chrono::milliseconds(1901); },
             {"/bays/0/controller/coils/debounce_ms: with 1901 ms and a look every 100 ms a change is taken "
              "after "
              "2100 ms only, and a unit could be exchanged for another in 2000 ms"}},
            {"by a module that is looked at so seldom that a unit could be exchanged meanwhile",
             [](Station& s) {
                 s.io = {sensors_of_bay()};
                 s.io[0].poll_interval = std::chrono::milliseconds(1001);
                 s.io[0].silence_limit = std::chrono::seconds(20);
                 coils_of(s).present.reset();
                 coils_of(s).permissives[0].moved.reset();
             },
             {"/io/0/poll_interval_ms: the module tells of units and is looked at every 1001 ms only, so "
              "that a "
              "unit could be exchanged for another between two looks"}},
            {"beside a further controller",
             [](Station& s) {
                 FurtherController further{.id = "hoist-plc", .link = {}, .permissives = {"exit"}};
                 further.link.host = "192.0.2.30";
                 further.link.feedback_address = 100;
                 s.bays[0].further_controllers = {further};
             },
             {"/bays/0/further_controllers: the bay's main controller is spoken to by coils, which carry no "
              "unit's token"}},
            {"by both",
             [](Station& s) { s.io = {sensors_of_bay()}; },
             {"/bays/0/controller/coils: 2 inputs tell \"present\"",
              "/bays/0/controller/coils/permissives/0: 2 inputs tell \"moved\""}},
            {"by a module of another bay",
             [](Station& s) {
                 s.bays.push_back(s.bays[0]);
                 s.bays[1] = {"B2", 2, "Other", {}, false};
                 s.bays[1].controller.host = "192.0.2.8";
                 s.bays[1].controller.feedback_address = 100;
                 s.permissives.push_back(s.permissives[0]);
                 s.permissives[1].id = "exit-2";
                 s.permissives[1].number = 2;
                 s.permissives[1].bay = "B2";
                 s.io = {sensors_of_bay()};
                 s.io[0].bay = "B2";
                 s.io[0].inputs.pop_back();
                 s.tools[0].also_at = {"B2"};
                 s.tools[0].control = ToolControl{};
                 s.plans[0].leaving_incomplete.permissives = {"exit", "exit-2"};
                 coils_of(s).present.reset();
             },
             {"/bays/0/controller/coils: nothing tells \"present\", and a coil carries neither a unit nor a "
              "count"}},
            {"a lamp of a module at the same device on the release coil",
             [](Station& s) {
                 s.io = {sensors_of_bay()};
                 s.io[0].host = "127.0.0.1";
                 s.io[0].port = s.bays[0].controller.port;
                 s.io[0].inputs.clear();
                 s.io[0].outputs = {{1, SignalOutput{{Signal::released}}}};
             },
             {"/bays/0/controller/coils/permissives/0/release: coil 1 of this device is written already, by "
              "/io/0/outputs/0/number"}},
            {"of one permissive twice",
             [](Station& s) {
                 coils_of(s).permissives.push_back(coils_of(s).permissives[0]);
                 coils_of(s).permissives[1].release = 9;
                 coils_of(s).permissives[1].moved = ControllerBit{.number = 9};
             },
             {"/bays/0/controller/coils/permissives/1/permissive: the permissive \"exit\" is taken already, "
              "at "
              "/bays/0/controller/coils/permissives/0/permissive"}},
            {"of no permissive",
             [](Station& s) { coils_of(s).permissives[0].permissive = "lift"; },
             {"/bays/0/controller/coils/permissives/0/permissive: there is no permissive \"lift\"",
              "/bays/0/controller/coils/permissives: the bay's permissive \"exit\" has no coil"}},
            {"with an echo time-out that one late look would use up",
             [](Station& s) { s.bays[0].controller.echo_timeout = std::chrono::milliseconds(400); },
             {"/bays/0/controller/echo_timeout_ms: 400 ms is less than 5 beats of 100 ms, within which echo "
              "and "
              "heartbeat by coils may be late"}},
            {"with the slowest beat of which five fit into an echo time-out",
             [](Station& s) {
                 s.bays[0].controller.beat_interval = std::chrono::milliseconds(400);
                 s.bays[0].controller.echo_timeout = std::chrono::milliseconds(2000);
                 s.bays[0].controller.beat_timeout = std::chrono::milliseconds(2000);
             },
             {}},
            {"looked at so seldom that a unit could be exchanged meanwhile",
             [](Station& s) {
                 s.bays[0].controller.beat_interval = std::chrono::milliseconds(401);
                 s.bays[0].controller.echo_timeout = std::chrono::milliseconds(2000);
                 s.bays[0].controller.beat_timeout = std::chrono::milliseconds(2000);
             },
             {"/bays/0/controller/beat_interval_ms: 5 beats of 401 ms do not fit into the 2000 ms within "
              "which "
              "another unit may stand there"}},
            {"for class B, named and without a joint",
             [](Station& s) {
                 s.permissives[0].scope = Scope::classes;
                 s.permissives[0].classes = {RiskClass::b, RiskClass::c};
             },
             {"/bays/0/controller/coils/permissives/0/permissive: \"exit\" waits for joints of class A or B, "
              "but a coil does not say for which unit it is on; without a waiver on record that serves class "
              "C "
              "only, and no waiver can be recorded yet"}},
        },
        with_coils);
}

namespace {

// Two bays whose equipment is one device, and a polled tool in it.
Station two_by_coils() {
    Station station = with_coils();
    auto bay = station.bays[0];
    bay.id = "B2";
    bay.number = 2;
    CoilPlan& plan = *bay.controller.coils;
    plan = {.alive = 10,
            .echo = {.number = 10},
            .heartbeat = {.number = 11},
            .present = ControllerBit{.number = 12},
            .permissives = {{.permissive = "exit-2", .release = 11, .moved = ControllerBit{.number = 13}}}};
    station.bays.push_back(bay);
    auto exit = station.permissives[0];
    exit.id = "exit-2";
    exit.number = 2;
    exit.bay = "B2";
    station.permissives.push_back(exit);
    station.plans[0].leaving_incomplete.permissives.push_back("exit-2");
    auto polled = load_station_file(test_folder + "good/polled.json").station.value();
    station.profiles = polled.profiles;
    auto tool = polled.tools[0];
    tool.id = "T2";
    tool.bay = "B2";
    auto& link = std::get<RegisterLink>(tool.link);
    link.host = bay.controller.host;
    link.port = bay.controller.port;
    link.unit = bay.controller.unit;
    station.tools.push_back(tool);
    station.joints[0].tools.push_back("T2");
    return station;
}

}  // namespace

TEST_CASE("no bit tells two things, nor what the station wrote itself, whichever bays and modules have it") {
    using tautgate::protocol::RegisterTable;
    const auto second = [](Station& s) -> CoilPlan& { return *s.bays[1].controller.coils; };
    const auto layout = [](Station& s) -> tautgate::protocol::RegisterProfile& {
        return std::get<tautgate::protocol::RegisterProfile>(s.profiles[0].profile);
    };
    const std::string b2 = "/bays/1/controller/coils";
    const std::string again = ": the same bit is /bays/0/controller/coils";
    const std::string own = ": the station itself writes this coil, for ";
    const std::string back = ", so that it would read back its own word";
    CHECK(found(two_by_coils()).empty());
    check_table(
        {
            {"one unit sensor for two bays",
             [&](Station& s) { second(s).present = ControllerBit{.number = 2}; },
             {b2 + "/present" + again + "/present already"}},
            {"a movement that is another bay's heartbeat",
             [&](Station& s) { second(s).permissives[0].moved = ControllerBit{.number = 1}; },
             {b2 + "/permissives/0/moved" + again + "/heartbeat already"}},
            {"the same numbers of another unit",
             [&](Station& s) {
                 s.bays[1].controller.unit = 2;
                 second(s) = coils_of(s);
                 second(s).permissives[0].permissive = "exit-2";
             },
             {}},
            {"a module that reads the other bay's sensor",
             [&](Station& s) {
                 s.io = {sensors_of_bay()};
                 s.io[0].bay = "B2";
                 s.io[0].host = s.bays[0].controller.host;
                 s.io[0].port = s.bays[0].controller.port;
                 s.io[0].inputs.resize(1);
                 s.io[0].inputs[0].number = 2;
                 second(s).present.reset();
                 s.tools.pop_back();
                 s.profiles.clear();
                 s.joints[0].tools.pop_back();
                 s.tools[0].also_at = {"B2"};
                 s.tools[0].control = ToolControl{};
             },
             {"/io/0/inputs/0" + again + "/present already"}},
            {"the other bay's release",
             [&](Station& s) {
                 second(s).present = ControllerBit{.table = RegisterTable::coils, .number = 1};
             },
             {b2 + "/present" + own + "/bays/0/controller/coils/permissives/0/release" + back}},
            {"what lets a tool run there",
             [&](Station& s) {
                 layout(s).control = {.enable = {.address = 20, .table = RegisterTable::coils},
                                      .enabled = {.address = 60},
                                      .program = {},
                                      .selected = {},
                                      .programs = {}};
                 s.tools[1].control = ToolControl{};
                 second(s).present = ControllerBit{.table = RegisterTable::coils, .number = 20};
             },
             {b2 + "/present" + own + "/profiles/0/layout/control/enable of tool \"T2\"" + back}},
            {"a release on the coil by which a result is taken",
             [&](Station& s) {
                 layout(s).acknowledge.reset();
                 layout(s).handshake = {
                     .ready = {.address = 61}, .address = 11, .table = RegisterTable::coils};
             },
             {b2 + "/permissives/0/release: coil 11 of this device is written already, by "
                   "/profiles/0/layout/handshake of tool \"T2\""}},
        },
        two_by_coils);
}

TEST_CASE("a station by coils is told what they do not carry, and to what it may come instead") {
    const auto warnings = found(with_coils(), Severity::warning);
    REQUIRE(warnings.size() == 1);
    CHECK(
        warnings[0].starts_with("/bays/0/controller/coils: a release by coils does not say for which unit"));
}

TEST_CASE("check characters over a pattern want a label that shows that they can be met") {
    auto station = smallest();
    station.tickets[0].check = tautgate::protocol::LabelCheck{tautgate::protocol::CheckSystem::mod_11_2};
    const auto asks = [&] {
        const auto warnings = found(station, Severity::warning);
        return std::ranges::any_of(warnings, [](const std::string& text) {
            return text.starts_with("/tickets/0/check: whether labels of this pattern can have such");
        });
    };
    CHECK(asks());
    station.tickets[0].examples = {"M 412 plain 07940"};  // ISO/IEC 7064: 0794 has the check character 0
    CHECK_FALSE(asks());
    CHECK(found(station, Severity::error).empty());
    station.tickets[0].examples = {"M 412 plain 07941"};
    CHECK(found(station, Severity::error).size() == 1);
}

TEST_CASE("what is odd but harmless is a warning, told once the errors are gone") {
    auto station = smallest();
    station.tools.push_back(station.tools[0]);
    station.tools[1].id = "T2";
    std::get<LineLink>(station.tools[1].link).key = "T2.key";
    station.tools[0].simulated = true;
    station.api.port = 0;
    station.tickets.push_back({"Q", tautgate::protocol::PatternLabel{"Q (?P<serial>[0-9]+)"}});
    CHECK(found(station).empty());
    const auto warnings = found(station, Severity::warning);
    CHECK(warnings ==
          std::vector<std::string>{
              "/tools/0/simulated: results of the simulated tool \"T1\" prove nothing at bay \"B1\", whose "
              "equipment is real",
              "/api/port: with port 0 the system picks another port at every start",
              "/tools/1: nothing uses the tool \"T2\"", "/tickets/1: no step scans a ticket of kind \"Q\""});
}

namespace {

Station framed_station() {
    auto loading = load_station_file(test_folder + "good/frames.json");
    REQUIRE(loading.station.has_value());
    return *loading.station;
}

FrameLink& framed(Station& station, std::size_t tool = 0) {
    return std::get<FrameLink>(station.tools[tool].link);
}

tautgate::protocol::FrameProfile& frames_of(Station& station) {
    return std::get<tautgate::protocol::FrameProfile>(station.profiles[0].profile);
}

// A second tool like the first, at the same bay.
void add_framed_twin(Station& station) {
    auto twin = station.tools[0];
    twin.id = "T2";
    station.tools.push_back(twin);
}

}  // namespace

TEST_CASE("each tool that sends frames has a way of its own, and a profile that describes frames") {
    check_table(
        {{"called twice",
          add_framed_twin,
          {"/tools/1/link/frames/call: 192.0.2.9:5000 is called already, as tool \"T1\""}},
         {"called where the controller is",
          [](Station& s) {
              s.bays[0].controller.host = "localhost";
              framed(s).way = FrameCall{"127.0.0.1", s.bays[0].controller.port};
          },
          {"/tools/0/link/frames/call: 127.0.0.1:502 is called already, as the controller of bay \"B1\""}},
         {"two that call one port",
          [](Station& s) {
              framed(s).way = FrameListen{.at = {"127.0.0.1", 8490}, .peer = "192.0.2.9"};
              add_framed_twin(s);
              std::get<FrameListen>(framed(s, 1).way).at.address = "0.0.0.0";
          },
          {"/tools/1/link/frames/listen/port: port 8490 is taken already, at "
           "/tools/0/link/frames/listen/port"}},
         {"two on one line",
          [](Station& s) {
              framed(s).way = SerialLine{.device = "/dev/ttyS1"};
              add_framed_twin(s);
          },
          {"/tools/0/link/frames/serial/device: /dev/ttyS1 is taken already, by tool \"T2\"",
           "/tools/1/link/frames/serial/device: /dev/ttyS1 is taken already, by tool \"T1\""}},
         {"a scanner on its line",
          [](Station& s) {
              framed(s).way = SerialLine{.device = "/dev/ttyS1"};
              s.scanners.push_back(
                  {.id = "S", .bay = "B1", .peer = {}, .serial = SerialLine{.device = "/dev/ttyS1"}});
          },
          {"/scanners/0/serial/device: /dev/ttyS1 is taken already, by tool \"T1\""}},
         {"a line that is no path",
          [](Station& s) { framed(s).way = SerialLine{.device = "ttyS1"}; },
          {"/tools/0/link/frames/serial/device: \"ttyS1\" is no path of a device"}},
         {"no such profile",
          [](Station& s) { framed(s).profile = "none"; },
          {"/tools/0/link/frames/profile: there is no profile \"none\""}},
         {"a profile of registers",
          [](Station& s) { s.profiles[0].profile = larkmoor().profiles[0].profile; },
          {"/tools/0/link/frames/profile: the profile \"rows\" describes registers, and the tool sends "
           "frames"}},
         {"another resolution",
          [](Station& s) { s.tools[0].angle_resolution = deg(1); },
          {"/tools/0/angle/resolution: 1 deg differs from the 0.1 deg of profile \"rows\""}},
         {"a profile without what the joint needs",
          [](Station& s) {
              s.joints[0].risk = RiskClass::a;
              s.people.overrides[0].risk = RiskClass::a;
              std::get<tautgate::protocol::ResultMessage>(frames_of(s).messages[0].what).verdict.reset();
          },
          {"/joints/0/tools/0: the profile \"rows\" of tool \"T1\" has no verdict, and class A needs the "
           "tool's own"}}},
        framed_station);
}

TEST_CASE("a tool that sends frames and is let run can choose what the plans ask for") {
    using namespace tautgate::protocol;
    const auto obedient = [] {
        auto station = framed_station();
        station.tools[0].control = ToolControl{};
        auto& profile = frames_of(station);
        auto& status = std::get<StatusMessage>(profile.messages[1].what);
        status.enabled = FrameEnabled{.place = AtIndex{2}, .yes = {"1"}};
        status.program = FrameProgram{.place = AtIndex{3}, .names = {}};
        profile.control = FrameControl{.enable = {LiteralPart{"RUN"}},
                                       .disable = {LiteralPart{"STOP"}},
                                       .program = FrameToSend{LiteralPart{"P"}, DigitsPart{}},
                                       .programs = {{1, "snug"}, {2, "final"}}};
        std::get<ResultMessage>(profile.messages[0].what).program =
            FrameProgram{.place = AtIndex{5}, .names = {}};
        station.joints[0].passes[0].program = "final";
        return station;
    };
    CHECK(found(obedient()).empty());
    check_table({{"a program that cannot be chosen",
                  [](Station& s) { frames_of(s).control->programs.pop_back(); },
                  {"/joints/0/passes/0/program: tool \"T1\" has no number for program \"final\", so that it "
                   "could not be "
                   "chosen there"}},
                 {"the profile does not say how",
                  [](Station& s) { frames_of(s).control.reset(); },
                  {"/tools/0/control: the profile of tool \"T1\" does not say how it is let run"}}},
                obedient);
}

TEST_CASE("a sign-in that ends before the second person comes is an error, one of a whole shift a warning") {
    using namespace std::chrono_literals;
    auto station = smallest();
    const auto warnings = [&] { return found(station, Severity::warning).size(); };
    const auto before = warnings();
    set_sign_in(station, 30s);
    CHECK(found(station).empty());
    set_sign_in(station, 8h);
    CHECK(found(station).empty());
    CHECK(warnings() == before);
    set_sign_in(station, 29s);
    CHECK(found(station) ==
          std::vector<std::string>{"/people/sign_in_lasts_s: a sign-in ends after 29 s, sooner than a second "
                                   "person can be fetched and sign in, too"});
    set_sign_in(station, 8h + 1s);
    CHECK(found(station).empty());
    CHECK(warnings() == before + 1);
}

TEST_CASE("a name of a program that no pass has is a warning, with the one that was meant") {
    auto loading = load_station_file(test_folder + "good/polled.json");
    REQUIRE(loading.station.has_value());
    auto station = *loading.station;
    auto& names = std::get<tautgate::protocol::RegisterProfile>(station.profiles[0].profile).program->names;
    names.push_back({4, "M12-finl"});
    const std::string place = "/profiles/0/layout/program/names/1: ";
    CHECK(found(station, Severity::warning) ==
          std::vector<std::string>{place + "no pass has the program \"M12-finl\""});
    station.joints[0].passes[0].program = "4";  // a number has no need of a name
    CHECK(found(station).empty());
    station.joints[0].passes[0].program = "M12-finl";
    CHECK(found(station, Severity::warning).size() == 1);  // now it is the other one
    auto frames = load_station_file(test_folder + "good/frames.json").station.value();
    std::get<tautgate::protocol::ResultMessage>(
        std::get<tautgate::protocol::FrameProfile>(frames.profiles[0].profile).messages[0].what)
        .program = tautgate::protocol::FrameProgram{tautgate::protocol::AtIndex{5}, {{"3", "M12-finl"}}};
    frames.joints[0].passes[0].program = "M12-final";
    CHECK(found(frames, Severity::warning) ==
          std::vector<std::string>{"/profiles/0/frames/messages/0/result/program/names/0: no pass has the "
                                   "program \"M12-finl\""});
}

TEST_CASE("a tool that would obey and is not told to is a warning") {
    auto station = load_station_file(test_folder + "good/polled.json").station.value();
    auto& profile = std::get<tautgate::protocol::RegisterProfile>(station.profiles[0].profile);
    profile.control = {
        .enable = {.address = 60}, .enabled = {.address = 61}, .program = {}, .selected = {}, .programs = {}};
    CHECK(found(station).empty());
    CHECK(found(station, Severity::warning) ==
          std::vector<std::string>{"/tools/0: the profile of tool \"T1\" says how it is let run, but without "
                                   "\"control\" the station neither lets it run nor stops it"});
    station.tools[0].control = ToolControl{};
    CHECK(found(station, Severity::warning).empty());
}

TEST_CASE("a host with its port behind it is refused, and an address of IPv6 is not") {
    const auto with = [](const std::string& host) {
        auto station = smallest();
        station.bays[0].controller.host = host;
        return found(station);
    };
    const std::string told = "/bays/0/controller/host: \"";
    const std::string why = "\" is a host with a port behind it, and would never be found";
    CHECK(with("192.0.2.7:502") == std::vector<std::string>{told + "192.0.2.7:502" + why});
    CHECK(with("plc:502") == std::vector<std::string>{told + "plc:502" + why});
    CHECK(with("2001:db8::7").empty());
    auto polled = load_station_file(test_folder + "good/polled.json").station.value();
    std::get<RegisterLink>(polled.tools[0].link).host = "plc:502";
    IoModule module = module_with({});
    module.host = "plc:502";
    module.unit = 2;
    polled.io = {module};
    CHECK(found(polled) == std::vector<std::string>{"/io/0/host: \"plc:502" + why,
                                                    "/tools/0/link/registers/host: \"plc:502" + why});
    auto frames = load_station_file(test_folder + "good/frames.json").station.value();
    std::get<FrameLink>(frames.tools[0].link).way = FrameCall{.host = "plc:502", .port = 502};
    CHECK(found(frames) == std::vector<std::string>{"/tools/0/link/frames/call/host: \"plc:502" + why});
}

TEST_CASE("an address that looks copied from the other numbering is a warning, and told once in a profile") {
    auto loading = load_station_file(test_folder + "good/polled.json");
    REQUIRE(loading.station.has_value());
    auto station = *loading.station;
    auto& profile = std::get<tautgate::protocol::RegisterProfile>(station.profiles[0].profile);
    profile.counter->field.address = 40045;
    profile.epoch->address = 40046;
    const auto told = [](const std::string& place, const std::string& copied, const std::string& meant) {
        return place + ": addresses are zero-based wire offsets; " + copied +
               "xxxx reference, which would be " + meant;
    };
    CHECK(found(station, Severity::warning) ==
          std::vector<std::string>{told("/profiles/0/layout/counter/field/address",
                                        "40045 looks like a traditional 4", "44; beside it 1 more")});
    profile.table = tautgate::protocol::RegisterTable::input;
    CHECK(found(station, Severity::warning) ==
          std::vector<std::string>{
              told("/profiles/0/layout/counter/field/address", "40045 looks like a traditional 4",
                   "44 of the table holding, and the table here is input; beside it 1 more")});
    profile.epoch->address = 30001;
    CHECK(found(station, Severity::warning) ==
          std::vector<std::string>{
              told("/profiles/0/layout/epoch/address", "30001 looks like a traditional 3", "0"),
              told("/profiles/0/layout/counter/field/address", "40045 looks like a traditional 4",
                   "44 of the table holding, and the table here is input")});
    profile.table = tautgate::protocol::RegisterTable::holding;
    profile.counter->field.address = 10045;  // many devices have such registers
    CHECK(
        found(station, Severity::warning) ==
        std::vector<std::string>{told("/profiles/0/layout/epoch/address", "30001 looks like a traditional 3",
                                      "0 of the table input, and the table here is holding")});
    station = smallest();
    station.bays[0].controller.feedback_address = 40001;
    CHECK(found(station, Severity::warning) ==
          std::vector<std::string>{
              told("/bays/0/controller/feedback_address", "40001 looks like a traditional 4", "0")});
    station.bays[0].controller.feedback_address = 40000;
    CHECK(found(station, Severity::warning).empty());
}

TEST_CASE("an address that the station writes, or that a module or a coil has, is looked at as well") {
    using tautgate::protocol::RegisterTable;
    const auto references = [](const Station& station) {
        Findings findings;
        warn_of_references(findings, station);
        std::vector<std::string> places;
        for (const auto& one : findings.take())
            places.push_back(one.pointer);
        return places;
    };
    using Places = std::vector<std::string>;
    auto polled = load_station_file(test_folder + "good/polled.json").station.value();
    const auto with = [&](auto change) {
        auto station = polled;
        change(std::get<tautgate::protocol::RegisterProfile>(station.profiles[0].profile));
        return references(station);
    };
    CHECK(with([](auto&) {}).empty());
    CHECK(with([](auto& profile) { profile.acknowledge = 40011; }) ==
          Places{"/profiles/0/layout/acknowledge"});
    CHECK(with([](auto& profile) {
              profile.acknowledge.reset();
              profile.handshake = tautgate::protocol::Handshake{.ready = {}, .address = 40006};
          }) == Places{"/profiles/0/layout/handshake/address"});
    CHECK(with([](auto& profile) {
              profile.control = tautgate::protocol::RegisterControl{.enable = {.address = 40141},
                                                                    .enabled = {},
                                                                    .program = 40142,
                                                                    .selected = {},
                                                                    .programs = {}};
          }) == Places{"/profiles/0/layout/control/enable/address"});
    CHECK(with([](auto& profile) {
              profile.trace = tautgate::protocol::TraceFields{};
              profile.trace->torque.field.address = 40501;
          }) == Places{"/profiles/0/layout/trace/torque/field/address"});
    auto station = smallest();
    IoModule module;
    module.id = "IO-1";
    IoInput input;
    input.id = "in";
    input.number = 10001;
    module.inputs = {input};
    station.io = {module};
    station.bays[0].controller.coils = CoilPlan{};
    station.bays[0].controller.coils->heartbeat.number = 10002;
    CHECK(references(station) ==
          Places{"/bays/0/controller/coils/heartbeat/number", "/io/0/inputs/0/number"});
    station.io[0].inputs[0].table = RegisterTable::coils;  // in which no bit is called so
    station.bays[0].controller.coils->heartbeat.number = 1;
    CHECK(references(station) == Places{"/io/0/inputs/0/number"});
    station.io[0].inputs[0].number = 1;
    station.io[0].outputs = {{40006, AliveOutput{}}};
    CHECK(references(station) == Places{"/io/0/outputs/0/number"});
    station.io[0].outputs[0].number = 5;
    CHECK(references(station).empty());
    station.bays[0].controller.coils->alive = 10001;
    station.bays[0].controller.coils->permissives = {{.permissive = "exit", .release = 10002}};
    CHECK(references(station) == Places{"/bays/0/controller/coils/alive"});
    station.bays[0].controller.coils->alive = 0;
    CHECK(references(station) == Places{"/bays/0/controller/coils/permissives/0/release"});
    station.bays[0].controller.coils.reset();
    CHECK(references(station).empty());
}

TEST_CASE("a calibration that would be warned of always is refused") {
    Station station = smallest();
    station.tools.front().calibration = CalibrationRule{std::chrono::days(30), std::chrono::days(29)};
    CHECK(found(station).empty());
    station.tools.front().calibration->warn = std::chrono::days(30);
    CHECK(found(station) ==
          std::vector<std::string>{
              "/tools/0/calibration/warn_days: 30 days are no less than the 30 for which a calibration "
              "holds, so that it would be warned of always"});
}
