// A small station built by hand, and a story that happens to it: each event goes through decide() with the
// next number and a later stamp, and what must be true of every state is checked after each.
//
// One bay with two permissives that matter (`lift`, one-shot, for classes A and B; `leave` for everything)
// and a way out (`side`). Joints: `mount` (A, listed, loosened between two attempts), `cap` (B, counted),
// `clip` (C, positions named by the tool). The numbers are invented.
#pragma once

#include <catch2/catch.hpp>

#include <algorithm>
#include <chrono>
#include <map>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "service/interlock/decide.hpp"
#include "service/interlock/gate.hpp"
#include "service/interlock/lookup.hpp"

namespace tautgate::story {

using namespace tautgate::interlock;
using config::RiskClass;
using config::Role;
using protocol::Angle;
using protocol::Direction;
using protocol::Reading;
using protocol::Torque;

constexpr Torque nm(std::int64_t value) { return {value * 1'000'000}; }
constexpr Angle deg(std::int64_t value) { return {value * 1'000'000}; }

// ---- the station --------------------------------------------------------------------------------------

inline config::Joint joint(std::string id, RiskClass risk, config::Placement placement, std::string program,
                           config::Window window, std::string tool) {
    config::Joint made;
    made.id = made.name = std::move(id);
    made.risk = risk;
    made.fasteners = {{"1", 0, 0}, {"2", 0, 0}};
    made.placement = placement;
    made.passes = {{"final", std::move(program), window}};
    made.tools = {std::move(tool)};
    made.retry = {2, false, false};
    made.rehit_angle_max = deg(3);
    return made;
}

inline config::Window window(std::int64_t least, std::int64_t most) {
    return {{nm(least), nm(most), {}}, config::AngleWindow{deg(10), deg(90), config::AngleOrigin::start, {}}};
}

inline std::vector<config::Joint> small_joints() {
    using config::Placement;
    auto mount = joint("mount", RiskClass::a, Placement::listed, "P1", window(40, 60), "T1");
    mount.retry = {2, true, false};
    mount.audit = config::TorqueWindow{nm(38), nm(66), {}};
    auto cap = joint("cap", RiskClass::b, Placement::counted, "P2", window(20, 30), "T2");
    auto clip = joint("clip", RiskClass::c, Placement::by_tool, "P3", window(8, 12), "T2");
    clip.retry = {2, false, true};
    return {mount, cap, clip};
}

// The same once more after a wait, by program K1 and however little it turns.
inline config::Pass check_after(std::chrono::seconds wait, const config::Pass& last) {
    config::Pass check = last;
    check.name = "check";
    check.program = "K1";
    check.window.angle->min = deg(0);
    check.check = config::CheckPass{wait};
    return check;
}

inline config::CurveWindow seated_within(std::int64_t least_nm, std::int64_t most_nm) {
    config::CurveWindow curve;
    curve.places = {{"seated", config::TorqueThere{deg(5), {nm(least_nm), nm(most_nm)}}}};
    return curve;
}

// `mount` is proven by good curves only; `cap` does otherwise with one that is missing or damaged.
inline void limit_curves(config::Station& station, config::CurveWindow curve,
                         config::WithoutCurve of_cap = config::WithoutCurve::accept) {
    station.joints[0].passes.front().window.curve = curve;
    curve.without = of_cap;
    station.joints[1].passes.front().window.curve = std::move(curve);
}

inline config::Permissive permissive(std::string id, std::uint16_t number) {
    config::Permissive made;
    made.id = made.name = id;
    made.number = number;
    made.bay = "B1";
    made.movement = "move over " + id;
    return made;
}

inline std::vector<config::Permissive> small_permissives() {
    auto lift = permissive("lift", 1);
    lift.one_shot = true;
    lift.scope = config::Scope::classes;
    lift.classes = {RiskClass::a, RiskClass::b};
    auto leave = permissive("leave", 2);
    leave.leaving = true;
    auto side = permissive("side", 3);
    side.leaving = true;
    return {lift, leave, side};
}

inline config::Tool tool(std::string id) {
    config::Tool made;
    made.id = made.name = std::move(id);
    made.bay = "B1";
    made.torque_min = nm(5);
    made.torque_max = nm(100);
    made.torque_resolution = nm(1);
    made.angle_resolution = deg(1);
    return made;
}

inline config::PeopleRules small_people() {
    config::PeopleRules people;
    const std::vector<Role> approvers{Role::production_supervisor, Role::quality_engineer};
    people.overrides = {{RiskClass::a, 2, approvers, true},
                        {RiskClass::b, 1, approvers, false},
                        {RiskClass::c, 1, {Role::line_operator, Role::production_supervisor}, false}};
    people.leaving_incomplete = approvers;
    people.decisions = approvers;
    people.reason_codes = {{"checked", "Checked by hand"}};
    return people;
}

inline config::Station small_station() {
    config::Station station;
    station.id = station.name = "S1";
    config::Bay bay;
    bay.id = bay.name = "B1";
    bay.number = 1;
    station.bays = {bay};
    station.tools = {tool("T1"), tool("T2")};
    station.permissives = small_permissives();
    station.joints = small_joints();
    config::Plan plan;
    plan.id = "plan";
    plan.revision = "1";
    plan.stages = {{"scan", {config::ScanStep{"D"}, config::ScanStep{"F"}}},
                   {"join", {config::TightenStep{"mount"}, config::TightenStep{"cap"}}},
                   {"finish", {config::TightenStep{"clip"}, config::ConfirmStep{"look", "Look at it"}}}};
    plan.leaving_incomplete.permissives = {"side"};
    station.plans = {plan};
    station.variants = {{"V", "V", "plan", {{"D", {"DV"}}, {"F", {"FV"}}}},
                        {"W", "W", "plan", {{"D", {"DW"}}, {"F", {"FW"}}}}};
    station.pair = {{"D", "F"}, true, "D", "D"};
    station.people = small_people();
    return station;
}

inline config::Joint done_as(config::Joint planned, std::string id, std::vector<std::string> tools,
                             bool witness) {
    planned.alternate = config::Alternate{id, "as " + id, std::chrono::hours(8), 3, witness};
    planned.tools = std::move(tools);
    return planned;
}

// `mount` by T2 instead of T1, or so and watched; `cap` by somebody who says that it was done, watched.
inline config::Station station_with_ways() {
    auto station = small_station();
    config::Joint& mount = station.joints[0];
    mount.alternates = {done_as(mount, "spare", {"T2"}, false), done_as(mount, "watched", {"T2"}, true)};
    config::Joint by_hand = done_as(station.joints[1], "by-hand", {}, true);
    by_hand.method = config::Method::confirmed_check;
    by_hand.passes.clear();
    station.joints[1].alternates = {by_hand};
    return station;
}

inline const PersonNumber admin{1}, supervisor{2}, quality{3}, worker{4}, other_supervisor{5};

// ---- the story ----------------------------------------------------------------------------------------

struct Hit {
    std::string tool;
    std::string program;
    std::int64_t torque_nm = 0;
    std::int64_t angle_deg = 45;
    std::optional<std::uint32_t> position = {};
    Direction direction = Direction::tighten;
};

inline const Hit mount_ok{"T1", "P1", 50};
inline const Hit mount_low{"T1", "P1", 30};
inline const Hit mount_loosened{"T1", "P1", 0, 45, {}, Direction::loosen};
inline const Hit cap_ok{"T2", "P2", 25};
inline Hit clip_ok(std::uint32_t position) { return {"T2", "P3", 10, 45, position}; }

// The station cannot judge what it does not know about a tool: each keeps its own count.
struct ToolSide {
    std::string epoch = "e1";
    std::uint64_t made = 0;
};

class Story {
  public:
    explicit Story(config::Station station = small_station(), bool in_service = true) {
        rules.emplace(Revision{"r1"}, std::make_shared<const config::Station>(std::move(station)));
        if (in_service)
            come_into_service();
    }

