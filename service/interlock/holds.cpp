// Everything that holds a permissive back. Each function asks for positive evidence of one thing and gives a
// reason where there is none; a release exists only where all of them stay silent.
#include <algorithm>
#include <iterator>
#include <span>
#include <string>
#include <utility>

#include "config/scope.hpp"
#include "service/interlock/bypass.hpp"
#include "service/interlock/calibration.hpp"
#include "service/interlock/check_passes.hpp"
#include "service/interlock/lookup.hpp"
#include "service/interlock/moves.hpp"
#include "service/interlock/orders.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/interlock/source_holds.hpp"

namespace tautgate::interlock {
namespace {

using Reasons = std::vector<Reason>;

void add(Reasons& reasons, ReasonCode code, std::vector<Fact> facts = {}) {
    reasons.push_back({code, "", "", "", std::move(facts)});
}

void add_tool(Reasons& reasons, ReasonCode code, const ToolId& tool, std::vector<Fact> facts = {}) {
    reasons.push_back({code, "", "", tool.text, std::move(facts)});
}

// Moved, where a list in braces would be copied: the most frequent reason has five.
template <class... Facts>
std::vector<Fact> facts_of(Facts... facts) {
    std::vector<Fact> list;
    list.reserve(sizeof...(facts));
    (list.push_back(std::move(facts)), ...);
    return list;
}

std::string text_of(Doubt doubt) {
    switch (doubt) {
    case Doubt::none: return "";
    case Doubt::restarted: return "the station was restarted";
    case Doubt::controller_link_lost: return "the link to the equipment was lost";
    case Doubt::controller_restarted: return "the equipment's controller was restarted";
    case Doubt::counts_changed: return "the equipment counted another arrival";
    case Doubt::moved_in_doubt:
        return "it was moved here while that was withheld, or while it was not certain which unit it was";
    case Doubt::came_before_counted: return "a unit arrived here before this one was counted as moved here";
    case Doubt::moved_towards_another:
        return "a unit was moved from one bay to another one, and both have a unit";
    }
    return "";
}

std::string text_of(UnassignedWhy why) {
    switch (why) {
    case UnassignedWhy::no_stay: return "no unit was at the bay";
    case UnassignedWhy::not_in_one_stay: return "it cannot be said in which unit's stay it was made";
    case UnassignedWhy::not_identified: return "the unit was not identified";
    case UnassignedWhy::no_open_joint: return "no open joint takes this tool";
    case UnassignedWhy::several_joints: return "more than one joint could claim it";
    case UnassignedWhy::position_unknown: return "its position is not known";
    case UnassignedWhy::count_broken: return "results before it are missing";
    case UnassignedWhy::question_open: return "it was not certain which unit was at the bay";
    case UnassignedWhy::simulated_tool: return "it is simulated";
    case UnassignedWhy::unknown_tool: return "the rules do not know the tool";
    case UnassignedWhy::gap_accepted: return "it was accepted before that it would not come";
    case UnassignedWhy::maybe_counted: return "it may have been counted before the tool's count started anew";
    case UnassignedWhy::tool_disabled:
        return "its tool had been told not to run, and had said that it does not";
    case UnassignedWhy::between_bays: return "its tool, which bays share, did not belong to one of them then";
    case UnassignedWhy::conflicting: return "the tool gave one number to two results";
    }
    return "";
}

// ---- the equipment ------------------------------------------------------------------------------------

// Equipment by coils counts nothing itself; what looks like its restart is that nobody counted.
std::string why_doubted(Doubt doubt, bool by_coils) {
    return by_coils && doubt == Doubt::controller_restarted
               ? "the unit was out of sight, and the equipment does not count"
               : text_of(doubt);
}

void equipment(const BayState& bay, const Stay* stay, bool by_coils, Reasons& reasons) {
    const ControllerState& controller = bay.controller;
    if (controller.link != Quality::good) {
        add(reasons, ReasonCode::controller_link_lost, {{"quality", text_of(controller.link)}});
    }
    if (controller.fault)
        add(reasons, ReasonCode::controller_fault);
    if (stay == nullptr)
        return;
    if (is_on_its_way(*stay)) {
        add(reasons, ReasonCode::unit_absent,
            {{"finding", "The unit is on its way here from bay " + stay->moved_here->from.text},
             {"advice", "Let it arrive; if it stands here already, scan one of its tickets"}});
    } else {
        if (controller.present != Presence::present)
            add(reasons, ReasonCode::unit_absent);
        // A coil carries no token, and none comes back.
        if (!by_coils && controller.echoed != stay->token)
            add(reasons, ReasonCode::token_not_taken);
    }
    if (stay->doubt != Doubt::none) {
        add(reasons, ReasonCode::presence_unconfirmed, {{"why", why_doubted(stay->doubt, by_coils)}});
    }
}

// No unit: said as that only where the equipment says so, too.
void without_a_unit(const BayState& bay, Reasons& reasons) {
    switch (bay.controller.present) {
    case Presence::unknown:
        add(reasons, ReasonCode::no_unit,
            {{"finding", "Whether a unit is at the bay is not known"},
             {"advice", "Wait until the equipment has said so"}});
        return;
    case Presence::present:
        if (bay.departure_due) {
            add(reasons, ReasonCode::no_unit,
                {{"finding", "The last unit's leaving was counted, but the sensor still sees something"},
                 {"advice", "Clear the place"}});
            return;
        }
        break;
    case Presence::absent: break;
    }
    add(reasons, ReasonCode::no_unit);
}

// ---- the unit -----------------------------------------------------------------------------------------

void identity(const config::Station& station, const Stay& stay, Reasons& reasons) {
    std::visit(Overloaded{[&](const TicketsMissing&) {
                              for (const std::string& kind : station.pair.ticket_kinds) {
                                  const bool there = std::ranges::find(stay.tickets, kind, &Ticket::kind) !=
                                                     stay.tickets.end();
                                  if (!there)
                                      add(reasons, ReasonCode::ticket_missing, {{"kind", kind}});
                              }
                          },
                          [&](const WrongPair& wrong) {
                              add(reasons, ReasonCode::wrong_pair, {{"why", wrong.why}});
                          },
                          [&](const UnknownVariant& unknown) {
                              add(reasons, ReasonCode::unknown_variant, {{"type", unknown.type}});
                          },
                          [](const Identified&) {}},
               stay.identity);
}

void unit(const State& state, const Stay& stay, Reasons& reasons) {
    for (const MovementSeen& moved : stay.moved_unproven) {
        add(reasons, ReasonCode::moved_unproven, {{"permissive", moved.permissive.text}});
    }
    for (const Ticket& ticket : stay.tickets) {
        for (const UnitHold& hold : state.holds) {
            if (hold.unit == ticket.serial && !hold.nameless)
                add(reasons, ReasonCode::unit_on_hold, {{"serial", ticket.serial.text}, {"why", hold.why}});
        }
        // Where a sub-assembly is in another unit, that is what must be decided about.
        if (ticket.earlier_stays > 0 && !stay.return_accepted && !ticket.joined) {
            add(reasons, ReasonCode::serial_seen_before, {{"serial", ticket.serial.text}});
        }
    }
    for (const Ticket& ticket : stay.refused_tickets) {
        add(reasons, ReasonCode::ticket_repeated, {{"kind", ticket.kind}, {"serial", ticket.serial.text}});
    }
    if (const auto& many = stay.many_unassigned) {
        const auto number = [](std::uint64_t value) { return std::to_string(value); };
        add(reasons, ReasonCode::event_set_aside,
            {{"event", number(many->newest.value)},
             {"count", number(many->count)},
             {"first", number(many->first.value)}});
    }
    for (const EventNumber& event : stay.set_aside) {
        add(reasons, ReasonCode::event_set_aside, {{"event", std::to_string(event.value)}});
    }
    if (stay.differs)
        add(reasons, ReasonCode::decision_differs);
    // Those behind them are told once these are settled; one is enough to hold, and a tool that sends without
    // end must not make every decision slower.
    constexpr std::size_t unassigned_told = 16;
    for (const UnassignedResult& result :
         std::span(stay.unassigned).first(std::min(stay.unassigned.size(), unassigned_told))) {
        add_tool(reasons, ReasonCode::result_unassigned, result.tool,
                 {{"result", std::to_string(result.result.value)}, {"why", text_of(result.why)}});
    }
}

// ---- tools --------------------------------------------------------------------------------------------

void tool_trust(const State& state, const ToolId& id, Reasons& reasons) {
    const ToolState* tool = tool_of(state, id);
    if (tool == nullptr) {
        add_tool(reasons, ReasonCode::tool_link_lost, id, {{"quality", text_of(Quality::unknown)}});
        return;
    }
    if (tool->link != Quality::good) {
        add_tool(reasons, ReasonCode::tool_link_lost, id, {{"quality", text_of(tool->link)}});
    }
    if (!tool->asked)
        add_tool(reasons, ReasonCode::tool_not_asked, id);
    if (const auto* broken = std::get_if<Broken>(&tool->count)) {
        add_tool(reasons, ReasonCode::result_gap, id,
                 {{"expected", std::to_string(broken->expected)}, {"got", std::to_string(broken->got)}});
    }
    if (tool->outstanding_to) {
        add_tool(reasons, ReasonCode::results_outstanding, id,
                 {{"until", std::to_string(*tool->outstanding_to)}});
    }
    if (tool->conflict)
        add_tool(reasons, ReasonCode::result_conflict, id);
}

// ---- joints -------------------------------------------------------------------------------------------

std::string listed(const std::vector<std::string>& names) {
    std::string text;
    for (const std::string& name : names)
        text += (text.empty() ? "" : ", ") + name;
    return text;
}

// Whether a loosening has taken the proof of more than the fastener that it was of, since the tool does not
// say which that is: one that was good is open again, or two of a list have been tried and neither is proven.
// The state keeps no note of it.
bool all_taken_as_loosened(const config::Joint& joint, const JointState& state) {
    if (config::knows_position(joint.placement))
        return false;
    const bool listed = joint.placement == config::Placement::listed;
    for (std::size_t pass = 0; pass < joint.passes.size(); ++pass) {
        bool another_tried = false;
        for (const FastenerState& fastener : state.fasteners) {
            if (pass >= fastener.passes.size())
                continue;
            const PassState& at = fastener.passes[pass];
            const bool tried = at.attempts > 0 && !at.proof && !at.awaited;
            if (tried && (!at.not_ok || (listed && another_tried)))
                return true;
            another_tried = another_tried || tried;
        }
    }
    return false;
}

void note_loosening(const config::Joint& joint, const JointState& state, std::vector<Fact>& facts) {
    if (!all_taken_as_loosened(joint, state))
        return;
    const bool listed = joint.placement == config::Placement::listed && !joint.fasteners.empty();
    facts.push_back(
        {"loosened", "a loosening may have been of any of its fasteners, so all are tightened again" +
                         (listed ? " from " + joint.fasteners.front().name + " on" : "")});
}

void fastener(const config::Joint& joint, const JointState& of, const config::Fastener& named,
              const FastenerState& state, Reasons& reasons) {
    const auto about = [&](ReasonCode code, std::vector<Fact> facts) {
        reasons.push_back({code, joint.name, named.name, "", std::move(facts)});
    };
    if (state.locked) {
        std::vector<Fact> facts;
        note_loosening(joint, of, facts);
        about(ReasonCode::fastener_locked, std::move(facts));
    }
    if (state.replacement_due)
        about(ReasonCode::replacement_due, {});
    if (state.loosening_due)
        about(ReasonCode::loosening_due, {});
    for (std::size_t index = 0; index < state.passes.size() && index < joint.passes.size(); ++index) {
        const PassState& pass = state.passes[index];
        if (pass.awaited)
            reasons.push_back(
                {ReasonCode::curve_awaited,
                 joint.name,
                 named.name,
                 pass.awaited->of.tool.text,
                 {{"attempt", std::to_string(pass.attempts)}, {"pass", joint.passes[index].name}}});
        if (!pass.not_ok)
            continue;
        for (const evaluation::Finding& finding : pass.not_ok->judgement.findings) {
            const auto text = evaluation::text_of(finding.code);
            about(ReasonCode::joint_not_ok, {{"finding", std::string(text.sentence)},
                                             {"advice", std::string(text.advice)},
                                             {"found", finding.found},
                                             {"allowed", finding.allowed}});
        }
    }
}

// Of a joint whose fasteners a person selects: the one, if that has been done.
std::string next_of(const config::Joint& joint, const Stay& stay, const std::vector<std::string>& open) {
    switch (joint.placement) {
    case config::Placement::counted: return "any of them";
    case config::Placement::selected: {
        const auto& selected = stay.selection;
        const bool here =
            selected && selected->joint.text == joint.id && selected->fastener < joint.fasteners.size();
        return here ? joint.fasteners[selected->fastener].name : "any of them, selected first";
    }
    case config::Placement::listed:
    case config::Placement::by_tool:
    case config::Placement::by_arm: break;
    }
    return open.empty() ? "" : open.front();
}

// What is not its turn yet is told with what comes before: work on it would count for nothing.
void note_turn(const std::string& after, std::vector<Fact>& facts) {
    if (!after.empty())
        facts.push_back({"after", after});
}

// `after`: what has to be done before; empty: it is its turn.
void open_joint(const config::Joint& joint, const JointState& state, const Stay& stay,
                const std::string& after, Reasons& reasons) {
    if (is_all_done(joint, state)) {
        reasons.push_back({ReasonCode::witness_missing,
                           joint.name,
                           "",
                           "",
                           {{"way", joint.alternate ? joint.alternate->name : std::string{}}}});
        return;
    }
    if (joint.method == config::Method::confirmed_check) {
        std::vector<Fact> facts{{"step", joint.name}};
        note_turn(after, facts);
        reasons.push_back({ReasonCode::check_open, "", "", "", std::move(facts)});
        return;
    }
    const std::size_t pass = pass_at_hand(joint, state);
    if (pass >= joint.passes.size() && state.fasteners.size() == joint.fasteners.size() &&
        !joint.passes.empty())
        return;  // all that is left is to wait for curves
    if (waits_for_check(joint, state)) {
        reasons.push_back(
            {ReasonCode::check_waits,
             joint.name,
             "",
             "",
             {{"pass", joint.passes[pass].name}, {"wait", wait_text(joint.passes[pass].check->wait)}}});
        return;
    }
    std::vector<std::string> open;
    for (std::size_t i = 0; i < joint.fasteners.size(); ++i) {
        const PassState* at = i < state.fasteners.size() && pass < state.fasteners[i].passes.size()
                                  ? &state.fasteners[i].passes[pass]
                                  : nullptr;
        if (at == nullptr || (!at->proof && !at->awaited))
            open.push_back(joint.fasteners[i].name);
    }
    auto facts = facts_of(Fact{"open", std::to_string(open.size())},
                          Fact{"all", std::to_string(joint.fasteners.size())},
                          Fact{"pass", pass < joint.passes.size() ? joint.passes[pass].name : ""},
                          Fact{"next", next_of(joint, stay, open)}, Fact{"fasteners", listed(open)});
    note_turn(after, facts);
    note_loosening(joint, state, facts);
    reasons.push_back({ReasonCode::joint_open, joint.name, "", "", std::move(facts)});
}

void drop_lifted(const Override& over, Reasons& reasons) {
    std::erase_if(reasons, [&](const Reason& reason) {
        return interlock::text_of(reason.code).overridable &&
               std::ranges::find(over.lifts, reason.code) != over.lifts.end();
    });
}

// As long as one of its tools is calibrated, the joint can be proven with that.
void calibrations(const State& state, const config::Joint& joint, Reasons& reasons) {
    Reasons overdue;
    for (const std::string& id : joint.tools) {
        const ToolState* tool = tool_of(state, ToolId{id});
        if (tool == nullptr || !is_out_of_calibration(*tool))
            return;
        add_tool(overdue, ReasonCode::tool_overdue, tool->id, {{"calibration", words_of(tool->calibration)}});
    }
    std::ranges::move(overdue, std::back_inserter(reasons));
}

void restart(const State& state, const config::Joint& joint, const Stay& stay, Reasons& reasons) {
    const Bypass* bypass = unverified_restart(state, stay, JointId{joint.id});
    if (bypass == nullptr)
        return;
    const config::Joint* way = config::alternate_of(joint, bypass->alternate);
    reasons.push_back({ReasonCode::restart_unverified,
                       joint.name,
                       "",
                       "",
                       {{"way", way != nullptr ? way->alternate->name : bypass->alternate},
                        {"alternate", bypass->alternate},
                        {"ended", std::to_string(bypass->ended->value)}}});
}

void joint(const State& state, const config::Joint& joint, const Stay& stay, const std::string& after,
           Reasons& reasons) {
    const JointState* known = joint_of(stay, joint.id);
    const JointState none{};
    const JointState& at = known != nullptr ? *known : none;
    Reasons own;
    for (std::size_t i = 0; i < at.fasteners.size() && i < joint.fasteners.size(); ++i) {
        fastener(joint, at, joint.fasteners[i], at.fasteners[i], own);
    }
    if (!is_proven(joint, at))
        open_joint(joint, at, stay, after, own);
    if (at.override_) {
        // Who decides without proof does so whatever the tools have to say.
        drop_lifted(*at.override_, own);
        std::erase_if(own, [](const Reason& r) { return r.code == ReasonCode::check_open; });
    } else if (joint.method != config::Method::confirmed_check) {
        for (const std::string& tool : joint.tools)
            tool_trust(state, ToolId{tool}, reasons);
        if (!is_all_done(joint, at))
            calibrations(state, joint, reasons);
    }
    if (!at.override_)
        restart(state, joint, stay, reasons);
    if (const SourceHold* held = held_by(state, joint, at)) {
        auto [what, name] = words_of(held->source);
        own.push_back({ReasonCode::source_on_hold,
                       joint.name,
                       "",
                       "",
                       {{"what", std::move(what)}, {"name", std::move(name)}, {"why", held->why}}});
    }
    std::ranges::move(own, std::back_inserter(reasons));
}

// The first step that is open, of the stage at hand.
std::string step_at_hand(const config::Station& station, const config::Plan& plan, const Stay& stay,
                         std::size_t stage) {
    if (stage >= plan.stages.size())
        return {};
    const auto& all = plan.stages[stage].steps;
    const auto first = std::ranges::find_if(
        all, [&](const config::Step& step) { return !is_step_done(station, stay, step); });
    if (first == all.end())
        return {};
    return std::visit(
        Overloaded{[](const config::ScanStep& scan) { return "the scan of ticket " + scan.ticket_kind; },
                   [&](const config::TightenStep& tighten) {
                       const config::Joint* planned = joint_in(station, stay.other_ways, tighten.joint);
                       return planned != nullptr ? planned->name : tighten.joint;
                   },
                   [](const config::ConfirmStep& confirm) { return confirm.text; }},
        *first);
}

void steps(const State& state, const config::Station& station, const config::Plan& plan, const Stay& stay,
           const config::Permissive& permissive, Reasons& reasons) {
    const std::size_t at_hand = open_stage(station, plan, stay);
    const std::string before = step_at_hand(station, plan, stay, at_hand);
    for (std::size_t stage = 0; stage < plan.stages.size(); ++stage) {
        const std::string after = stage > at_hand ? before : std::string{};
        const bool in_scope = config::covers_steps(permissive, plan, stage);
        for (const config::Step& step : plan.stages[stage].steps) {
            std::visit(
                Overloaded{[&](const config::ScanStep& scan) {
                               const bool wanted = in_scope || permissive.scope == config::Scope::classes;
                               if (wanted && !is_step_done(station, stay, step)) {
                                   add(reasons, ReasonCode::ticket_missing, {{"kind", scan.ticket_kind}});
                               }
                           },
                           [&](const config::TightenStep& tighten) {
                               const config::Joint* planned =
                                   joint_in(station, stay.other_ways, tighten.joint);
                               if (planned == nullptr) {
                                   add(reasons, ReasonCode::bay_not_in_rules);
                               } else if (config::covers(permissive, plan, *planned, stage)) {
                                   joint(state, *planned, stay, after, reasons);
                               }
                           },
                           [&](const config::ConfirmStep& confirm) {
                               if (in_scope && !is_step_done(station, stay, step)) {
                                   std::vector<Fact> facts{{"step", confirm.text}};
                                   note_turn(after, facts);
                                   add(reasons, ReasonCode::check_open, std::move(facts));
                               }
                           }},
                step);
        }
    }
}

}  // namespace

std::vector<Reason> holds_of(const RuleBook& rules, const State& state, const BayState& bay,
                             const PermissiveId& id) {
    Reasons reasons;
    const Stay* stay = stay_at(bay);
    const config::Station* station = rules_at(rules, state, bay);
    const config::Bay* described = station != nullptr ? bay_in(*station, bay.id) : nullptr;
    equipment(bay, stay, described != nullptr && config::is_by_coils(*described), reasons);
    if (stay == nullptr)
        without_a_unit(bay, reasons);
    if (station == nullptr) {
        add(reasons, ReasonCode::no_rules_in_force);
        order_worst_first(reasons);
        return reasons;
    }
    const config::Permissive* permissive = permissive_in(*station, id);
    if (permissive == nullptr || permissive->bay != bay.id.text || described == nullptr) {
        add(reasons, ReasonCode::bay_not_in_rules);
    }
    if (stay != nullptr) {
        unit(state, *stay, reasons);
        identity(*station, *stay, reasons);
        order_holds(state, *station, *stay, reasons);
        subassembly_holds(state, *station, *stay, reasons);
        const bool used = std::ranges::find(stay->used, id, &MovementSeen::permissive) != stay->used.end();
        if (used)
            add(reasons, ReasonCode::movement_used, {{"permissive", id.text}});
        if (permissive != nullptr && !permissive->moves_to.empty()) {
            if (auto held = not_free(state, BayId{permissive->moves_to}, *stay))
                add(reasons, held->code, std::move(held->facts));
        }
        const config::Plan* plan = plan_of(*station, *stay);
        // An identified unit without its plan cannot be proven; an unidentified one has its reason above.
        if (plan == nullptr && std::holds_alternative<Identified>(stay->identity)) {
            add(reasons, ReasonCode::bay_not_in_rules);
        }
        if (plan != nullptr && permissive != nullptr)
            steps(state, *station, *plan, *stay, *permissive, reasons);
    }
    order_worst_first(reasons);
    return reasons;
}

}  // namespace tautgate::interlock
