// One event on its way through the core: what the handlers of events share. Used by decide() only; nothing
// outside this folder includes it. Pure; one thread at a time.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <string>

#include "service/interlock/decide.hpp"
#include "service/interlock/lookup.hpp"

namespace tautgate::interlock {

struct Transition {
    const RuleBook& rules;
    State& state;  // being changed
    const Event& event;
    std::vector<Effect> effects;

    [[nodiscard]] EventNumber now() const { return event.number; }
    void acknowledge(const ToolId& tool, const std::string& epoch, std::uint64_t counter) {
        effects.emplace_back(Acknowledge{tool, epoch, counter});
    }
    void alarm(AlarmCode code, const BayId& bay, const Serial& unit, std::string detail) {
        effects.emplace_back(Alarm{code, bay, unit, std::move(detail)});
    }
};

// ---- stay.cpp -----------------------------------------------------------------------------------------

void begin_stay(Transition& t, BayState& bay);

enum class Leaving : std::uint8_t { proven, incomplete, unproven };
// The unit is gone. `fresh` is offered to the next one. Unproven and incomplete units go on the hold list.
void end_stay(Transition& t, BayState& bay, Leaving how, Token fresh);
// Its stay ended or went to another bay. `fresh` is offered to the next one.
void vacate(BayState& bay, Token fresh);
// Once for each cause.
void hold_unit(State& state, const Serial& unit, EventNumber since, std::string why);
// The same for the unit of a stay, by the number of its stay as long as no ticket says which unit it is.
void hold_unit_of(State& state, const Stay& stay, EventNumber since, std::string why);
// The serial number that stands for the unit: its own once identified, else the first ticket's.
[[nodiscard]] Serial unit_of(const Stay& stay);
// In how many open stays of other bays the serial number is a ticket: it cannot be in two places.
[[nodiscard]] std::uint32_t open_elsewhere(const State& state, const BayState& here, const Serial& serial);
[[nodiscard]] bool released_for_leaving(const Transition& t, const BayState& bay,
                                        const std::vector<PermissiveId>& released);
// A label that was printed anew may bear the serial number with another order or type: it is another label.
[[nodiscard]] bool says_the_same(const Ticket& one, const Ticket& other);
// A ticket that whoever has seen no more than this has not seen; nullptr: there is none.
[[nodiscard]] const Ticket* unseen_ticket(const Stay& stay, EventNumber seen);
// Said by a person about the unit at a bay.
struct AboutTheUnit {
    EventNumber seen;            // the newest event that the person's screen had shown
    bool under_way_too = false;  // it may be said of a unit that has not been seen to arrive
};
// Why it is not, or not certainly, about the unit of the stay; nothing: it is.
[[nodiscard]] std::optional<Refused> not_about_it(const Stay& stay, const AboutTheUnit& said);
// A fastener as a person names it, and as the bay's unit has it.
struct FastenerNamed {
    const BayId& bay;
    const JointId& joint;
    std::uint32_t fastener;  // index, 0..
    PersonNumber by;
    AboutTheUnit unit;
};
struct FastenerMeant {
    Stay& stay;
    const config::Joint& joint;
    JointState& state;
};
[[nodiscard]] std::expected<FastenerMeant, Refused> fastener_meant(Transition& t, const FastenerNamed& named);
// Of a kind that is missing, or in the place of the one of its kind.
void put_ticket(Stay& stay, const Ticket& ticket);
// Judges the pair from the tickets; once it is right, lays out the joints of the plan.
void identify(Transition& t, Stay& stay);
// What people decided was about the unit as it was known then: overrides and half-signed decisions end.
void forget_decisions(const Transition& t, Stay& stay);
// Who is signed on from now on, or that nobody is.
void sign_on(const Transition& t, BayState& bay, std::optional<PersonNumber> person);
void take_all_proof(const Transition& t, JointState& joint);
void touch(const Transition& t, JointState& joint);
// Bays, permissives and tools of the rules that the state does not know yet.
void take_in_parts(State& state, const config::Station& station, const std::vector<FreshToken>& tokens);

// ---- one handler an event -----------------------------------------------------------------------------

[[nodiscard]] Outcome apply(Transition& t, const StationStarted& started);
[[nodiscard]] Outcome apply(Transition& t, const StationStopped& stopped);
[[nodiscard]] Outcome apply(Transition& t, const RulesApproved& approved);
[[nodiscard]] Outcome apply(Transition& t, const PersonEnrolled& enrolled);
[[nodiscard]] Outcome apply(Transition& t, const PersonSuspended& suspended);
[[nodiscard]] Outcome apply(Transition& t, const SignInRefused& refused);
[[nodiscard]] Outcome apply(Transition& t, const PersonUnlocked& unlocked);
[[nodiscard]] Outcome apply(Transition& t, const DeputyNamed& named);
[[nodiscard]] Outcome apply(Transition& t, const DeputyEnded& ended);
[[nodiscard]] Outcome apply(Transition& t, const AdministratorReplaced& replaced);
[[nodiscard]] Outcome apply(Transition& t, const NameErased& erased);
[[nodiscard]] Outcome apply(Transition& t, const SecretRenewed& renewed);
[[nodiscard]] Outcome apply(Transition& t, const ToolLinkChanged& changed);
[[nodiscard]] Outcome apply(Transition& t, const ToolAnswered& answered);
[[nodiscard]] Outcome apply(Transition& t, const ToolControlSeen& seen);
[[nodiscard]] Outcome apply(Transition& t, const ToolCalled& called);
[[nodiscard]] Outcome apply(Transition& t, const ControllerLinkChanged& changed);
[[nodiscard]] Outcome apply(Transition& t, const ControllerReported& reported);
[[nodiscard]] Outcome apply(Transition& t, const TicketScanned& scanned);
[[nodiscard]] Outcome apply(Transition& t, const LabelMisread& misread);
[[nodiscard]] Outcome apply(Transition& t, const OperatorSignedOn& signed_on);
[[nodiscard]] Outcome apply(Transition& t, const OperatorSignedOff& signed_off);
[[nodiscard]] Outcome apply(Transition& t, const ResultReceived& received);
[[nodiscard]] Outcome apply(Transition& t, const InputRefused& refused);
[[nodiscard]] Outcome apply(Transition& t, const CheckConfirmed& confirmed);
[[nodiscard]] Outcome apply(Transition& t, const ButtonPressed& pressed);
[[nodiscard]] Outcome apply(Transition& t, const HandChecked& checked);
[[nodiscard]] Outcome apply(Transition& t, const Proposed& proposed);
[[nodiscard]] Outcome apply(Transition& t, const Seconded& seconded);
[[nodiscard]] Outcome apply(Transition& t, const ProposalEnded& ended);
[[nodiscard]] Outcome apply(Transition& t, const EventSetAside& aside);
[[nodiscard]] Outcome apply(Transition& t, const DecisionDiffered& differed);
[[nodiscard]] Outcome apply(Transition& t, const SnapshotTaken& taken);
[[nodiscard]] Outcome apply(Transition& t, const WiringTestBegan& began);
[[nodiscard]] Outcome apply(Transition& t, const WiringTestEnded& ended);

// Ends every test of the wiring that something speaks against after this event (wiring_test.cpp).
void end_wiring_tests(Transition& t);
[[nodiscard]] Outcome apply(Transition& t, const OrdersReceived& received);
[[nodiscard]] Outcome apply(Transition& t, const TraceReceived& trace);
[[nodiscard]] Outcome apply(Transition& t, const CurveGivenUp& given_up);
[[nodiscard]] Outcome apply(Transition& t, const FastenerSelected& selected);
[[nodiscard]] Outcome apply(Transition& t, const ArmMoved& moved);
[[nodiscard]] Outcome apply(Transition& t, const CheckDue& due);

// Where this event brought a check pass to hand, its waiting begins; where it took one away, it ends
// (check_passes.cpp).
void settle_checks(Transition& t);
// A selection is about a unit that is certainly there, and about a joint of its plan (positions.cpp).
void drop_selections(Transition& t);
// At which position the tool's arm was all the time in which something may have been made; none: it moved, or
// nobody knows (positions.cpp).
[[nodiscard]] std::optional<std::uint32_t> arm_position(const ToolState& tool, const Interval& made);

// What a fastener is left with after an attempt that was not OK (results.cpp).
void take_not_ok(FastenerState& fastener, PassState& pass, const config::Retry& retry, NotOk not_ok);
// What the curve of a tightening makes of it; `curve` is what came (curves.cpp).
[[nodiscard]] evaluation::Judgement judge_curve(const config::Joint& joint, std::uint32_t pass,
                                                const evaluation::ToldValues& told, const KnownCurve& curve);
// The curve that came before its result, if it did; it is taken out (curves.cpp).
[[nodiscard]] std::optional<KnownCurve> take_early_curve(ToolState& tool, const std::string& epoch,
                                                         std::uint64_t counter);

// Whether some of the time in which it may have been made lies in the present stay (results.cpp).
[[nodiscard]] bool may_be_made_in(const Stay& stay, const Interval& made);
// Files an unassigned reading to a fastener by a person's decision (results.cpp).
[[nodiscard]] Outcome file_by_hand(const Transition& t, const config::Station& station, Stay& stay,
                                   const UnassignedResult& result, const JointId& joint,
                                   std::uint32_t fastener);

}  // namespace tautgate::interlock
