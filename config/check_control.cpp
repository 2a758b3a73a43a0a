// Tools that obey and tools that bays share: what must be so before one is let run.
#include <algorithm>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "config/findings.hpp"

namespace tautgate::config {

namespace {

// What a profile says of a tool that is let run.
struct Obedience {
    bool says_how = false;
    bool counts = false;
    // Names of the programs that can be chosen; nothing: none is chosen.
    std::optional<std::vector<std::string>> programs;
};

template <class Control>
std::optional<std::vector<std::string>> programs_of(const std::optional<Control>& control) {
    if (!control || !control->program) {
        return std::nullopt;
    }
    std::vector<std::string> names;
    for (const auto& program : control->programs) {
        names.push_back(program.text);
    }
    return names;
}

Obedience obedience_by(const protocol::RegisterProfile& profile) {
    return {profile.control.has_value(), profile.counter.has_value(), programs_of(profile.control)};
}

Obedience obedience_by(const protocol::FrameProfile& profile) {
    const auto* result = protocol::result_of(profile);
    return {profile.control.has_value(), result != nullptr && result->counter, programs_of(profile.control)};
}

std::optional<Obedience> obedience_of(const Station& station, const Tool& tool) {
    if (const auto* registers = register_profile(station, tool)) {
        return obedience_by(*registers);
    }
    if (const auto* frames = frame_profile(station, tool)) {
        return obedience_by(*frames);
    }
    return std::nullopt;
}

void check_obeys(Findings& findings, const Station& station, const Tool& tool, const std::string& pointer) {
    const auto obeys = obedience_of(station, tool);
    if (!obeys) {
        return;
    }
    // Of a tool that bays share it is an error (check_shared).
    if (!tool.control && obeys->says_how && !is_shared(tool)) {
        findings.warning(
            pointer,
            fmt::format("the profile of tool \"{}\" says how it is let run, but without \"control\" "
                        "the station neither lets it run nor stops it",
                        tool.id),
            "add \"control\" to the tool, or take it out of the profile");
    }
    if (!tool.control) {
        return;
    }
    if (!obeys->says_how) {
        findings.error(pointer + "/control",
                       fmt::format("the profile of tool \"{}\" does not say how it is let run", tool.id),
                       "add \"control\" to the profile, or leave it out here");
    }
    if (!obeys->counts) {
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
                  const std::vector<std::string>& programs, const std::string& pointer) {
    for (std::size_t index = 0; index < joint.passes.size(); ++index) {
        const std::string& program = joint.passes[index].program;
        const bool known = std::ranges::find(programs, program) != programs.end();
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
            const auto obeys = tool == nullptr ? std::nullopt : obedience_of(station, *tool);
            if (obeys && tool->control && obeys->programs) {
                check_choice(findings, joint, *tool, *obeys->programs, fmt::format("/joints/{}", index));
            }
        }
    }
}

}  // namespace tautgate::config
