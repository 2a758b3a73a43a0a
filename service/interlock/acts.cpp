// Decisions of people about a stay, a tool or a unit. Each names who decides, why, and the newest event that
// the person's screen had shown. What the rules do not allow is refused with a reason, and recorded.
#include <algorithm>
#include <charconv>

#include "config/entitlement.hpp"
#include "service/interlock/bypass.hpp"
#include "service/interlock/calibration.hpp"
#include "service/interlock/orders.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/interlock/source_holds.hpp"
#include "service/interlock/tool_count.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

using config::DecisionKind;
using config::RiskClass;

// What an action asks of people at this moment.
struct Demand {
    std::uint32_t people = 1;
    std::vector<config::Role> roles;
    const JointState* joint = nullptr;  // must be unchanged since the person saw it, and not their own work
    const Stay* unit = nullptr;         // its tickets must be unchanged since the person saw them
    const Stay* work = nullptr;         // none of its joints may be their own work
    EventNumber since = {};             // what it is about was not there, or was another, before this event
};

struct Place {
    const config::Station& station;
    const config::Station& next;  // the rules by which the next stays begin
    BayState& bay;
};

using Checked = std::expected<Demand, Refused>;

std::unexpected<Refused> refuse(RefusalCode code, std::string detail = {}) {
    return std::unexpected(Refused{code, std::move(detail)});
}

const config::Joint* joint_with_state(const Place& at, const JointId& id, const JointState*& state) {
    const Stay* stay = stay_at(at.bay);
    // While the unit's plan is not known its joints are only remembered.
    const bool known = stay != nullptr && plan_of(at.station, *stay) != nullptr;
    state = known ? joint_of(*stay, id.text) : nullptr;
    return state != nullptr ? joint_in(at.station, stay->other_ways, id.text) : nullptr;
}

Demand demand_by(const Place& at, DecisionKind what, std::optional<RiskClass> risk) {
    config::Entitlement entitled = config::entitlement(at.station.people, what, risk);
    return {.people = entitled.people, .roles = std::move(entitled.roles)};
}

// The worst class of the joints; a joint that the rules do not know counts as A. Nothing: there are none.
std::optional<RiskClass> worst_class(const Place& at, const std::vector<JointState>& joints,
                                     std::optional<RiskClass> worst) {
    for (const JointState& state : joints) {
        const config::Joint* joint = joint_in(at.station, state.id.text);
        const RiskClass risk = joint == nullptr ? RiskClass::a : joint->risk;
        worst = std::min(worst.value_or(risk), risk);
    }
    return worst;
}

std::optional<RiskClass> worst_class(const Place& at, const Stay& stay) {
    return worst_class(at, stay.former_joints, worst_class(at, stay.joints, std::nullopt));
}

std::optional<RiskClass> worst_class(const Place& at, const ToolState& tool) {
    std::optional<RiskClass> worst;
    for (const config::Joint& joint : at.station.joints) {
        if (config::may_be_by(joint, tool.id.text))
            worst = std::min(worst.value_or(joint.risk), joint.risk);
    }
    return worst;
}

// About the stay, if there is one: whoever decides has seen that this unit is there.
Demand decision(const Place& at, DecisionKind what) {
    const Stay* stay = stay_at(at.bay);
    Demand demand = demand_by(at, what, stay != nullptr ? worst_class(at, *stay) : std::nullopt);
    if (stay != nullptr)
        demand.since = came_with(*stay);
    return demand;
}

Demand decision(const Place& at, DecisionKind what, const config::Joint& joint) {
    Demand demand = demand_by(at, what, joint.risk);
    if (const Stay* stay = stay_at(at.bay))
        demand.since = came_with(*stay);
    return demand;
}

// About what a tool's count lacks, as it is now.
Demand decision(const Place& at, DecisionKind what, const ToolState& tool) {
    Demand demand = demand_by(at, what, worst_class(at, tool));
    demand.since = tool.changed;
    return demand;
}

// ---- what each action needs, and whether it is possible now
// ------------------------------------------------

std::optional<Refused> audit_fault(const config::OverrideRule& rule, const config::Joint& joint,
                                   const OverrideJoint& act) {
    if (!rule.hand_checked_value)
        return std::nullopt;
    if (!act.checked_torque)
        return Refused{RefusalCode::value_missing, std::string(refusal::hand_value)};
    if (!joint.audit)
        return Refused{RefusalCode::value_outside_audit_window, std::string(refusal::no_audit_window)};
    const auto value = *act.checked_torque;
    if (value < joint.audit->min || value > joint.audit->max) {
        return Refused{RefusalCode::value_outside_audit_window,
                       protocol::to_text(value) + ", allowed " + protocol::to_text(joint.audit->min) +
                           " to " + protocol::to_text(joint.audit->max)};
    }
    return std::nullopt;
}

Checked demand_of(const State& station, const Place& at, const OverrideJoint& act) {
    const JointState* state = nullptr;
    const config::Joint* joint = joint_with_state(at, act.joint, state);
    if (joint == nullptr)
        return refuse(RefusalCode::no_such_joint, act.joint.text);
    if (is_settled(*joint, *state) && held_by(station, *joint, *state) == nullptr)
        return refuse(RefusalCode::already_settled, "the joint is proven or overridden");
    const config::OverrideRule* rule = override_rule(at.station, joint->risk);
    if (rule == nullptr)
        return refuse(RefusalCode::not_entitled, "no rule allows an override in this class");
    if (act.verified.empty())
        return refuse(RefusalCode::value_missing, "say what was verified and how");
    if (auto fault = audit_fault(*rule, *joint, act))
        return std::unexpected(std::move(*fault));
    // If it is not known who tightened it, a second person must vouch, whatever the class.
    const std::uint32_t people = state->tightened_unsigned ? std::max(rule->people, 2U) : rule->people;
    return Demand{.people = people, .roles = rule->roles, .joint = state, .since = stay_at(at.bay)->id};
}

