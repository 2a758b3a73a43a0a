// A device out of a capture (protocol/capture.hpp): whoever asks what was asked then gets the very bytes that
// came back then, over TCP or over a serial line, whichever the capture is of.
//
// Each request gets the next of the answers that were recorded for it, and the last one again when there is
// no further one; on TCP with the transaction of the request, which the asker chooses. What was never asked
// is refused as a device refuses registers that it does not have, and a write that was never recorded is
// confirmed.
//
// Its server has a thread of its own; every function may be called from any other thread.
#pragma once

#include <atomic>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <expected>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <string_view>

#include "protocol/capture.hpp"
#include "protocol/register_request.hpp"
#include "tools/simulation/register_server.hpp"

namespace tautgate::simulation {

class CaptureReplay {
  public:
    // Host and port are of a capture of TCP; port 0: any free one. The error is one sentence.
    [[nodiscard]] static std::expected<std::unique_ptr<CaptureReplay>, std::string>
    open(const protocol::Capture& capture, const std::string& host, std::uint16_t port);

    [[nodiscard]] std::uint16_t port() const noexcept { return server_->port(); }
    // The path of the serial line; empty over TCP.
    [[nodiscard]] const std::string& device() const noexcept { return server_->device(); }
    // Recorded answers that were not given yet. What only repeats the last one leaves it at 0.
    [[nodiscard]] std::size_t still_to_give() const noexcept { return left_; }
    // Requests that the capture does not know, writes not counted.
    [[nodiscard]] std::size_t unknown() const noexcept { return unknown_; }

  private:
    CaptureReplay(const protocol::Capture& capture, protocol::ModbusWire wire);
    [[nodiscard]] std::string answer(std::string_view request);
    [[nodiscard]] std::string made_up(std::string_view request, std::string_view asked);

    protocol::ModbusWire wire_;
    struct Recorded {
        std::deque<std::string> answers;  // the last one stays
        bool last_given = false;
    };
    std::map<std::string, Recorded, std::less<>> answers_;  // by what is asked
    std::atomic<std::size_t> left_ = 0;
    std::atomic<std::size_t> unknown_ = 0;
    std::unique_ptr<RegisterServer> server_;  // last: its thread calls back into the members above
};

}  // namespace tautgate::simulation
