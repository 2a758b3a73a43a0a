// Simple equipment at the other end of the link under test: the rule of protocol/coil_rule.hpp on a Modbus
// server. Other than the simulated equipment it scans whenever something was written, so that no spoilt write
// is written over unseen, and it keeps account of the scans in which it let something move.
//
// Every function may be called from any thread.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <memory>
#include <mutex>
#include <span>
#include <vector>

#include "config/station.hpp"
#include "protocol/coil_rule.hpp"
#include "tools/simulation/register_server.hpp"

namespace tautgate::link_errors {

inline constexpr std::size_t coil_points = 2;

// One scan in which a permissive was let move.
struct CoilAct {
    std::size_t point = 0;
    std::chrono::steady_clock::time_point at;
    std::chrono::milliseconds since_alive{0};  // since the alive coil was last seen to be switched over
};

class CoilPlc {
  public:
    CoilPlc(config::CoilPlan plan, const protocol::CoilSettings& rule);

    [[nodiscard]] std::uint16_t port() const noexcept { return server_->port(); }
    void set_present(bool present);
    // It moves if it may now; says whether it did.
    bool move(std::size_t point);
    // The program goes on though nothing comes.
    void scan();

    // As of the last scan.
    struct View {
        bool line_good = false;
        std::array<bool, coil_points> coil{};  // as it stands
        std::array<bool, coil_points> may_move{};
        std::uint64_t switches = 0;  // of the alive coil, as seen
        std::uint64_t stops = 0;     // times that the line ceased to be good
    };
    [[nodiscard]] View view() const;
    // Since the last call.
    [[nodiscard]] std::vector<CoilAct> take_acts();

  private:
    void scan_bits(std::span<std::uint8_t> bits);
    void scan_point(std::size_t index, std::span<std::uint8_t> bits, std::uint64_t now_ms);

    struct Point {
        protocol::CoilPointState state;
        unsigned moved_scans = 0;  // for how many more scans the signal of its movement is up
    };
    const config::CoilPlan plan_;
    const protocol::CoilSettings rule_;
    mutable std::mutex mutex_;
    protocol::CoilLine line_;
    std::array<Point, coil_points> points_{};
    bool present_ = false;
    View view_;
    std::vector<CoilAct> acts_;
    std::unique_ptr<simulation::RegisterServer> server_;  // last: its thread uses all of the above
};

}  // namespace tautgate::link_errors