Checked demand_of(const State&, const Place& at, const TakeBackOverride& act) {
    const JointState* state = nullptr;
    const config::Joint* joint = joint_with_state(at, act.joint, state);
    if (joint == nullptr)
        return refuse(RefusalCode::no_such_joint, act.joint.text);
    if (!state->override_)
        return refuse(RefusalCode::already_settled, "the joint is not overridden");
    return decision(at, DecisionKind::take_back_override, *joint);
}

Checked demand_of(const State&, const Place& at, const LeaveIncomplete&) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    if (stay->leaves_incomplete)
        return refuse(RefusalCode::already_settled);
    return Demand{
        .people = 2, .roles = at.station.people.leaving_incomplete, .unit = stay, .since = stay->id};
}

Checked demand_of(const State& state, const Place& at, const AcceptGap& act) {
    const ToolState* tool = tool_of(state, act.tool);
    if (tool == nullptr)
        return refuse(RefusalCode::no_such_thing, act.tool.text);
    const bool open = std::holds_alternative<Broken>(tool->count) || tool->conflict || tool->outstanding_to;
    if (!open)
        return refuse(RefusalCode::already_settled, "the tool's count has no gap");
    return decision(at, DecisionKind::accept_gap, *tool);
}

Checked demand_of(const State& state, const Place& at, const AcceptSource& act) {
    const ToolState* tool = tool_of(state, act.tool);
    if (tool == nullptr)
        return refuse(RefusalCode::no_such_thing, act.tool.text);
    if (tool->asked)
        return refuse(RefusalCode::already_settled, "the tool has answered");
    return decision(at, DecisionKind::accept_source, *tool);
}

Checked demand_of(const State&, const Place& at, const UnlockFastener& act) {
    const JointState* state = nullptr;
    const config::Joint* joint = joint_with_state(at, act.joint, state);
    if (joint == nullptr)
        return refuse(RefusalCode::no_such_joint, act.joint.text);
    if (act.fastener >= state->fasteners.size())
        return refuse(RefusalCode::no_such_thing, "no such fastener");
    const FastenerState& fastener = state->fasteners[act.fastener];
    if (!fastener.locked && !fastener.replacement_due)
        return refuse(RefusalCode::already_settled, "it is not locked");
    Demand demand = decision(at, DecisionKind::unlock_fastener, *joint);
    demand.joint = state;
    return demand;
}

Checked demand_of(const State&, const Place& at, const AssignResult& act) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    const auto result = std::ranges::find(stay->unassigned, act.result, &UnassignedResult::result);
    if (result == stay->unassigned.end())
        return refuse(RefusalCode::no_such_thing, "no such unassigned result");
    const JointState* state = nullptr;
    const config::Joint* joint = joint_with_state(at, act.joint, state);
    if (joint == nullptr)
        return refuse(RefusalCode::no_such_joint, act.joint.text);
    if (act.fastener >= state->fasteners.size())
        return refuse(RefusalCode::no_such_thing, "no such fastener");
    const config::Tool* tool = tool_in(at.station, result->tool);
    const config::Bay* bay = bay_in(at.station, at.bay.id);
    const bool simulated_here = tool != nullptr && bay != nullptr && tool->simulated && !bay->simulated;
    if (tool == nullptr || simulated_here || !serves(*joint, result->tool)) {
        return refuse(RefusalCode::not_possible_now, "the tool of this result does not serve that joint");
    }
    Demand demand = decision(at, DecisionKind::assign_result, *joint);
    if (result->made_by.nobody)
        demand.people = std::max(demand.people, 2U);
    demand.joint = state;
    if (result->reading.direction == protocol::Direction::loosen)
        return demand;  // it takes proof away, whatever its program and its time
    if (!may_be_made_in(*stay, result->made))
        return refuse(RefusalCode::not_possible_now, "it was made before this unit's stay began");
    const std::size_t pass = current_pass(*joint, *state);
    if (pass >= joint->passes.size())
        return refuse(RefusalCode::already_settled, "the joint is proven");
    const config::Pass& wanted = joint->passes[pass];
    if (!wanted.program.empty() && wanted.program != result->reading.program) {
        return refuse(RefusalCode::not_possible_now, "the tool ran another program than the plan names");
    }
    return demand;
}

Checked demand_of(const State&, const Place& at, const SetResultAside& act) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    const auto result = std::ranges::find(stay->unassigned, act.result, &UnassignedResult::result);
    if (result == stay->unassigned.end())
        return refuse(RefusalCode::no_such_thing, "no such unassigned result");
    return decision(at, DecisionKind::set_result_aside);
}

Checked demand_while_asked(const Place& at, DecisionKind what) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    return decision(at, what);
}

Checked demand_of(const State&, const Place& at, const UnitStillHere&) {
    const Stay* stay = stay_at(at.bay);
    if (stay != nullptr && stay->refused_tickets.empty())
        return refuse(RefusalCode::already_settled, "nothing was asked");
    Checked demand = demand_while_asked(at, DecisionKind::unit_still_here);
    if (demand)
        demand->since = stay->refused_tickets.back().scanned;
    return demand;
}

Checked demand_of(const State&, const Place& at, const UnitHasLeft&) {
    return demand_while_asked(at, DecisionKind::unit_has_left);
}

// It carries what was tightened over to another number.
Checked demand_of(const State&, const Place& at, const CorrectTicket& act) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    const auto& kinds = at.station.pair.ticket_kinds;
    if (std::ranges::find(kinds, act.kind) == kinds.end())
        return refuse(RefusalCode::no_such_thing, "ticket " + act.kind);
    Demand demand = decision(at, DecisionKind::correct_ticket);
    demand.unit = demand.work = stay;
    return demand;
}

Checked demand_of(const State&, const Place& at, const AcceptReturn&) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    const bool asked =
        std::ranges::any_of(stay->tickets, [](const Ticket& t) { return t.earlier_stays > 0; });
    if (!asked || stay->return_accepted)
        return refuse(RefusalCode::already_settled, "nothing was asked");
    Demand demand = decision(at, DecisionKind::accept_return);
    demand.unit = stay;
    return demand;
}

