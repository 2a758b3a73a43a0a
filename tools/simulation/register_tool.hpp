// A simulated tool that is polled over Modbus, over TCP or a serial line: it shows its results in registers,
// laid out by the same profile that the station reads it by. It keeps results until they are acknowledged,
// where the profile has an acknowledge register or a handshake, and shows them one after the other; with a
// ring it shows the last few; without any of these each result overwrites the last.
//
// Its server has a thread of its own; every function may be called from any other thread.
#pragma once

#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <deque>
#include <expected>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "protocol/line.hpp"
#include "protocol/register_plan.hpp"
#include "protocol/register_profile.hpp"
#include "protocol/trace.hpp"
#include "tools/simulation/register_server.hpp"

namespace tautgate::simulation {

class RegisterTool {
  public:
    struct Status {
        std::uint64_t newest = 0;  // counter of the newest result, 0: none
        std::uint64_t shown = 0;   // counter in the registers
        std::uint64_t acknowledged = 0;
        std::size_t kept = 0;     // results not shown or not acknowledged yet
        std::uint64_t reads = 0;  // requests for the block
        bool may_run = false;     // as the station wrote it
        std::string program;      // that the station chose
    };

    [[nodiscard]] static std::expected<std::unique_ptr<RegisterTool>, std::string>
    open(const std::string& host, std::uint16_t port, protocol::RegisterProfile profile);

    [[nodiscard]] static std::expected<std::unique_ptr<RegisterTool>, std::string>
    open_serial(std::uint8_t unit, protocol::RegisterProfile profile);

    // Takes over a result, gives it the next counter and returns that. Texts that the profile has no code for
    // (a program that it does not name) go out as code 0.
    // Its curve is shown with it at once, where the profile has a place for one; the one before is written
    // over.
    std::uint64_t report(protocol::WrittenResult result, const std::optional<protocol::Trace>& trace = {});

    void cut() { server_->cut(); }
    void mend() { server_->mend(); }
    void mute(bool on) { server_->mute(on); }
    void answer_after(std::chrono::milliseconds delay) { server_->answer_after(delay); }
    // While held back, results stay in the tool and the registers show the one before.
    void hold_back(bool on);
    // So long after an acknowledgement the tool still shows the result that it was about.
    void slow_to_take(std::chrono::milliseconds delay);
    // The next `reads` of the block show a result half written: new values beside the old counter.
    void tear(unsigned reads);
    // Power off and on: a new epoch where the profile has one, the count starts again, nothing is kept.
    void restart(std::uint64_t epoch);
    // It says that it may run, whatever it is told.
    void disobey(bool on);
    // Counts on without a result: one that nobody will ever read.
    void lose_one();

    [[nodiscard]] std::uint16_t port() const noexcept { return server_->port(); }
    // The path of the serial line; empty over TCP.
    [[nodiscard]] const std::string& device() const noexcept { return server_->device(); }
    [[nodiscard]] Status status() const;
    [[nodiscard]] bool await(const std::function<bool(const Status&)>& wanted,
                             std::chrono::milliseconds limit) const;

  private:
    explicit RegisterTool(protocol::RegisterProfile profile);
    void on_read(const RegisterRequest& request, std::span<std::uint16_t> registers);
    void after(const RegisterRequest& request, std::span<std::uint16_t> registers);
    void show_next(std::span<std::uint16_t> registers);
    void show(const protocol::WrittenResult& result, std::span<std::uint16_t> registers);
    void show_trace(std::uint64_t counter, const protocol::Trace& trace, std::span<std::uint16_t> registers);
    void take_acknowledgement(std::span<std::uint16_t> registers);
    void take_handshake(std::span<std::uint16_t> registers);
    void shown_is_stored();
    void take_control(const RegisterRequest& request, std::span<std::uint16_t> registers);
    void say_control(std::span<std::uint16_t> registers);
    [[nodiscard]] static std::expected<std::unique_ptr<RegisterTool>, std::string>
    begin(std::unique_ptr<RegisterTool> tool,
          const std::function<
              std::expected<std::unique_ptr<RegisterServer>, std::string>(RegisterServer::Hooks)>& serve);
    [[nodiscard]] bool is_polled_by(const RegisterRequest& request) const;
    [[nodiscard]] std::vector<std::uint16_t> standing(std::span<std::uint16_t> registers) const;
    void put(std::span<const std::uint16_t> words, std::uint64_t slot, std::span<std::uint16_t> registers);
    void put_newest(std::uint64_t counter, std::span<std::uint16_t> registers);

    protocol::RegisterProfile profile_;
    std::vector<protocol::BlockRange> blocks_;  // of one result
    // The server's lock is always taken before this one.
    mutable std::mutex mutex_;
    mutable std::condition_variable changed_;
    std::deque<protocol::WrittenResult> kept_;
    std::vector<std::uint16_t> torn_rest_;  // what stands in the registers once the write is over
    unsigned tears_ = 0;
    bool held_back_ = false;
    bool disobeys_ = false;
    std::chrono::milliseconds slow_{0};
    std::optional<std::chrono::steady_clock::time_point> take_at_;  // it was told, and acts on it then
    bool clear_awaited_ = false;  // the acknowledgement of a handshake still stands
    Status status_;
    std::uint64_t epoch_ = 1;
    std::unique_ptr<RegisterServer> server_;  // last: its thread calls back into the members above
};

// The registers of one result by a profile, its blocks in a row: the counterpart of protocol::decode.
[[nodiscard]] std::vector<std::uint16_t> lay_out(const protocol::RegisterProfile& profile,
                                                 const protocol::WrittenResult& result, std::uint64_t epoch);

}  // namespace tautgate::simulation
