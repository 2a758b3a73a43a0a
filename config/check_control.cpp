// Tools that obey and tools that bays share: what must be so before one is let run.
#include <algorithm>
#include <set>

#include "config/findings.hpp"

namespace tautgate::config {

namespace {

void check_obeys(Findings& findings, const Station& station, const Tool& tool, const std::string& pointer) {
    const auto* profile = register_profile(station, tool);
    if (!tool.control || profile == nullptr) {
        return;
    }
    if (!profile->control) {
        findings.error(pointer + "/control",
                       fmt::format("the profile of tool \"{}\" does not say how it is let run", tool.id),
                       "add \"control\" to the profile's layout, or leave it out here");
    }
    if (!profile->counter) {
        findings.error(
            pointer + "/control",
            fmt::format("tool \"{}\" does not count its results, so that nobody knows what it made "
                        "before it was stopped",
                        tool.id),
            "use a tool whose profile names a counter, or leave it out here");
    }
}

void check_shared(Findings& findings, const Station& station, const Tool& tool, const std::string& pointer) {
    std::set<std::string> bays{tool.bay};
    for (std::size_t index = 0; index < tool.also_at.size(); ++index) {
        const auto here = fmt::format("{}/also_at/{}", pointer, index);
        check_reference(findings, station.bays, tool.also_at[index], "bay", here);
        if (!bays.insert(tool.also_at[index]).second) {
            findings.error(here,
                           fmt::format("tool \"{}\" is at bay \"{}\" already", tool.id, tool.also_at[index]),
                           "name each bay once");
        }
    }
    if (is_shared(tool) && !tool.control) {
        findings.error(
            pointer + "/also_at",
            fmt::format("nobody could tell at which bay tool \"{}\" made a result, since the station "
                        "does not stop it at one before it lets it run at another",
                        tool.id),
            "use a tool that can be stopped and add \"control\", or give each bay its own tool");
    }
}

// What a plan asks for must be something that the station can choose.
void check_choice(Findings& findings, const Joint& joint, const Tool& tool,
                  const protocol::RegisterProfile& profile, const std::string& pointer) {
    const auto& control = *profile.control;
    if (!control.program) {
        return;
    }
    for (std::size_t index = 0; index < joint.passes.size(); ++index) {
        const std::string& program = joint.passes[index].program;
        const bool known =
            std::ranges::find(control.programs, program, &protocol::CodeText::text) != control.programs.end();
        if (!program.empty() && !known) {
            findings.error(
                fmt::format("{}/passes/{}/program", pointer, index),
                fmt::format("tool \"{}\" has no number for program \"{}\", so that it could not be "
                            "chosen there",
                            tool.id, program),
                "add it to the programs of the profile's control");
        }
    }
}

}  // namespace

void check_control(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const auto pointer = fmt::format("/tools/{}", index);
        check_obeys(findings, station, station.tools[index], pointer);
        check_shared(findings, station, station.tools[index], pointer);
    }
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        const Joint& joint = station.joints[index];
        for (const std::string& id : joint.tools) {
            const Tool* tool = by_id(station.tools, id);
            const auto* profile = tool == nullptr ? nullptr : register_profile(station, *tool);
            if (profile != nullptr && tool->control && profile->control) {
                check_choice(findings, joint, *tool, *profile, fmt::format("/joints/{}", index));
            }
        }
    }
}

}  // namespace tautgate::config
