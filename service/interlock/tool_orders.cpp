#include "service/interlock/tool_orders.hpp"

#include <algorithm>
#include <string>
#include <utility>
#include <vector>

#include "service/interlock/calibration.hpp"
#include "service/interlock/check_passes.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/interlock/source_holds.hpp"
#include "service/interlock/tool_count.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

constexpr std::size_t times_kept = 8;

template <class Time>
void keep(std::vector<Time>& times, Time newest) {
    times.push_back(std::move(newest));
    if (times.size() > times_kept)
        times.erase(times.begin());
}

// ---- what a bay needs -----------------------------------------------------------------------------------

// Only then what it makes would count.
bool is_trusted(const ToolState& tool) {
    return tool.link == Quality::good && tool.asked && !tool.conflict && !tool.outstanding_to &&
           std::holds_alternative<Following>(tool.count);
}

bool is_ready(const BayState& bay, const Stay& stay) {
    return bay.controller.present == Presence::present && !is_on_its_way(stay) && is_certain(stay);
}

// A fastener that can be tightened, or has to be loosened, without anybody's decision.
bool wants_the_tool(const config::Joint& joint, const JointState& state) {
    if (state.override_ || is_all_done(joint, state) || waits_for_check(joint, state))
        return false;
    const std::size_t pass = pass_at_hand(joint, state);
    return std::ranges::any_of(state.fasteners, [&](const FastenerState& fastener) {
        const bool open =
            pass < fastener.passes.size() && !fastener.passes[pass].proof && !fastener.passes[pass].awaited;
        return open && !fastener.locked && !fastener.replacement_due;
    });
}

// The station does not choose the program of one whose profile has no way to say it.
bool takes_a_program(const config::Station& station, const config::Tool& tool) {
    if (const auto* registers = config::register_profile(station, tool))
        return registers->control && registers->control->program;
    if (const auto* frames = config::frame_profile(station, tool))
        return frames->control && frames->control->program;
    return true;
}

// The program for what is open at the bay for this tool, empty where several are or the station chooses none;
// nothing: it is not needed.
std::optional<std::string> needed_at(const RuleBook& rules, const State& state, const BayState& bay,
                                     const ToolState& tool) {
    const Stay* stay = stay_at(bay);
    const config::Station* station = rules_at(rules, state, bay);
    const config::Tool* known = station != nullptr ? tool_in(*station, tool.id) : nullptr;
    const config::Plan* plan = station != nullptr && stay != nullptr ? plan_of(*station, *stay) : nullptr;
    const bool serves_here = known != nullptr && known->control && config::is_at(*known, bay.id.text);
    if (plan == nullptr || !serves_here || !is_trusted(tool) || is_on_hold(state, tool.id) ||
        is_out_of_calibration(tool) || !is_ready(bay, *stay))
        return std::nullopt;
    std::optional<std::string> program;
    const std::size_t stage = open_stage(*station, *plan, *stay);
    for (const PlannedJoint& planned : joints_of(*station, *plan, stay->other_ways)) {
        if (planned.joint == nullptr || planned.stage > stage || !serves(*planned.joint, tool.id))
            continue;
        const JointState* joint = joint_of(*stay, planned.joint->id);
        if (joint == nullptr || !wants_the_tool(*planned.joint, *joint))
            continue;
        const std::string& wanted = planned.joint->passes[pass_at_hand(*planned.joint, *joint)].program;
        program = !program || *program == wanted ? wanted : std::string{};
    }
    if (program && !takes_a_program(*station, *known))
        program->clear();
    return program;
}

// ---- orders ---------------------------------------------------------------------------------------------

struct Need {
    BayId bay;
    std::string program;
};

EventNumber began(const State& state, const BayId& id) {
    const BayState* bay = bay_of(state, id);
    const Stay* stay = bay != nullptr ? stay_at(*bay) : nullptr;
    return stay != nullptr ? stay->id : EventNumber{};
}

