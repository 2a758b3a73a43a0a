#include "service/web/refusals.hpp"

#include <algorithm>
#include <utility>
#include <variant>
#include <vector>

#include "config/entitlement.hpp"
#include "service/interlock/lookup.hpp"
#include "service/web/listing.hpp"
#include "service/web/views.hpp"

namespace tautgate::web {
namespace {

using namespace interlock;

std::string_view class_letter(config::RiskClass risk) {
    switch (risk) {
    case config::RiskClass::a: return "A";
    case config::RiskClass::b: return "B";
    case config::RiskClass::c: return "C";
    }
    std::unreachable();
}

std::string words_of(std::string_view name) {
    std::string words(name);
    std::ranges::replace(words, '_', ' ');
    return words;
}

std::string roles_text(const std::vector<domain::Role>& roles) {
    return listed(roles, [](domain::Role role) { return words_of(name_of(role)); });
}

// Who may do what at a bay, by its rules.
std::string who_may(const config::Station* rules) {
    if (rules == nullptr)
        return "let an administrator act, with a second person";
    std::string text = "decisions are made by " + roles_text(rules->people.decisions);
    for (const auto what : {config::DecisionKind::lift_hold, config::DecisionKind::record_calibration}) {
        const bool has_row = std::ranges::find(rules->people.matrix, what, &config::DecisionRule::decision) !=
                             rules->people.matrix.end();
        if (has_row)
            continue;
        text += "; " + words_of(config::name_of(what)) + " by " +
                roles_text(config::entitlement(rules->people, what, std::nullopt).roles);
    }
    for (const auto& rule : rules->people.overrides)
        text +=
            "; overrides of class " + std::string(class_letter(rule.risk)) + " by " + roles_text(rule.roles);
    for (const auto& row : rules->people.matrix) {
        text += "; " + words_of(config::name_of(row.decision)) +
                (row.risk ? " in class " + std::string(class_letter(*row.risk)) : "") + " by " +
                roles_text(row.roles);
    }
    return text + "; people, and the approval of rules, are the administrators' part";
}

// By the rules in force, which are the ones that the core asks about these.
std::string who_may(ActKind act, const StationPort& station, const config::Station* at_bay) {
    const auto* rules = rules_in_force(station);
    switch (act) {
    case ActKind::wiring_test:
        return rules == nullptr ? who_may(nullptr)
                                : "the wiring is tried by " + roles_text(rules->wiring_tests.roles);
    case ActKind::orders:
        return rules == nullptr || !rules->orders
                   ? who_may(nullptr)
                   : "orders are entered by " + roles_text(rules->orders->entitled);
    case ActKind::tool_call: return "sign on at this bay, then call the tool";
    case ActKind::decision: return who_may(at_bay);
    }
    std::unreachable();
}

std::string joints_here(const Stay* stay) {
    return stay == nullptr || stay->joints.empty()
               ? "first identify the unit by its tickets"
               : "give one of " + listed(stay->joints, [](const JointState& joint) { return joint.id.text; });
}

// What decisions can be about, for whoever named something that is not there.
std::string things_here(const config::Station* rules, const Stay* stay) {
    std::string text;
    const auto add = [&text](std::string_view what, const std::string& list) {
        text += (text.empty() ? "" : "; ") + std::string(what) + ": " + (list.empty() ? "none" : list);
    };
    const auto number = [](EventNumber event) { return std::to_string(event.value); };
    if (rules != nullptr)
        add("tools here", listed(rules->tools, [](const config::Tool& tool) { return tool.id; }));
    if (stay != nullptr) {
        add("results without a fastener",
            listed(stay->unassigned, [&](const UnassignedResult& result) { return number(result.result); }));
        add("proposals that wait",
            listed(stay->proposals, [&](const Proposal& proposal) { return number(proposal.number); }));
    }
    return text.empty() ? "look at the station, and name something that is there" : text;
}

// The steps and the joints of the unit's plan that are confirmed, none of which was named.
std::string checks_here(const config::Station& rules, const config::Plan& plan, const Stay& stay) {
    std::vector<std::string> ids;
    for (const auto& stage : plan.stages) {
        for (const auto& step : stage.steps) {
            if (const auto* confirm = std::get_if<config::ConfirmStep>(&step))
                ids.push_back(confirm->id);
        }
    }
    for (const auto& planned : joints_of(rules, plan, stay.other_ways)) {
        if (planned.joint != nullptr && planned.joint->method == config::Method::confirmed_check)
            ids.push_back(planned.joint->id);
    }
    return ids.empty() ? "nothing of this plan is confirmed; look at what holds the station"
                       : "give one of " + listed(ids, [](const std::string& id) { return id; });
}

std::vector<EventNumber> set_aside_in(const Stay& stay) {
    auto events = stay.set_aside;
    if (stay.many_unassigned)
        events.push_back(stay.many_unassigned->newest);
    return events;
}

// The core says what was meant; each of its refusals for a thing that is not there has its own list.
bool is_about(const Refused& refused, std::string_view what) { return refused.detail.starts_with(what); }

std::string permissives_here(const config::Station* rules, const BayState* bay) {
    std::vector<std::string> ids;
    for (const auto& permissive : rules == nullptr ? std::vector<config::Permissive>{} : rules->permissives)
        if (bay != nullptr && permissive.bay == bay->id.text)
            ids.push_back(permissive.id);
    return ids.empty() ? "this bay has none"
                       : "give one of " + listed(ids, [](const std::string& id) { return id; });
}

// "bracket: backup, wrench"
std::string other_ways_here(const config::Station& rules) {
    std::string all;
    for (const auto& joint : rules.joints)
        if (!joint.alternates.empty())
            all += (all.empty() ? "" : "; ") + joint.id + ": " +
                   listed(joint.alternates, [](const config::Joint& way) { return way.alternate->id; });
    return all.empty() ? "let \"alternates\" of the joint be described and approved" : "approved are " + all;
}

std::string not_there(const Refused& refused, const config::Station* rules, const Stay* stay,
                      const BayState* bay) {
    const auto* plan = rules == nullptr || stay == nullptr ? nullptr : plan_of(*rules, *stay);
    if (plan != nullptr && is_about(refused, refusal::no_check))
        return checks_here(*rules, *plan, *stay);
    if (rules != nullptr && is_about(refused, refusal::no_other_way))
        return other_ways_here(*rules);
    return is_about(refused, refusal::no_permissive) ? permissives_here(rules, bay)
                                                     : things_here(rules, stay);
}

// Nothing to decide: because that is done, or because it never was.
std::string settled(const Refused& refused, const Stay* stay) {
    std::string waiting;
    if (stay != nullptr && is_about(refused, refusal::no_movement))
        waiting =
            listed(stay->moved_unproven, [](const MovementSeen& moved) { return moved.permissive.text; });
    else if (stay != nullptr && is_about(refused, refusal::none_set_aside))
        waiting = listed(set_aside_in(*stay), [](EventNumber event) { return std::to_string(event.value); });
    else
        return "nothing more is needed; look at what holds the station now";
    return waiting.empty() ? "none waits for a decision; look at what holds the station now"
                           : "give one that waits for a decision: " + waiting;
}

std::string not_now(const Refused& refused) {
    if (is_about(refused, refusal::nobody_signed_on))
        return "nobody has to sign off; sign on before the work begins";
    if (is_about(refused, refusal::no_administrator))
        return "enrol another administrator first";
    if (is_about(refused, refusal::suspended_first))
        return "suspend the person first, if they are gone for good";
    if (is_about(refused, refusal::way_approved_for))
        return "stay within that, or let other limits be described and approved";
    if (is_about(refused, refusal::over_at_once))
        return "give a moment that is still to come";
    if (is_about(refused, refusal::bypassed_still))
        return "end the bypass, try what was out of order, then record it";
    if (is_about(refused, refusal::not_done_yet))
        return "let the joint be done first";
    if (is_about(refused, refusal::deputy_ends))
        return "give a date within that time that is still to come";
    if (is_about(refused, refusal::not_shared))
        return "nothing is to be called; it works here already";
    if (is_about(refused, refusal::no_audit_window))
        return "let \"audit\" limits for this joint be described and approved";
    if (is_about(refused, refusal::not_selected))
        return "tighten without selecting; this joint needs no selection";
    if (refused.detail.ends_with(refusal::not_lost))
        return "let that administrator act, or name every lost one";
    return "look at what holds the station, and act once that is cleared";
}

std::string seen_otherwise(const Refused& refused) {
    if (is_about(refused, refusal::not_yet))
        return "What you name as seen has not happened yet";
    if (!is_about(refused, refusal::came_later))
        return sentence(refused);
    const auto event = refused.detail.substr(refusal::came_later.size());
    return "What you decide about came after what you saw (event " + event.substr(0, event.rfind(' ')) + ")";
}

std::string reasons_here(const config::Station* rules) {
    if (rules == nullptr)
        return "let the rules be approved first";
    return "give one of the reason codes " +
           listed(rules->people.reason_codes, [](const config::ReasonCode& reason) { return reason.code; }) +
           ", and the reason in words, of at least " + std::to_string(rules->people.reason_text_min) +
           " characters";
}

}  // namespace

std::string why_of(const Refused& refused) {
    std::string why = sentence(refused);
    if (refused.code == RefusalCode::seen_too_old)
        why = seen_otherwise(refused);
    else if (is_about(refused, refusal::no_movement) || is_about(refused, refusal::none_set_aside))
        why = "There is nothing like that to decide about: " + refused.detail;
    if (why.ends_with('.'))
        why.pop_back();
    return why;
}

ActKind act_kind(const Payload& payload) noexcept {
    if (std::holds_alternative<WiringTestBegan>(payload) || std::holds_alternative<WiringTestEnded>(payload))
        return ActKind::wiring_test;
    if (std::holds_alternative<ToolCalled>(payload))
        return ActKind::tool_call;
    return std::holds_alternative<OrdersReceived>(payload) ? ActKind::orders : ActKind::decision;
}

std::string remedy_of(const Refused& refused, const StationPort& station, const RefusedAt& at) {
    const auto* rules = at.bay == nullptr ? nullptr : rules_of(station, at.bay->id);
    const auto* stay = at.bay == nullptr ? nullptr : std::get_if<Stay>(&at.bay->occupant);
    switch (refused.code) {
    case RefusalCode::unknown_person: return "let an administrator enrol this person";
    case RefusalCode::suspended: return "let somebody else act, or an administrator enrol this person again";
    case RefusalCode::not_entitled:
        return is_about(refused, refusal::another_role)
                   ? "let somebody of another role unlock, or wait until the lock ends"
                   : who_may(at.act, station, rules);
    case RefusalCode::same_person_twice: return "let another person consent";
    case RefusalCode::tightened_it: return "let somebody decide who did not tighten it";
    case RefusalCode::no_stay: return "bring a unit to the bay, then decide";
    case RefusalCode::no_such_joint: return joints_here(stay);
    case RefusalCode::no_such_thing: return not_there(refused, rules, stay, at.bay);
    case RefusalCode::already_settled: return settled(refused, stay);
    case RefusalCode::reason_missing: return reasons_here(rules);
    case RefusalCode::value_missing:
        return is_about(refused, refusal::hand_value) ? "give the torque that was measured by hand"
                                                      : "give it, and decide again";
    case RefusalCode::value_outside_audit_window:
        return "check the joint again; one that stays outside is reworked, not overridden";
    case RefusalCode::seen_too_old: return "look again, then decide on what you see";
    case RefusalCode::not_possible_now: return not_now(refused);
    case RefusalCode::needs_second_administrator: return "let a second person sign in and consent";
    }
    std::unreachable();
}

}  // namespace tautgate::web