    const Outcome& happens(Payload payload) {
        now_ns += 1'000'000'000;
        const Event event{
            EventNumber{state.newest.value + 1}, {now_ns / 1000, now_ns, boot}, std::move(payload)};
        events.push_back(event);
        auto [next, made] = decide(rules, std::move(state), event);
        state = std::move(next);
        record = std::move(made);
        INFO("event " << event.number.value);
        REQUIRE(broken_invariant(rules, state).empty());
        return record.outcome;
    }

    void enrol(PersonNumber number, std::vector<Role> roles) {
        const bool first = state.people.empty();
        const bool second = state.people.size() == 1;
        happens(PersonEnrolled{Person{number, std::move(roles), false},
                               first ? std::nullopt : std::optional(admin),
                               first || second ? std::nullopt : std::optional(supervisor)});
    }

    void enrol_everybody() {
        enrol(admin, {Role::administrator});
        enrol(supervisor, {Role::production_supervisor});
        enrol(quality, {Role::quality_engineer});
        enrol(worker, {Role::line_operator});
        enrol(other_supervisor, {Role::production_supervisor});
    }

    void come_into_service() {
        happens(StationStarted{"test", true, {}});
        enrol_everybody();
        std::vector<FreshToken> tokens;
        for (const config::Bay& each : rules.at(Revision{"r1"})->bays)
            tokens.push_back({BayId{each.id}, fresh()});
        happens(RulesApproved{Revision{"r1"}, admin, supervisor, tokens});
        links_come_up();
    }

