// What must be true of every state, stated apart from the rules that bring it about.
#include <algorithm>

#include "config/scope.hpp"
#include "protocol/permissive_block.hpp"
#include "service/interlock/curves.hpp"
#include "service/interlock/lookup.hpp"
#include "service/interlock/orders.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/interlock/source_holds.hpp"

namespace tautgate::interlock {
namespace {

// Those of the reserved range are for what must never move.
bool is_usable(Token token) { return protocol::token_kind(token.value) == protocol::TokenKind::stay; }

// Promise: nothing is released unless each joint in scope is proven or overridden by the people it takes.
std::string unproven_release(const State& state, const config::Station& station, const Stay& stay,
                             const PermissiveId& id) {
    const config::Permissive* permissive = permissive_in(station, id);
    const config::Plan* plan = plan_of(station, stay);
    if (permissive == nullptr || plan == nullptr)
        return id.text + " is released without rules for it";
    for (const PlannedJoint& planned : joints_of(station, *plan, stay.other_ways)) {
        if (planned.joint == nullptr)
            return id.text + " is released with an unknown joint";
        if (!config::covers(*permissive, *plan, *planned.joint, planned.stage))
            continue;
        const JointState* joint = joint_of(stay, planned.joint->id);
        if (joint == nullptr)
            return id.text + " is released without " + planned.joint->id;
        if (held_by(state, *planned.joint, *joint) != nullptr)
            return id.text + " is released with " + planned.joint->id + " on quality hold";
        if (is_proven(*planned.joint, *joint))
            continue;
        if (!joint->override_)
            return id.text + " is released with " + planned.joint->id + " unproven";
        const config::OverrideRule* rule = override_rule(station, planned.joint->risk);
        const bool two =
            joint->override_->seconded_by && *joint->override_->seconded_by != joint->override_->by;
        if (rule == nullptr || (rule->people > 1 && !two)) {
            return id.text + " is released by an override of " + planned.joint->id + " that lacks a person";
        }
    }
    return {};
}

std::string fault_of(const RuleBook& rules, const State& state, const BayState& bay,
                     const PermissiveState& permissive) {
    const Stay* stay = stay_at(bay);
    const bool withheld = std::holds_alternative<Withheld>(permissive.output);
    if (withheld == permissive.reasons.empty())
        return permissive.id.text + " has reasons exactly when it is withheld: no";
    return std::visit(Overloaded{[](const Withheld&) { return std::string{}; },
                                 [&](const Released& released) -> std::string {
                                     if (stay == nullptr)
                                         return permissive.id.text + " is released without a unit";
                                     if (released.token != stay->token)
                                         return permissive.id.text + " is released for another unit";
                                     if (is_on_its_way(*stay))
                                         return permissive.id.text + " is released for a unit on its way";
                                     const config::Station* station = rules_of(rules, stay->rules);
                                     if (station == nullptr)
                                         return permissive.id.text + " is released without rules";
                                     if (station->orders && (!stay->order || order_waits(*stay->order)))
                                         return permissive.id.text + " is released without an order";
                                     return unproven_release(state, *station, *stay, permissive.id);
                                 },
                                 [&](const LeavingIncomplete& leaving) -> std::string {
                                     if (stay == nullptr)
                                         return permissive.id.text + " lets a unit leave that is not there";
                                     if (leaving.token != stay->token)
                                         return permissive.id.text + " lets another unit leave";
                                     if (!stay->leaves_incomplete)
                                         return permissive.id.text + " lets a unit leave undecided";
                                     if (is_on_its_way(*stay))
                                         return permissive.id.text + " lets a unit leave that is on its way";
                                     return {};
                                 }},
                      permissive.output);
}

// Promise: a stay, its token with it, is at one bay only; and a bay that is told to expect it is empty.
std::string moving_fault(const State& state, const BayState& bay) {
    const Stay* stay = stay_at(bay);
    const auto has = [](const BayState& other, EventNumber id) {
        const Stay* there = stay_at(other);
        return there != nullptr && there->id == id;
    };
    if (stay != nullptr &&
        std::ranges::count_if(state.bays, [&](const BayState& other) { return has(other, stay->id); }) != 1)
        return "its stay is at another bay as well";
    if (!bay.expected)
        return {};
    const BayState* from = bay_of(state, bay.expected->from);
    if (stay != nullptr)
        return "another unit is expected while one is there";
    if (from == nullptr || !has(*from, bay.expected->stay) || stay_at(*from)->token != bay.expected->token)
        return "it expects a unit that is not where it is to come from";
    return {};
}

// Promise: what tries the wiring can never release for a unit.
std::string wiring_test_fault(const BayState& bay) {
    if (!bay.wiring_test)
        return {};
    if (protocol::token_kind(bay.wiring_test->token.value) != protocol::TokenKind::challenge)
        return "the wiring is tested with the token of a stay";
    if (stay_at(bay) != nullptr || bay.controller.present != Presence::absent)
        return "the wiring is tested while a unit may be there";
    if (bay.controller.link != Quality::good)
        return "the wiring is tested without a good link";
    const bool withheld = std::ranges::all_of(bay.permissives, [](const PermissiveState& permissive) {
        return std::holds_alternative<Withheld>(permissive.output);
    });
    return withheld ? "" : "the wiring is tested while something is released";
}

// Promise: where curves are limited, nothing is proven without one unless its pass allows that; and a
// tightening whose curve is still to come is neither proof nor not OK.
std::string curve_fault(const config::Station& station, const OtherWays& ways, const JointState& joint) {
    const config::Joint* rules = joint_in(station, ways, joint.id.text);
    for (const FastenerState& fastener : joint.fasteners) {
        for (std::size_t pass = 0; pass < fastener.passes.size(); ++pass) {
            const PassState& at = fastener.passes[pass];
            if (at.awaited && (at.proof || at.not_ok))
                return joint.id.text + " waits for a curve and has been judged";
            if (rules == nullptr || pass >= rules->passes.size() || !at.proof)
                continue;
            const auto& curve = rules->passes[pass].window.curve;
            const bool has_one = at.proof->curve && !at.proof->curve->digest.empty();
            if (curve && !has_one && !(at.proof->curve && config::counts_without(*rules, *curve)))
                return joint.id.text + " is proven without the curve that its pass limits";
        }
    }
    return {};
}

std::string curves_fault(const RuleBook& rules, const BayState& bay) {
    const Stay* stay = stay_at(bay);
    const config::Station* station = stay != nullptr ? rules_of(rules, stay->rules) : nullptr;
    if (station == nullptr)
        return {};
    for (const JointState& joint : stay->joints) {
        if (std::string fault = curve_fault(*station, stay->other_ways, joint); !fault.empty())
            return fault;
    }
    return {};
}

}  // namespace

std::string broken_invariant(const RuleBook& rules, const State& state) {
    if (state.orders.size() > open_orders_most ||
        std::ranges::adjacent_find(state.orders, std::ranges::greater_equal{}, &Order::number) !=
            state.orders.end())
        return "the open orders are too many, or not in the order of their numbers";
    const bool too_many = std::ranges::any_of(
        state.tools, [](const ToolState& tool) { return tool.early_curves.size() > early_curves_most; });
    if (too_many)
        return "a tool has more curves without a result than are kept";
    for (const BayState& bay : state.bays) {
        const Stay* stay = stay_at(bay);
        if (std::string fault = curves_fault(rules, bay); !fault.empty())
            return bay.id.text + ": " + fault;
        if (stay != nullptr && !is_usable(stay->token))
            return bay.id.text + ": the stay has no usable token";
        if (stay != nullptr && stay->id > state.newest)
            return bay.id.text + ": the stay is younger than the state";
        if (bay.offered != Token{} && !is_usable(bay.offered))
            return bay.id.text + ": the next stay would have no usable token";
        if (std::string fault = wiring_test_fault(bay); !fault.empty())
            return bay.id.text + ": " + fault;
        if (std::string fault = moving_fault(state, bay); !fault.empty())
            return bay.id.text + ": " + fault;
        for (const PermissiveState& permissive : bay.permissives) {
            std::string fault = fault_of(rules, state, bay, permissive);
            if (!fault.empty())
                return bay.id.text + ": " + fault;
        }
    }
    return {};
}

}  // namespace tautgate::interlock
