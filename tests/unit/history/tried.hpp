// A story of the interlock's small station, tried on another description of it.
#pragma once

#include <algorithm>
#include <map>
#include <memory>
#include <string>
#include <utility>

#include "service/history/rule_trial.hpp"
#include "tests/unit/interlock/story.hpp"

namespace tautgate::tried {

using namespace tautgate::story;
using history::ActKind;
using history::ReleaseKind;
using history::StayFindings;
using history::Taken;

// The stay that began with event `first`, to the event before the one at which it is no longer there.
inline StayFindings on(const Story& story, EventNumber first, const config::Station& proposed,
                       history::CurveBytes curves = {}) {
    State state;
    std::optional<history::StayTrial> trial;
    const config::Station& then = *story.rules.at(Revision{"r1"});
    for (const Event& event : story.events) {
        if (event.number == first)
            trial.emplace(first, story.rules, state,
                          std::make_shared<const history::TrialRules>(history::trial_rules(then, proposed)),
                          curves);
        Decision decision = decide(story.rules, std::move(state), event);
        state = std::move(decision.state);
        const bool here = std::ranges::any_of(state.bays, [&](const BayState& bay) {
            return stay_at(bay) != nullptr && stay_at(bay)->id == first;
        });
        if (trial && !here)
            break;
        if (trial)
            trial->add(event, state, decision.record);
    }
    REQUIRE(trial.has_value());
    return std::move(*trial).findings();
}

// The unit in the bay, or the one that left last.
inline StayFindings on_newest(const Story& story, const config::Station& proposed,
                              history::CurveBytes curves = {}) {
    const bool here = stay_at(story.bay()) != nullptr;
    return on(story, here ? story.stay().id : story.state.ended.back().id, proposed, std::move(curves));
}

inline const history::ReleaseDifference* release(const StayFindings& found, const std::string& id) {
    const auto at =
        std::ranges::find(found.releases, PermissiveId{id}, &history::ReleaseDifference::permissive);
    return at == found.releases.end() ? nullptr : &*at;
}
inline const history::ActDifference* act(const StayFindings& found, ActKind kind) {
    const auto at = std::ranges::find(found.acts, kind, &history::ActDifference::kind);
    return at == found.acts.end() ? nullptr : &*at;
}

}  // namespace tautgate::tried
