// Windows that the bolt, the tool or the tool's scatter do not suit. Warnings only: the engineer may know
// better.
#include "config/bolt_thread.hpp"
#include "config/design.hpp"
#include "config/findings.hpp"

namespace tautgate::config {

namespace {

constexpr double percent = 100;
constexpr double kilo = 1000;

// Wherever a thread is stated, it is worth being one that the help knows.
void warn_of_unknown_thread(Findings& findings, const Joint& joint, const std::string& pointer) {
    const auto thread = thread_named(joint.thread);
    if (!joint.thread.empty() && !thread) {
        findings.warning(pointer + "/thread",
                         fmt::format("\"{}\" is no metric thread from M5 to M24, so that nothing can be said "
                                     "of the preload",
                                     joint.thread),
                         "write it as M20 or M20x1.5, or judge the preload by other means");
    }
    if (thread && !joint.property_class.empty() &&
        !proof_load_stress(joint.property_class, thread->diameter)) {
        findings.warning(pointer + "/property_class",
                         fmt::format("\"{}\" is none of the classes 8.8, 10.9 and 12.9, so that nothing can "
                                     "be said of the preload",
                                     joint.property_class),
                         "judge the preload by other means");
    }
}

// Beyond these it is a slip of the pen. Common practice, no source.
constexpr double least_friction = 0.03;
constexpr double most_friction = 0.5;

void check_friction(Findings& findings, const Joint& joint, const std::string& pointer) {
    if (!joint.friction) {
        return;
    }
    const auto [low, high] = friction_of(joint);
    const auto here = pointer + "/friction";
    if (low > high) {
        findings.error(here + "/max", fmt::format("{} is below min ({})", high, low),
                       "give a max of at least the min");
    } else if (low < least_friction || high > most_friction) {
        findings.error(
            here + (low < least_friction ? "/min" : "/max"),
            fmt::format("{} is no coefficient of friction of a thread", low < least_friction ? low : high),
            fmt::format("give one from {} to {}", least_friction, most_friction));
    }
}

void check_scatter(Findings& findings, const Tool& tool, const std::string& pointer) {
    if (tool.scatter_percent && (tool.scatter_percent->mantissa <= 0 || scatter_of(tool) > percent)) {
        findings.error(pointer + "/scatter_percent",
                       fmt::format("{} % is no scatter of a tool", protocol::to_text(*tool.scatter_percent)),
                       "give six standard deviations in percent of the mean, above 0 and at most 100");
    }
}

void warn_of_preload(Findings& findings, const DesignOfPass& design, const std::string& pointer) {
    if (!design.preload) {
        return;
    }
    const ExpectedPreload& preload = *design.preload;
    if (is_too_strong(design)) {
        findings.warning(
            pointer + "/torque/max",
            fmt::format("with the lowest friction {} give {:.0f} kN, which is {:.0f} % of the bolt's proof "
                        "load of {:.0f} kN",
                        protocol::to_text(design.window.max), preload.highest_n / kilo,
                        preload.highest_share() * percent, preload.proof_load_n / kilo),
            "lower the max, take a stronger bolt, or state the friction that is sure");
    }
    if (is_too_weak(design)) {
        findings.warning(
            pointer + "/torque/min",
            fmt::format("with the highest friction {} give {:.0f} kN, which is only {:.0f} % of the bolt's "
                        "proof load of {:.0f} kN",
                        protocol::to_text(design.window.min), preload.lowest_n / kilo,
                        preload.lowest_share() * percent, preload.proof_load_n / kilo),
            "raise the min, take a smaller bolt, or state the friction that is sure");
    }
}

void warn_of_tools(Findings& findings, const DesignOfPass& design, const std::string& pointer) {
    for (const ToolAtTarget& tool : design.tools) {
        if (!suits(tool)) {
            findings.warning(
                pointer + "/torque",
                fmt::format("the target {} is {:.0f} % of the highest torque of tool \"{}\"",
                            protocol::to_text(target_of(design.window)), tool.share_of_range * percent,
                            tool.tool),
                fmt::format("use a tool whose range has the target between {:.0f} % and {:.0f} %",
                            lowest_share_of_tool * percent, highest_share_of_tool * percent));
        }
        if (!is_capable(tool)) {
            findings.warning(pointer + "/torque",
                             fmt::format("the scatter of tool \"{}\" leaves a Cpk of {:.2f} at best within "
                                         "{} to {}",
                                         tool.tool, *tool.capability, protocol::to_text(design.window.min),
                                         protocol::to_text(design.window.max)),
                             fmt::format("widen the window, put the target into its middle, or take a tool "
                                         "that scatters less; {} is wanted",
                                         wanted_capability));
        }
    }
}

}  // namespace

void check_design(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        check_scatter(findings, station.tools[index], fmt::format("/tools/{}", index));
    }
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        check_friction(findings, station.joints[index], fmt::format("/joints/{}", index));
    }
}

void warn_of_design(Findings& findings, const Station& station) {
    std::size_t next = 0;
    const auto designs = design_of(station);
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        const Joint& joint = station.joints[index];
        const auto pointer = fmt::format("/joints/{}", index);
        warn_of_unknown_thread(findings, joint, pointer);
        if (joint.method != Method::tightening) {
            continue;
        }
        for (std::size_t pass = 0; pass < joint.passes.size(); ++pass, ++next) {
            const auto window = fmt::format("{}/passes/{}/window", pointer, pass);
            warn_of_preload(findings, designs[next], window);
            warn_of_tools(findings, designs[next], window);
        }
    }
}

}  // namespace tautgate::config
