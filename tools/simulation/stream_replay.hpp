// A tool out of a capture that speaks by itself: it calls the station, or waits for its call, or has a serial
// line that the station opens, and says again byte for byte and at the pace of then what the tool said. What
// the station answers is read and left alone, as much of it as comes; so a tool whose words depend on the
// answers (a keyed line) cannot be played, and one of the line protocol, whose answers to the station's beats
// are missing, is heard without its link becoming good.
//
// Each connection, and each time that the line is opened, begins anew with the first byte. Has a thread of
// its own; every function may be called from any other thread.
#pragma once

#include <cstdint>
#include <expected>
#include <memory>
#include <string>
#include <variant>

#include "protocol/capture.hpp"

namespace tautgate::simulation {

// Where the station listens; called again until it is there.
struct CallsStation {
    std::string host;
    std::uint16_t port = 0;
};
// Where the station calls. Port 0: any free one.
struct AwaitsStation {
    std::string host;
    std::uint16_t port = 0;
};

// A pseudo-terminal, which the station opens as its serial device: under the wished path where nothing is
// there, for as long as this lives; else under the one that the system gives it.
struct OnSerialLine {
    std::string wished;
};

class StreamReplay {
  public:
    // The error is one sentence.
    [[nodiscard]] static std::expected<std::unique_ptr<StreamReplay>, std::string>
    open(const protocol::Capture& capture,
         const std::variant<CallsStation, AwaitsStation, OnSerialLine>& where);
    ~StreamReplay();
    StreamReplay(const StreamReplay&) = delete;
    StreamReplay& operator=(const StreamReplay&) = delete;
    StreamReplay(StreamReplay&&) = delete;
    StreamReplay& operator=(StreamReplay&&) = delete;

    // Where it waits; 0 for one that calls.
    [[nodiscard]] std::uint16_t port() const noexcept;
    // The path of the serial line; empty over a network.
    [[nodiscard]] const std::string& device() const noexcept;
    // Whether everything was said once, on one connection.
    [[nodiscard]] bool said_all() const noexcept;

  private:
    class Voice;
    class NetworkVoice;
    class SerialVoice;
    explicit StreamReplay(std::unique_ptr<Voice> voice);
    std::unique_ptr<Voice> voice_;
};

}  // namespace tautgate::simulation
