// What a profile says beside what the station wants of the tool: names of programs.
#include <algorithm>
#include <set>
#include <string>
#include <variant>
#include <vector>

#include "config/findings.hpp"
#include "protocol/text.hpp"

namespace tautgate::config {

namespace {

using protocol::FrameProfile;
using protocol::RegisterProfile;

// ---- programs
// -----------------------------------------------------------------------------------------------

bool is_number(const std::string& text) {
    const auto digits = text.find_first_not_of('-');
    return digits <= 1 && text.find_first_not_of("0123456789", digits) == std::string::npos;
}

// A tool that tells its programs by number reports the name that its profile gives, or else the number.
void check_programs_of(Findings& findings, const Joint& joint, const Tool& tool,
                       const RegisterProfile& profile, const std::string& pointer) {
    if (!profile.program) {
        return;
    }
    std::vector<std::string> names;
    names.reserve(profile.program->names.size());
    for (const auto& named : profile.program->names) {
        names.push_back(named.text);
    }
    for (std::size_t index = 0; index < joint.passes.size(); ++index) {
        const std::string& wanted = joint.passes[index].program;
        if (wanted.empty() || is_number(wanted) || std::ranges::find(names, wanted) != names.end()) {
            continue;
        }
        const auto near = protocol::nearest_word(wanted, names);
        findings.error(fmt::format("{}/passes/{}/program", pointer, index),
                       fmt::format("tool \"{}\" tells its programs by number, and its profile names none "
                                   "\"{}\"",
                                   tool.id, wanted),
                       near.empty() ? "add the name to the profile's program, with its number"
                                    : fmt::format("did you mean \"{}\"? Otherwise add the name to the "
                                                  "profile's program, with its number",
                                                  near));
    }
}

void add_wanted(std::set<std::string>& wanted, const Station& station, const Joint& joint,
                const std::string& profile) {
    const bool uses = std::ranges::any_of(joint.tools, [&](const std::string& id) {
        const Tool* tool = by_id(station.tools, id);
        const std::string* named = tool == nullptr ? nullptr : profile_id(*tool);
        return named != nullptr && *named == profile;
    });
    for (const Pass& pass : joint.passes) {
        if (uses) {
            wanted.insert(pass.program);
        }
    }
}

// What the passes call the programs of the tools that use a profile.
std::set<std::string> programs_wanted(const Station& station, const std::string& profile) {
    std::set<std::string> wanted;
    for (const Joint& joint : station.joints) {
        add_wanted(wanted, station, joint, profile);
        for (const Joint& other : joint.alternates) {
            add_wanted(wanted, station, other, profile);
        }
    }
    return wanted;
}

template <class Names>
void warn_of_names(Findings& findings, const Names& names, const std::set<std::string>& wanted,
                   const std::string& pointer) {
    std::vector<std::string> known;
    for (const std::string& one : wanted) {
        if (!one.empty()) {
            known.push_back(one);
        }
    }
    for (std::size_t index = 0; index < names.size() && !known.empty(); ++index) {
        if (wanted.contains(names[index].text)) {
            continue;
        }
        const auto near = protocol::nearest_word(names[index].text, known);
        findings.warning(fmt::format("{}/program/names/{}", pointer, index),
                         fmt::format("no pass has the program \"{}\"", names[index].text),
                         near.empty() ? "leave it out, or name it in a pass"
                                      : fmt::format("did you mean \"{}\"?", near));
    }
}

}  // namespace

void check_programs(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.joints.size(); ++index) {
        const Joint& joint = station.joints[index];
        for (const std::string& id : joint.tools) {
            const Tool* tool = by_id(station.tools, id);
            const RegisterProfile* profile = tool == nullptr ? nullptr : register_profile(station, *tool);
            if (profile != nullptr) {
                check_programs_of(findings, joint, *tool, *profile, fmt::format("/joints/{}", index));
            }
        }
    }
}

void warn_of_profiles(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.profiles.size(); ++index) {
        const NamedProfile& named = station.profiles[index];
        const auto wanted = programs_wanted(station, named.id);
        if (const auto* registers = register_profile(&named)) {
            if (registers->program) {
                warn_of_names(findings, registers->program->names, wanted,
                              fmt::format("/profiles/{}/layout", index));
            }
        }
        if (const auto* frames = frame_profile(&named)) {
            for (std::size_t message = 0; message < frames->messages.size(); ++message) {
                const auto* result = std::get_if<protocol::ResultMessage>(&frames->messages[message].what);
                if (result != nullptr && result->program) {
                    warn_of_names(findings, result->program->names, wanted,
                                  fmt::format("/profiles/{}/frames/messages/{}/result", index, message));
                }
            }
        }
    }
}

}  // namespace tautgate::config
