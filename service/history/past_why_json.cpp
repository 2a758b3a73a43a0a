#include "service/history/past_why_json.hpp"

#include <algorithm>
#include <variant>

#include "service/history/json_parts.hpp"
#include "service/history/reason_json.hpp"
#include "service/interlock/lookup.hpp"
#include "service/interlock/overloaded.hpp"

namespace tautgate::history {
namespace {

using nlohmann::json;

std::string_view output_word(const interlock::Output& output) {
    return std::visit(
        interlock::Overloaded{[](const interlock::Withheld&) { return "withheld"; },
                              [](const interlock::Released&) { return "released"; },
                              [](const interlock::LeavingIncomplete&) { return "leaving_incomplete"; }},
        output);
}

json permissive_then(const PastWhy& why, const interlock::BayState& bay,
                     const interlock::PermissiveState& permissive, const DecidedBy& by) {
    const config::Station* rules = interlock::rules_at(why.rules, why.state, bay);
    const config::Permissive* known =
        rules != nullptr ? interlock::permissive_in(*rules, permissive.id) : nullptr;
    const bool ever = by.event.value != 0;
    return {{"id", permissive.id.text},
            {"name", known != nullptr ? known->name : permissive.id.text},
            {"movement", known != nullptr ? json(known->movement) : json(nullptr)},
            {"leaving", known != nullptr ? json(known->leaving) : json(nullptr)},
            {"decided", output_word(permissive.output)},
            {"decided_by", ever ? json(by.event.value) : json(nullptr)},
            {"decided_at", ever ? json(protocol::utc_text(by.utc_us)) : json(nullptr)},
            {"program", text_or_null(by.program)},
            {"rules", text_or_null(by.rules)},
            {"reasons", list_of(permissive.reasons, [&](const interlock::Reason& reason) {
                 return reason_view(reason, why.rules, why.state, bay);
             })}};
}

json unit_then(const interlock::Stay* stay) {
    if (stay == nullptr)
        return nullptr;
    const auto* known = std::get_if<interlock::Identified>(&stay->identity);
    return {{"stay", stay->id.value},
            {"unit", known != nullptr ? json(known->unit.text) : json(nullptr)},
            {"variant", known != nullptr ? json(known->variant) : json(nullptr)},
            {"plan", known != nullptr ? json(known->plan) : json(nullptr)},
            {"plan_revision", known != nullptr ? text_or_null(known->plan_revision) : json(nullptr)},
            {"rules", text_or_null(stay->rules.digest)}};
}

}  // namespace

std::string past_why_json(const PastWhy& why) {
    const interlock::BayState& bay = *interlock::bay_of(why.state, why.bay);
    json permissives = json::array();
    for (std::size_t i = 0; i < bay.permissives.size() && i < why.decided.size(); ++i)
        permissives.push_back(permissive_then(why, bay, bay.permissives[i], why.decided[i]));
    return dump({{"bay", why.bay.text},
                 {"event", why.event.value},
                 {"at", protocol::utc_text(why.utc_us)},
                 {"program", why.program},
                 {"occupant", unit_then(interlock::stay_at(bay))},
                 {"stored_otherwise", number_or_null(why.stored_otherwise)},
                 {"permissives", std::move(permissives)}});
}

}  // namespace tautgate::history
