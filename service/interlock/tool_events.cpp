// Links to tools, the place of their count, and the station's own coming and going.
#include <algorithm>

#include "service/interlock/tool_count.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

std::vector<PermissiveId> released_now(const BayState& bay) {
    std::vector<PermissiveId> released;
    for (const PermissiveState& permissive : bay.permissives) {
        if (!std::holds_alternative<Withheld>(permissive.output))
            released.push_back(permissive.id);
    }
    return released;
}

// What stood before sight was lost is remembered until the next report.
void lose_sight(BayState& bay) {
    for (PermissiveId& id : released_now(bay)) {
        if (std::ranges::find(bay.controller.standing, id) == bay.controller.standing.end()) {
            bay.controller.standing.push_back(std::move(id));
        }
    }
    bay.controller.present = Presence::unknown;
}

void doubt(BayState& bay, Doubt why) {
    Stay* stay = stay_at(bay);
    if (stay != nullptr && stay->doubt == Doubt::none)
        stay->doubt = why;
}

}  // namespace

Outcome apply(Transition& t, const StationStarted& started) {
    for (BayState& bay : t.state.bays) {
        lose_sight(bay);
        bay.controller.link = Quality::unknown;
        sign_on(t, bay, std::nullopt);
        doubt(bay, Doubt::restarted);  // and with it, what anybody had selected
    }
    for (ToolState& tool : t.state.tools) {
        tool.link = Quality::unknown;
        tool.arm.clear();
        if (!started.clean_end) {
            tool.asked = false;
            tool.changed = t.now();
        }
    }
    if (const config::Station* station = rules_of(t.rules, t.state.rules)) {
        take_in_parts(t.state, *station, started.tokens);
    }
    return Applied{};
}

Outcome apply(Transition& t, const StationStopped&) {
    t.effects.emplace_back(TakeSnapshot{});
    return Applied{};
}

Outcome apply(Transition& t, const ToolLinkChanged& changed) {
    ToolState* tool = tool_of(t.state, changed.tool);
    if (tool == nullptr)
        return Refused{RefusalCode::no_such_thing, "no tool " + changed.tool.text};
    tool->link = changed.quality;
    return Applied{};
}

Outcome apply(Transition& t, const ToolAnswered& answered) {
    ToolState* tool = tool_of(t.state, answered.tool);
    if (tool == nullptr)
        return Refused{RefusalCode::no_such_thing, "no tool " + answered.tool.text};
    const ToolState before = *tool;
    tool->asked = true;
    take_word(*tool, answered, t.event.at);
    const bool news = tool->count != before.count || tool->outstanding_to != before.outstanding_to;
    if (news || !before.asked)
        tool->changed = t.now();
    return Applied{};
}

Outcome apply(Transition& t, const ControllerLinkChanged& changed) {
    BayState* bay = bay_of(t.state, changed.bay);
    if (bay == nullptr)
        return Refused{RefusalCode::no_such_thing, "no bay " + changed.bay.text};
    const bool was_good = bay->controller.link == Quality::good;
    bay->controller.link = changed.quality;
    if (changed.quality != Quality::good || changed.changes > 1) {
        if (was_good || changed.changes > 1)
            doubt(*bay, Doubt::controller_link_lost);
        lose_sight(*bay);
    }
    return Applied{};
}

Outcome apply(Transition&, const InputRefused&) { return Applied{}; }
Outcome apply(Transition&, const SnapshotTaken&) { return Applied{}; }

Outcome apply(Transition& t, const EventSetAside& aside) {
    for (BayState& bay : t.state.bays) {
        if (aside.bay && bay.id != *aside.bay)
            continue;
        Stay* stay = stay_at(bay);
        (stay != nullptr ? stay->set_aside : bay.set_aside).push_back(t.now());
        t.alarm(AlarmCode::event_set_aside, bay.id, stay != nullptr ? unit_of(*stay) : Serial{}, aside.why);
    }
    if (!aside.tool)
        return Applied{};
    ToolState* tool = tool_of(t.state, *aside.tool);
    if (tool != nullptr && pass_over(*tool, {aside.epoch, aside.counter, aside.digest}, t.event.at))
        t.acknowledge(*aside.tool, aside.epoch, aside.counter);
    return Applied{};
}

Outcome apply(Transition& t, const DecisionDiffered& differed) {
    for (BayState& bay : t.state.bays) {
        Stay* stay = stay_at(bay);
        if (stay == nullptr)
            continue;
        stay->differs = true;
        t.alarm(AlarmCode::decision_differs, bay.id, unit_of(*stay),
                "event " + std::to_string(differed.first.value) + " is decided differently by this version");
    }
    return Applied{};
}

}  // namespace tautgate::interlock