Checked demand_of(const State&, const Place& at, const AcknowledgeMove& act) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    const auto moved = std::ranges::find(stay->moved_unproven, act.permissive, &MovementSeen::permissive);
    if (moved == stay->moved_unproven.end())
        return refuse(RefusalCode::already_settled, std::string(refusal::no_movement));
    Demand demand = decision(at, DecisionKind::acknowledge_move);
    demand.since = moved->seen;
    return demand;
}

Checked demand_of(const State&, const Place& at, const RearmPermissive& act) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    const auto used = std::ranges::find(stay->used, act.permissive, &MovementSeen::permissive);
    if (used == stay->used.end())
        return refuse(RefusalCode::already_settled, "the movement was not used");
    Demand demand = decision(at, DecisionKind::rearm_permissive);
    demand.since = used->seen;
    return demand;
}

bool is_newest_of_many(const Stay& stay, EventNumber event) {
    return stay.many_unassigned && stay.many_unassigned->newest == event;
}

Checked demand_of(const State&, const Place& at, const DisposeSetAside& act) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    if (is_newest_of_many(*stay, act.event)) {
        Demand demand = decision(at, DecisionKind::dispose_set_aside);
        demand.since = act.event;
        return demand;
    }
    if (std::ranges::find(stay->set_aside, act.event) == stay->set_aside.end()) {
        return refuse(RefusalCode::already_settled, std::string(refusal::none_set_aside));
    }
    return decision(at, DecisionKind::dispose_set_aside);
}

Checked demand_of(const State&, const Place& at, const AcceptDifference&) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    if (!stay->differs)
        return refuse(RefusalCode::already_settled);
    return decision(at, DecisionKind::accept_difference);
}

Checked demand_of(const State&, const Place& at, const PlaceHold& act) {
    if (act.serial.text.empty())
        return refuse(RefusalCode::no_such_thing, "no serial number");
    return demand_by(at, DecisionKind::place_hold, std::nullopt);
}

Checked demand_of(const State& state, const Place& at, const LiftHold& act) {
    Demand demand = demand_by(at, DecisionKind::lift_hold, std::nullopt);
    for (const UnitHold& hold : state.holds)
        if (hold.unit == act.serial)
            demand.since = std::max(demand.since, hold.since);
    if (demand.since == EventNumber{})
        return refuse(RefusalCode::already_settled, act.serial.text + " is not on the hold list");
    return demand;
}

bool is_known(const State& state, const Place& at, const HeldSource& source) {
    return std::visit(
        Overloaded{[&](const HeldTool& held) { return tool_of(state, held.tool) != nullptr; },
                   [&](const HeldJoint& held) { return joint_in(at.station, held.joint.text) != nullptr; },
                   [&](const HeldPerson& held) { return person_of(state, held.person) != nullptr; }},
        source);
}

Checked demand_of(const State& state, const Place& at, const PlaceHoldOn& act) {
    if (!is_known(state, at, act.source))
        return refuse(RefusalCode::no_such_thing, "no " + text_of(act.source));
    // Placed once more it takes in units that it had not named.
    if (hold_on(state, act.source) != nullptr && !act.since_utc_us)
        return refuse(RefusalCode::already_settled, text_of(act.source) + " is on hold");
    return demand_by(at, DecisionKind::place_hold, std::nullopt);
}

Checked demand_of(const State& state, const Place& at, const LiftHoldFrom& act) {
    const SourceHold* hold = hold_on(state, act.source);
    if (hold == nullptr)
        return refuse(RefusalCode::already_settled, text_of(act.source) + " is not on hold");
    Demand demand = demand_by(at, DecisionKind::lift_hold, std::nullopt);
    demand.since = hold->since;
    return demand;
}

Checked demand_of(const State& state, const Place& at, const RecordCalibration& act) {
    const ToolState* tool = tool_of(state, act.tool);
    if (tool == nullptr)
        return refuse(RefusalCode::no_such_thing, act.tool.text);
    Demand demand = demand_by(at, DecisionKind::record_calibration, worst_class(at, *tool));
    if (tool->calibration.newest)
        demand.since = tool->calibration.newest->recorded;
    return demand;
}

Demand decision_on_bypass(const State& state, const Place& at, DecisionKind what, const JointId& id,
                          const config::Joint& joint) {
    Demand demand = demand_by(at, what, joint.risk);
    if (const Bypass* bypass = bypass_of(state, id))
        demand.since = bypass->ended.value_or(bypass->since);
    return demand;
}

Checked demand_of(const State& state, const Place& at, const PlaceBypass& act) {
    const config::Joint* joint = joint_in(at.next, act.joint.text);
    if (joint == nullptr)
        return refuse(RefusalCode::no_such_thing, "no joint " + act.joint.text);
    if (config::alternate_of(*joint, act.alternate) == nullptr)
        return refuse(RefusalCode::no_such_thing, std::string(refusal::no_other_way) + "'" + act.alternate +
                                                      "' of joint " + act.joint.text);
    const Bypass* bypass = bypass_of(state, act.joint);
    if (bypass != nullptr && !bypass->ended)
        return refuse(RefusalCode::already_settled, "the joint is bypassed; end that first");
    return decision_on_bypass(state, at, DecisionKind::place_bypass, act.joint, *joint);
}

Checked demand_of(const State& state, const Place& at, const EndBypass& act) {
    const config::Joint* joint = joint_in(at.next, act.joint.text);
    const Bypass* bypass = bypass_of(state, act.joint);
    if (joint == nullptr || bypass == nullptr || bypass->ended)
        return refuse(RefusalCode::already_settled, "joint " + act.joint.text + " is not bypassed");
    return decision_on_bypass(state, at, DecisionKind::end_bypass, act.joint, *joint);
}