    void links_come_up() {
        happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
        report();
        for (const std::string id : {"T1", "T2"}) {
            happens(ToolLinkChanged{ToolId{id}, Quality::good, "", 1});
            happens(ToolAnswered{ToolId{id}, tools[id].epoch, tools[id].made});
        }
    }

    void restarts(bool clean_end) { happens(StationStarted{"test", clean_end, {}}); }

    // ---- the equipment
    Token fresh() { return Token{++last_token}; }
    Token offered() const { return stay_at(bay()) != nullptr ? stay_at(bay())->token : bay().offered; }

    const Outcome& report() {
        std::vector<PermissiveId> on_wire;
        for (const PermissiveState& each : bay().permissives) {
            if (gate(bay(), each, state.newest).code != OnWire::withheld)
                on_wire.push_back(each.id);
        }
        return happens(ControllerReported{
            BayId{"B1"}, equipment.present, equipment.arrivals, equipment.departures, equipment.starts,
            equipment.moved, equipment.echoed, equipment.fault, fresh(), on_wire, equipment.moved_wrongly});
    }

    void arrives() {
        ++equipment.arrivals;
        equipment.present = Presence::present;
        equipment.echoed = offered();
        report();
    }

    void departs() {
        ++equipment.departures;
        equipment.present = Presence::absent;
        report();
    }

    void moves(const std::string& id) {
        const auto known = std::ranges::find(equipment.moved, PermissiveId{id}, &Moved::permissive);
        if (known == equipment.moved.end()) {
            equipment.moved.push_back({PermissiveId{id}, 1});
        } else {
            ++known->count;
        }
        report();
    }

    // ---- the people at the bay
    const Outcome& scans(const std::string& kind, const std::string& serial, std::string order = "O1",
                         std::string type = {}, std::uint32_t earlier = 0) {
        if (type.empty())
            type = kind + "V";
        return happens(
            TicketScanned{BayId{"B1"}, kind, Serial{serial}, std::move(order), std::move(type), "", earlier});
    }

    const Outcome& proposes(PersonNumber by, Action action) {
        return happens(
            Proposed{BayId{"B1"}, std::move(action), by, "checked", "checked by hand", state.newest});
    }
    const Outcome& seconds(PersonNumber by, EventNumber proposal) {
        return happens(Seconded{BayId{"B1"}, proposal, by, state.newest});
    }
    void two_decide(Action action) {
        REQUIRE(std::holds_alternative<AwaitsSecond>(proposes(supervisor, std::move(action))));
        REQUIRE_FALSE(std::holds_alternative<Refused>(
            seconds(quality, std::get<AwaitsSecond>(record.outcome).proposal)));
    }

