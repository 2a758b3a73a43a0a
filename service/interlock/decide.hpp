// The decision core. `decide` takes the rules, the state of the whole station and one event, and returns the
// next state, what came of the event, and what is to be done. It asks no clock, no disk and nobody: the same
// arguments give the same bytes, which is what recovery, `why` and the exploration rest on.
//
// A release is built from positive evidence for everything in the permissive's scope (`holds_of` returns
// nothing), never from the absence of complaints: whatever is not known is a reason. In doubt it withholds.
// Pure; any thread.
#pragma once

#include <map>
#include <memory>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "config/station.hpp"
#include "service/interlock/state.hpp"

namespace tautgate::interlock {

// Every set of rules that a stay may still follow, by revision.
using RuleBook = std::map<Revision, std::shared_ptr<const config::Station>>;

// ---- what came of an event ----------------------------------------------------------------------------

// Taken into account; nothing more to say.
struct Applied {
    bool operator==(const Applied&) const = default;
};
TAUTGATE_NO_FIELDS(Applied);

// A result that counts for one fastener.
struct Attributed {
    EventNumber stay;
    JointId joint;
    std::uint32_t fastener = 0;  // index, 0..
    std::uint32_t pass = 0;      // index, 0..
    std::uint32_t attempt = 0;   // 1..
    evaluation::Judgement judgement;
    bool awaits_curve = false;  // the values are good, and prove nothing before the curve came
    bool operator==(const Attributed&) const = default;
};
TAUTGATE_FIELDS(Attributed, stay, joint, fastener, pass, attempt, judgement, awaits_curve);

// A second hit on a tight fastener: recorded, counted for nothing.
struct Rehit {
    EventNumber stay;
    JointId joint;
    bool operator==(const Rehit&) const = default;
};
TAUTGATE_FIELDS(Rehit, stay, joint);

// Proof was taken away by a loosening, from one fastener or (where it could not be placed) from whole joints.
struct Loosened {
    EventNumber stay;
    std::vector<JointId> joints;
    std::optional<std::uint32_t> fastener;
    bool operator==(const Loosened&) const = default;
};
TAUTGATE_FIELDS(Loosened, stay, joints, fastener);

// Kept, and counted for no fastener.
struct Unassigned {
    UnassignedWhy why = UnassignedWhy::no_stay;
    std::optional<EventNumber> stay;  // the stay that waits for a decision about it
    bool operator==(const Unassigned&) const = default;
};
TAUTGATE_FIELDS(Unassigned, why, stay);

// A result of a unit that has left, filed to its stay.
struct FiledLate {
    EventNumber stay;
    Serial unit;
    bool on_hold = false;  // it speaks against the unit
    bool operator==(const FiledLate&) const = default;
};
TAUTGATE_FIELDS(FiledLate, stay, unit, on_hold);

// The same result once more.
struct Repeated {
    bool operator==(const Repeated&) const = default;
};
TAUTGATE_NO_FIELDS(Repeated);

// Older than the first word of the tool: made before we followed it.
struct BeforeBaseline {
    bool operator==(const BeforeBaseline&) const = default;
};
TAUTGATE_NO_FIELDS(BeforeBaseline);

// The same key with other content. The tool's results no longer count until people decide.
struct Conflict {
    bool operator==(const Conflict&) const = default;
};
TAUTGATE_NO_FIELDS(Conflict);

// A person's act that the rules do not allow. Nothing changed but the record.
enum class RefusalCode : std::uint8_t {
    unknown_person,
    suspended,
    not_entitled,
    same_person_twice,
    tightened_it,
    no_stay,
    no_such_joint,
    no_such_thing,
    already_settled,
    reason_missing,
    value_missing,
    value_outside_audit_window,
    seen_too_old,
    not_possible_now,
    needs_second_administrator
};
TAUTGATE_ENUM(RefusalCode, unknown_person, suspended, not_entitled, same_person_twice, tightened_it, no_stay,
              no_such_joint, no_such_thing, already_settled, reason_missing, value_missing,
              value_outside_audit_window, seen_too_old, not_possible_now, needs_second_administrator);
// What a refusal's detail is, or begins with, where the remedy depends on it.
namespace refusal {
inline constexpr std::string_view no_movement = "no such movement is open";
inline constexpr std::string_view none_set_aside = "no such event is set aside";
inline constexpr std::string_view no_check = "the plan has no check ";
inline constexpr std::string_view no_permissive = "no permissive ";  // "... lift at this bay"
inline constexpr std::string_view no_audit_window = "the joint states no audit window";
inline constexpr std::string_view nobody_signed_on = "nobody is signed on";
inline constexpr std::string_view no_administrator = "the station would have no administrator";
inline constexpr std::string_view another_role = "whoever unlocks has a role that the locked person has not";
inline constexpr std::string_view not_lost = "is an administrator, too, and is not named as lost";
inline constexpr std::string_view suspended_first = "a name is taken out only of somebody who is suspended";
inline constexpr std::string_view not_shared = "the tool belongs to this bay alone";
inline constexpr std::string_view not_selected = "nobody selects the fasteners of this joint";
inline constexpr std::string_view deputy_ends = "whoever stands in for a role does so for at most ";
inline constexpr std::string_view hand_value = "this class of joint needs a hand-checked torque";
inline constexpr std::string_view no_other_way = "the rules approve no other way ";  // "... 'x' of joint y"
inline constexpr std::string_view way_approved_for = "the rules approve it for ";    // "... at most 8 h"
inline constexpr std::string_view over_at_once = "it would be over before it began";
inline constexpr std::string_view bypassed_still = "the joint is bypassed still";
inline constexpr std::string_view not_done_yet = "the joint is not done yet";
inline constexpr std::string_view not_yet = "that has not happened yet";
inline constexpr std::string_view came_later = "it is about what event ";  // "... 22 brought"
}  // namespace refusal

struct Refused {
    RefusalCode code = RefusalCode::not_possible_now;
    std::string detail;
    bool operator==(const Refused&) const = default;
};
TAUTGATE_FIELDS(Refused, code, detail);

// The act waits for a second person.
struct AwaitsSecond {
    EventNumber proposal;
    bool operator==(const AwaitsSecond&) const = default;
};
TAUTGATE_FIELDS(AwaitsSecond, proposal);

// The orders are known from here on.
struct OrdersTaken {
    std::vector<std::string> unchanged;  // numbers of those of which it said nothing new
    bool operator==(const OrdersTaken&) const = default;
};
TAUTGATE_FIELDS(OrdersTaken, unchanged);

// None of them is; nothing changed but the record.
struct OrdersRefused {
    std::vector<protocol::RowFault> faults;  // by line, never empty
    bool operator==(const OrdersRefused&) const = default;
};
TAUTGATE_FIELDS(OrdersRefused, faults);

// A ticket that reads well and counts for nothing, since its step is done or since it is not certain which
// unit is at the bay: the station asks whether the unit has left.
struct Questioned {
    std::string detail;  // for which step it is, or what is not certain, as a clause
    bool operator==(const Questioned&) const = default;
};
TAUTGATE_FIELDS(Questioned, detail);

// A torque that was measured by hand, against the joint's audit limits.
struct HandCheck {
    EventNumber stay;
    JointId joint;
    std::uint32_t fastener = 0;  // index, 0..
    std::string found;           // as people read it, with unit
    std::string allowed;
    bool operator==(const HandCheck&) const = default;
};
TAUTGATE_FIELDS(HandCheck, stay, joint, fastener, found, allowed);
struct InsideAudit {
    HandCheck check;
    bool operator==(const InsideAudit&) const = default;
};
TAUTGATE_FIELDS(InsideAudit, check);
// It has taken the proof of its fastener, if there was one.
struct OutsideAudit {
    HandCheck check;
    bool operator==(const OutsideAudit&) const = default;
};
TAUTGATE_FIELDS(OutsideAudit, check);

// The unit of the stay was moved to another bay; stay and token went with it.
struct StayMoved {
    EventNumber stay;
    BayId from;
    BayId to;
    PermissiveId permissive;
    bool unproven = false;  // it was withheld
    bool operator==(const StayMoved&) const = default;
};
TAUTGATE_FIELDS(StayMoved, stay, from, to, permissive, unproven);

// The curve of a result that counts for one fastener came, or will not come: what that makes of the result.
struct CurveJudged {
    EventNumber stay;
    JointId joint;
    std::uint32_t fastener = 0;  // index, 0..
    std::uint32_t pass = 0;      // index, 0..
    EventNumber result;
    evaluation::Judgement judgement;
    bool operator==(const CurveJudged&) const = default;
};
TAUTGATE_FIELDS(CurveJudged, stay, joint, fastener, pass, result, judgement);

// A step was confirmed by a button, which does not say for whom, nor always which one.
struct Confirmed {
    EventNumber stay;
    std::string step;
    PersonNumber by;  // who was signed on at the bay
    bool operator==(const Confirmed&) const = default;
};
TAUTGATE_FIELDS(Confirmed, stay, step, by);

using Outcome = std::variant<Applied, Attributed, Rehit, Loosened, Unassigned, FiledLate, Repeated,
                             BeforeBaseline, Conflict, Refused, AwaitsSecond, OrdersTaken, OrdersRefused,
                             Questioned, InsideAudit, OutsideAudit, StayMoved, CurveJudged, Confirmed>;

// ---- what is to be done -------------------------------------------------------------------------------

// Tell the tool that everything up to this counter is stored. Only after the event is durable.
struct Acknowledge {
    ToolId tool;
    std::string epoch;
    std::uint64_t counter = 0;
    bool operator==(const Acknowledge&) const = default;
};
TAUTGATE_FIELDS(Acknowledge, tool, epoch, counter);

enum class AlarmCode : std::uint8_t {
    left_unproven,
    moved_unproven,
    late_result_against_unit,
    result_conflict,
    event_set_aside,
    decision_differs,
    ran_while_disabled,  // a tool made a result, though it had said that it is disabled
    tool_disobeys,       // a tool says that it may run, though it was told that it may not
    moved_to_occupied,   // a unit was moved towards a bay in which another one stands
    administrator_replaced
};
TAUTGATE_ENUM(AlarmCode, left_unproven, moved_unproven, late_result_against_unit, result_conflict,
              event_set_aside, decision_differs, ran_while_disabled, tool_disobeys, moved_to_occupied,
              administrator_replaced);

// A person must act.
struct Alarm {
    AlarmCode code = AlarmCode::left_unproven;
    BayId bay;
    Serial unit;
    std::string detail;
    bool operator==(const Alarm&) const = default;
};
TAUTGATE_FIELDS(Alarm, code, bay, unit, detail);

// A bay fell empty: a good moment for a snapshot.
struct TakeSnapshot {
    bool operator==(const TakeSnapshot&) const = default;
};
TAUTGATE_NO_FIELDS(TakeSnapshot);

// A test of the wiring is over: the permissives are withheld again.
enum class WiringTestEnd : std::uint8_t {
    by_person,
    time_over,
    unit_seen,        // an arrival, a ticket, or a present signal that is not surely off
    equipment_moved,  // or its controller started anew
    link_lost,
    station_restarted,
    rules_changed
};
TAUTGATE_ENUM(WiringTestEnd, by_person, time_over, unit_seen, equipment_moved, link_lost, station_restarted,
              rules_changed);
struct WiringTestOver {
    BayId bay;
    WiringTestEnd why = WiringTestEnd::by_person;
    bool operator==(const WiringTestOver&) const = default;
};
TAUTGATE_FIELDS(WiringTestOver, bay, why);

using Effect = std::variant<Acknowledge, Alarm, TakeSnapshot, WiringTestOver>;

// A permissive whose output or whose reasons are not what they were. Said is what changed, not all that there
// is: with every result of a long plan, hardly one of its many reasons does.
struct PermissiveChange {
    BayId bay;
    PermissiveId permissive;
    Output now;
    std::vector<Reason> came;  // worst first; all there are, when it was not withheld before
    std::vector<Reason> gone;  // worst first; none listed when it is not withheld now: then none is left
    bool operator==(const PermissiveChange&) const = default;
};
TAUTGATE_FIELDS(PermissiveChange, bay, permissive, now, came, gone);

// An override that counts no longer, although the unit is still there: the joint was tightened or loosened
// again, or people took it back, or the unit is another one.
struct OverrideEnded {
    BayId bay;
    JointId joint;
    EventNumber proposal;
    bool operator==(const OverrideEnded&) const = default;
};
TAUTGATE_FIELDS(OverrideEnded, bay, joint, proposal);

// The part of a decision that the journal keeps beside the event.
struct Record {
    Outcome outcome;
    std::vector<PermissiveChange> changes;
    std::vector<Effect> effects;
    std::vector<OverrideEnded> ended;
    bool operator==(const Record&) const = default;
};
TAUTGATE_FIELDS(Record, outcome, changes, effects, ended);

struct Decision {
    State state;
    Record record;
};

[[nodiscard]] Decision decide(const RuleBook& rules, State state, const Event& event);

// Everything that holds the permissive back now, worst first. Empty: nothing does.
[[nodiscard]] std::vector<Reason> holds_of(const RuleBook& rules, const State& state, const BayState& bay,
                                           const PermissiveId& permissive);

// What people can decide about a reason, and whom the rules let decide it: as the very check sees it that the
// decision would meet now. What a person has yet to say is empty in the action.
struct WayOut {
    Action action;
    std::uint32_t people = 1;
    std::vector<config::Role> roles;
};
[[nodiscard]] std::vector<WayOut> ways_out(const RuleBook& rules, const State& state, const BayId& bay,
                                           const Reason& reason);

// What must be true of every state; the first broken rule in words, or nothing. Checked after each decision:
// a break ends the process withheld.
[[nodiscard]] std::string broken_invariant(const RuleBook& rules, const State& state);

[[nodiscard]] std::string sentence(const Refused& refused);
[[nodiscard]] std::string sentence(const Questioned& scanned);
[[nodiscard]] std::string sentence(const InsideAudit& inside);
[[nodiscard]] std::string sentence(const OutsideAudit& outside);

}  // namespace tautgate::interlock
