// A tool out of a capture that speaks by itself: it calls the station, or waits for its call, and says again
// byte for byte and at the pace of then what the tool said. What the station answers is read and left alone,
// as much of it as comes; so a tool whose words depend on the answers (a keyed line) cannot be played.
//
// Each connection begins anew with the first byte. Has a thread of its own; every function may be called from
// any other thread.
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

class StreamReplay {
  public:
    // The error is one sentence.
    [[nodiscard]] static std::expected<std::unique_ptr<StreamReplay>, std::string>
    open(const protocol::Capture& capture, const std::variant<CallsStation, AwaitsStation>& where);
    ~StreamReplay();
    StreamReplay(const StreamReplay&) = delete;
    StreamReplay& operator=(const StreamReplay&) = delete;
    StreamReplay(StreamReplay&&) = delete;
    StreamReplay& operator=(StreamReplay&&) = delete;

    // Where it waits; 0 for one that calls.
    [[nodiscard]] std::uint16_t port() const noexcept;
    // Whether everything was said once, on one connection.
    [[nodiscard]] bool said_all() const noexcept;

  private:
    class Voice;
    explicit StreamReplay(std::unique_ptr<Voice> voice);
    std::unique_ptr<Voice> voice_;
};

}  // namespace tautgate::simulation
