#include "service/interlock/lookup.hpp"

#include <algorithm>

#include "service/interlock/bypass.hpp"
#include "service/interlock/overloaded.hpp"

namespace tautgate::interlock {
namespace {

template <class List, class Key, class Projection>
auto find_in(List& list, const Key& key, Projection projection) -> decltype(list.data()) {
    const auto found = std::ranges::find(list, key, projection);
    return found == list.end() ? nullptr : &*found;
}

}  // namespace

const config::Station* rules_of(const RuleBook& rules, const std::optional<Revision>& revision) {
    if (!revision)
        return nullptr;
    const auto found = rules.find(*revision);
    return found == rules.end() ? nullptr : found->second.get();
}

const config::Station* rules_at(const RuleBook& rules, const State& state, const BayState& bay) {
    const Stay* stay = stay_at(bay);
    return rules_of(rules, stay != nullptr ? std::optional(stay->rules) : state.rules);
}

const config::Bay* bay_in(const config::Station& station, const BayId& id) {
    return find_in(station.bays, id.text, &config::Bay::id);
}

const config::Tool* tool_in(const config::Station& station, const ToolId& id) {
    return find_in(station.tools, id.text, &config::Tool::id);
}

const config::Permissive* permissive_in(const config::Station& station, const PermissiveId& id) {
    return find_in(station.permissives, id.text, &config::Permissive::id);
}

const config::Joint* joint_in(const config::Station& station, std::string_view id) {
    return find_in(station.joints, id, &config::Joint::id);
}

const config::Joint* joint_in(const config::Station& station, const OtherWays& ways, std::string_view id) {
    const config::Joint* planned = joint_in(station, id);
    const OtherWay* way =
        find_in(ways, id, [](const OtherWay& one) -> std::string_view { return one.joint.text; });
    return planned == nullptr || way == nullptr ? planned : config::alternate_of(*planned, way->alternate);
}

const config::Plan* plan_in(const config::Station& station, std::string_view id) {
    return find_in(station.plans, id, &config::Plan::id);
}

const config::Plan* plan_of(const config::Station& station, const Stay& stay) {
    const auto* identified = std::get_if<Identified>(&stay.identity);
    return identified == nullptr ? nullptr : plan_in(station, identified->plan);
}

std::vector<PlannedJoint> joints_of(const config::Station& station, const config::Plan& plan,
                                    const OtherWays& ways) {
    std::vector<PlannedJoint> joints;
    for (std::size_t stage = 0; stage < plan.stages.size(); ++stage) {
        for (const config::Step& step : plan.stages[stage].steps) {
            const auto* tighten = std::get_if<config::TightenStep>(&step);
            if (tighten != nullptr)
                joints.push_back({joint_in(station, ways, tighten->joint), stage});
        }
    }
    return joints;
}

const config::OverrideRule* override_rule(const config::Station& station, config::RiskClass risk) {
    return find_in(station.people.overrides, risk, &config::OverrideRule::risk);
}

const config::Variant* variant_of(const config::Station& station, std::string_view type) {
    if (const config::Variant* by_id = find_in(station.variants, type, &config::Variant::id))
        return by_id;
    for (const config::Variant& variant : station.variants) {
        for (const config::TypesOfKind& types : variant.types) {
            const bool names_it = types.ticket_kind == station.pair.variant_kind &&
                                  std::ranges::find(types.types, type) != types.types.end();
            if (names_it)
                return &variant;
        }
    }
    return nullptr;
}

bool serves(const config::Joint& joint, const ToolId& tool) {
    return joint.method != config::Method::confirmed_check &&
           std::ranges::find(joint.tools, tool.text) != joint.tools.end();
}

BayState* bay_of(State& state, const BayId& id) { return find_in(state.bays, id, &BayState::id); }
const BayState* bay_of(const State& state, const BayId& id) { return find_in(state.bays, id, &BayState::id); }

std::uint16_t movements_of(const BayState& bay, const PermissiveId& id) {
    if (!bay.controller.counts)
        return 0;
    const Moved* moved = find_in(bay.controller.counts->moved, id, &Moved::permissive);
    return moved == nullptr ? std::uint16_t{0} : moved->count;
}

ToolState* tool_of(State& state, const ToolId& id) { return find_in(state.tools, id, &ToolState::id); }
const ToolState* tool_of(const State& state, const ToolId& id) {
    return find_in(state.tools, id, &ToolState::id);
}

const Person* person_of(const State& state, PersonNumber number) {
    return find_in(state.people, number, &Person::number);
}

Stay* stay_at(BayState& bay) { return std::get_if<Stay>(&bay.occupant); }
const Stay* stay_at(const BayState& bay) { return std::get_if<Stay>(&bay.occupant); }

bool is_certain(const Stay& stay) noexcept {
    return stay.doubt == Doubt::none && stay.refused_tickets.empty();
}

bool is_on_its_way(const Stay& stay) noexcept { return stay.moved_here && !stay.moved_here->arrived; }

const Stamp& here_since(const Stay& stay) noexcept {
    return stay.moved_here ? stay.moved_here->since : stay.began;
}

EventNumber came_with(const Stay& stay) noexcept {
    return stay.moved_here ? stay.moved_here->arrived.value_or(stay.moved_here->moved) : stay.id;
}

const Ticket* ticket_of(const Stay& stay, std::string_view kind) {
    return find_in(stay.tickets, kind, &Ticket::kind);
}

JointState* joint_of(Stay& stay, std::string_view id) {
    return find_in(stay.joints, id,
                   [](const JointState& joint) -> std::string_view { return joint.id.text; });
}
const JointState* joint_of(const Stay& stay, std::string_view id) {
    return find_in(stay.joints, id,
                   [](const JointState& joint) -> std::string_view { return joint.id.text; });
}

std::size_t current_pass(const config::Joint& joint, const JointState& state) {
    for (std::size_t pass = 0; pass < joint.passes.size(); ++pass) {
        const bool complete = std::ranges::all_of(state.fasteners, [&](const FastenerState& fastener) {
            return pass < fastener.passes.size() && fastener.passes[pass].proof.has_value();
        });
        if (!complete)
            return pass;
    }
    return joint.passes.size();
}

std::size_t pass_at_hand(const config::Joint& joint, const JointState& state) {
    for (std::size_t pass = 0; pass < joint.passes.size(); ++pass) {
        const bool complete = std::ranges::all_of(state.fasteners, [&](const FastenerState& fastener) {
            return pass < fastener.passes.size() &&
                   (fastener.passes[pass].proof || fastener.passes[pass].awaited);
        });
        if (!complete)
            return pass;
    }
    return joint.passes.size();
}

bool is_all_done(const config::Joint& joint, const JointState& state) {
    switch (joint.method) {
    case config::Method::confirmed_check: return state.confirmed.has_value();
    case config::Method::tightening:
    case config::Method::click:
        return !joint.passes.empty() && !joint.fasteners.empty() &&
               state.fasteners.size() == joint.fasteners.size() &&
               current_pass(joint, state) == joint.passes.size();
    }
    return false;
}

bool is_proven(const config::Joint& joint, const JointState& state) {
    return is_all_done(joint, state) && (!wants_witness(joint) || state.witnessed);
}

bool is_settled(const config::Joint& joint, const JointState& state) {
    return state.override_.has_value() || is_proven(joint, state);
}

bool is_step_done(const config::Station& station, const Stay& stay, const config::Step& step) {
    return std::visit(
        Overloaded{[&](const config::ScanStep& scan) {
                       return std::ranges::any_of(stay.tickets, [&](const Ticket& ticket) {
                           return ticket.kind == scan.ticket_kind;
                       });
                   },
                   [&](const config::TightenStep& tighten) {
                       const config::Joint* joint = joint_in(station, stay.other_ways, tighten.joint);
                       const JointState* state = joint_of(stay, tighten.joint);
                       return joint != nullptr && state != nullptr && is_settled(*joint, *state);
                   },
                   [&](const config::ConfirmStep& confirm) {
                       return std::ranges::any_of(
                           stay.checks, [&](const CheckDone& done) { return done.step == confirm.id; });
                   }},
        step);
}

std::size_t open_stage(const config::Station& station, const config::Plan& plan, const Stay& stay) {
    for (std::size_t stage = 0; stage < plan.stages.size(); ++stage) {
        const bool complete = std::ranges::all_of(plan.stages[stage].steps, [&](const config::Step& step) {
            return is_step_done(station, stay, step);
        });
        if (!complete)
            return stage;
    }
    return plan.stages.size();
}

std::string text_of(Quality quality) {
    switch (quality) {
    case Quality::unknown: return "not known yet";
    case Quality::good: return "good";
    case Quality::stale: return "silent";
    case Quality::failed: return "broken";
    }
    return "not known yet";
}

bool has_any(const Person& person, const std::vector<config::Role>& roles) {
    return std::ranges::any_of(roles, [&](config::Role role) {
        return std::ranges::find(person.roles, role) != person.roles.end();
    });
}

bool may_act_as(const State& state, const Person& person, const std::vector<config::Role>& roles) {
    if (has_any(person, roles))
        return true;
    return std::ranges::any_of(state.deputies, [&](const Deputy& deputy) {
        return deputy.person == person.number && std::ranges::find(roles, deputy.role) != roles.end();
    });
}

}  // namespace tautgate::interlock
