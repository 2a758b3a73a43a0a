#include "service/interlock/source_holds.hpp"

#include <algorithm>

#include "service/interlock/lookup.hpp"
#include "service/interlock/overloaded.hpp"

namespace tautgate::interlock {
namespace {

bool rests_on(const JointState& joint, const ToolId& tool) {
    return std::ranges::any_of(joint.fasteners, [&](const FastenerState& fastener) {
        return std::ranges::any_of(fastener.passes, [&](const PassState& pass) {
            return (pass.proof && pass.proof->tool == tool) ||
                   (pass.awaited && pass.awaited->of.tool == tool);
        });
    });
}

bool was_worked_by(const JointState& joint, PersonNumber person) {
    return joint.confirmed_by == person ||
           std::ranges::find(joint.tightened_by, person) != joint.tightened_by.end();
}

// Nobody could prove it as long as the hold on its last tool lasts.
bool is_last_tool(const State& state, const config::Joint& joint, const ToolId& tool) {
    return serves(joint, tool) && std::ranges::all_of(joint.tools, [&](const std::string& id) {
               return is_on_hold(state, ToolId{id});
           });
}

bool touches(const State& state, const HeldSource& source, const config::Joint& joint, const JointState& of) {
    return std::visit(Overloaded{[&](const HeldTool& held) {
                                     return rests_on(of, held.tool) ||
                                            (!is_proven(joint, of) && is_last_tool(state, joint, held.tool));
                                 },
                                 [&](const HeldJoint& held) { return held.joint.text == joint.id; },
                                 [&](const HeldPerson& held) { return was_worked_by(of, held.person); }},
                      source);
}

}  // namespace

const SourceHold* hold_on(const State& state, const HeldSource& source) {
    const auto found = std::ranges::find(state.source_holds, source, &SourceHold::source);
    return found == state.source_holds.end() ? nullptr : &*found;
}

bool is_on_hold(const State& state, const ToolId& tool) { return hold_on(state, HeldTool{tool}) != nullptr; }

const SourceHold* held_by(const State& state, const config::Joint& joint, const JointState& of) {
    const auto found = std::ranges::find_if(state.source_holds, [&](const SourceHold& hold) {
        const bool overridden = of.override_ && hold.since < of.override_->proposal;
        return !overridden && touches(state, hold.source, joint, of);
    });
    return found == state.source_holds.end() ? nullptr : &*found;
}

SourceWords words_of(const HeldSource& source) {
    return std::visit(Overloaded{[](const HeldTool& held) {
                                     return SourceWords{"tool", held.tool.text};
                                 },
                                 [](const HeldJoint& held) {
                                     return SourceWords{"joint", held.joint.text};
                                 },
                                 [](const HeldPerson& held) {
                                     return SourceWords{"person", std::to_string(held.person.value)};
                                 }},
                      source);
}

std::string text_of(const HeldSource& source) {
    const auto [what, name] = words_of(source);
    return what + " " + name;
}

}  // namespace tautgate::interlock
