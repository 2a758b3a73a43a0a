// Tools that send frames: how they are reached, and whether their silence means anything.
#include <algorithm>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "config/findings.hpp"

namespace tautgate::config {

namespace {

using protocol::FrameProfile;

// Whether something comes from the tool while it makes no result.
bool has_sign_of_life(const FrameProfile& profile) {
    return std::ranges::any_of(profile.messages, [](const protocol::FrameMessage& message) {
        return std::holds_alternative<protocol::StatusMessage>(message.what) ||
               std::holds_alternative<protocol::OtherMessage>(message.what);
    });
}

void check_silence(Findings& findings, const Tool& tool, const FrameProfile& profile,
                   const std::string& pointer) {
    if (!has_sign_of_life(profile)) {
        findings.error(
            pointer + "/link/frames/profile",
            fmt::format("by the profile tool \"{}\" sends nothing but results, so that a quiet one "
                        "cannot be told from a dead one",
                        tool.id),
            "describe its sign of life or its answer to keep_alive as a message, status or other");
    }
    if (profile.keep_alive && profile.keep_alive->every >= tool.silence_limit) {
        findings.error(
            pointer + "/silence_limit_ms",
            fmt::format("{} ms is no more than the {} ms from one keep-alive to the next, so a "
                        "quiet tool would count as lost",
                        tool.silence_limit.count(), profile.keep_alive->every.count()),
            fmt::format("give more than {}, best three times as much", profile.keep_alive->every.count()));
    }
    if (profile.pause > tool.silence_limit) {
        findings.error(pointer + "/silence_limit_ms",
                       fmt::format("{} ms is less than the profile's pause_ms of {}, so that a frame "
                                   "which breaks off would be waited for until the tool counts as lost",
                                   tool.silence_limit.count(), profile.pause.count()),
                       "give a longer silence limit, or as pause_ms the longest pause within a frame");
    }
}

// Everybody else who opens a serial device.
std::vector<std::pair<std::string, std::string>> lines_besides(const Station& station, const Tool& tool) {
    std::vector<std::pair<std::string, std::string>> taken;
    for (const Tool& other : station.tools) {
        const auto* registers = std::get_if<RegisterLink>(&other.link);
        const auto* frames = std::get_if<FrameLink>(&other.link);
        const auto* line = frames == nullptr ? nullptr : std::get_if<SerialLine>(&frames->way);
        if (&other != &tool && registers != nullptr && registers->serial) {
            taken.emplace_back(registers->serial->device, fmt::format("tool \"{}\"", other.id));
        }
        if (&other != &tool && line != nullptr) {
            taken.emplace_back(line->device, fmt::format("tool \"{}\"", other.id));
        }
    }
    for (const IoModule& module : station.io) {
        if (module.serial) {
            taken.emplace_back(module.serial->device, fmt::format("module \"{}\"", module.id));
        }
    }
    return taken;
}

void check_line_alone(Findings& findings, const Station& station, const Tool& tool, const SerialLine& line,
                      const std::string& pointer) {
    if (!line.device.starts_with('/')) {
        findings.error(pointer + "/serial/device", fmt::format("\"{}\" is no path of a device", line.device),
                       "give the whole path, best the one below /dev/serial/by-path");
    }
    const auto taken = lines_besides(station, tool);
    const auto other = std::ranges::find(taken, line.device, &std::pair<std::string, std::string>::first);
    if (other != taken.end()) {
        findings.error(pointer + "/serial/device",
                       fmt::format("{} is taken already, by {}", line.device, other->second),
                       "give the tool a line of its own");
    }
}

}  // namespace

void check_frames(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const Tool& tool = station.tools[index];
        const auto* link = std::get_if<FrameLink>(&tool.link);
        if (link == nullptr) {
            continue;
        }
        const auto pointer = fmt::format("/tools/{}", index);
        if (const auto* line = std::get_if<SerialLine>(&link->way)) {
            check_line_alone(findings, station, tool, *line, pointer + "/link/frames");
        }
        if (const auto* profile = frame_profile(station, tool)) {
            check_silence(findings, tool, *profile, pointer);
        }
    }
}

}  // namespace tautgate::config
