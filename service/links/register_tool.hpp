// A tool whose results we poll over Modbus, at a fixed interval, with one request in flight: over TCP, or
// over a serial line that it shares with others. After any time-out the connection is given up, so that a
// late answer never serves the next request.
//
// Where the profile names one, the curve of the newest result is read too, one request after each poll.
//
// Has a thread of its own. Every function is called on the loop's thread; the sink is called there too.
//
// In doubt nothing is made up: a torn block is read again, one that cannot be understood is refused as it
// came, and the first look at a tool of which nothing is known tells where its count stands (ToolAnswered).
// What it shows then was made before we followed it: where the tool waits for an acknowledgement it is passed
// on after that answer, with the same counter, so that it can be recorded and acknowledged; otherwise it is
// left alone.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "config/station.hpp"
#include "service/interlock/event.hpp"
#include "service/links/backoff.hpp"
#include "service/links/tool_link.hpp"
#include "service/links/trace_sink.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::links {

class SerialBuses;

class RegisterTool : public ToolLink {
  public:
    using Sink = std::function<void(interlock::Payload)>;
    // What the journal knows of the tool; the digest is that of the raw words. Asked once, at start.
    using Known = std::function<std::optional<KnownOfTool>()>;

    // `tool` must have a register link, whose profile the station knows. Both are only read here. `boot` is
    // the boot's id, for the intervals in which results were made; `buses` are the station's serial lines.
    // `redial`: how soon a lost tool is called again.
    RegisterTool(boost::asio::io_context& loop, const config::Station& station, const config::Tool& tool,
                 Sink sink, TraceSink traces, Known known, std::string boot,
                 std::shared_ptr<SerialBuses> buses, Backoff::Limits redial = {});
    // Stops, if nobody did.
    ~RegisterTool() override;
    RegisterTool(const RegisterTool&) = delete;
    RegisterTool& operator=(const RegisterTool&) = delete;
    RegisterTool(RegisterTool&&) = delete;
    RegisterTool& operator=(RegisterTool&&) = delete;

    void start() override;
    // Lets the tool drop what is stored. Without an acknowledge register in the profile nothing is written.
    // Only the newest counter of the tool's present epoch matters; it is kept until it was written.
    void acknowledge(const interlock::Acknowledge& stored) override;
    // Of a tool that obeys: whether it may run. Only the newest order matters; without a control in the
    // profile nothing is written. At stop() it is told not to run.
    void order(RunOrder order) override;
    [[nodiscard]] SourceHealth health() const override;
    [[nodiscard]] PollCounts polls() const;
    // Takes no longer than three time-outs of a request (each at most 500 ms), and the turn at a shared line.
    // Nothing reaches the sink afterwards.
    void stop() override;

  private:
    class Poller;
    std::shared_ptr<Poller> poller_;
};

}  // namespace tautgate::links
