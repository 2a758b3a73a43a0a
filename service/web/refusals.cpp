#include "service/web/refusals.hpp"

#include <utility>
#include <variant>
#include <vector>

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

std::string roles_text(const std::vector<domain::Role>& roles) {
    return listed(roles, [](domain::Role role) { return name_of(role); });
}

// Who may do what at a bay, by its rules.
std::string who_may(const config::Station* rules) {
    if (rules == nullptr)
        return "let an administrator act, with a second person";
    std::string text = "decisions are made by " + roles_text(rules->people.decisions);
    for (const auto& rule : rules->people.overrides)
        text +=
            "; overrides of class " + std::string(class_letter(rule.risk)) + " by " + roles_text(rule.roles);
    return text + "; people, and the approval of rules, are the administrators' part";
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

std::string reasons_here(const config::Station* rules) {
    if (rules == nullptr)
        return "let the rules be approved first";
    return "give one of the reason codes " +
           listed(rules->people.reason_codes, [](const config::ReasonCode& reason) { return reason.code; }) +
           ", and the reason in words, of at least " + std::to_string(rules->people.reason_text_min) +
           " characters";
}

}  // namespace

std::string remedy_of(const Refused& refused, const StationPort& station, const BayState* bay) {
    const auto* rules = bay == nullptr ? nullptr : rules_of(station, bay->id);
    const auto* stay = bay == nullptr ? nullptr : std::get_if<Stay>(&bay->occupant);
    switch (refused.code) {
    case RefusalCode::unknown_person: return "let an administrator enrol this person";
    case RefusalCode::suspended: return "let somebody else act, or an administrator enrol this person again";
    case RefusalCode::not_entitled: return who_may(rules);
    case RefusalCode::same_person_twice: return "let another person consent";
    case RefusalCode::tightened_it: return "let somebody decide who did not tighten it";
    case RefusalCode::no_stay: return "bring a unit to the bay, then decide";
    case RefusalCode::no_such_joint: return joints_here(stay);
    case RefusalCode::no_such_thing: return things_here(rules, stay);
    case RefusalCode::already_settled: return "nothing more is needed; look at what holds the station now";
    case RefusalCode::reason_missing: return reasons_here(rules);
    case RefusalCode::value_missing:
        return "say what was verified and how, and give the torque that was measured by hand";
    case RefusalCode::value_outside_audit_window:
        return "check the joint again; one that stays outside is reworked, not overridden";
    case RefusalCode::seen_too_old: return "look again, then decide on what you see";
    case RefusalCode::not_possible_now: return "look at what holds the station, and act once that is cleared";
    case RefusalCode::needs_second_administrator: return "let a second person sign in and consent";
    }
    std::unreachable();
}

}  // namespace tautgate::web
