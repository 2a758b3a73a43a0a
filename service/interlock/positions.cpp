// At which fastener a tool is, where the tool does not say it itself: an arm that holds it says it, or a
// person does, beforehand. What cannot be told for the whole time in which a tightening may have been made is
// not known.
#include <algorithm>

#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

constexpr std::size_t arm_places_kept = 16;

}  // namespace

Outcome apply(Transition& t, const FastenerSelected& selected) {
    const auto meant = fastener_meant(
        t, {selected.bay, selected.joint, selected.fastener, selected.by, {.seen = selected.seen}});
    if (!meant)
        return meant.error();
    if (meant->joint.placement != config::Placement::selected)
        return Refused{RefusalCode::not_possible_now, std::string(refusal::not_selected)};
    meant->stay.selection = Selection{selected.joint, selected.fastener, selected.by, t.event.at};
    return Applied{};
}

void drop_selections(Transition& t) {
    for (BayState& bay : t.state.bays) {
        Stay* stay = stay_at(bay);
        if (stay == nullptr || !stay->selection)
            continue;
        const bool certain =
            is_certain(*stay) && !is_on_its_way(*stay) && std::holds_alternative<Identified>(stay->identity);
        if (!certain || joint_of(*stay, stay->selection->joint.text) == nullptr)
            stay->selection.reset();
    }
}

Outcome apply(Transition& t, const ArmMoved& moved) {
    ToolState* tool = tool_of(t.state, moved.tool);
    if (tool == nullptr)
        return Refused{RefusalCode::no_such_thing, "no tool " + moved.tool.text};
    tool->arm.push_back({moved.position, moved.changed});
    if (tool->arm.size() > arm_places_kept)
        tool->arm.erase(tool->arm.begin());
    return Applied{};
}

std::optional<std::uint32_t> arm_position(const ToolState& tool, const Interval& made) {
    for (std::size_t i = 0; i < tool.arm.size(); ++i) {
        const Interval& came = tool.arm[i].changed;
        const bool since = came.boot == made.boot && came.to_ns <= made.from_ns;
        const Interval* went = i + 1 < tool.arm.size() ? &tool.arm[i + 1].changed : nullptr;
        const bool until = went == nullptr || (went->boot == made.boot && made.to_ns <= went->from_ns);
        if (since && until)
            return tool.arm[i].position;
    }
    return std::nullopt;
}

}  // namespace tautgate::interlock