Checked demand_of(const State& state, const Place& at, const VerifyRestart& act) {
    const config::Joint* joint = joint_in(at.next, act.joint.text);
    const Bypass* bypass = bypass_of(state, act.joint);
    if (joint == nullptr || bypass == nullptr)
        return refuse(RefusalCode::already_settled, "joint " + act.joint.text + " is not bypassed");
    if (!bypass->ended)
        return refuse(RefusalCode::not_possible_now,
                      std::string(refusal::bypassed_still) + "; end that first");
    if (act.verified.empty())
        return refuse(RefusalCode::value_missing, "say what was verified and how");
    return decision_on_bypass(state, at, DecisionKind::verify_restart, act.joint, *joint);
}

Checked demand_of(const State&, const Place& at, const WitnessJoint& act) {
    const JointState* state = nullptr;
    const config::Joint* joint = joint_with_state(at, act.joint, state);
    if (joint == nullptr)
        return refuse(RefusalCode::no_such_joint, act.joint.text);
    if (!wants_witness(*joint) || state->witnessed)
        return refuse(RefusalCode::already_settled, "nobody has to witness it");
    if (!is_all_done(*joint, *state))
        return refuse(RefusalCode::not_possible_now, std::string(refusal::not_done_yet));
    Demand demand = decision(at, DecisionKind::witness_joint, *joint);
    demand.joint = state;
    // If it is not known who did it, one of two people did not.
    if (state->tightened_unsigned)
        demand.people = std::max(demand.people, 2U);
    return demand;
}

// About the order's standing as it is now: whoever decides has seen that.
Checked demand_of(const State& state, const Place& at, const SettleOrder& act) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    if (!stay->order || !order_waits(*stay->order))
        return refuse(RefusalCode::already_settled, "nothing is to be decided about the unit's order");
    if (act.choice == OrderChoice::as_now && !can_be_taken_anew(state, *stay->order))
        return refuse(RefusalCode::not_possible_now, "the order is not open with another content");
    Demand demand = decision(at, DecisionKind::settle_order);
    demand.unit = stay;
    demand.since = std::max(stay->id, stay->order->since);
    return demand;
}

Checked demand_of(const State& state, const Place& at, const AcceptReuse& act) {
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return refuse(RefusalCode::no_stay);
    const auto used = used_subassemblies(state, at.station, *stay);
    if (std::ranges::find(used, act.serial, &Ticket::serial) == used.end())
        return refuse(RefusalCode::already_settled, act.serial.text + " is in no other unit");
    Demand demand = decision(at, DecisionKind::accept_reuse);
    demand.unit = stay;
    return demand;
}

Checked demand(const State& state, const Place& at, const Action& action) {
    return std::visit([&](const auto& act) { return demand_of(state, at, act); }, action);
}

// ---- the person ---------------------------------------------------------------------------------------

bool tightened_any(const Stay& stay, PersonNumber number) {
    const auto tightened = [&](const JointState& joint) {
        return std::ranges::find(joint.tightened_by, number) != joint.tightened_by.end();
    };
    return std::ranges::any_of(stay.joints, tightened) || std::ranges::any_of(stay.former_joints, tightened);
}

