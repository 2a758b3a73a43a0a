#include "service/station/curve_desk.hpp"

#include <algorithm>
#include <set>
#include <utility>

#include <fmt/format.h>

#include "service/evaluation/curve_judgement.hpp"
#include "service/interlock/lookup.hpp"

namespace tautgate::station {
namespace {

std::set<interlock::Revision> revisions_of(const interlock::State& state) {
    std::set<interlock::Revision> revisions;
    if (state.rules)
        revisions.insert(*state.rules);
    for (const interlock::BayState& bay : state.bays) {
        if (const interlock::Stay* stay = interlock::stay_at(bay))
            revisions.insert(stay->rules);
    }
    return revisions;
}

std::vector<protocol::CurveMeasure> wanted_of(const interlock::RuleBook& rules, const interlock::State& state,
                                              const domain::ToolId& tool) {
    std::vector<protocol::CurveMeasure> wanted;
    for (const interlock::Revision& revision : revisions_of(state)) {
        const config::Station* station = interlock::rules_of(rules, revision);
        if (station == nullptr)
            continue;
        for (const protocol::CurveMeasure& measure : evaluation::measures_for(*station, tool.text)) {
            if (std::ranges::find(wanted, measure) == wanted.end())
                wanted.push_back(measure);
        }
    }
    return wanted;
}

protocol::CurveSteps steps_of(const interlock::RuleBook& rules, const interlock::State& state,
                              const domain::ToolId& id) {
    const config::Station* station = interlock::rules_of(rules, state.rules);
    const config::Tool* tool = station != nullptr ? interlock::tool_in(*station, id) : nullptr;
    if (tool == nullptr || tool->torque_resolution.micro_nm <= 0 || tool->angle_resolution.micro_deg <= 0)
        return {};
    return {tool->torque_resolution, tool->angle_resolution};
}

}  // namespace

std::optional<protocol::CurveReport> read_curve(const interlock::RuleBook& rules,
                                                const interlock::State& state, const domain::ToolId& tool,
                                                std::string_view bytes) {
    const auto wanted = wanted_of(rules, state, tool);
    if (wanted.empty())
        return std::nullopt;
    const auto trace = protocol::decode_trace(bytes);
    if (!trace)
        return protocol::CurveReport{};  // every value of it is missing
    return protocol::measure(*trace, wanted, steps_of(rules, state, tool));
}

std::vector<interlock::AwaitedCurve> within_reach(std::vector<interlock::AwaitedCurve> awaited,
                                                  const interlock::State& state) {
    std::erase_if(awaited, [&](const interlock::AwaitedCurve& curve) {
        const interlock::ToolState* tool = interlock::tool_of(state, curve.tool);
        return tool != nullptr && tool->link != interlock::Quality::good;
    });
    return awaited;
}

std::vector<interlock::CurveGivenUp>
CurvePatience::overdue(const std::vector<interlock::AwaitedCurve>& awaited, std::chrono::nanoseconds now) {
    std::erase_if(waiting_,
                  [&](const Since& each) { return std::ranges::find(awaited, each.curve) == awaited.end(); });
    std::vector<interlock::CurveGivenUp> over;
    for (const interlock::AwaitedCurve& curve : awaited) {
        const auto known = std::ranges::find(waiting_, curve, &Since::curve);
        if (known == waiting_.end())
            waiting_.push_back({curve, now});
        else if (now - known->since >= curve.patience)
            over.push_back({curve.tool, curve.epoch, curve.counter,
                            fmt::format("none came within {} ms", curve.patience.count())});
    }
    return over;
}

}  // namespace tautgate::station
