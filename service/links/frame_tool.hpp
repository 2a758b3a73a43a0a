// A tool that sends its results as frames of bytes, as a profile describes them, over TCP or a serial line.
// Every whole frame is a sign of life. Each result is passed on as it came; the tool is told which of them
// are stored where its profile says how, and whether it may run.
//
// Lives on the loop's thread; the sinks are called there, never from within a function of this class.
//
// In doubt nothing is made up and nothing is trusted: what is no frame, or cannot be understood, is refused
// as it came and the next frame is looked for. A tool that can say where its count stands is not good before
// it has. One that is silent is hung up on, and its results from then on are of the time since it was last
// heard. Whatever comes, memory and the loop's time for it are bounded; what is too much waits unread.
#pragma once

#include <chrono>
#include <cstddef>
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

struct FrameToolSettings {
    std::string boot{};             // the boot's id, for the intervals in which results were made
    std::size_t unconfirmed = 256;  // results that wait to be acknowledged; then no more is read
    // What a tool says within this time of another order may have been said before it heard of it.
    std::chrono::milliseconds order_settles{100};
    Backoff::Limits redial{};
};

class FrameTool : public ToolLink {
  public:
    using Sink = std::function<void(interlock::Payload)>;
    // What the journal knows of the tool; the digest is that of a result's content. Asked once, at start.
    using Known = std::function<std::optional<KnownOfTool>()>;

    // `tool` must have a frame link, whose profile the station knows. Both are only read here. The loop
    // outlives the tool.
    FrameTool(boost::asio::io_context& loop, const config::Station& station, const config::Tool& tool,
              Sink sink, TraceSink traces, Known known, FrameToolSettings settings = {});
    // Stops, if nobody did.
    ~FrameTool() override;
    FrameTool(const FrameTool&) = delete;
    FrameTool& operator=(const FrameTool&) = delete;
    FrameTool(FrameTool&&) = delete;
    FrameTool& operator=(FrameTool&&) = delete;

    void start() override;
    // Of a tool whose profile has an acknowledgement: of each result of this connection that is stored by
    // now. One that comes again is acknowledged again, once the interlock has said so again.
    void acknowledge(const interlock::Acknowledge& stored) override;
    // A change of its order: it is told not to run, which program to take, and to run.
    void order(RunOrder order) override;
    [[nodiscard]] SourceHealth health() const override;
    // Where the tool calls: the port that is listened on; 0: none.
    [[nodiscard]] std::uint16_t port() const;
    void stop() override;

  private:
    class Talker;
    std::shared_ptr<Talker> talker_;
};

}  // namespace tautgate::links