std::optional<Refused> person_fault(const State& state, const Demand& demand, PersonNumber number,
                                    EventNumber seen) {
    const Person* person = person_of(state, number);
    if (person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (!may_act_as(state, *person, demand.roles))
        return Refused{RefusalCode::not_entitled, ""};
    if (seen < demand.since) {
        return Refused{RefusalCode::seen_too_old,
                       std::string(refusal::came_later) + std::to_string(demand.since.value) + " brought"};
    }
    if (demand.work != nullptr && tightened_any(*demand.work, number))
        return Refused{RefusalCode::tightened_it, ""};
    const Ticket* unseen = demand.unit != nullptr ? unseen_ticket(*demand.unit, seen) : nullptr;
    if (unseen != nullptr) {
        return Refused{RefusalCode::seen_too_old, "ticket " + unseen->kind + " was scanned with event " +
                                                      std::to_string(unseen->scanned.value)};
    }
    if (demand.joint == nullptr)
        return std::nullopt;
    const auto& tightened_by = demand.joint->tightened_by;
    if (demand.joint->confirmed_by == number || std::ranges::find(tightened_by, number) != tightened_by.end())
        return Refused{RefusalCode::tightened_it, ""};
    if (seen < demand.joint->changed) {
        return Refused{RefusalCode::seen_too_old,
                       "the joint changed with event " + std::to_string(demand.joint->changed.value)};
    }
    return std::nullopt;
}

std::optional<Refused> not_seen(EventNumber seen, EventNumber now) {
    return seen < now ? std::nullopt
                      : std::optional(Refused{RefusalCode::seen_too_old, std::string(refusal::not_yet)});
}

// The result that a decision is about.
std::optional<EventNumber> result_in(const Action& action) {
    if (const auto* assign = std::get_if<AssignResult>(&action))
        return assign->result;
    if (const auto* aside = std::get_if<SetResultAside>(&action))
        return aside->result;
    return std::nullopt;
}

// Nobody lets themselves count again.
std::optional<Refused> own_hold(const Action& action, PersonNumber number) {
    const auto* lift = std::get_if<LiftHoldFrom>(&action);
    if (lift == nullptr || lift->source != HeldSource{HeldPerson{number}})
        return std::nullopt;
    return Refused{RefusalCode::not_entitled, "nobody lifts the hold on themselves"};
}

// Whoever may have made a result neither files it nor sets it aside.
std::optional<Refused> own_result(const Stay* stay, const Action& action, PersonNumber number) {
    const auto number_of_result = result_in(action);
    if (!number_of_result || stay == nullptr)
        return std::nullopt;
    const auto result = std::ranges::find(stay->unassigned, *number_of_result, &UnassignedResult::result);
    const bool own = result != stay->unassigned.end() &&
                     std::ranges::find(result->made_by.people, number) != result->made_by.people.end();
    return own ? std::optional(Refused{RefusalCode::tightened_it, ""}) : std::nullopt;
}

std::optional<Refused> reason_fault(const config::PeopleRules& rules, const Proposed& proposed) {
    const bool known = std::ranges::find(rules.reason_codes, proposed.reason_code,
                                         &config::ReasonCode::code) != rules.reason_codes.end();
    if (!known)
        return Refused{RefusalCode::reason_missing, "the reason code is not in the list"};
    if (proposed.reason_text.size() < rules.reason_text_min) {
        return Refused{RefusalCode::reason_missing,
                       "the reason needs at least " + std::to_string(rules.reason_text_min) + " characters"};
    }
    return std::nullopt;
}

// ---- carrying it out ----------------------------------------------------------------------------------

struct Deciders {
    EventNumber proposal;
    const Proposed& proposed;
    std::optional<PersonNumber> second;
};

std::vector<ReasonCode> overridable_codes() {
    std::vector<ReasonCode> codes;
    for (const ReasonText& text : reason_table()) {
        if (text.overridable)
            codes.push_back(text.code);
    }
    return codes;
}

void carry_out(Transition& t, const Place& at, const Deciders& by, const OverrideJoint& act) {
    JointState* joint = joint_of(*stay_at(at.bay), act.joint.text);
    joint->override_ =
        Override{by.proposal, by.proposed.by, by.second, by.proposed.reason_code, overridable_codes()};
    touch(t, *joint);
}

void carry_out(Transition& t, const Place& at, const Deciders&, const TakeBackOverride& act) {
    JointState* joint = joint_of(*stay_at(at.bay), act.joint.text);
    joint->override_.reset();
    touch(t, *joint);
}

void carry_out(Transition& t, const Place& at, const Deciders&, const LeaveIncomplete&) {
    Stay& stay = *stay_at(at.bay);
    stay.leaves_incomplete = t.now();
    hold_unit_of(t.state, stay, t.now(), "left incomplete");
}

void carry_out(Transition& t, const Place&, const Deciders&, const AcceptGap& act) {
    ToolState* tool = tool_of(t.state, act.tool);
    accept_gap(*tool);
    const auto* following = std::get_if<Following>(&tool->count);
    if (following != nullptr)
        t.acknowledge(act.tool, following->epoch, following->counter);
}

void carry_out(Transition& t, const Place&, const Deciders&, const AcceptSource& act) {
    tool_of(t.state, act.tool)->asked = true;
}

void carry_out(Transition& t, const Place& at, const Deciders&, const UnlockFastener& act) {
    JointState* state = joint_of(*stay_at(at.bay), act.joint.text);
    const config::Joint* joint = joint_in(at.station, stay_at(at.bay)->other_ways, act.joint.text);
    FastenerState& fastener = state->fasteners[act.fastener];
    const bool replaced = fastener.replacement_due;
    fastener.locked = false;
    fastener.replacement_due = false;
    for (PassState& pass : fastener.passes) {
        if (replaced) {  // it was another bolt's
            pass.proof.reset();
            pass.awaited.reset();
        }
        pass.attempts = std::min(pass.attempts, joint->retry.attempts - 1);  // one more
    }
    touch(t, *state);
}

// The record names what the result was counted for, as it does for one that found its fastener by itself.
Outcome carry_out(Transition& t, const Place& at, const Deciders&, const AssignResult& act) {
    Stay& stay = *stay_at(at.bay);
    const auto found = std::ranges::find(stay.unassigned, act.result, &UnassignedResult::result);
    const UnassignedResult result = std::move(*found);
    stay.unassigned.erase(found);
    // Where it was not known whose it is, other stays wait for a word about it, too.
    for (BayState& bay : t.state.bays)
        if (Stay* other = stay_at(bay))
            std::erase_if(other->unassigned,
                          [&](const UnassignedResult& r) { return r.result == act.result; });
    return file_by_hand(t, at.station, stay, result, act.joint, act.fastener);
}

void carry_out(Transition&, const Place& at, const Deciders&, const SetResultAside& act) {
    std::erase_if(stay_at(at.bay)->unassigned,
                  [&](const UnassignedResult& r) { return r.result == act.result; });
}

void carry_out(Transition&, const Place& at, const Deciders&, const UnitStillHere&) {
    stay_at(at.bay)->refused_tickets.clear();
    at.bay.unused_scan.reset();
}

void carry_out(Transition& t, const Place& at, const Deciders&, const UnitHasLeft& act) {
    const bool incomplete = stay_at(at.bay)->leaves_incomplete.has_value();
    end_stay(t, at.bay, incomplete ? Leaving::incomplete : Leaving::unproven, act.fresh);
}

void carry_out(Transition& t, const Place& at, const Deciders&, const CorrectTicket& act) {
    Stay& stay = *stay_at(at.bay);
    const Ticket ticket{.kind = act.kind,
                        .serial = act.serial,
                        .order = act.order,
                        .type = act.type,
                        .scanned = t.now(),
                        .earlier_stays = act.earlier_stays + open_elsewhere(t.state, at.bay, act.serial),
                        .joined = act.joined,
                        .closed_order = act.closed_order};
    const auto same = std::ranges::find(stay.tickets, act.kind, &Ticket::kind);
    const bool another = same == stay.tickets.end() || !says_the_same(*same, ticket);
    put_ticket(stay, ticket);
    if (another)
        forget_decisions(t, stay);
    stay.return_accepted = false;
    identify(t, stay);
}

void carry_out(Transition&, const Place& at, const Deciders&, const AcceptReturn&) {
    stay_at(at.bay)->return_accepted = true;
}

void forget_movement(std::vector<MovementSeen>& movements, const PermissiveId& permissive) {
    std::erase_if(movements, [&](const MovementSeen& movement) { return movement.permissive == permissive; });
}

void carry_out(Transition&, const Place& at, const Deciders&, const AcknowledgeMove& act) {
    forget_movement(stay_at(at.bay)->moved_unproven, act.permissive);
}

void carry_out(Transition&, const Place& at, const Deciders&, const RearmPermissive& act) {
    forget_movement(stay_at(at.bay)->used, act.permissive);
}

void carry_out(Transition&, const Place& at, const Deciders&, const DisposeSetAside& act) {
    Stay& stay = *stay_at(at.bay);
    if (is_newest_of_many(stay, act.event))
        stay.many_unassigned.reset();
    else
        std::erase(stay.set_aside, act.event);
}

void carry_out(Transition&, const Place& at, const Deciders&, const AcceptDifference&) {
    stay_at(at.bay)->differs = false;
}

Outcome carry_out(Transition& t, const Place&, const Deciders& by, const PlaceHold& act) {
    const std::size_t before = t.state.holds.size();
    hold_unit(t.state, act.serial, t.now(), by.proposed.reason_text);
    if (t.state.holds.size() == before)
        return Refused{RefusalCode::already_settled,
                       act.serial.text + " is on the hold list for the same cause"};
    return Applied{};
}

void carry_out(Transition& t, const Place&, const Deciders&, const LiftHold& act) {
    std::erase_if(t.state.holds, [&](const UnitHold& hold) { return hold.unit == act.serial; });
}

bool is_here(const State& state, const Serial& unit) {
    return std::ranges::any_of(state.bays, [&](const BayState& bay) {
        const Stay* stay = stay_at(bay);
        return stay != nullptr && unit_of(*stay) == unit;
    });
}

Outcome carry_out(Transition& t, const Place&, const Deciders& by, const PlaceHoldOn& act) {
    if (act.since_utc_us && *act.since_utc_us > t.event.at.utc_us)
        return Refused{RefusalCode::not_possible_now, "the time from which units are looked for is to come"};
    if (hold_on(t.state, act.source) == nullptr)
        t.state.source_holds.push_back({act.source, t.now(), by.proposed.reason_text});
    for (const Serial& unit : act.units)
        if (!is_here(t.state, unit))  // what is here is held by its joints
            hold_unit(t.state, unit, t.now(),
                      "touched by " + text_of(act.source) + ": " + by.proposed.reason_text);
    return Applied{};
}

void carry_out(Transition& t, const Place&, const Deciders&, const LiftHoldFrom& act) {
    std::erase_if(t.state.source_holds, [&](const SourceHold& hold) { return hold.source == act.source; });
}

Outcome carry_out(Transition& t, const Place&, const Deciders&, const RecordCalibration& act) {
    if (act.certificate.empty())
        return Refused{RefusalCode::value_missing, "the certificate by which it is found again"};
    if (act.done_utc_us > t.event.at.utc_us)
        return Refused{RefusalCode::not_possible_now, "the calibration is said to be of a time to come"};
    ToolState* tool = tool_of(t.state, act.tool);
    tool->calibration = {.newest = CalibrationDone{act.done_utc_us, act.certificate, t.now()}};
    settle_calibrations(t.rules, t.state, t.event.at.utc_us);
    return Applied{};
}

Outcome carry_out(Transition& t, const Place& at, const Deciders& by, const PlaceBypass& act) {
    const config::Alternate& way =
        *config::alternate_of(*joint_in(at.next, act.joint.text), act.alternate)->alternate;
    const std::int64_t longest = std::chrono::microseconds(way.longest).count();
    if (act.until_utc_us <= t.event.at.utc_us)
        return Refused{RefusalCode::not_possible_now, std::string(refusal::over_at_once)};
    if (act.until_utc_us - t.event.at.utc_us > longest)
        return Refused{RefusalCode::not_possible_now, std::string(refusal::way_approved_for) + "at most " +
                                                          std::to_string(way.longest.count()) + " h"};
    if (act.units == 0 || act.units > way.most_units)
        return Refused{RefusalCode::not_possible_now, std::string(refusal::way_approved_for) + "1 to " +
                                                          std::to_string(way.most_units) + " units"};
    std::erase_if(t.state.bypasses, [&](const Bypass& bypass) { return bypass.joint == act.joint; });
    t.state.bypasses.push_back({.joint = act.joint,
                                .alternate = act.alternate,
                                .since = t.now(),
                                .until_utc_us = act.until_utc_us,
                                .units = act.units,
                                .used = 0,
                                .why = by.proposed.reason_text,
                                .ended = std::nullopt});
    return Applied{};
}

void carry_out(Transition& t, const Place&, const Deciders&, const EndBypass& act) {
    std::ranges::find(t.state.bypasses, act.joint, &Bypass::joint)->ended = t.now();
}

void carry_out(Transition& t, const Place&, const Deciders&, const VerifyRestart& act) {
    std::erase_if(t.state.bypasses, [&](const Bypass& bypass) { return bypass.joint == act.joint; });
}

void carry_out(Transition& t, const Place& at, const Deciders&, const WitnessJoint& act) {
    JointState* joint = joint_of(*stay_at(at.bay), act.joint.text);
    touch(t, *joint);
    joint->witnessed = t.now();
}

void carry_out(Transition& t, const Place& at, const Deciders&, const SettleOrder& act) {
    settle_order(t, *stay_at(at.bay), act.choice);
}

void carry_out(Transition& t, const Place& at, const Deciders&, const AcceptReuse& act) {
    accept_reuse(t, at.station, *stay_at(at.bay), act.serial);
}

Outcome carry_out(Transition& t, const Place& at, const Deciders& by) {
    return std::visit(
        [&](const auto& act) -> Outcome {
            if constexpr (std::is_void_v<decltype(carry_out(t, at, by, act))>) {
                carry_out(t, at, by, act);
                return Applied{};
            } else {
                return carry_out(t, at, by, act);
            }
        },
        by.proposed.action);
}

std::expected<Place, Refused> place_at(Transition& t, const BayId& id) {
    BayState* bay = bay_of(t.state, id);
    if (bay == nullptr)
        return refuse(RefusalCode::no_such_thing, "no bay " + id.text);
    const config::Station* station = rules_at(t.rules, t.state, *bay);
    if (station == nullptr)
        return refuse(RefusalCode::not_possible_now, "no rules are in force");
    const config::Station* next = rules_of(t.rules, t.state.rules);
    return Place{*station, next != nullptr ? *next : *station, *bay};
}

// ---- the ways out of a reason ---------------------------------------------------------------------------

std::string fact_of(const Reason& reason, std::string_view name) {
    const auto found = std::ranges::find(reason.facts, name, &Fact::name);
    return found == reason.facts.end() ? std::string() : found->value;
}

EventNumber event_in(const Reason& reason, std::string_view name) {
    const std::string digits = fact_of(reason, name);
    EventNumber number;
    std::from_chars(digits.data(), digits.data() + digits.size(), number.value);
    return number;
}

// The joint and the fastener that a reason names as people know them.
struct Named {
    const config::Joint* joint = nullptr;
    std::uint32_t fastener = 0;
};
std::vector<Named> named_by(const Place& at, const Reason& reason) {
    std::vector<Named> found;
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr || reason.joint.empty())
        return found;
    for (const JointState& state : stay->joints) {
        const config::Joint* joint = joint_in(at.station, stay->other_ways, state.id.text);
        if (joint == nullptr || joint->name != reason.joint)
            continue;
        const auto fastener = std::ranges::find(joint->fasteners, reason.fastener, &config::Fastener::name);
        const auto index = fastener == joint->fasteners.end() ? 0 : fastener - joint->fasteners.begin();
        found.push_back({joint, static_cast<std::uint32_t>(index)});
    }
    return found;
}

