// The wire to one tool, for somebody who wants the very bytes: what is sent goes out as it is, and what comes
// back comes back as it came. libmodbus opens the connection or the serial line, also to a tool that speaks
// in frames of its own. Blocking; every wait has an end; one thread.
#pragma once

#include <chrono>
#include <expected>
#include <memory>
#include <string>

#include "config/station.hpp"
#include "protocol/register_request.hpp"

namespace tautgate::cli {

[[nodiscard]] protocol::ModbusWire wire_of(const config::RegisterLink& link) noexcept;
// "127.0.0.1:8464, unit 1", "/dev/ttyUSB0 at 19200 baud, unit 3".
[[nodiscard]] std::string connection_words(const config::RegisterLink& link);

class DeviceWire {
  public:
    // The errors here are one sentence each: what, where, why, remedy.
    [[nodiscard]] static std::expected<std::unique_ptr<DeviceWire>, std::string>
    open(const config::RegisterLink& link, std::chrono::milliseconds answer_within);
    // To a tool that sends frames, and that we call; `words` name the place.
    [[nodiscard]] static std::expected<std::unique_ptr<DeviceWire>, std::string>
    open(const config::FrameCall& call, std::chrono::milliseconds answer_within, const std::string& words);
    [[nodiscard]] static std::expected<std::unique_ptr<DeviceWire>, std::string>
    open(const config::SerialLine& line, std::chrono::milliseconds answer_within, const std::string& words);
    // Around the socket of a tool that called; it is the wire's from here on.
    [[nodiscard]] static std::expected<std::unique_ptr<DeviceWire>, std::string>
    around(int socket, const std::string& words);
    ~DeviceWire();
    DeviceWire(const DeviceWire&) = delete;
    DeviceWire& operator=(const DeviceWire&) = delete;
    DeviceWire(DeviceWire&&) = delete;
    DeviceWire& operator=(DeviceWire&&) = delete;

    // What came within the time: the whole answer, a part of it, or nothing. After anything but a whole
    // answer a connection is to be given up, so that a late answer never serves the next request; a serial
    // line is left alone for a while by itself. An error: the wire is gone.
    [[nodiscard]] std::expected<std::string, std::string> ask(const std::string& request);
    // Of a tool that speaks by itself: what is there or comes first, or nothing within the time.
    [[nodiscard]] std::expected<std::string, std::string> hear(std::chrono::milliseconds within);
    [[nodiscard]] std::expected<void, std::string> say(const std::string& bytes);

  private:
    class Line;
    explicit DeviceWire(std::unique_ptr<Line> line);
    [[nodiscard]] static std::expected<std::unique_ptr<DeviceWire>, std::string>
    open_as(const config::RegisterLink& link, std::chrono::milliseconds answer_within,
            const std::string& words);
    std::unique_ptr<Line> line_;
};

}  // namespace tautgate::cli
