// Quality holds on what units have in common: a tool, the specification of a joint, a person. While one
// lasts, no joint that it has touched counts as proven; when it is lifted, what was proven counts again.
// Pure; any thread.
#pragma once

#include <optional>
#include <string>

#include "config/station.hpp"
#include "service/interlock/state.hpp"

namespace tautgate::interlock {

[[nodiscard]] const SourceHold* hold_on(const State& state, const HeldSource& source);
[[nodiscard]] bool is_on_hold(const State& state, const ToolId& tool);

// The hold, of several the oldest, that keeps the joint from counting: its specification, a tool or a person
// on which its proof rests, or where it is not proven every tool that could prove it. Whoever overrode the
// joint knew of the holds of that time, and of no later one. Null: none does.
[[nodiscard]] const SourceHold* held_by(const State& state, const config::Joint& joint, const JointState& of);

// "tool" and "NR-16"; a person by number.
struct SourceWords {
    std::string what;
    std::string name;
};
[[nodiscard]] SourceWords words_of(const HeldSource& source);
[[nodiscard]] std::string text_of(const HeldSource& source);  // "tool NR-16"

}  // namespace tautgate::interlock