std::vector<Action> acts_on_joint(const State& state, const Place& at, const Reason& reason) {
    std::vector<Action> acts;
    for (const Named& named : named_by(at, reason)) {
        const SourceHold* held =
            reason.code == ReasonCode::source_on_hold
                ? held_by(state, *named.joint, *joint_of(*stay_at(at.bay), named.joint->id))
                : nullptr;
        if (held != nullptr)
            acts.emplace_back(LiftHoldFrom{held->source});
        const JointId id{named.joint->id};
        if (reason.code == ReasonCode::witness_missing)
            acts.emplace_back(WitnessJoint{id});
        const auto& audit = named.joint->audit;
        if (reason.code == ReasonCode::fastener_locked || reason.code == ReasonCode::replacement_due)
            acts.emplace_back(UnlockFastener{id, named.fastener});
        // As if all were verified that has to be.
        acts.emplace_back(OverrideJoint{id, "verified", audit ? std::optional(audit->min) : std::nullopt});
    }
    const bool goes_on_by_itself = reason.code == ReasonCode::joint_open ||
                                   reason.code == ReasonCode::curve_awaited ||
                                   reason.code == ReasonCode::check_waits;
    if (!goes_on_by_itself)
        acts.emplace_back(LeaveIncomplete{});
    return acts;
}

