// A simulated tool that dials the station's tool port and speaks its line protocol. It behaves as a good tool
// has to: it numbers its results, keeps each until the station has acknowledged it, says hello on every
// connection, sends again what the station asks for and gives a sign of life. And it can be made to behave
// badly: link cut, results held back, sent twice, restarted.
//
// Has a thread of its own; every function may be called from any other thread.
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "protocol/line.hpp"
#include "protocol/line_seal.hpp"

namespace tautgate::simulation {

struct LineToolSettings {
    std::string id;
    std::string host = "127.0.0.1";
    std::uint16_t port = 0;
    std::string epoch = "1";
    std::optional<protocol::SharedKey> key{};
    std::chrono::milliseconds beat_interval{400};
    std::chrono::milliseconds redial_after{250};
    std::chrono::milliseconds welcome_within{3000};  // after hello; then it closes and dials again
};

class LineTool {
  public:
    struct Status {
        bool welcomed = false;  // connected, and the station said where to go on
        std::string epoch;
        std::uint64_t newest = 0;         // counter of the newest result, 0: none
        std::uint64_t acknowledged = 0;   // up to here the station has stored everything
        std::size_t kept = 0;             // results not acknowledged yet
        std::uint64_t sent = 0;           // result lines sent since start, repetitions too
        std::uint64_t traces_stored = 0;  // as the station said
        std::uint64_t refusals = 0;       // `refused` lines received
        std::string refused;              // the words of the last one
        std::uint64_t misread = 0;        // lines of the station that the tool could not read
        bool may_run = false;             // by the last order on this connection
        std::string program;              // that the last order named
    };

    explicit LineTool(LineToolSettings settings);
    ~LineTool();
    LineTool(const LineTool&) = delete;
    LineTool& operator=(const LineTool&) = delete;
    LineTool(LineTool&&) = delete;
    LineTool& operator=(LineTool&&) = delete;

    // Takes over a result, gives it the next counter and returns that. Its curve goes out after it and is
    // kept until the station has stored it.
    std::uint64_t report(protocol::WrittenResult result, const std::optional<protocol::Trace>& trace = {});
    // Sends the bytes of a line, or of a part of one, as they are; a tool with a key puts the seal before
    // them. They are lost when there is no connection.
    void send_raw(std::string bytes);

    // Network gone, or the battery dead; results are kept meanwhile.
    void cut();
    void mend();
    // While held back, results stay in the tool though the link is alive.
    void hold_back(bool on);
    // The next results go out twice each.
    void send_twice(unsigned results);
    // Power off and on: a new epoch, the count starts again, what was not acknowledged is lost.
    void restart(std::string epoch);
    // It says that it may run, whatever it is told.
    void disobey(bool on);
    // Counts on without a result: one that the tool will never be able to send.
    void lose_one();

    [[nodiscard]] Status status() const;
    // Waits until `wanted` holds; false when it did not within `limit`.
    [[nodiscard]] bool await(const std::function<bool(const Status&)>& wanted,
                             std::chrono::milliseconds limit) const;

  private:
    class Wire;
    std::unique_ptr<Wire> wire_;
};

}  // namespace tautgate::simulation
