// What a permissive waits for, by its scope: said here once, for the check of a description and for the rule
// that holds equipment. In doubt a step is waited for. Pure; any thread.
#pragma once

#include <algorithm>
#include <cstddef>

#include "config/station.hpp"

namespace tautgate::config {

// A plan that lacks the stage is in scope as a whole.
[[nodiscard]] inline bool reaches(const Permissive& permissive, const Plan& plan, std::size_t stage) {
    return stage <= stage_named(plan, permissive.through_stage).value_or(stage);
}

// A joint in this stage of the plan.
[[nodiscard]] inline bool covers(const Permissive& permissive, const Plan& plan, const Joint& joint,
                                 std::size_t stage) {
    switch (permissive.scope) {
    case Scope::every_joint: return true;
    case Scope::classes: return std::ranges::find(permissive.classes, joint.risk) != permissive.classes.end();
    case Scope::stages: return reaches(permissive, plan, stage);
    }
    return true;
}

// Another step of this stage.
[[nodiscard]] inline bool covers_steps(const Permissive& permissive, const Plan& plan, std::size_t stage) {
    switch (permissive.scope) {
    case Scope::every_joint: return true;
    case Scope::classes: return false;
    case Scope::stages: return reaches(permissive, plan, stage);
    }
    return true;
}

}  // namespace tautgate::config