std::vector<Action> acts_on_restart(const State& state, const Place& at, const Reason& reason) {
    std::vector<Action> acts;
    for (const Named& named : named_by(at, reason)) {
        const JointId id{named.joint->id};
        acts.emplace_back(VerifyRestart{id, "verified"});
        // As long as it is not known whether that may be bypassed longer.
        if (const Bypass* bypass = bypass_of(state, id))
            acts.emplace_back(PlaceBypass{id, bypass->alternate, bypass->until_utc_us, 1});
    }
    acts.emplace_back(LeaveIncomplete{});
    return acts;
}

// One that would be taken stands for all fasteners to which the result may be filed.
std::vector<Action> acts_on_result(const State& state, const Place& at, EventNumber result) {
    std::vector<Action> acts{SetResultAside{result}};
    const Stay* stay = stay_at(at.bay);
    if (stay == nullptr)
        return acts;
    for (const JointState& joint : stay->joints) {
        AssignResult assign{result, joint.id, 0};
        if (!demand_of(state, at, assign))
            continue;
        acts.emplace_back(std::move(assign));
        break;
    }
    return acts;
}

std::vector<Action> corrections(const Place& at) {
    std::vector<Action> acts;
    acts.reserve(at.station.pair.ticket_kinds.size());
    for (const std::string& kind : at.station.pair.ticket_kinds)
        acts.emplace_back(CorrectTicket{.kind = kind, .serial = {}, .order = {}, .type = {}, .raw = {}});
    return acts;
}

std::vector<Action> acts_about(const State& state, const Place& at, const Reason& reason) {
    const ToolId tool{reason.tool};
    switch (reason.code) {
    case ReasonCode::event_set_aside: return {DisposeSetAside{event_in(reason, "event")}};
    case ReasonCode::decision_differs: return {AcceptDifference{}};
    case ReasonCode::moved_unproven: return {AcknowledgeMove{PermissiveId{fact_of(reason, "permissive")}}};
    case ReasonCode::unit_on_hold: return {LiftHold{Serial{fact_of(reason, "serial")}}, LeaveIncomplete{}};
    case ReasonCode::wrong_pair:
    case ReasonCode::unknown_variant:
    case ReasonCode::order_differs: return corrections(at);
    case ReasonCode::ticket_repeated: return {UnitStillHere{}, UnitHasLeft{}};
    case ReasonCode::serial_seen_before: return {AcceptReturn{}};
    case ReasonCode::order_cancelled:
    case ReasonCode::order_changed:
    case ReasonCode::order_used:
        return {SettleOrder{OrderChoice::as_taken}, SettleOrder{OrderChoice::as_now}, LeaveIncomplete{}};
    case ReasonCode::subassembly_used: return {AcceptReuse{Serial{fact_of(reason, "serial")}}};
    case ReasonCode::movement_used: return {RearmPermissive{PermissiveId{fact_of(reason, "permissive")}}};
    case ReasonCode::tool_not_asked: return {AcceptSource{tool}};
    case ReasonCode::tool_overdue:
        return {RecordCalibration{.tool = tool, .done_utc_us = 0, .certificate = {}}};
    case ReasonCode::result_gap:
    case ReasonCode::results_outstanding:
    case ReasonCode::result_conflict: return {AcceptGap{tool}};
    case ReasonCode::restart_unverified: return acts_on_restart(state, at, reason);
    case ReasonCode::result_unassigned: return acts_on_result(state, at, event_in(reason, "result"));
    case ReasonCode::source_on_hold:
    case ReasonCode::fastener_locked:
    case ReasonCode::replacement_due:
    case ReasonCode::loosening_due:
    case ReasonCode::joint_not_ok:
    case ReasonCode::joint_open:
    case ReasonCode::curve_awaited:
    case ReasonCode::check_waits:
    case ReasonCode::witness_missing: return acts_on_joint(state, at, reason);
    case ReasonCode::no_rules_in_force:
    case ReasonCode::bay_not_in_rules:
    case ReasonCode::no_unit:
    case ReasonCode::ticket_missing:
    case ReasonCode::presence_unconfirmed:
    case ReasonCode::unit_absent:
    case ReasonCode::order_unknown:
    case ReasonCode::controller_link_lost:
    case ReasonCode::controller_fault:
    case ReasonCode::token_not_taken:
    case ReasonCode::next_bay_occupied:
    case ReasonCode::tool_link_lost:
    case ReasonCode::check_open: return {};
    }
    return {};
}