// Of the bays that need it: the one to which it was called, else where the unit has stood for longest.
std::optional<Need> first_need(const RuleBook& rules, const State& state, const config::Tool& known,
                               const ToolState& tool) {
    std::optional<Need> first;
    for (const std::string& id : config::bays_of(known)) {
        const BayState* bay = bay_of(state, BayId{id});
        auto program = bay != nullptr ? needed_at(rules, state, *bay, tool) : std::nullopt;
        if (!program)
            continue;
        Need need{bay->id, std::move(*program)};
        if (tool.called_to == need.bay)
            return need;
        if (!first || began(state, need.bay) < began(state, first->bay))
            first = std::move(need);
    }
    return first;
}

bool belongs_to(const ToolState& tool, const BayId& bay) {
    return !tool.bound.empty() && !tool.bound.back().until && tool.bound.back().bay == bay;
}

// Elsewhere it may still run, as far as we know.
bool may_go_to(const config::Tool& known, const ToolState& tool, const BayId& bay) {
    const auto* off = std::get_if<ToolOff>(&tool.order);
    return !config::is_shared(known) || belongs_to(tool, bay) || (off != nullptr && off->confirmed);
}

void end_rest(ToolState& tool, const Stamp& at) {
    if (!tool.rests.empty() && !tool.rests.back().until)
        tool.rests.back().until = at;
}

void let_run(ToolState& tool, const config::Tool& known, Need need, const Event& event) {
    if (config::is_shared(known) && !belongs_to(tool, need.bay))
        keep(tool.bound, ToolBinding{need.bay, event.at, std::nullopt});
    end_rest(tool, event.at);
    tool.order = ToolOn{event.number, std::move(need.bay), std::move(need.program), false};
}

void let_run_where_needed(const RuleBook& rules, const State& state, const config::Tool& known,
                          ToolState& tool, const Event& event) {
    auto need = first_need(rules, state, known, tool);
    if (!need)
        return;
    if (!may_go_to(known, tool, need->bay))
        return;
    if (tool.called_to == need->bay)
        tool.called_to.reset();
    let_run(tool, known, std::move(*need), event);
}

bool count_is_ours(const ToolState& tool, const ToolWord& word) {
    const auto* following = std::get_if<Following>(&tool.count);
    return following != nullptr && following->epoch == word.epoch && following->counter == word.counter;
}

// What it makes from now on belongs to no bay, whether or not it obeys.
void stop(ToolState& tool, const Event& event) {
    tool.order = ToolOff{event.number, std::nullopt};
    if (!tool.bound.empty() && !tool.bound.back().until)
        tool.bound.back().until = event.at;
}

// The word may come before the results that it counts.
void confirm(ToolState& tool, const Stamp& at) {
    auto* off = std::get_if<ToolOff>(&tool.order);
    const bool says_so = off != nullptr && tool.word && tool.word->order == off->by && !tool.word->enabled;
    if (!says_so || off->confirmed || !is_trusted(tool) || !count_is_ours(tool, *tool.word))
        return;
    off->confirmed = at;
    keep(tool.rests, ToolRest{at, std::nullopt});
}

// What was said before the link was lost is not known to hold: it is asked for again.
void rest(ToolState& tool, const Event& event) {
    const auto& off = std::get<ToolOff>(tool.order);
    const bool lost = off.confirmed && tool.link != Quality::good;
    if (lost)
        end_rest(tool, event.at);
    if (lost || off.by == EventNumber{})
        tool.order = ToolOff{event.number, std::nullopt};
    confirm(tool, event.at);
}

// A call that outlasts its need would take the tool away from wherever it goes next.
void forget_idle_call(const RuleBook& rules, const State& state, ToolState& tool) {
    const BayState* bay = tool.called_to ? bay_of(state, *tool.called_to) : nullptr;
    if (bay == nullptr || !needed_at(rules, state, *bay, tool))
        tool.called_to.reset();
}

void settle(const RuleBook& rules, const State& state, const config::Tool& known, ToolState& tool,
            const Event& event) {
    forget_idle_call(rules, state, tool);
    const auto* on = std::get_if<ToolOn>(&tool.order);
    if (on == nullptr) {
        rest(tool, event);
        return let_run_where_needed(rules, state, known, tool, event);
    }
    const BayState* bay = bay_of(state, on->bay);
    const bool called_away = tool.called_to && *tool.called_to != on->bay;
    auto program = bay != nullptr && !called_away ? needed_at(rules, state, *bay, tool) : std::nullopt;
    if (program && *program == on->program)
        return;
    if (program)
        return let_run(tool, known, {on->bay, std::move(*program)}, event);
    stop(tool, event);
}

