// Everything that can happen to a station, as past facts. The interlock sees time, chance and the outside
// world only in here: stamps, fresh tokens and what the shell looked up are part of the event, so that the
// same events always lead to the same state. The names of kinds, fields and enumerators are stored in the
// journal: add, never rename. Plain values; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "protocol/curve_measure.hpp"
#include "protocol/order_csv.hpp"
#include "protocol/reading.hpp"
#include "service/domain/ids.hpp"
#include "service/domain/person.hpp"
#include "service/domain/stamp.hpp"

namespace tautgate::interlock {

using domain::BayId;
using domain::EventNumber;
using domain::Interval;
using domain::JointId;
using domain::PermissiveId;
using domain::Person;
using domain::PersonNumber;
using domain::Revision;
using domain::Serial;
using domain::Stamp;
using domain::Token;
using domain::ToolId;

// How far a link can be believed. Stale and failed act at once; good comes only after the settling time.
enum class Quality : std::uint8_t { unknown, good, stale, failed };
TAUTGATE_ENUM(Quality, unknown, good, stale, failed);

enum class Presence : std::uint8_t { unknown, absent, present };
TAUTGATE_ENUM(Presence, unknown, absent, present);

// What stood on the wire for a permissive when something moved.
enum class OnWire : std::uint8_t { withheld, released, leaving_incomplete };
TAUTGATE_ENUM(OnWire, withheld, released, leaving_incomplete);

// ---- the station --------------------------------------------------------------------------------------

struct FreshToken {
    BayId bay;
    Token token;
    bool operator==(const FreshToken&) const = default;
};
TAUTGATE_FIELDS(FreshToken, bay, token);

// The service came up. Every quality is unknown from here on.
struct StationStarted {
    std::string program_version;
    bool clean_end = false;          // the run before ended in order
    std::vector<FreshToken> tokens;  // for bays that have none yet
    bool operator==(const StationStarted&) const = default;
};
TAUTGATE_FIELDS(StationStarted, program_version, clean_end, tokens);

struct StationStopped {
    bool operator==(const StationStopped&) const = default;
};
TAUTGATE_NO_FIELDS(StationStopped);

// Rules that two people approved. Bays take them with their next stay.
struct RulesApproved {
    Revision revision;
    PersonNumber by;
    PersonNumber seconded_by;
    std::vector<FreshToken> tokens;  // for bays that the rules bring in
    bool operator==(const RulesApproved&) const = default;
};
TAUTGATE_FIELDS(RulesApproved, revision, by, seconded_by, tokens);

// Somebody was enrolled or got other roles. The first administrator is enrolled at the station itself and
// has nobody to approve it; from then on `by` is an administrator, and a role that approves needs a second.
struct PersonEnrolled {
    Person person;
    std::optional<PersonNumber> by;
    std::optional<PersonNumber> seconded_by;
    bool operator==(const PersonEnrolled&) const = default;
};
TAUTGATE_FIELDS(PersonEnrolled, person, by, seconded_by);

// Whoever has a role that approves is suspended by two people.
struct PersonSuspended {
    PersonNumber person;
    PersonNumber by;
    std::optional<PersonNumber> seconded_by = {};
    bool operator==(const PersonSuspended&) const = default;
};
TAUTGATE_FIELDS(PersonSuspended, person, by, seconded_by);

// A wrong secret, or a sign-in while locked.
struct SignInRefused {
    PersonNumber person;
    std::string why;
    std::optional<std::uint32_t> locked_for_s = {};  // locked from here on; nothing: is not, or was before
    bool operator==(const SignInRefused&) const = default;
};
TAUTGATE_FIELDS(SignInRefused, person, why, locked_for_s);

// Somebody of another role let a locked person try again.
struct PersonUnlocked {
    PersonNumber person;
    PersonNumber by;
    bool operator==(const PersonUnlocked&) const = default;
};
TAUTGATE_FIELDS(PersonUnlocked, person, by);

// Somebody stands in for a role for a time. It is named by who has the role, or by an administrator, and
// takes two people as every role that approves does.
struct DeputyNamed {
    PersonNumber person;
    domain::Role role = domain::Role::production_supervisor;
    std::int64_t until_utc_us = 0;
    PersonNumber by;
    std::optional<PersonNumber> seconded_by;
    bool operator==(const DeputyNamed&) const = default;
};
TAUTGATE_FIELDS(DeputyNamed, person, role, until_utc_us, by, seconded_by);

// Before its time was over.
struct DeputyEnded {
    PersonNumber person;
    domain::Role role = domain::Role::production_supervisor;
    PersonNumber by;
    bool operator==(const DeputyEnded&) const = default;
};
TAUTGATE_FIELDS(DeputyEnded, person, role, by);

// Whoever runs the station PC put a new administrator in the place of all that there were, who are lost.
struct AdministratorReplaced {
    Person person;
    std::vector<PersonNumber> lost;  // suspended with it
    bool operator==(const AdministratorReplaced&) const = default;
};
TAUTGATE_FIELDS(AdministratorReplaced, person, lost);

// The name and badge of somebody who is suspended are taken out; their number stays.
struct NameErased {
    PersonNumber person;
    PersonNumber by;
    std::optional<PersonNumber> seconded_by;
    bool operator==(const NameErased&) const = default;
};
TAUTGATE_FIELDS(NameErased, person, by, seconded_by);

// Somebody who gave the old secret put another one in its place. It changes nobody's say: whoever was let in
// by one person alone stays so.
struct SecretRenewed {
    PersonNumber person;
    std::string secret_mark;  // of the new one
    bool operator==(const SecretRenewed&) const = default;
};
TAUTGATE_FIELDS(SecretRenewed, person, secret_mark);

// ---- links --------------------------------------------------------------------------------------------

struct ToolLinkChanged {
    ToolId tool;
    Quality quality = Quality::unknown;
    std::string why;
    std::uint32_t changes = 1;  // more than one: the link flapped and this stands for all
    bool operator==(const ToolLinkChanged&) const = default;
};
TAUTGATE_FIELDS(ToolLinkChanged, tool, quality, why, changes);

// The tool said where its count stands (on connecting, or by its registers).
struct ToolAnswered {
    ToolId tool;
    std::string epoch;       // changes when the tool's count starts again
    std::uint64_t last = 0;  // counter of its newest result
    bool operator==(const ToolAnswered&) const = default;
};
TAUTGATE_FIELDS(ToolAnswered, tool, epoch, last);

// A tool that obeys says whether it may run: the answer to the order that it was told last, or because that
// changed. `counter` is of its newest result, looked at after that.
struct ToolControlSeen {
    ToolId tool;
    EventNumber order;  // the event that ordered what it was told last
    bool enabled = false;
    std::string program;  // that it is set to; empty: it does not say
    std::string epoch;
    std::uint64_t counter = 0;
    bool operator==(const ToolControlSeen&) const = default;
};
TAUTGATE_FIELDS(ToolControlSeen, tool, order, enabled, program, epoch, counter);

struct ControllerLinkChanged {
    BayId bay;
    Quality quality = Quality::unknown;
    std::string why;
    std::uint32_t changes = 1;
    bool operator==(const ControllerLinkChanged&) const = default;
};
TAUTGATE_FIELDS(ControllerLinkChanged, bay, quality, why, changes);

struct Moved {
    PermissiveId permissive;
    std::uint16_t count = 0;
    bool operator==(const Moved&) const = default;
};
TAUTGATE_FIELDS(Moved, permissive, count);

// What the equipment's controller reports; sent when any of it changed, and once after the link came up.
struct ControllerReported {
    BayId bay;
    Presence present = Presence::unknown;
    std::uint16_t arrivals = 0;
    std::uint16_t departures = 0;
    std::uint16_t starts = 0;
    std::vector<Moved> moved;
    Token echoed;
    bool fault = false;
    Token fresh;                                 // for the next stay, should this end one
    std::vector<PermissiveId> on_wire_released;  // released (or leaving incomplete) on the wire until now
    std::vector<PermissiveId> moved_wrongly;     // the controller says so; until the next arrival
    bool operator==(const ControllerReported&) const = default;
};
TAUTGATE_FIELDS(ControllerReported, bay, present, arrivals, departures, starts, moved, echoed, fault, fresh,
                on_wire_released, moved_wrongly);

// ---- the bay ------------------------------------------------------------------------------------------

// The unit that a sub-assembly was joined into in an earlier stay, and was not taken out of since.
struct JoinedBefore {
    Serial unit;
    EventNumber stay;
    std::int64_t utc_us = 0;  // of the stay's beginning
    bool operator==(const JoinedBefore&) const = default;
};
TAUTGATE_FIELDS(JoinedBefore, unit, stay, utc_us);

enum class OrderEnd : std::uint8_t { built, cancelled };
TAUTGATE_ENUM(OrderEnd, built, cancelled);

// An order that is open no longer.
struct ClosedOrder {
    std::string number;
    OrderEnd end = OrderEnd::cancelled;
    Serial unit = {};       // that was built for it; empty: it was cancelled
    EventNumber with = {};  // the event that closed it
    std::int64_t utc_us = 0;
    bool operator==(const ClosedOrder&) const = default;
};
TAUTGATE_FIELDS(ClosedOrder, number, end, unit, with, utc_us);

// What the journal has of a ticket's serial number and of its order comes with the ticket.
struct TicketScanned {
    BayId bay;
    std::string kind;
    Serial serial;
    std::string order;
    std::string type;
    std::string raw;
    std::uint32_t earlier_stays = 0;  // how often the journal has seen this serial before
    std::optional<JoinedBefore> joined = {};
    std::optional<ClosedOrder> closed_order = {};
    std::optional<PersonNumber> typed_by = {};  // by hand, by whom; none: a scanner read it
    bool operator==(const TicketScanned&) const = default;
};
TAUTGATE_FIELDS(TicketScanned, bay, kind, serial, order, type, raw, earlier_stays, joined, closed_order,
                typed_by);

struct LabelMisread {
    BayId bay;
    std::string raw;
    std::string why;
    std::optional<PersonNumber> typed_by = {};
    bool operator==(const LabelMisread&) const = default;
};
TAUTGATE_FIELDS(LabelMisread, bay, raw, why, typed_by);

struct OperatorSignedOn {
    BayId bay;
    PersonNumber person;
    bool operator==(const OperatorSignedOn&) const = default;
};
TAUTGATE_FIELDS(OperatorSignedOn, bay, person);

struct OperatorSignedOff {
    BayId bay;
    std::optional<PersonNumber> by;  // who asked for it; none in records of before it was kept
    bool operator==(const OperatorSignedOff&) const = default;
};
TAUTGATE_FIELDS(OperatorSignedOff, bay, by);

// One run of a tool, as it arrived. `digest` names the received bytes (the first 64 bits of their SHA-256):
// the same key with another digest is a conflict, not a repetition.
struct ResultReceived {
    ToolId tool;
    std::string epoch;
    protocol::Reading reading;
    Interval made;
    std::uint64_t digest = 0;
    bool operator==(const ResultReceived&) const = default;
};
TAUTGATE_FIELDS(ResultReceived, tool, epoch, reading, made, digest);

// The curve of a result (protocol/trace.hpp), named by the result's key. Its samples are kept beside the
// record: `digest` (64 hex digits, the SHA-256 of their bytes, protocol/TRACE.md) ties them to it. It may
// come before its result, after it, or without one. `read` is what the rules want to know of it, so that a
// replay needs no samples; where they look at no curve of the tool, it is evidence for people and changes no
// state.
struct TraceReceived {
    ToolId tool;
    std::string epoch;
    std::uint64_t counter = 0;
    std::string digest;
    std::uint32_t samples = 0;
    std::uint32_t bytes = 0;                         // before they are compressed
    std::optional<protocol::CurveReport> read = {};  // none: nobody looks at it
    bool operator==(const TraceReceived&) const = default;
};
TAUTGATE_FIELDS(TraceReceived, tool, epoch, counter, digest, samples, bytes, read);

// The curve of a result will not come any more: its time is over, or the link gave it up.
struct CurveGivenUp {
    ToolId tool;
    std::string epoch;
    std::uint64_t counter = 0;  // of the result
    std::string why;
    bool operator==(const CurveGivenUp&) const = default;
};
TAUTGATE_FIELDS(CurveGivenUp, tool, epoch, counter, why);

// Bytes from a tool that could not be understood as a result. Kept as they came.
struct InputRefused {
    std::string source;  // tool, scanner or controller
    std::string raw;
    std::string why;
    std::uint32_t count = 1;  // several in a row are one event
    bool operator==(const InputRefused&) const = default;
};
TAUTGATE_FIELDS(InputRefused, source, raw, why, count);

// Whoever works at the bay wants a tool there that several bays share.
struct ToolCalled {
    BayId bay;
    ToolId tool;
    PersonNumber by;
    bool operator==(const ToolCalled&) const = default;
};
TAUTGATE_FIELDS(ToolCalled, bay, tool, by);

// A person says that a step was done (ConfirmStep), or a joint with Method::confirmed_check.
struct CheckConfirmed {
    BayId bay;
    std::string step;  // id of the step or of the joint
    PersonNumber by;
    EventNumber seen;  // the newest event that the person's screen had shown
    bool operator==(const CheckConfirmed&) const = default;
};
TAUTGATE_FIELDS(CheckConfirmed, bay, step, by, seen);

// ---- the wiring ---------------------------------------------------------------------------------------

// A person tries the wiring of an empty bay: its permissives are shown as released for a token from the
// reserved range, on which no controller moves.
struct WiringTestBegan {
    BayId bay;
    std::optional<PermissiveId> permissive;  // none: all of the bay
    PersonNumber by;
    Token token;
    bool operator==(const WiringTestBegan&) const = default;
};
TAUTGATE_FIELDS(WiringTestBegan, bay, permissive, by, token);

// Ended by a person, or by its time. Whatever else ends it is in the event that did (WiringTestOver).
struct WiringTestEnded {
    BayId bay;
    std::optional<PersonNumber> by;  // none: its time is over
    bool operator==(const WiringTestEnded&) const = default;
};
TAUTGATE_FIELDS(WiringTestEnded, bay, by);
// A push button at the bay was pressed and let go. It stands for whoever is signed on there, and confirms; it
// never decides.
struct ButtonPressed {
    BayId bay;
    std::string button;  // module and input
    std::string step;    // id of what it confirms; empty: the one step that is open for that
    Interval made;
    bool operator==(const ButtonPressed&) const = default;
};
TAUTGATE_FIELDS(ButtonPressed, bay, button, step, made);

// A torque that a person measured by hand at a fastener that was tightened before, and typed in. Never the
// torque of an installation: it has limits of its own.
struct HandChecked {
    BayId bay;
    JointId joint;
    std::uint32_t fastener = 0;  // index, 0..
    protocol::Torque torque;
    std::string received;    // as it was typed, with its unit
    std::string instrument;  // with what it was measured
    PersonNumber by;
    EventNumber seen;  // the newest event that the person's screen had shown
    bool operator==(const HandChecked&) const = default;
};
TAUTGATE_FIELDS(HandChecked, bay, joint, fastener, torque, received, instrument, by, seen);

// A person says which fastener is tightened (or loosened) next, where the rules leave that to people.
struct FastenerSelected {
    BayId bay;
    JointId joint;
    std::uint32_t fastener = 0;  // index, 0..
    PersonNumber by;
    EventNumber seen;  // the newest event that the person's screen had shown
    bool operator==(const FastenerSelected&) const = default;
};
TAUTGATE_FIELDS(FastenerSelected, bay, joint, fastener, by, seen);

// The arm that holds a tool is at another position, or nobody knows at which.
struct ArmMoved {
    ToolId tool;
    std::optional<std::uint32_t> position;  // 1 the first fastener; none: at none, or not known
    Interval changed;                       // from the last look that saw it as it was to the first like this
    bool operator==(const ArmMoved&) const = default;
};
TAUTGATE_FIELDS(ArmMoved, tool, position, changed);

// The waiting time before a check pass is over.
struct CheckDue {
    EventNumber stay;
    JointId joint;
    std::uint32_t pass = 0;  // index, 0..
    EventNumber began;       // the event with which the waiting began
    bool operator==(const CheckDue&) const = default;
};
TAUTGATE_FIELDS(CheckDue, stay, joint, pass, began);

// ---- decisions of people ------------------------------------------------------------------------------

// One joint of this unit counts without proof.
struct OverrideJoint {
    JointId joint;
    std::string verified;                            // what was verified and how
    std::optional<protocol::Torque> checked_torque;  // by hand, where the rule asks for it
    bool operator==(const OverrideJoint&) const = default;
};
TAUTGATE_FIELDS(OverrideJoint, joint, verified, checked_torque);
struct TakeBackOverride {
    JointId joint;
    bool operator==(const TakeBackOverride&) const = default;
};
TAUTGATE_FIELDS(TakeBackOverride, joint);
// The unit leaves unproven, over the permissives that its plan names for that.
struct LeaveIncomplete {
    bool operator==(const LeaveIncomplete&) const = default;
};
TAUTGATE_NO_FIELDS(LeaveIncomplete);
// Results are missing in the tool's count, and nobody will bring them.
struct AcceptGap {
    ToolId tool;
    bool operator==(const AcceptGap&) const = default;
};
TAUTGATE_FIELDS(AcceptGap, tool);
// After an unclean end: this source cannot say what it missed; a person looked.
struct AcceptSource {
    ToolId tool;
    bool operator==(const AcceptSource&) const = default;
};
TAUTGATE_FIELDS(AcceptSource, tool);
// A locked fastener gets one more attempt; where the plan asks for a new fastener, it was replaced.
struct UnlockFastener {
    JointId joint;
    std::uint32_t fastener = 0;  // index, 0..
    bool operator==(const UnlockFastener&) const = default;
};
TAUTGATE_FIELDS(UnlockFastener, joint, fastener);
struct AssignResult {
    EventNumber result;
    JointId joint;
    std::uint32_t fastener = 0;
    bool operator==(const AssignResult&) const = default;
};
TAUTGATE_FIELDS(AssignResult, result, joint, fastener);
struct SetResultAside {
    EventNumber result;
    bool operator==(const SetResultAside&) const = default;
};
TAUTGATE_FIELDS(SetResultAside, result);
// Answers to "a second ticket was scanned: has the unit left?"
struct UnitStillHere {
    bool operator==(const UnitStillHere&) const = default;
};
TAUTGATE_NO_FIELDS(UnitStillHere);
struct UnitHasLeft {
    Token fresh;
    bool operator==(const UnitHasLeft&) const = default;
};
TAUTGATE_FIELDS(UnitHasLeft, fresh);
// The wrong ticket was scanned; this one is right. The wrong one stays in the record.
struct CorrectTicket {
    std::string kind;
    Serial serial;
    std::string order;
    std::string type;
    std::string raw;
    std::uint32_t earlier_stays = 0;
    std::optional<JoinedBefore> joined = {};
    std::optional<ClosedOrder> closed_order = {};
    bool operator==(const CorrectTicket&) const = default;
};
TAUTGATE_FIELDS(CorrectTicket, kind, serial, order, type, raw, earlier_stays, joined, closed_order);
// The serial was here before, and this is rework, not a duplicate label.
struct AcceptReturn {
    bool operator==(const AcceptReturn&) const = default;
};
TAUTGATE_NO_FIELDS(AcceptReturn);
struct AcknowledgeMove {
    PermissiveId permissive;
    bool operator==(const AcknowledgeMove&) const = default;
};
TAUTGATE_FIELDS(AcknowledgeMove, permissive);
// A one-shot movement was interrupted: it may be made once more.
struct RearmPermissive {
    PermissiveId permissive;
    bool operator==(const RearmPermissive&) const = default;
};
TAUTGATE_FIELDS(RearmPermissive, permissive);
// An event that the program could not digest was looked at, and the stay may go on.
struct DisposeSetAside {
    EventNumber event;
    bool operator==(const DisposeSetAside&) const = default;
};
TAUTGATE_FIELDS(DisposeSetAside, event);
// A newer program would have decided otherwise; people looked, and the stored decision stands.
struct AcceptDifference {
    bool operator==(const AcceptDifference&) const = default;
};
TAUTGATE_NO_FIELDS(AcceptDifference);
struct PlaceHold {
    Serial serial;
    bool operator==(const PlaceHold&) const = default;
};
TAUTGATE_FIELDS(PlaceHold, serial);
struct LiftHold {
    Serial serial;
    bool operator==(const LiftHold&) const = default;
};
TAUTGATE_FIELDS(LiftHold, serial);

// What units have in common and quality may doubt: whatever it has touched does not count meanwhile.
struct HeldTool {
    ToolId tool;
    bool operator==(const HeldTool&) const = default;
};
TAUTGATE_FIELDS(HeldTool, tool);
// Its specification: the window, the passes, the tools that it names.
struct HeldJoint {
    JointId joint;
    bool operator==(const HeldJoint&) const = default;
};
TAUTGATE_FIELDS(HeldJoint, joint);
struct HeldPerson {
    PersonNumber person;
    bool operator==(const HeldPerson&) const = default;
};
TAUTGATE_FIELDS(HeldPerson, person);
using HeldSource = std::variant<HeldTool, HeldJoint, HeldPerson>;

// Units that it touched since then and that have left go on the hold list with it, each to be lifted by
// itself.
struct PlaceHoldOn {
    HeldSource source;
    std::optional<std::int64_t> since_utc_us = {};  // none: no unit that has left
    std::vector<Serial> units = {};                 // as the journal knows them, oldest first
    bool operator==(const PlaceHoldOn&) const = default;
};
TAUTGATE_FIELDS(PlaceHoldOn, source, since_utc_us, units);
struct LiftHoldFrom {
    HeldSource source;
    bool operator==(const LiftHoldFrom&) const = default;
};
TAUTGATE_FIELDS(LiftHoldFrom, source);

// A tool was calibrated, as its certificate says.
struct RecordCalibration {
    ToolId tool;
    std::int64_t done_utc_us = 0;
    std::string certificate;  // by which it is found again
    bool operator==(const RecordCalibration&) const = default;
};
TAUTGATE_FIELDS(RecordCalibration, tool, done_utc_us, certificate);

// Something of the joint's planned way is out of order: units that come from now on are done the other way,
// which the rules approved beforehand, until then and for so many units.
struct PlaceBypass {
    JointId joint;
    std::string alternate;  // id
    std::int64_t until_utc_us = 0;
    std::uint32_t units = 0;
    bool operator==(const PlaceBypass&) const = default;
};
TAUTGATE_FIELDS(PlaceBypass, joint, alternate, until_utc_us, units);
// Units that come from now on are done as planned, once the restart is verified.
struct EndBypass {
    JointId joint;
    bool operator==(const EndBypass&) const = default;
};
TAUTGATE_FIELDS(EndBypass, joint);
// What was out of order works again.
struct VerifyRestart {
    JointId joint;
    std::string verified;  // what was done to find that out
    bool operator==(const VerifyRestart&) const = default;
};
TAUTGATE_FIELDS(VerifyRestart, joint, verified);
// Somebody who did not do it saw the joint done.
struct WitnessJoint {
    JointId joint;
    bool operator==(const WitnessJoint&) const = default;
};
TAUTGATE_FIELDS(WitnessJoint, joint);

// By which content of its order the unit is built.
enum class OrderChoice : std::uint8_t {
    as_taken,  // what it said when the unit was identified, or the tickets alone where it said nothing then
    as_now     // what it was changed to
};
TAUTGATE_ENUM(OrderChoice, as_taken, as_now);
// The order of the unit in the bay was cancelled, changed or used for another unit, and the work goes on.
struct SettleOrder {
    OrderChoice choice = OrderChoice::as_taken;
    bool operator==(const SettleOrder&) const = default;
};
TAUTGATE_FIELDS(SettleOrder, choice);
// A sub-assembly was taken out of the other unit and belongs to this one.
struct AcceptReuse {
    Serial serial;
    bool operator==(const AcceptReuse&) const = default;
};
TAUTGATE_FIELDS(AcceptReuse, serial);

using Action =
    std::variant<OverrideJoint, TakeBackOverride, LeaveIncomplete, AcceptGap, AcceptSource, UnlockFastener,
                 AssignResult, SetResultAside, UnitStillHere, UnitHasLeft, CorrectTicket, AcceptReturn,
                 AcknowledgeMove, RearmPermissive, DisposeSetAside, AcceptDifference, PlaceHold, LiftHold,
                 SettleOrder, AcceptReuse, PlaceHoldOn, LiftHoldFrom, RecordCalibration, PlaceBypass,
                 EndBypass, VerifyRestart, WitnessJoint>;

// A signed-in person decides. Where the rules ask for one, it acts at once; where for two, it waits for
// another person's Seconded. `seen` is the newest event that the person's screen had shown.
struct Proposed {
    BayId bay;
    Action action;
    PersonNumber by;
    std::string reason_code;
    std::string reason_text;
    EventNumber seen;
    bool operator==(const Proposed&) const = default;
};
TAUTGATE_FIELDS(Proposed, bay, action, by, reason_code, reason_text, seen);

struct Seconded {
    BayId bay;
    EventNumber proposal;  // the event that proposed
    PersonNumber by;
    EventNumber seen;
    bool operator==(const Seconded&) const = default;
};
TAUTGATE_FIELDS(Seconded, bay, proposal, by, seen);

// The proposer took it back, or the second person refused.
struct ProposalEnded {
    BayId bay;
    EventNumber proposal;
    PersonNumber by;
    std::string why;
    bool operator==(const ProposalEnded&) const = default;
};
TAUTGATE_FIELDS(ProposalEnded, bay, proposal, by, why);

// ---- the record about itself --------------------------------------------------------------------------

// The process died while deciding this; it is kept, not decided again.
struct EventSetAside {
    std::optional<BayId> bay;  // none: it concerned every bay
    std::string raw;           // the event as it was noted
    std::string why;
    std::optional<ToolId> tool;  // it was a result of this tool: its count goes on, and it is acknowledged
    std::string epoch;
    std::uint64_t counter = 0;
    std::uint64_t digest = 0;  // of the result's bytes: the tool may send it again before it is acknowledged
    bool operator==(const EventSetAside&) const = default;
};
TAUTGATE_FIELDS(EventSetAside, bay, raw, why, tool, epoch, counter, digest);

// Replaying an event, this program version came to another decision than the one stored.
struct DecisionDiffered {
    EventNumber first;  // the first event that differed
    std::string program_version;
    bool operator==(const DecisionDiffered&) const = default;
};
TAUTGATE_FIELDS(DecisionDiffered, first, program_version);

// The whole state, from which a replay may begin. `state` is in canonical bytes (canonical.hpp).
struct SnapshotTaken {
    std::string state;
    bool operator==(const SnapshotTaken&) const = default;
};
TAUTGATE_FIELDS(SnapshotTaken, state);

// ---- orders -------------------------------------------------------------------------------------------

enum class OrderSource : std::uint8_t { folder, request };
TAUTGATE_ENUM(OrderSource, folder, request);

// The works' planning, or an entitled person, hands orders over: all of them count, or none. The same file of
// the folder, by its number and its bytes, counts once.
struct OrdersReceived {
    OrderSource source = OrderSource::folder;
    std::uint64_t number = 0;        // under which the folder took the file; 0: it came by request
    std::string name;                // of the file
    std::string sha256;              // of its bytes, in hex
    std::optional<PersonNumber> by;  // of a request
    std::vector<protocol::OrderEntry> orders;
    std::vector<ClosedOrder> closed;  // those of them that the journal has as closed
    bool operator==(const OrdersReceived&) const = default;
};
TAUTGATE_FIELDS(OrdersReceived, source, number, name, sha256, by, orders, closed);

using Payload =
    std::variant<StationStarted, StationStopped, RulesApproved, PersonEnrolled, PersonSuspended,
                 SignInRefused, ToolLinkChanged, ToolAnswered, ControllerLinkChanged, ControllerReported,
                 TicketScanned, LabelMisread, OperatorSignedOn, OperatorSignedOff, ResultReceived,
                 InputRefused, CheckConfirmed, Proposed, Seconded, ProposalEnded, EventSetAside,
                 DecisionDiffered, SnapshotTaken, ToolControlSeen, ToolCalled, WiringTestBegan,
                 WiringTestEnded, OrdersReceived, TraceReceived, ButtonPressed, HandChecked, CurveGivenUp,
                 PersonUnlocked, DeputyNamed, DeputyEnded, AdministratorReplaced, NameErased, SecretRenewed,
                 FastenerSelected, ArmMoved, CheckDue>;

struct Event {
    EventNumber number;
    Stamp at;
    Payload payload;
    bool operator==(const Event&) const = default;
};
TAUTGATE_FIELDS(Event, number, at, payload);

}  // namespace tautgate::interlock
