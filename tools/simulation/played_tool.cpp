#include "tools/simulation/played_tool.hpp"

#include <algorithm>
#include <thread>
#include <utility>

#include <fmt/format.h>

namespace tautgate::simulation {

namespace {

std::string wrong_kind(const config::Tool& tool, std::string_view capture_of) {
    return fmt::format("the capture is of {}, and the description reaches tool {} in another way; take the "
                       "description that it was made with",
                       capture_of, tool.id);
}

std::string words_of_line(const std::string& device, bool is_described) {
    return fmt::format(" on the serial line {}{}", device,
                       is_described ? ""
                                    : "; name it as the tool's device in the description that the service "
                                      "runs with");
}

}  // namespace

std::expected<PlayedTool, std::string> PlayedTool::open(const config::Station& station,
                                                        const protocol::Capture& capture) {
    const auto tool = std::ranges::find(station.tools, capture.head.tool, &config::Tool::id);
    if (tool == station.tools.end())
        return std::unexpected(fmt::format("the capture is of tool '{}', which is not in the description; "
                                           "take the description that it was made with",
                                           capture.head.tool));
    if (!tool->simulated)
        return std::unexpected(fmt::format("tool {} is a real one by the description, and a capture is no "
                                           "measurement; set \"simulated\" for it in a copy",
                                           tool->id));
    switch (capture.head.wire) {
    case protocol::CaptureWire::modbus_tcp:
    case protocol::CaptureWire::modbus_serial: return open_polled(*tool, capture);
    case protocol::CaptureWire::lines: return open_caller(station, *tool, capture);
    case protocol::CaptureWire::frames: return open_framed(*tool, capture);
    }
    std::unreachable();
}

std::expected<PlayedTool, std::string> PlayedTool::open_polled(const config::Tool& tool,
                                                               const protocol::Capture& capture) {
    const auto* link = std::get_if<config::RegisterLink>(&tool.link);
    const bool serial = capture.head.wire == protocol::CaptureWire::modbus_serial;
    if (link == nullptr || link->serial.has_value() != serial)
        return std::unexpected(wrong_kind(tool, serial ? "a serial line" : "a Modbus TCP device"));
    auto replay = CaptureReplay::open(capture, link->host, link->port);
    if (!replay)
        return std::unexpected(std::move(replay.error()));
    std::string where = serial ? "answers" + words_of_line((*replay)->device(), false)
                               : fmt::format("answers at {}:{}", link->host, (*replay)->port());
    return PlayedTool(std::move(*replay), std::move(where));
}

std::expected<PlayedTool, std::string> PlayedTool::open_caller(const config::Station& station,
                                                               const config::Tool& tool,
                                                               const protocol::Capture& capture) {
    const auto* link = std::get_if<config::LineLink>(&tool.link);
    if (link == nullptr || !station.tool_port)
        return std::unexpected(wrong_kind(tool, "a tool that calls the tool port"));
    if (!link->key.empty())
        return std::unexpected(
            fmt::format("tool {} speaks with a key, and each connection has other seals; to "
                        "play it, leave its key out of a copy of the description, and "
                        "set the joints that need one to class B there",
                        tool.id));
    auto replay =
        StreamReplay::open(capture, CallsStation{station.tool_port->address, station.tool_port->port});
    if (!replay)
        return std::unexpected(std::move(replay.error()));
    return PlayedTool(std::move(*replay),
                      fmt::format("calls {}:{}", station.tool_port->address, station.tool_port->port));
}

std::expected<PlayedTool, std::string> PlayedTool::open_framed(const config::Tool& tool,
                                                               const protocol::Capture& capture) {
    const auto* link = std::get_if<config::FrameLink>(&tool.link);
    if (link == nullptr)
        return std::unexpected(wrong_kind(tool, "a tool that sends frames"));
    std::variant<CallsStation, AwaitsStation, OnSerialLine> where;
    std::string words;
    if (const auto* call = std::get_if<config::FrameCall>(&link->way)) {
        where = AwaitsStation{call->host, call->port};
        words = fmt::format("waits at {}:{}", call->host, call->port);
    } else if (const auto* listen = std::get_if<config::FrameListen>(&link->way)) {
        where = CallsStation{listen->at.address, listen->at.port};
        words = fmt::format("calls {}:{}", listen->at.address, listen->at.port);
    } else {
        where = OnSerialLine{std::get<config::SerialLine>(link->way).device};
    }
    auto replay = StreamReplay::open(capture, where);
    if (!replay)
        return std::unexpected(std::move(replay.error()));
    if (const auto* line = std::get_if<OnSerialLine>(&where))
        words = "speaks" + words_of_line((*replay)->device(), (*replay)->device() == line->wished);
    return PlayedTool(std::move(*replay), std::move(words));
}

bool PlayedTool::said_all() const {
    if (const auto* polled = std::get_if<std::unique_ptr<CaptureReplay>>(&player_))
        return (*polled)->still_to_give() == 0;
    return std::get<std::unique_ptr<StreamReplay>>(player_)->said_all();
}

bool PlayedTool::await_said_all(std::chrono::milliseconds limit) const {
    constexpr std::chrono::milliseconds between_looks{20};
    const auto end = std::chrono::steady_clock::now() + limit;
    while (!said_all() && std::chrono::steady_clock::now() < end)
        std::this_thread::sleep_for(between_looks);
    return said_all();
}

}  // namespace tautgate::simulation
