// Simulated simple equipment at one bay: a Modbus server whose coils the station writes, and a program that
// runs the rule of protocol/coil_rule.hpp with a scan cycle of its own. It moves only what that rule allows,
// unless somebody moves it by hand. Coils and outputs can be made to stick, as contacts and wires do.
//
// Coils and discrete inputs are the same bits here, so that the description must give each its own number.
//
// Has threads of its own; every function may be called from any other thread.
#pragma once

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <expected>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <string>
#include <thread>
#include <vector>

#include "config/station.hpp"
#include "protocol/coil_rule.hpp"
#include "tools/simulation/register_server.hpp"

namespace tautgate::simulation {

struct CoilEquipmentSettings {
    config::CoilPlan plan;
    std::string host = "127.0.0.1";
    std::uint16_t port = 0;  // 0: any free one
    protocol::CoilSettings rule;
    std::chrono::milliseconds scan{5};
};

// As `tautgate registers` prints them for the equipment of this bay. Its bay must be by coils.
[[nodiscard]] CoilEquipmentSettings coil_equipment_settings(const config::Bay& bay);

class CoilEquipment {
  public:
    // The error is one sentence.
    [[nodiscard]] static std::expected<std::unique_ptr<CoilEquipment>, std::string>
    open(CoilEquipmentSettings settings);
    ~CoilEquipment();
    CoilEquipment(const CoilEquipment&) = delete;
    CoilEquipment& operator=(const CoilEquipment&) = delete;
    CoilEquipment(CoilEquipment&&) = delete;
    CoilEquipment& operator=(CoilEquipment&&) = delete;

    [[nodiscard]] std::uint16_t port() const noexcept { return server_->port(); }

    void set_present(bool present);
    // Moves if the rule allows it now; says whether it did. The signal of the movement is up for two scans.
    bool try_move(const std::string& permissive);
    // Somebody moves the equipment by hand, past the permissive.
    void force_move(const std::string& permissive);
    // Stop and start of its program.
    void restart();
    // The program stands still: no scan; the link goes on answering.
    void freeze(bool on);
    void cut() { server_->cut(); }
    void mend() { server_->mend(); }
    // A bit that stays as it is said to, whoever writes it; and is let go.
    void stick(std::uint16_t number, bool level);
    void let_go(std::uint16_t number);

    [[nodiscard]] bool bit(std::uint16_t number) const;
    [[nodiscard]] bool may_move(const std::string& permissive) const;
    [[nodiscard]] bool await(const std::function<bool()>& wanted, std::chrono::milliseconds limit) const;
    // When the rule last ceased to allow the movement.
    [[nodiscard]] std::chrono::steady_clock::time_point refused_since(const std::string& permissive) const;

  private:
    struct Point {
        config::CoilPoint at;
        protocol::CoilPointState state;
        unsigned moved_scans = 0;  // for how many more scans its signal is up
        bool allowed = false;
        std::chrono::steady_clock::time_point refused_since{};
    };
    explicit CoilEquipment(CoilEquipmentSettings settings);
    void run();
    void scan(std::uint64_t now_ms);
    void show(const config::ControllerBit& bit, bool on);

    CoilEquipmentSettings settings_;
    mutable std::mutex mutex_;
    mutable std::condition_variable scanned_;
    protocol::CoilLine line_;
    std::vector<Point> points_;
    std::map<std::uint16_t, bool> stuck_;
    bool present_ = false;
    bool frozen_ = false;
    std::unique_ptr<RegisterServer> server_;
    std::atomic<bool> stopping_ = false;
    std::thread thread_;
};

}  // namespace tautgate::simulation
