// The simulated controller of the equipment at one bay. It runs the PLC's rule (protocol::plc_step) with a
// scan cycle of its own, debounces nothing because its inputs are clean, and moves only what that rule
// allows. Each time the rule begins to allow a movement it asks a witness who knows the bolts themselves;
// what the witness does not bear out is kept as a violation.
//
// Speaks Modbus in the role that the station's does not have. Blocks of the bay's permissives stand one after
// the other in the order of the station's description, and so do the feedback blocks.
//
// Has threads of its own; every function may be called from any other thread.
#pragma once

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <expected>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "config/station.hpp"
#include "protocol/permissive_block.hpp"
#include "tools/simulation/register_server.hpp"

namespace tautgate::simulation {

struct ControlledPoint {
    std::string id;
    std::uint16_t number = 0;
    bool one_shot = false;
};

struct ControllerSettings {
    config::ControllerLink link;  // as the station has it
    std::uint16_t station = 1;
    std::uint16_t bay = 1;
    std::vector<ControlledPoint> points;
    std::chrono::milliseconds scan{10};
    std::chrono::milliseconds beat_limit{1000};
};

[[nodiscard]] ControllerSettings controller_settings(const config::Station& station, const config::Bay& bay);

// Why a movement that the rule allows is not borne out by the bolts; nothing: it is. Called on the scan
// thread with no lock held.
using Witness = std::function<std::optional<std::string>(const std::string& permissive, protocol::Movement)>;

class Controller {
  public:
    [[nodiscard]] static std::expected<std::unique_ptr<Controller>, std::string>
    open(ControllerSettings settings, Witness witness);
    ~Controller();
    Controller(const Controller&) = delete;
    Controller& operator=(const Controller&) = delete;
    Controller(Controller&&) = delete;
    Controller& operator=(Controller&&) = delete;

    // The unit-present input.
    void set_present(bool present);
    // Moves if the rule allows it at this scan. Says what the rule said.
    protocol::Movement try_move(const std::string& permissive);
    // Somebody moves the equipment by hand, past the permissive.
    void force_move(const std::string& permissive);
    void set_equipment_fault(bool fault);
    // Stop and start of the PLC program.
    void restart();
    // The program stands still: no scan, no new feedback; the link goes on answering.
    void freeze(bool on);
    void cut();
    void mend();

    // As of the last scan. An unknown permissive has the state of a PLC that never ran.
    [[nodiscard]] protocol::PlcState state(const std::string& permissive) const;
    [[nodiscard]] protocol::Movement movement(const std::string& permissive) const;
    [[nodiscard]] bool await_movement(const std::string& permissive, protocol::Movement wanted,
                                      std::chrono::milliseconds limit) const;
    // Waits until `wanted` holds for the state of the permissive.
    [[nodiscard]] bool await(const std::string& permissive,
                             const std::function<bool(const protocol::PlcState&)>& wanted,
                             std::chrono::milliseconds limit) const;
    [[nodiscard]] std::vector<std::string> violations() const;
    [[nodiscard]] bool await_violations(std::size_t count, std::chrono::milliseconds limit) const;
    // Where the station reaches the controller (when the station is the client), else 0.
    [[nodiscard]] std::uint16_t port() const noexcept;

  private:
    struct Point {
        ControlledPoint at;
        protocol::PlcState state;
        std::uint32_t pulses = 0;  // movements asked for, one each second scan
        bool pulse_high = false;
        std::optional<std::chrono::steady_clock::time_point> unjustified_since;
        bool justified_before = false;  // since the rule began to allow the movement
        bool complained = false;
    };
    class Master;

    Controller(ControllerSettings settings, Witness witness);
    void run();
    void scan();
    void scan_point(std::size_t index, std::uint64_t now_ms);
    void watch();
    void complain(std::string what);
    [[nodiscard]] std::vector<std::uint16_t> block_of(std::size_t index) const;
    void give_feedback(std::size_t index, const protocol::FeedbackBlock& feedback);
    [[nodiscard]] const Point* find(const std::string& permissive) const;

    ControllerSettings settings_;
    Witness witness_;
    mutable std::mutex mutex_;
    mutable std::condition_variable scanned_;
    std::vector<Point> points_;
    bool present_ = false;
    bool fault_ = false;
    bool frozen_ = false;
    std::uint64_t scans_ = 0;
    std::vector<std::string> violations_;
    std::unique_ptr<RegisterServer> server_;  // the station is the client
    std::unique_ptr<Master> master_;          // the station is the server
    std::atomic<bool> stopping_ = false;
    std::thread thread_;
};

}  // namespace tautgate::simulation