// ---- what it says back ----------------------------------------------------------------------------------

void hear_off(Transition& t, ToolState& tool, ToolOff& off, const ToolControlSeen& seen) {
    if (!seen.enabled) {
        tool.disobeys = false;
        return;
    }
    off.confirmed.reset();
    end_rest(tool, t.event.at);
    if (!std::exchange(tool.disobeys, true))
        t.alarm(AlarmCode::tool_disobeys, BayId{}, Serial{}, "tool " + tool.id.text);
}

void hear_on(ToolState& tool, ToolOn& on, const ToolControlSeen& seen) {
    tool.disobeys = false;
    on.confirmed = seen.enabled && (on.program.empty() || seen.program == on.program);
}

}  // namespace

void settle_tools(const RuleBook& rules, State& state, const Event& event) {
    const config::Station* station = rules_of(rules, state.rules);
    if (station == nullptr)
        return;
    for (const config::Tool& known : station->tools) {
        ToolState* tool = known.control ? tool_of(state, ToolId{known.id}) : nullptr;
        if (tool != nullptr)
            settle(rules, state, known, *tool, event);
    }
    // Let run under rules of before, which knew how to stop it.
    for (ToolState& tool : state.tools) {
        if (!std::holds_alternative<ToolOn>(tool.order))
            continue;
        const config::Tool* known = tool_in(*station, tool.id);
        if (known == nullptr || !known->control)
            stop(tool, event);
    }
}

std::optional<BayId> bay_when(const config::Tool& tool, const ToolState& state, const Interval& made) {
    if (!config::is_shared(tool))
        return BayId{tool.bay};
    for (const ToolBinding& binding : state.bound)
        if (made_within(made, binding.from, binding.until))
            return binding.bay;
    return std::nullopt;
}

bool ran_while_disabled(const ToolState& tool, const Interval& made) {
    return std::ranges::any_of(
        tool.rests, [&](const ToolRest& rest) { return made_within(made, rest.from, rest.until); });
}

Outcome apply(Transition& t, const ToolControlSeen& seen) {
    ToolState* tool = tool_of(t.state, seen.tool);
    if (tool == nullptr)
        return Refused{RefusalCode::no_such_thing, "no tool " + seen.tool.text};
    tool->word = ToolWord{seen.order, seen.enabled, seen.epoch, seen.counter};
    std::visit(Overloaded{[&](ToolOff& off) {
                              if (off.by == seen.order)
                                  hear_off(t, *tool, off, seen);
                          },
                          [&](ToolOn& on) {
                              if (on.by == seen.order)
                                  hear_on(*tool, on, seen);
                          }},
               tool->order);
    return Applied{};
}

Outcome apply(Transition& t, const ToolCalled& called) {
    const BayState* bay = bay_of(t.state, called.bay);
    const config::Station* station = bay != nullptr ? rules_at(t.rules, t.state, *bay) : nullptr;
    ToolState* tool = tool_of(t.state, called.tool);
    const config::Tool* known = station != nullptr ? tool_in(*station, called.tool) : nullptr;
    if (tool == nullptr || known == nullptr || !config::is_at(*known, called.bay.text))
        return Refused{RefusalCode::no_such_thing,
                       "no tool " + called.tool.text + " at bay " + called.bay.text};
    if (!config::is_shared(*known))
        return Refused{RefusalCode::not_possible_now, std::string(refusal::not_shared)};
    if (person_of(t.state, called.by) == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (bay->signed_on != called.by)
        return Refused{RefusalCode::not_entitled, "only who is signed on at the bay calls a tool to it"};
    if (!needed_at(t.rules, t.state, *bay, *tool))
        return Refused{RefusalCode::not_possible_now, "no open joint of the unit at the bay needs it"};
    const auto* on = std::get_if<ToolOn>(&tool->order);
    if (on != nullptr && on->bay == called.bay)
        tool->called_to.reset();  // it is there; whoever had called it elsewhere is called back
    else
        tool->called_to = called.bay;
    return Applied{};
}

}  // namespace tautgate::interlock
