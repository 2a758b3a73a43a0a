#include "service/history/reason_json.hpp"

#include <algorithm>
#include <string_view>
#include <vector>

#include <boost/describe/enum_to_string.hpp>

#include "protocol/text.hpp"
#include "service/history/json_parts.hpp"
#include "service/interlock/lookup.hpp"
#include "service/journal/codec.hpp"

namespace tautgate::history {
namespace {

using interlock::plan_of;
using interlock::Reason;
using interlock::ReasonText;
using interlock::Stay;
using nlohmann::json;

template <class Enum>
std::string_view word_of_reason(Enum value) {
    return boost::describe::enum_to_string(value, "unnamed");
}

// A reason bears the joint's name, as people know it. Of two with the same name the one that asks for more.
const config::Joint* joint_named(const config::Station& rules, std::string_view name) {
    const config::Joint* found = nullptr;
    for (const auto& joint : rules.joints) {
        if (joint.name == name && (found == nullptr || joint.risk < found->risk))
            found = &joint;
    }
    return found;
}

// Who may lift it by an override, as the rules say for the joint's class.
json override_rule_view(const Reason& reason, const ReasonText& text, const config::Station* rules) {
    if (!text.overridable || rules == nullptr)
        return nullptr;
    const auto* joint = joint_named(*rules, reason.joint);
    if (joint == nullptr)
        return nullptr;
    const auto rule = std::ranges::find(rules->people.overrides, joint->risk, &config::OverrideRule::risk);
    if (rule == rules->people.overrides.end())
        return nullptr;
    return {{"people", rule->people},
            {"roles", list_of(rule->roles, [](domain::Role role) { return json(word_of_reason(role)); })},
            {"hand_checked_value", rule->hand_checked_value}};
}

// Of the unit's plan.
std::vector<config::ConfirmStep> confirmed_steps(const config::Station& rules, const Stay& stay) {
    std::vector<config::ConfirmStep> steps;
    const auto* plan = plan_of(rules, stay);
    if (plan == nullptr)
        return steps;
    for (const auto& stage : plan->stages)
        for (const auto& step : stage.steps)
            if (const auto* confirm = std::get_if<config::ConfirmStep>(&step))
                steps.push_back(*confirm);
    return steps;
}

// The id by which decisions and confirmations name what the reason is about: that of the joint of this unit,
// or of the step. Of joints with the same name, none.
json reason_subject(const Reason& reason, const config::Station* rules, const Stay* stay) {
    if (rules == nullptr || stay == nullptr)
        return nullptr;
    std::string name = reason.joint;
    for (const auto& fact : reason.facts)
        if (name.empty() && fact.name == "step")
            name = fact.value;
    if (name.empty())
        return nullptr;
    std::vector<std::string> ids;
    for (const auto& joint : stay->joints) {
        const auto* described = interlock::joint_in(*rules, joint.id.text);
        if (described != nullptr && described->name == name)
            ids.push_back(described->id);
    }
    for (const auto& step : confirmed_steps(*rules, *stay))
        if (step.text == name)
            ids.push_back(step.id);
    return ids.size() == 1 ? json(ids.front()) : json(nullptr);
}

json way_view(const interlock::WayOut& way) {
    return {{"action", protocol::snake_case(journal::kind_of(way.action))},
            {"people", way.people},
            {"roles", list_of(way.roles, [](domain::Role role) { return json(word_of_reason(role)); })}};
}

}  // namespace

json reason_view(const Reason& reason, const interlock::RuleBook& rule_book, const interlock::State& state,
                 const interlock::BayState& bay) {
    const config::Station* rules = interlock::rules_at(rule_book, state, bay);
    const Stay* stay = interlock::stay_at(bay);
    const auto& text = interlock::text_of(reason.code);
    json facts = json::array();
    for (const auto& fact : reason.facts)
        facts.push_back({{"name", fact.name}, {"value", fact.value}});
    return {{"code", word_of_reason(reason.code)},
            {"number", static_cast<std::uint16_t>(reason.code)},
            {"sentence", sentence(reason)},
            {"remedy", remedy(reason)},
            {"clears", word_of_reason(text.clears)},
            {"overridable", text.overridable},
            {"ways_out", list_of(interlock::ways_out(rule_book, state, bay.id, reason), way_view)},
            {"override", override_rule_view(reason, text, rules)},
            {"id", reason_subject(reason, rules, stay)},
            {"joint", text_or_null(reason.joint)},
            {"fastener", text_or_null(reason.fastener)},
            {"tool", text_or_null(reason.tool)},
            {"facts", std::move(facts)}};
}

}  // namespace tautgate::history
