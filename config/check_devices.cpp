// Devices that share a wire or a port of the PC with others: serial lines and who is on them.
#include <algorithm>
#include <variant>

#include "config/findings.hpp"

namespace tautgate::config {

namespace {

// Who opens a serial device.
struct LineOwner {
    std::string device;
    std::string owner;
};

void check_scanner_line(Findings& findings, const Scanner& scanner, const std::vector<LineOwner>& taken,
                        const std::string& pointer) {
    const std::string& device = scanner.serial->device;
    if (!device.starts_with('/')) {
        findings.error(pointer + "/serial/device", fmt::format("\"{}\" is no path of a device", device),
                       "give the whole path, best the one below /dev/serial/by-path");
    }
    const auto other = std::ranges::find(taken, device, &LineOwner::device);
    if (other != taken.end()) {
        findings.error(pointer + "/serial/device",
                       fmt::format("{} is taken already, by {}", device, other->owner),
                       "give the scanner a line of its own");
    }
}

void check_scanners(Findings& findings, const Station& station, std::vector<LineOwner> taken) {
    bool any_calls = false;
    for (std::size_t index = 0; index < station.scanners.size(); ++index) {
        const Scanner& scanner = station.scanners[index];
        any_calls = any_calls || !scanner.serial;
        if (!scanner.serial) {
            continue;
        }
        check_scanner_line(findings, scanner, taken, fmt::format("/scanners/{}", index));
        taken.push_back({scanner.serial->device, fmt::format("scanner \"{}\"", scanner.id)});
    }
    if (any_calls && !station.scanner_port) {
        findings.error("/scanners", "the scanners would connect, but the station has no scanner port",
                       "add \"scanner_port\" to the station");
    }
}

}  // namespace

void check_devices(Findings& findings, const Station& station) {
    std::vector<LineOwner> taken;
    for (const Tool& tool : station.tools) {
        const auto* link = std::get_if<RegisterLink>(&tool.link);
        if (link != nullptr && link->serial) {
            taken.push_back({link->serial->device, fmt::format("tool \"{}\"", tool.id)});
        }
        const auto* frames = std::get_if<FrameLink>(&tool.link);
        if (const auto* line = frames == nullptr ? nullptr : std::get_if<SerialLine>(&frames->way)) {
            taken.push_back({line->device, fmt::format("tool \"{}\"", tool.id)});
        }
    }
    for (const IoModule& module : station.io) {
        if (module.serial) {
            taken.push_back({module.serial->device, fmt::format("module \"{}\"", module.id)});
        }
    }
    check_scanners(findings, station, std::move(taken));
}

}  // namespace tautgate::config
