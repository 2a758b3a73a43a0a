// The port at which tools with the station's line protocol (LINE.md beside the protocol) call. It binds a
// connection to a tool by peer address and hello, passes every result on as it came, asks once for what is
// missing in a count before it passes the gap on, and tells the tool what is stored. It judges nothing: that
// a result is a repetition, or late, is for the interlock to find.
//
// Lives on the loop's thread; the sink and `wanted` are called there, never from within a function of this
// class.
//
// In doubt a source is not good: a tool is good only after its settling time, and stale at once when it is
// silent, also where it was us who stopped reading, because more of its results wait to be stored than
// `unconfirmed` allows. Whatever a peer sends, memory and the number of connections are bounded.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "service/interlock/decide.hpp"
#include "service/interlock/event.hpp"
#include "service/links/freshness.hpp"
#include "service/links/tool_talk.hpp"
#include "service/links/trace_sink.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::links {

struct ToolPortSettings {
    std::string boot{};            // the boot's id, for the intervals in which results were made
    std::filesystem::path keys{};  // folder of the files with the tools' keys
    std::size_t unconfirmed =
        256;  // results of one connection that wait to be acknowledged; then no more is read
    std::size_t connections = 64;
    std::size_t unsent = 64 * 1024;                // bytes that a peer does not take; then it is hung up on
    std::chrono::milliseconds hello_time{5'000};   // from connecting to hello
    std::chrono::milliseconds beat_interval{500};  // ours
    std::chrono::milliseconds resend_time{1'000};  // for a tool to begin sending again what is missing
};

class ToolPort {
  public:
    using Sink = std::function<void(interlock::Payload)>;
    // Counter of the first result of this epoch that is not durable; 1 where nothing is known. A tool drops
    // what lies before it. It is asked directly after the sink got the ToolAnswered of the same hello.
    using WantedFrom = std::function<std::uint64_t(const domain::ToolId& tool, const std::string& epoch)>;

    // Takes the tools with a line link and the address from `station`, which is only read here. The loop
    // outlives the port.
    ToolPort(boost::asio::io_context& loop, const config::Station& station, Sink sink, TraceSink traces,
             WantedFrom wanted, ToolPortSettings settings = {});
    // Stops, if nobody did.
    ~ToolPort();
    ToolPort(const ToolPort&) = delete;
    ToolPort& operator=(const ToolPort&) = delete;
    ToolPort(ToolPort&&) = delete;
    ToolPort& operator=(ToolPort&&) = delete;

    // A station without a tool port listens to nobody, which is no error. The error is one sentence with a
    // remedy.
    [[nodiscard]] std::expected<void, std::string> listen();
    // The port that is listened on, also when the description says 0; 0: none.
    [[nodiscard]] std::uint16_t port() const;

    // The tool may drop its results up to this one. Without a connection, or in another epoch, nothing is
    // sent: the next hello asks.
    void acknowledge(const interlock::Acknowledge& stored);

    // The tool may drop the trace of this result; said as acknowledge is.
    void trace_stored(const interlock::TraceReceived& stored);
    // Whether the tool may run; only to one that obeys, and told again on every connection.
    void order(const domain::ToolId& tool, RunOrder order);

    // One entry for each tool with a line link.
    [[nodiscard]] std::vector<SourceHealth> health(SteadyTime now) const;

    // Closes everything. Nothing reaches the sink afterwards. More than once is fine.
    void stop();

  private:
    class Port;
    std::shared_ptr<Port> port_;
};

}  // namespace tautgate::links
