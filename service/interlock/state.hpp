// The whole station as far as decisions depend on it. Each state holds only what is true in it. The state
// grows with what is open at the station (bays, tools, people, holds, orders), never with its history. It
// holds no clock reading that an unjournaled renewal could move.
//
//   a bay:   Empty --arrival / first ticket--> Stay --departure / leaving movement / "has left"--> Empty
//            Stay --movement to another bay--> Empty, and the same stay is at that bay (moves.hpp)
//   a permissive:
//            Withheld --no reason left--> Released --any reason, used, stay ends--> Withheld
//            Withheld --two people decide that the unit leaves incomplete--> LeavingIncomplete --> Withheld
//
// Plain values; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "service/evaluation/curve_judgement.hpp"
#include "service/evaluation/judgement.hpp"
#include "service/interlock/event.hpp"
#include "service/interlock/reason.hpp"

namespace tautgate::interlock {

// ---- tools --------------------------------------------------------------------------------------------

// The tool's count is not known yet: its first word is a baseline, not a result of ours.
struct NoBaseline {
    bool operator==(const NoBaseline&) const = default;
};
TAUTGATE_NO_FIELDS(NoBaseline);

struct Following {
    std::string epoch;
    std::uint64_t counter = 0;  // of the newest result that the journal has
    bool operator==(const Following&) const = default;
};
TAUTGATE_FIELDS(Following, epoch, counter);

// The tool's count does not continue ours. Its results are unassigned until what is missing came, or people
// decide.
struct Broken {
    std::string epoch;           // as the tool says now
    std::uint64_t expected = 0;  // the first that is missing
    std::uint64_t got = 0;       // the first that came after it
    std::uint64_t newest = 0;    // the newest of which we know
    std::string old_epoch;
    bool began_anew = false;  // it cannot become whole by what comes
    bool in_turn = false;     // nothing that was made before the first missing one waits for people
    bool operator==(const Broken&) const = default;
};
TAUTGATE_FIELDS(Broken, epoch, expected, got, newest, old_epoch, began_anew, in_turn);

// Numbers that the tool gave in its present count and that never came, both ends included.
struct MissingRange {
    std::uint64_t from = 0;
    std::uint64_t to = 0;
    bool accepted = false;  // people decided that they will not come
    bool operator==(const MissingRange&) const = default;
};
TAUTGATE_FIELDS(MissingRange, from, to, accepted);

struct SeenResult {
    std::string epoch;
    std::uint64_t counter = 0;
    std::uint64_t digest = 0;
    bool operator==(const SeenResult&) const = default;
};
TAUTGATE_FIELDS(SeenResult, epoch, counter, digest);

// ---- orders to tools that obey ------------------------------------------------------------------------
//
//   ToolOff --it says so, and its count is ours--> ToolOff, confirmed --a bay needs it--> ToolOn
//   ToolOn --no longer needed there, or doubt about the tool--> ToolOff
//
// A shared tool goes to another bay only from a confirmed ToolOff.

struct ToolOff {
    EventNumber by;  // the event that ordered it; none: never ordered
    std::optional<Stamp> confirmed;
    bool operator==(const ToolOff&) const = default;
};
TAUTGATE_FIELDS(ToolOff, by, confirmed);
struct ToolOn {
    EventNumber by;
    BayId bay;
    std::string program;  // empty: the station does not choose it
    bool confirmed = false;
    bool operator==(const ToolOn&) const = default;
};
TAUTGATE_FIELDS(ToolOn, by, bay, program, confirmed);
using ToolOrder = std::variant<ToolOff, ToolOn>;

// From the order that let it run at a bay to the one that told it not to.
struct ToolBinding {
    BayId bay;
    Stamp from;
    std::optional<Stamp> until;
    bool operator==(const ToolBinding&) const = default;
};
TAUTGATE_FIELDS(ToolBinding, bay, from, until);

// From its word that it is disabled to the next order that let it run.
struct ToolRest {
    Stamp from;
    std::optional<Stamp> until;
    bool operator==(const ToolRest&) const = default;
};
TAUTGATE_FIELDS(ToolRest, from, until);

// Its latest word about an order.
struct ToolWord {
    EventNumber order;
    bool enabled = false;
    std::string epoch;
    std::uint64_t counter = 0;  // of its newest result, looked at after that
    bool operator==(const ToolWord&) const = default;
};
TAUTGATE_FIELDS(ToolWord, order, enabled, epoch, counter);

// What is known of the curve of a result.
struct KnownCurve {
    std::string digest;
    protocol::CurveReport read;
    bool changed = false;  // it came again with other content
    bool operator==(const KnownCurve&) const = default;
};
TAUTGATE_FIELDS(KnownCurve, digest, read, changed);

// A curve whose result has not come yet.
struct EarlyCurve {
    std::string epoch;
    std::uint64_t counter = 0;
    KnownCurve curve;
    bool operator==(const EarlyCurve&) const = default;
};
TAUTGATE_FIELDS(EarlyCurve, epoch, counter, curve);

// Where the arm that holds a tool went.
struct ArmAt {
    std::optional<std::uint32_t> position;  // 1 the first fastener; none: at none, or not known
    Interval changed;
    bool operator==(const ArmAt&) const = default;
};
TAUTGATE_FIELDS(ArmAt, position, changed);

// Where a tool stands by its newest calibration and the rules in force.
enum class CalibrationStanding : std::uint8_t {
    not_watched,  // the rules ask for none
    good,
    due_soon,
    overdue,       // stays so until another one is recorded or rules are approved, whatever a clock says
    not_recorded,  // none is known
    clock_behind   // it was made later than the station's clock says that it is now
};
TAUTGATE_ENUM(CalibrationStanding, not_watched, good, due_soon, overdue, not_recorded, clock_behind);

struct CalibrationDone {
    std::int64_t utc_us = 0;
    std::string certificate;
    EventNumber recorded;
    bool operator==(const CalibrationDone&) const = default;
};
TAUTGATE_FIELDS(CalibrationDone, utc_us, certificate, recorded);

struct ToolCalibration {
    std::optional<CalibrationDone> newest;
    CalibrationStanding standing = CalibrationStanding::not_watched;
    std::int64_t until_utc_us = 0;  // for so long it holds; where one is known and watched
    bool operator==(const ToolCalibration&) const = default;
};
TAUTGATE_FIELDS(ToolCalibration, newest, standing, until_utc_us);

struct ToolState {
    ToolId id;
    Quality link = Quality::unknown;
    std::variant<NoBaseline, Following, Broken> count;
    std::optional<std::uint64_t> outstanding_to;  // the tool holds results up to this one that we lack
    bool asked = false;                           // since an unclean end, its count was compared with ours
    bool conflict = false;                        // the same key came with other content
    std::vector<SeenResult> recent;               // the newest few, oldest first
    std::vector<MissingRange> missing;            // of the present count; bounded, then wider
    std::optional<std::uint64_t> baseline;        // up to this one they were made before we followed
    std::optional<Stamp> began_anew;              // the present count was first seen to have started over
    Stamp heard;                                  // its newest result or word
    EventNumber changed;                          // last event that changed what is missing or in doubt
    // Of a tool that obeys.
    ToolOrder order;
    std::optional<ToolWord> word;
    std::vector<ToolBinding> bound;             // the newest few, oldest first; of a shared tool
    std::vector<ToolRest> rests;                // the newest few, oldest first
    std::optional<BayId> called_to;             // until it is there, or not needed there
    bool disobeys = false;                      // it says that it may run, and was told that it may not
    std::vector<EarlyCurve> early_curves = {};  // the newest few, oldest first
    std::vector<ArmAt> arm = {};                // the newest few, oldest first
    ToolCalibration calibration = {};
    bool operator==(const ToolState&) const = default;
};
TAUTGATE_FIELDS(ToolState, id, link, count, outstanding_to, asked, conflict, recent, missing, baseline,
                began_anew, heard, changed, order, word, bound, rests, called_to, disobeys, early_curves, arm,
                calibration);

// ---- joints -------------------------------------------------------------------------------------------

// By which a curve is known to be that of a result, and what the tool said of the tightening. The digest of
// the result tells it from one of the same number in a count that began anew.
struct CurveOfResult {
    ToolId tool;
    std::string epoch;
    std::uint64_t counter = 0;
    std::uint64_t digest = 0;
    evaluation::ToldValues told;
    bool operator==(const CurveOfResult&) const = default;
};
TAUTGATE_FIELDS(CurveOfResult, tool, epoch, counter, digest, told);

// The curve on which a proof rests; one that came without it by its pass's leave has no digest.
struct ProvenCurve {
    CurveOfResult of;
    std::string digest;
    bool operator==(const ProvenCurve&) const = default;
};
TAUTGATE_FIELDS(ProvenCurve, of, digest);

struct Proof {
    EventNumber result;
    std::optional<PersonNumber> operator_;  // who was signed on
    bool assigned_by_hand = false;
    std::optional<ProvenCurve> curve = {};  // none: its pass limits no curve
    ToolId tool = {};                       // that made the result
    bool operator==(const Proof&) const = default;
};
TAUTGATE_FIELDS(Proof, result, operator_, assigned_by_hand, curve, tool);

// The values are good; whether it is proof, the curve will say.
struct AwaitsCurve {
    CurveOfResult of;
    EventNumber result;
    std::optional<PersonNumber> operator_;
    bool assigned_by_hand = false;
    bool operator==(const AwaitsCurve&) const = default;
};
TAUTGATE_FIELDS(AwaitsCurve, of, result, operator_, assigned_by_hand);

struct NotOk {
    EventNumber result;
    evaluation::Judgement judgement;
    bool operator==(const NotOk&) const = default;
};
TAUTGATE_FIELDS(NotOk, result, judgement);

// One fastener in one pass.
//   open --good values--> proven, or where the pass limits curves: awaited --good curve--> proven
struct PassState {
    std::uint32_t attempts = 0;  // used in this pass since the last unlock
    std::optional<Proof> proof;
    std::optional<NotOk> not_ok;              // the newest attempt, if it was not OK
    std::optional<AwaitsCurve> awaited = {};  // the newest attempt, if its curve is still to come
    bool operator==(const PassState&) const = default;
};
TAUTGATE_FIELDS(PassState, attempts, proof, not_ok, awaited);

struct FastenerState {
    std::vector<PassState> passes;
    bool locked = false;
    bool loosening_due = false;
    bool replacement_due = false;
    bool operator==(const FastenerState&) const = default;
};
TAUTGATE_FIELDS(FastenerState, passes, locked, loosening_due, replacement_due);

struct Override {
    EventNumber proposal;
    PersonNumber by;
    std::optional<PersonNumber> seconded_by;
    std::string reason_code;
    std::vector<ReasonCode> lifts;  // only these
    bool operator==(const Override&) const = default;
};
TAUTGATE_FIELDS(Override, proposal, by, seconded_by, reason_code, lifts);

// The fasteners of the joint relax before a check pass.
struct CheckWait {
    std::uint32_t pass = 0;  // index, 0..
    EventNumber began;
    Stamp since;
    std::optional<Stamp> over;  // the check may be made from then on
    bool operator==(const CheckWait&) const = default;
};
TAUTGATE_FIELDS(CheckWait, pass, began, since, over);

struct JointState {
    JointId id;
    std::vector<FastenerState> fasteners;  // empty for a confirmed check
    std::optional<EventNumber> confirmed;  // of a confirmed check
    std::optional<PersonNumber> confirmed_by;
    std::optional<Override> override_;
    EventNumber changed;                        // last event that changed anything about this joint
    std::vector<PersonNumber> tightened_by;     // everybody signed on while it was tightened
    bool tightened_unsigned = false;            // some of it while nobody was signed on
    std::optional<CheckWait> wait = {};         // while a check pass is at hand
    std::optional<EventNumber> witnessed = {};  // as it stands
    bool operator==(const JointState&) const = default;
};
TAUTGATE_FIELDS(JointState, id, fasteners, confirmed, confirmed_by, override_, changed, tightened_by,
                tightened_unsigned, wait, witnessed);

// ---- a stay -------------------------------------------------------------------------------------------

// In which other way a joint is done, and the bypass that leads to it.
struct OtherWay {
    JointId joint;
    std::string alternate;  // id
    EventNumber bypass;
    bool counted = false;  // the unit has this joint, and is one of those for which the bypass may be used
    bool operator==(const OtherWay&) const = default;
};
TAUTGATE_FIELDS(OtherWay, joint, alternate, bypass, counted);
// Of a stay: what stood when it began. A joint that is not among them is done as planned.
using OtherWays = std::vector<OtherWay>;

struct Ticket {
    std::string kind;
    Serial serial;
    std::string order;
    std::string type;
    EventNumber scanned;
    std::uint32_t earlier_stays = 0;
    std::optional<JoinedBefore> joined = {};
    std::optional<ClosedOrder> closed_order = {};
    bool operator==(const Ticket&) const = default;
};
TAUTGATE_FIELDS(Ticket, kind, serial, order, type, scanned, earlier_stays, joined, closed_order);

struct TicketsMissing {
    bool operator==(const TicketsMissing&) const = default;
};
TAUTGATE_NO_FIELDS(TicketsMissing);
struct WrongPair {
    std::string why;
    bool operator==(const WrongPair&) const = default;
};
TAUTGATE_FIELDS(WrongPair, why);
struct UnknownVariant {
    std::string type;
    bool operator==(const UnknownVariant&) const = default;
};
TAUTGATE_FIELDS(UnknownVariant, type);
struct Identified {
    Serial unit;
    std::string variant;
    std::string plan;
    std::string plan_revision;
    bool operator==(const Identified&) const = default;
};
TAUTGATE_FIELDS(Identified, unit, variant, plan, plan_revision);

using Identity = std::variant<TicketsMissing, WrongPair, UnknownVariant, Identified>;

enum class Doubt : std::uint8_t {
    none,
    restarted,
    controller_link_lost,
    controller_restarted,
    counts_changed,
    moved_in_doubt,        // to this bay: while that was withheld, or it was not certain which unit it was
    came_before_counted,   // a unit came to this bay, and only then was this one counted as moved here
    moved_towards_another  // a movement was counted from one of two bays to the other, and both have a unit
};
TAUTGATE_ENUM(Doubt, none, restarted, controller_link_lost, controller_restarted, counts_changed,
              moved_in_doubt, came_before_counted, moved_towards_another);

enum class UnassignedWhy : std::uint8_t {
    no_stay,           // no unit was there when it was made
    not_in_one_stay,   // the moment cannot be placed within one stay
    not_identified,    // the unit's pair is not right (yet)
    no_open_joint,     // nothing open takes this tool
    several_joints,    // more than one joint could claim it
    position_unknown,  // the tool's position is none of the joint's fasteners, or is missing
    count_broken,      // the tool's count does not continue
    question_open,     // a question about the unit was unanswered
    simulated_tool,    // a simulated result never proves a real unit
    unknown_tool,
    gap_accepted,   // people had accepted that it would not come
    maybe_counted,  // made before the count started anew: it may have been counted then
    conflicting,    // the tool gave one number to two results, and people have not decided yet
    tool_disabled,  // the tool had been told not to run, and had said that it does not
    between_bays    // of a shared tool: not while it belonged to one bay
};
TAUTGATE_ENUM(UnassignedWhy, no_stay, not_in_one_stay, not_identified, no_open_joint, several_joints,
              position_unknown, count_broken, question_open, simulated_tool, unknown_tool, gap_accepted,
              maybe_counted, conflicting, tool_disabled, between_bays);

// Who was signed on at the bay in the time in which a result was made.
struct Crew {
    std::vector<PersonNumber> people;
    bool nobody = false;  // for part of that time nobody was, or it is not known who
    bool operator==(const Crew&) const = default;
};
TAUTGATE_FIELDS(Crew, people, nobody);

// Kept whole, so that people can still file it.
struct UnassignedResult {
    EventNumber result;
    ToolId tool;
    UnassignedWhy why = UnassignedWhy::no_stay;
    protocol::Reading reading;
    std::optional<PersonNumber> operator_;  // if it can only have been one
    Interval made;
    Crew made_by;
    std::string epoch = {};
    std::uint64_t digest = 0;
    std::optional<KnownCurve> curve = {};  // none: not here yet, or nobody looks at it
    bool tool_overdue = false;             // when it came
    bool operator==(const UnassignedResult&) const = default;
};
TAUTGATE_FIELDS(UnassignedResult, result, tool, why, reading, operator_, made, made_by, epoch, digest, curve,
                tool_overdue);

struct Proposal {
    EventNumber number;
    Proposed what;
    bool operator==(const Proposal&) const = default;
};
TAUTGATE_FIELDS(Proposal, number, what);

// The newest movement over a permissive that people have not decided about yet.
struct MovementSeen {
    PermissiveId permissive;
    EventNumber seen;
    bool operator==(const MovementSeen&) const = default;
};
TAUTGATE_FIELDS(MovementSeen, permissive, seen);

struct CheckDone {
    std::string step;
    EventNumber confirmed;
    PersonNumber by;
    bool operator==(const CheckDone&) const = default;
};
TAUTGATE_FIELDS(CheckDone, step, confirmed, by);

enum class OrderStanding : std::uint8_t {
    as_taken,   // nothing happened to it that concerns the unit
    changed,    // it says something else than when the unit was identified
    cancelled,  // it is open no longer, and nothing was built for it
    used        // another unit was, or is being, built for it
};
TAUTGATE_ENUM(OrderStanding, as_taken, changed, cancelled, used);

// The order that the unit in the bay is built for, as far as it is known at the station.
struct StayOrder {
    std::string number;
    EventNumber taken;  // the event with which the unit was first known to be its
    std::optional<protocol::OrderContent> content = {};  // as it was then; none: it was open no longer
    OrderStanding standing = OrderStanding::as_taken;
    EventNumber since;        // the event that brought the standing about
    Serial unit = {};         // of a used one: the other unit
    std::int64_t utc_us = 0;  // of one that is closed: since when
    bool settled = false;     // people decided to go on
    bool operator==(const StayOrder&) const = default;
};
TAUTGATE_FIELDS(StayOrder, number, taken, content, standing, since, unit, utc_us, settled);

// People decided that this sub-assembly was taken out of the unit that it was in.
struct ReuseAccepted {
    Serial serial;
    Serial from;  // the other unit
    EventNumber decided;
    bool operator==(const ReuseAccepted&) const = default;
};
TAUTGATE_FIELDS(ReuseAccepted, serial, from, decided);

// A bay at which the unit of a stay was before it moved on: what was made there then belongs to the stay.
struct EarlierPlace {
    BayId bay;
    Stamp from;
    Stamp until;
    bool operator==(const EarlierPlace&) const = default;
};
TAUTGATE_FIELDS(EarlierPlace, bay, from, until);

// How the unit came to the bay at which its stay is now.
struct MovedHere {
    BayId from;
    PermissiveId permissive;
    EventNumber moved;
    std::optional<EventNumber> arrived;  // none: it is on its way
    Stamp since;                         // that it is here; while it is on its way, that it moved
    bool operator==(const MovedHere&) const = default;
};
TAUTGATE_FIELDS(MovedHere, from, permissive, moved, arrived, since);

// Which fastener the next tightening is of, as a person said. Used up by the one that follows.
struct Selection {
    JointId joint;
    std::uint32_t fastener = 0;  // index, 0..
    PersonNumber by;
    Stamp at;
    bool operator==(const Selection&) const = default;
};
TAUTGATE_FIELDS(Selection, joint, fastener, by, at);

// Results of a stay beyond those that are kept one by one: a person looks at them in the record.
struct ManyUnassigned {
    EventNumber first;
    EventNumber newest;
    std::uint64_t count = 0;
    bool operator==(const ManyUnassigned&) const = default;
};
TAUTGATE_FIELDS(ManyUnassigned, first, newest, count);

struct Stay {
    EventNumber id;  // the event that began it
    Token token;
    Stamp began;
    Revision rules;  // it ends under what it began with
    std::vector<Ticket> tickets;
    std::vector<Ticket> refused_tickets;  // of a kind that the unit has already: the open question
    Identity identity;
    bool return_accepted = false;
    Doubt doubt = Doubt::none;              // about the tie between unit and token
    std::vector<JointState> joints;         // in the order of `laid_out`; empty until first identified
    std::string laid_out;                   // the plan whose joints these are
    std::vector<JointState> former_joints;  // of plans that it was taken for before
    std::vector<CheckDone> checks;
    std::vector<UnassignedResult> unassigned;
    std::vector<Proposal> proposals;           // waiting for a second person
    std::vector<MovementSeen> moved_unproven;  // until people acknowledge it
    bool ever_moved_unproven = false;          // whoever this unit turns out to be, it is on the hold list
    std::vector<MovementSeen> used;            // one-shot movements, until people allow them once more
    std::vector<EventNumber> set_aside;
    bool differs = false;  // a newer program would have decided otherwise
    std::optional<EventNumber> leaves_incomplete;
    std::optional<StayOrder> order;  // none: not known at the station, or its rules take no orders
    std::vector<ReuseAccepted> reuses;
    std::vector<EarlierPlace> earlier_places;  // oldest first
    std::optional<MovedHere> moved_here;       // none: it began at this bay
    std::optional<Selection> selection = {};
    std::optional<ManyUnassigned> many_unassigned = {};
    OtherWays other_ways = {};
    bool operator==(const Stay&) const = default;
};
TAUTGATE_FIELDS(Stay, id, token, began, rules, tickets, refused_tickets, identity, return_accepted, doubt,
                joints, laid_out, former_joints, checks, unassigned, proposals, moved_unproven,
                ever_moved_unproven, used, set_aside, differs, leaves_incomplete, order, reuses,
                earlier_places, moved_here, selection, many_unassigned, other_ways);

struct Empty {
    bool operator==(const Empty&) const = default;
};
TAUTGATE_NO_FIELDS(Empty);

// ---- outputs ------------------------------------------------------------------------------------------

struct Withheld {
    bool operator==(const Withheld&) const = default;
};
TAUTGATE_NO_FIELDS(Withheld);
struct Released {
    EventNumber by;  // the event that decided it
    Token token;
    bool operator==(const Released&) const = default;
};
TAUTGATE_FIELDS(Released, by, token);
struct LeavingIncomplete {
    EventNumber by;
    Token token;
    bool operator==(const LeavingIncomplete&) const = default;
};
TAUTGATE_FIELDS(LeavingIncomplete, by, token);

using Output = std::variant<Withheld, Released, LeavingIncomplete>;

struct PermissiveState {
    PermissiveId id;
    Output output;
    std::vector<Reason> reasons;  // worst first; empty exactly when the output is not Withheld
    bool operator==(const PermissiveState&) const = default;
};
TAUTGATE_FIELDS(PermissiveState, id, output, reasons);

// ---- bays and station ---------------------------------------------------------------------------------

struct ControllerCounts {
    std::uint16_t arrivals = 0;
    std::uint16_t departures = 0;
    std::uint16_t starts = 0;
    std::vector<Moved> moved;
    bool operator==(const ControllerCounts&) const = default;
};
TAUTGATE_FIELDS(ControllerCounts, arrivals, departures, starts, moved);

struct ControllerState {
    Quality link = Quality::unknown;
    Presence present = Presence::unknown;
    std::optional<ControllerCounts> counts;  // none before its first report
    Token echoed;
    bool fault = false;
    // What was released when we lost sight of the equipment: a movement that it reports afterwards may have
    // been made under that.
    std::vector<PermissiveId> standing;
    std::vector<PermissiveId> moved_wrongly;  // as the controller says, and as we have taken it
    bool operator==(const ControllerState&) const = default;
};
TAUTGATE_FIELDS(ControllerState, link, present, counts, echoed, fault, standing, moved_wrongly);

// From here on this person was signed on, or nobody.
struct SignOn {
    std::optional<PersonNumber> person;
    Stamp since;
    bool operator==(const SignOn&) const = default;
};
TAUTGATE_FIELDS(SignOn, person, since);

// The permissives of an empty bay are shown as released, to try its wiring. It lives no longer than
// everything under which it began is so.
struct WiringTest {
    EventNumber began;
    std::optional<PermissiveId> permissive;  // none: all of the bay
    PersonNumber by;
    Token token;  // of the reserved range: no controller moves on it
    Stamp since;
    ControllerCounts counts;  // of the equipment, which must stand still
    bool operator==(const WiringTest&) const = default;
};
TAUTGATE_FIELDS(WiringTest, began, permissive, by, token, since, counts);
// The newest scan at a bay that counted for nothing, told until one counts or another unit comes. No rule
// reads it.
struct UnusedScan {
    EventNumber scanned;
    std::string why;  // a sentence
    bool operator==(const UnusedScan&) const = default;
};
TAUTGATE_FIELDS(UnusedScan, scanned, why);

// The unit of a stay at another bay may move here now. This bay, which is empty, shows its token as the next.
struct Expected {
    EventNumber stay;
    Token token;
    BayId from;
    PermissiveId permissive;
    bool arrived = false;  // a unit arrived here, and that movement has not been counted (yet)
    bool operator==(const Expected&) const = default;
};
TAUTGATE_FIELDS(Expected, stay, token, from, permissive, arrived);

struct BayState {
    BayId id;
    Token offered;  // on the wire while the bay is empty; the next stay takes it
    ControllerState controller;
    std::optional<PersonNumber> signed_on;
    std::variant<Empty, Stay> occupant;
    // A leaving movement ended the stay and the unit's departure is still to be counted: until then nothing
    // that is scanned belongs to a new unit.
    bool departure_due = false;
    // Leaving permissives that were released when the last stay ended: their movement may be counted late.
    std::vector<PermissiveId> left_released;
    std::vector<PermissiveState> permissives;
    std::vector<SignOn> sign_ons;  // the newest few, oldest first
    std::vector<PermissiveId>
        uncounted;  // brought in by new rules: the first count of its movements is a baseline
    std::vector<EventNumber> set_aside;  // while no unit was there: the next one waits for what people say
    std::optional<WiringTest> wiring_test;
    std::optional<UnusedScan> unused_scan;
    std::optional<Expected> expected;
    // The unit left its place while more than one way was free: which one it took, a count will say.
    std::vector<PermissiveId> gone_by;
    // A unit of which no stay is open may be under way to this bay: of the next one that is moved here, a
    // ticket says which it is.
    bool stray_due = false;
    bool operator==(const BayState&) const = default;
};
TAUTGATE_FIELDS(BayState, id, offered, controller, signed_on, occupant, departure_due, left_released,
                permissives, sign_ons, uncounted, set_aside, wiring_test, unused_scan, expected, gone_by,
                stray_due);

// When the stay ended, this curve had not come.
struct CurveDue {
    JointId joint;
    std::uint32_t pass = 0;  // index, 0..
    CurveOfResult of;
    bool operator==(const CurveDue&) const = default;
};
TAUTGATE_FIELDS(CurveDue, joint, pass, of);

// A stay that ended lately: results made in it, and their curves, may still arrive.
struct EndedStay {
    EventNumber id;
    BayId bay;
    Serial unit;  // empty: never identified
    Stamp began;
    Stamp ended;
    Revision rules;
    std::string plan;  // empty: never identified
    std::vector<EarlierPlace> earlier_places = {};
    std::optional<Stamp> here_since = {};  // none: it began at this bay
    std::vector<CurveDue> curves_due = {};
    OtherWays other_ways = {};
    bool operator==(const EndedStay&) const = default;
};
TAUTGATE_FIELDS(EndedStay, id, bay, unit, began, ended, rules, plan, earlier_places, here_since, curves_due,
                other_ways);

// One cause; a unit may be held for several.
struct UnitHold {
    Serial unit;
    EventNumber since;
    std::string why;
    // Nobody knew which unit it is, and it is called by its stay. No ticket is one of it, whatever it reads.
    bool nameless = false;
    bool operator==(const UnitHold&) const = default;
};
TAUTGATE_FIELDS(UnitHold, unit, since, why, nameless);

struct SourceHold {
    HeldSource source;
    EventNumber since;
    std::string why;
    bool operator==(const SourceHold&) const = default;
};
TAUTGATE_FIELDS(SourceHold, source, since, why);

// For a while a joint is done in another way. It stands here until the restart is verified.
struct Bypass {
    JointId joint;
    std::string alternate;  // id
    EventNumber since;
    std::int64_t until_utc_us = 0;
    std::uint32_t units = 0;  // for which it may be used
    std::uint32_t used = 0;
    std::string why;
    std::optional<EventNumber> ended;  // by then, with the last unit, or by decision
    bool operator==(const Bypass&) const = default;
};
TAUTGATE_FIELDS(Bypass, joint, alternate, since, until_utc_us, units, used, why, ended);

// One administrator alone enrolled this person, or gave a new secret: no second person beside that one.
struct EnrolledAlone {
    PersonNumber person;
    PersonNumber by;
    bool operator==(const EnrolledAlone&) const = default;
};
TAUTGATE_FIELDS(EnrolledAlone, person, by);

// Somebody who acts in a role that they do not have, until a date. One that is over is dropped with the next
// event, and does not come back when a clock is set back.
struct Deputy {
    PersonNumber person;
    domain::Role role = domain::Role::production_supervisor;
    std::int64_t until_utc_us = 0;
    EventNumber named;
    bool operator==(const Deputy&) const = default;
};
TAUTGATE_FIELDS(Deputy, person, role, until_utc_us, named);

// Somebody who typed several wrong secrets. Over as a deputy's time is.
struct SignInLock {
    PersonNumber person;
    std::int64_t until_utc_us = 0;
    EventNumber since;
    bool operator==(const SignInLock&) const = default;
};
TAUTGATE_FIELDS(SignInLock, person, until_utc_us, since);

// An order that waits to be built.
struct Order {
    std::string number;
    protocol::OrderContent content;
    EventNumber since;  // the event that last said something new of it
    Serial unit;        // that left with it unproven or incomplete, and may come back; empty: none did
    bool operator==(const Order&) const = default;
};
TAUTGATE_FIELDS(Order, number, content, since, unit);

// A file of the order folder.
struct OrderFileSeen {
    std::uint64_t number = 0;
    std::string sha256;
    bool operator==(const OrderFileSeen&) const = default;
};
TAUTGATE_FIELDS(OrderFileSeen, number, sha256);

struct State {
    EventNumber newest;             // the event that led here
    std::optional<Revision> rules;  // in force for the next stays
    std::vector<BayState> bays;
    std::vector<ToolState> tools;
    std::vector<Person> people;
    std::vector<EndedStay> ended;              // the newest few, oldest first
    std::vector<UnitHold> holds;               // until quality lifts them
    std::vector<UnassignedResult> unassigned;  // results that belong to no present stay, newest last, bounded
    std::vector<EnrolledAlone> enrolled_alone;
    std::vector<Order> orders;  // open ones only, by number, bounded
    std::vector<ClosedOrder>
        closed_orders;  // the newest few, oldest first: the journal may not have them yet
    std::optional<OrderFileSeen> order_file;  // the newest that counted
    std::vector<Deputy> deputies;
    std::vector<SignInLock> locks;
    std::vector<SourceHold> source_holds = {};  // oldest first, until quality lifts them
    std::vector<Bypass> bypasses = {};          // one of a joint at most
    bool operator==(const State&) const = default;
};
TAUTGATE_FIELDS(State, newest, rules, bays, tools, people, ended, holds, unassigned, enrolled_alone, orders,
                closed_orders, order_file, deputies, locks, source_holds, bypasses);

}  // namespace tautgate::interlock