    // ---- the tools
    Reading reading(const Hit& hit) const {
        Reading made;
        made.program = hit.program;
        made.direction = hit.direction;
        made.torque = nm(hit.torque_nm);
        made.angle = deg(hit.angle_deg);
        made.position = hit.position;
        made.tool_verdict = protocol::ToolVerdict::ok;
        return made;
    }

    // The result that the tool makes now; it has not arrived yet.
    ResultReceived made(const Hit& hit) {
        ToolSide& side = tools[hit.tool];
        ResultReceived result{ToolId{hit.tool}, side.epoch, reading(hit), {now_ns, now_ns + 1000, boot}, 0};
        result.reading.counter = ++side.made;
        if (hit.torque_nm < 40 && hit.program == "P1" && hit.direction == Direction::tighten)
            result.reading.tool_verdict = protocol::ToolVerdict::not_ok;
        result.digest = std::hash<std::string>{}(side.epoch + "/" + std::to_string(side.made));
        return result;
    }
    const Outcome& hits(const Hit& hit) { return happens(made(hit)); }

    // ---- whole passages
    void identified_unit() {
        happens(OperatorSignedOn{BayId{"B1"}, worker});
        arrives();
        scans("D", "D1");
        scans("F", "F1");
    }
    void joined_unit() {
        identified_unit();
        hits(mount_ok);
        hits(mount_ok);
        hits(cap_ok);
        hits(cap_ok);
    }
    void finished_unit() {
        joined_unit();
        hits(clip_ok(1));
        hits(clip_ok(2));
        happens(CheckConfirmed{BayId{"B1"}, "look", worker, state.newest});
    }

    // ---- looking at it
    const BayState& bay() const { return state.bays.front(); }
    const Stay& stay() const { return std::get<Stay>(bay().occupant); }
    const JointState& joint(const std::string& id) const { return *joint_of(stay(), id); }
    const PermissiveState& permissive(const std::string& id) const {
        return *std::ranges::find(bay().permissives, PermissiveId{id}, &PermissiveState::id);
    }
    OnWire on_wire(const std::string& id) const { return gate(bay(), permissive(id), state.newest).code; }
    bool released(const std::string& id) const { return on_wire(id) == OnWire::released; }
    const Reason* reason(const std::string& id, ReasonCode code) const {
        const auto& reasons = permissive(id).reasons;
        const auto found = std::ranges::find(reasons, code, &Reason::code);
        return found == reasons.end() ? nullptr : &*found;
    }
    bool held_by(const std::string& id, ReasonCode code) const { return reason(id, code) != nullptr; }
    bool on_hold(const std::string& serial) const {
        return std::ranges::find(state.holds, Serial{serial}, &UnitHold::unit) != state.holds.end();
    }
    bool alarmed(AlarmCode code) const {
        return std::ranges::any_of(record.effects, [&](const Effect& effect) {
            const auto* alarm = std::get_if<Alarm>(&effect);
            return alarm != nullptr && alarm->code == code;
        });
    }
    const evaluation::Judgement& judgement() const { return std::get<Attributed>(record.outcome).judgement; }

    RuleBook rules;
    State state;
    Record record;
    std::vector<Event> events;
    std::map<std::string, ToolSide> tools;
    struct {
        Presence present = Presence::absent;
        std::uint16_t arrivals = 7, departures = 7, starts = 1;
        std::vector<Moved> moved;
        Token echoed;
        bool fault = false;
        std::vector<PermissiveId> moved_wrongly;
    } equipment;
    std::string boot = "boot-1";
    std::int64_t now_ns = 0;
    std::uint32_t last_token = 100;
};

inline bool refused(const Outcome& outcome, RefusalCode code) {
    const auto* refusal = std::get_if<Refused>(&outcome);
    return refusal != nullptr && refusal->code == code && !sentence(*refusal).empty();
}
inline bool unassigned(const Outcome& outcome, UnassignedWhy why) {
    const auto* kept = std::get_if<Unassigned>(&outcome);
    return kept != nullptr && kept->why == why;
}
template <class Kind>
bool is(const Outcome& outcome) {
    return std::holds_alternative<Kind>(outcome);
}

}  // namespace tautgate::story
