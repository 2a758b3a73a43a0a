// The controller's side of the permissive link under test: the rule of protocol/PERMISSIVE.md as the code has
// it, on a Modbus server or as a Modbus master. Other than the simulated controller it scans whenever
// something has come, so that no spoilt block is written over unseen, and it keeps account of what it acted
// on.
//
// Every function may be called from any thread.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <memory>
#include <mutex>
#include <span>
#include <thread>
#include <vector>

#include "config/station.hpp"
#include "protocol/permissive_block.hpp"
#include "tools/simulation/register_server.hpp"

namespace tautgate::link_errors {

inline constexpr std::size_t plc_points = 2;

// In one scan a block was accepted, or a movement was allowed by one that was accepted before.
struct Act {
    bool moves = false;
    std::size_t point = 0;
    protocol::Code code = protocol::Code::withheld;
    std::uint32_t token = 0;
    std::uint16_t moved = 0;
    std::uint16_t beat = 0;
    std::chrono::steady_clock::time_point at;
    std::chrono::milliseconds since_accepted{0};
};

// What all feedback blocks of one scan said together.
struct Report {
    bool present = false;
    std::uint16_t arrivals = 0;
    std::uint16_t departures = 0;
    std::uint16_t starts = 0;
    std::array<std::uint16_t, plc_points> moved{};
    std::uint32_t token = 0;
    bool operator==(const Report&) const = default;
};

class Plc {
  public:
    Plc(const config::Station& station, std::chrono::milliseconds beat_limit);

    void set_present(bool present);
    void move(std::size_t point);

    // One scan of blocks that came. Gives the feedback.
    std::vector<std::uint16_t> scan(std::span<const std::uint16_t> blocks);
    // One more of those that came last.
    void scan_again();

    [[nodiscard]] protocol::PlcState state(std::size_t point) const;
    // Since the last call.
    [[nodiscard]] std::vector<Act> take_acts();
    // Scans in which a block was not good; in which the PLC withheld because of the link; scans at all.
    struct Seen {
        std::uint64_t bad_blocks = 0;
        std::uint64_t faults = 0;
        std::uint64_t scans = 0;
    };
    [[nodiscard]] Seen seen() const;
    // Whether this was ever said; with this token, or with any.
    [[nodiscard]] bool has_said(const Report& report) const;
    [[nodiscard]] bool has_said_but_for_the_token(Report report) const;

  private:
    [[nodiscard]] std::vector<std::uint16_t> scan_all();
    void scan_point(std::size_t point);

    mutable std::mutex mutex_;
    std::array<protocol::PlcSettings, plc_points> settings_;
    std::array<protocol::PlcState, plc_points> states_;
    std::array<bool, plc_points> pulses_{};
    std::vector<std::uint16_t> blocks_;
    bool present_ = false;
    Seen seen_;
    std::vector<Act> acts_;
    std::vector<Report> said_;
};

// The station writes and reads here.
class PlcAsServer {
  public:
    PlcAsServer(Plc& plc, const config::ControllerLink& link);
    [[nodiscard]] std::uint16_t port() const noexcept { return server_->port(); }
    // The program goes on though nothing comes.
    void scan();

  private:
    void exchange(std::span<std::uint16_t> registers);

    Plc& plc_;
    config::ControllerLink link_;
    std::unique_ptr<simulation::RegisterServer> server_;
};

// Reads from the station and writes to it, and calls again at once after any failure.
class PlcAsMaster {
  public:
    PlcAsMaster(Plc& plc, const config::ControllerLink& link);

  private:
    void run(const std::stop_token& stop);

    Plc& plc_;
    config::ControllerLink link_;
    std::jthread thread_;  // last: uses all of the above
};

}  // namespace tautgate::link_errors
