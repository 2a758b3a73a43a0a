#include "config/design.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <utility>

#include "config/bolt_thread.hpp"
#include "config/findings.hpp"

namespace tautgate::config {

namespace {

constexpr double micro = 1e-6;
constexpr double sigmas_in_scatter = 6;

}  // namespace

FrictionLimits friction_of(const Joint& joint) noexcept {
    // From memory: most bright or oiled threads.
    constexpr FrictionLimits class_b{0.08, 0.16};
    return joint.friction ? FrictionLimits{protocol::as_number(joint.friction->min),
                                           protocol::as_number(joint.friction->max)}
                          : class_b;
}

Torque target_of(const TorqueWindow& window) noexcept {
    return window.target.value_or(Torque{std::midpoint(window.min.micro_nm, window.max.micro_nm)});
}

std::optional<ExpectedPreload> expected_preload(const Joint& joint, const TorqueWindow& window) {
    const auto thread = thread_named(joint.thread);
    if (!thread)
        return std::nullopt;
    const auto stress = proof_load_stress(joint.property_class, thread->diameter);
    if (!stress)
        return std::nullopt;
    const auto [low, high] = friction_of(joint);
    return ExpectedPreload{
        .lowest_n = protocol::in_newton_metres(window.min) / tightening_torque(*thread, {high, high}),
        .highest_n = protocol::in_newton_metres(window.max) / tightening_torque(*thread, {low, low}),
        .proof_load_n = *stress * stress_area(*thread)};
}

double scatter_of(const Tool& tool) noexcept { return protocol::as_number(tool.scatter_percent.value()); }

ToolAtTarget at_target(const Tool& tool, const TorqueWindow& window) {
    const double target = protocol::in_newton_metres(target_of(window));
    ToolAtTarget found{.tool = tool.id,
                       .share_of_range = target / protocol::in_newton_metres(tool.torque_max),
                       .capability = std::nullopt};
    if (!tool.scatter_percent || tool.scatter_percent->mantissa <= 0)
        return found;
    constexpr double percent = 100;
    const double deviation = scatter_of(tool) / percent * target / sigmas_in_scatter;
    const double room = std::min(protocol::in_newton_metres(window.max) - target,
                                 target - protocol::in_newton_metres(window.min));
    found.capability = room / (3 * deviation);
    return found;
}

bool suits(const ToolAtTarget& tool) noexcept {
    return tool.share_of_range >= lowest_share_of_tool && tool.share_of_range <= highest_share_of_tool;
}
bool is_capable(const ToolAtTarget& tool) noexcept {
    return tool.capability.value_or(wanted_capability) >= wanted_capability;
}
bool is_too_strong(const DesignOfPass& design) noexcept {
    return design.preload && design.preload->highest_share() > 1;
}
bool is_too_weak(const DesignOfPass& design) noexcept {
    return design.last && design.preload && design.preload->lowest_share() < sensible_share_of_proof;
}

std::vector<DesignOfPass> design_of(const Station& station) {
    std::vector<DesignOfPass> all;
    for (const Joint& joint : station.joints) {
        if (joint.method != Method::tightening)
            continue;
        for (const Pass& pass : joint.passes) {
            DesignOfPass design{.joint = joint.id,
                                .pass = pass.name,
                                .window = pass.window.torque,
                                .last = &pass == &joint.passes.back(),
                                .preload = expected_preload(joint, pass.window.torque),
                                .tools = {}};
            for (const std::string& id : joint.tools)
                if (const Tool* tool = by_id(station.tools, id);
                    tool != nullptr && tool->torque_max > Torque{0})
                    design.tools.push_back(at_target(*tool, pass.window.torque));
            all.push_back(std::move(design));
        }
    }
    return all;
}

}  // namespace tautgate::config
