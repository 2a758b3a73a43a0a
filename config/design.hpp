// What the window of a pass means for its bolt and its tool, for the engineer who designs the joint: the
// preload to be expected, how much of the proof load that is, where the target lies in the tool's range and
// what capability window and tool scatter leave. Help with a choice only: no limit is made from it and no
// result judged by it, and it replaces no calculation of the joint (VDI 2230-1) nor a trial on real parts.
// Pure; any thread.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "config/station.hpp"

namespace tautgate::config {

struct ExpectedPreload {
    double lowest_n = 0;      // lowest torque, highest friction
    double highest_n = 0;     // highest torque, lowest friction
    double proof_load_n = 0;  // what the bolt bears without being stretched for good (ISO 898-1)
    [[nodiscard]] double lowest_share() const noexcept { return lowest_n / proof_load_n; }
    [[nodiscard]] double highest_share() const noexcept { return highest_n / proof_load_n; }
};
// Nothing: the joint states no thread or property class, or one that is not known here.
[[nodiscard]] std::optional<ExpectedPreload> expected_preload(const Joint& joint, const TorqueWindow& window);

struct FrictionLimits {
    double low = 0;
    double high = 0;
};
// What the joint states; otherwise class B of VDI 2230-1.
[[nodiscard]] FrictionLimits friction_of(const Joint& joint) noexcept;

// The target that the window states, or its middle.
[[nodiscard]] Torque target_of(const TorqueWindow& window) noexcept;

// Of a tool that states it: six standard deviations of its torque in percent of the mean.
[[nodiscard]] double scatter_of(const Tool& tool) noexcept;

struct ToolAtTarget {
    std::string tool;           // id
    double share_of_range = 0;  // target over the highest torque of the tool
    std::optional<double>
        capability;  // Cpk that is left where the tool hits the target; none: scatter not stated
};
[[nodiscard]] bool suits(const ToolAtTarget& tool) noexcept;       // the target lies well in its range
[[nodiscard]] bool is_capable(const ToolAtTarget& tool) noexcept;  // or its scatter is not stated
[[nodiscard]] ToolAtTarget at_target(const Tool& tool, const TorqueWindow& window);

struct DesignOfPass {
    std::string joint;  // id
    std::string pass;   // name
    TorqueWindow window;
    bool last = false;  // of the joint: the one that has to reach the preload
    std::optional<ExpectedPreload> preload;
    std::vector<ToolAtTarget> tools;
};
// The highest preload stretches the bolt for good; the lowest is less than a joint should end with.
[[nodiscard]] bool is_too_strong(const DesignOfPass& design) noexcept;
[[nodiscard]] bool is_too_weak(const DesignOfPass& design) noexcept;
// Every pass that is measured, in the order of the file.
[[nodiscard]] std::vector<DesignOfPass> design_of(const Station& station);

// Common practice, no source: a tool is used between these shares of its highest torque.
inline constexpr double lowest_share_of_tool = 0.2;
inline constexpr double highest_share_of_tool = 0.9;
// Common practice, no source: less than this share of the proof load is a weak joint.
inline constexpr double sensible_share_of_proof = 0.4;
inline constexpr double wanted_capability = 1.33;

}  // namespace tautgate::config