Action with_nothing_said(Action action) {
    if (auto* over = std::get_if<OverrideJoint>(&action)) {
        over->verified.clear();
        over->checked_torque.reset();
    }
    if (auto* restart = std::get_if<VerifyRestart>(&action))
        restart->verified.clear();
    return action;
}

}  // namespace

std::vector<WayOut> ways_out(const RuleBook& rules, const State& state, const BayId& id,
                             const Reason& reason) {
    std::vector<WayOut> ways;
    const BayState* known = bay_of(state, id);
    const config::Station* station = known != nullptr ? rules_at(rules, state, *known) : nullptr;
    if (station == nullptr)
        return ways;
    BayState bay = *known;  // whoever carries something out changes it; nobody does here
    const config::Station* next = rules_of(rules, state.rules);
    const Place at{*station, next != nullptr ? *next : *station, bay};
    for (Action& action : acts_about(state, at, reason)) {
        if (auto wanted = demand(state, at, action))
            ways.push_back({with_nothing_said(std::move(action)), wanted->people, std::move(wanted->roles)});
    }
    return ways;
}

Outcome apply(Transition& t, const Proposed& proposed) {
    auto at = place_at(t, proposed.bay);
    if (!at)
        return at.error();
    if (auto fault = not_seen(proposed.seen, t.now()))
        return *fault;
    const Checked wanted = demand(t.state, *at, proposed.action);
    if (!wanted)
        return wanted.error();
    if (auto fault = person_fault(t.state, *wanted, proposed.by, proposed.seen))
        return *fault;
    if (auto fault = own_result(stay_at(at->bay), proposed.action, proposed.by))
        return *fault;
    if (auto fault = own_hold(proposed.action, proposed.by))
        return *fault;
    if (auto fault = reason_fault(at->station.people, proposed))
        return *fault;
    if (wanted->people < 2)
        return carry_out(t, *at, {t.now(), proposed, std::nullopt});
    Stay* stay = stay_at(at->bay);
    if (stay == nullptr)
        return Refused{RefusalCode::no_stay, ""};
    // A first signature that no longer holds gives way to a new one.
    std::erase_if(stay->proposals, [&](const Proposal& p) {
        return p.what.action == proposed.action &&
               person_fault(t.state, *wanted, p.what.by, p.what.seen).has_value();
    });
    const bool waiting = std::ranges::any_of(
        stay->proposals, [&](const Proposal& p) { return p.what.action == proposed.action; });
    if (waiting)
        return Refused{RefusalCode::already_settled, "the same is waiting for a second person"};
    stay->proposals.push_back({t.now(), proposed});
    return AwaitsSecond{t.now()};
}

Outcome apply(Transition& t, const Seconded& seconded) {
    auto at = place_at(t, seconded.bay);
    if (!at)
        return at.error();
    Stay* stay = stay_at(at->bay);
    if (stay == nullptr)
        return Refused{RefusalCode::no_stay, ""};
    const auto found = std::ranges::find(stay->proposals, seconded.proposal, &Proposal::number);
    if (found == stay->proposals.end())
        return Refused{RefusalCode::no_such_thing, "no such proposal is waiting"};
    // A copy: it leaves the list before it is carried out.
    const Proposal proposal = *found;  // NOLINT(performance-unnecessary-copy-initialization)
    if (proposal.what.by == seconded.by)
        return Refused{RefusalCode::same_person_twice, ""};
    if (auto fault = not_seen(seconded.seen, t.now()))
        return *fault;
    const Checked wanted = demand(t.state, *at, proposal.what.action);
    if (!wanted)
        return wanted.error();
    if (auto fault = person_fault(t.state, *wanted, seconded.by, seconded.seen))
        return *fault;
    if (auto fault = own_result(stay, proposal.what.action, seconded.by))
        return *fault;
    if (auto fault = own_hold(proposal.what.action, seconded.by))
        return *fault;
    // The first signature must still hold as well: the person, and what they had seen.
    if (auto fault = person_fault(t.state, *wanted, proposal.what.by, proposal.what.seen))
        return *fault;
    stay->proposals.erase(found);
    return carry_out(t, *at, {proposal.number, proposal.what, seconded.by});
}

Outcome apply(Transition& t, const ProposalEnded& ended) {
    BayState* bay = bay_of(t.state, ended.bay);
    Stay* stay = bay != nullptr ? stay_at(*bay) : nullptr;
    if (stay == nullptr)
        return Refused{RefusalCode::no_stay, ""};
    const Person* person = person_of(t.state, ended.by);
    if (person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    const auto removed =
        std::erase_if(stay->proposals, [&](const Proposal& p) { return p.number == ended.proposal; });
    if (removed == 0)
        return Refused{RefusalCode::no_such_thing, "no such proposal is waiting"};
    return Applied{};
}

}  // namespace tautgate::interlock
