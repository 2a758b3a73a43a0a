// Devices that share a wire or a port of the PC with others: serial lines, how fast they are and who is on
// them.
#include <algorithm>
#include <array>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <variant>

#include "config/findings.hpp"

namespace tautgate::config {

namespace {

// Who opens a serial device.
struct LineOwner {
    std::string device;
    std::string owner;
};

// Those that a serial port can be set to; any other would be taken for 9600 (modbus_new_rtu of libmodbus).
constexpr std::array<std::uint32_t, 22> rates{
    300,       600,       1'200,     2'400,     4'800,     9'600,    19'200,  38'400,
    57'600,    115'200,   230'400,   460'800,   500'000,   576'000,  921'600, 1'000'000,
    1'152'000, 1'500'000, 2'500'000, 3'000'000, 3'500'000, 4'000'000};

void check_rate(Findings& findings, const std::optional<SerialLine>& line, const std::string& pointer) {
    if (!line || std::ranges::find(rates, line->baud) != rates.end()) {
        return;
    }
    const auto* const near = std::ranges::min_element(rates, {}, [&](std::uint32_t rate) {
        return rate > line->baud ? rate - line->baud : line->baud - rate;
    });
    findings.error(
        pointer + "/serial/baud", fmt::format("no serial port runs at {} baud", line->baud),
        fmt::format("take the number from the device's settings; the nearest that there is: {}", *near));
}

// Devices are told apart by their paths, and each path must therefore be written in one way only.
void check_path(Findings& findings, const std::optional<SerialLine>& line, const std::string& pointer) {
    if (!line || !line->device.starts_with('/')) {
        return;
    }
    const auto plain = std::filesystem::path(line->device).lexically_normal().string();
    if (plain != line->device) {
        findings.error(pointer + "/serial/device",
                       fmt::format("{} is another way to write {}, so that one line could pass for two",
                                   line->device, plain),
                       fmt::format("give {}", plain));
    }
}

void check_line(Findings& findings, const std::optional<SerialLine>& line, const std::string& pointer) {
    check_rate(findings, line, pointer);
    check_path(findings, line, pointer);
}

void check_lines(Findings& findings, const Station& station) {
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const Tool& tool = station.tools[index];
        const std::string pointer = fmt::format("/tools/{}/link", index);
        if (const auto* link = std::get_if<RegisterLink>(&tool.link)) {
            check_line(findings, link->serial, pointer + "/registers");
        }
        const auto* frames = std::get_if<FrameLink>(&tool.link);
        if (const auto* line = frames == nullptr ? nullptr : std::get_if<SerialLine>(&frames->way)) {
            check_line(findings, *line, pointer + "/frames");
        }
    }
    for (std::size_t index = 0; index < station.io.size(); ++index) {
        check_line(findings, station.io[index].serial, fmt::format("/io/{}", index));
    }
    for (std::size_t index = 0; index < station.scanners.size(); ++index) {
        check_line(findings, station.scanners[index].serial, fmt::format("/scanners/{}", index));
    }
}

// A key proves which tool speaks, and for two tools it would prove neither.
void check_keys(Findings& findings, const Station& station) {
    const auto key_of = [](const Tool& tool) {
        const auto* line = std::get_if<LineLink>(&tool.link);
        return line == nullptr ? std::string() : std::filesystem::path(line->key).lexically_normal().string();
    };
    for (std::size_t index = 0; index < station.tools.size(); ++index) {
        const auto key = key_of(station.tools[index]);
        const auto before = station.tools.begin() + static_cast<std::ptrdiff_t>(index);
        const auto other = std::find_if(station.tools.begin(), before, [&](const Tool& tool) {
            return !key.empty() && tool.id != station.tools[index].id && key_of(tool) == key;
        });
        if (const std::filesystem::path path(key); !path.empty() && *path.begin() == "..") {
            findings.error(fmt::format("/tools/{}/link/line/key", index),
                           fmt::format("{} leads out of the journal's folder, in which the keys are", key),
                           "put the key beside the journal, and give its name");
        }
        if (other != before) {
            findings.error(
                fmt::format("/tools/{}/link/line/key", index),
                fmt::format("{} is the key of tool \"{}\" already, so that either could speak for the other",
                            key, other->id),
                "draw each tool a key of its own with tautgate make-keys");
        }
    }
}

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

// A label says at which bay it was scanned by the address from which it comes; of two at one bay only the
// first is ever heard of.
void check_scanner_peer(Findings& findings, const Station& station, std::size_t index) {
    const Scanner& scanner = station.scanners[index];
    const auto before = std::span(station.scanners).first(index);
    const auto other = std::ranges::find_if(before, [&](const Scanner& one) {
        return !one.serial && !scanner.peer.empty() && one.peer == scanner.peer;
    });
    if (other == before.end()) {
        return;
    }
    auto place = fmt::format("/scanners/{}/peer", index);
    auto what = fmt::format("scanner \"{}\" calls from {} already", other->id, scanner.peer);
    if (other->bay == scanner.bay) {
        findings.warning(std::move(place), std::move(what),
                         "describe one scanner for all that call from there");
    } else {
        findings.error(std::move(place), std::move(what), "give each scanner an address of its own");
    }
}

void check_scanners(Findings& findings, const Station& station, std::vector<LineOwner> taken) {
    bool any_calls = false;
    for (std::size_t index = 0; index < station.scanners.size(); ++index) {
        const Scanner& scanner = station.scanners[index];
        any_calls = any_calls || !scanner.serial;
        if (!scanner.serial) {
            check_scanner_peer(findings, station, index);
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
    check_lines(findings, station);
    check_keys(findings, station);
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
