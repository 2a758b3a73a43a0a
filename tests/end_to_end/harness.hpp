// One whole station for a test: the built tautgated as a process of its own on ports of its own, and around
// it, in the test's process, the simulated tools, controller, scanner and people. The daemon can be killed at
// any moment and started again on the same journal. Every wait is for a condition and has an end.
//
// One thread. Ends only the daemon that it started.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include <nlohmann/json.hpp>

#include "config/station.hpp"
#include "tools/simulation/crew.hpp"
#include "tools/simulation/shop_floor.hpp"
#include "tools/simulation/story.hpp"

namespace tautgate::end_to_end {

inline constexpr std::chrono::milliseconds patience{15'000};

// A folder that is gone afterwards, unless TAUTGATE_KEEP is set in the environment.
class TemporaryFolder {
  public:
    TemporaryFolder();
    ~TemporaryFolder();
    TemporaryFolder(const TemporaryFolder&) = delete;
    TemporaryFolder& operator=(const TemporaryFolder&) = delete;
    TemporaryFolder(TemporaryFolder&&) = delete;
    TemporaryFolder& operator=(TemporaryFolder&&) = delete;
    [[nodiscard]] const std::filesystem::path& path() const noexcept { return path_; }

  private:
    std::filesystem::path path_;
};

// A program in a process of its own, with its output in a file. Killed when it goes out of scope, and by the
// kernel should the test die first.
class Process {
  public:
    struct Ended {
        std::optional<int> code;    // of an orderly end
        std::optional<int> signal;  // of a death
    };
    Process(const std::filesystem::path& program, const std::vector<std::string>& arguments,
            const std::filesystem::path& output);
    ~Process();
    Process(const Process&) = delete;
    Process& operator=(const Process&) = delete;
    Process(Process&&) = delete;
    Process& operator=(Process&&) = delete;

    void signal(int number) const;
    // Nothing: it still runs at the limit.
    [[nodiscard]] std::optional<Ended> await_end(std::chrono::milliseconds limit);
    [[nodiscard]] bool running();
    [[nodiscard]] int id() const noexcept { return pid_; }

  private:
    int pid_ = -1;
    int handle_ = -1;  // pidfd
    std::optional<Ended> ended_;
};

// Ports of the loopback for one test, as long as this lives: outside of the range from which the system takes
// the ports of those who call, so that a daemon that is down for a while finds its own free again. Other
// tests leave the block alone, since whoever wants one must hold the UDP port with the block's first number.
class PortBlock {
  public:
    PortBlock();
    ~PortBlock();
    PortBlock(const PortBlock&) = delete;
    PortBlock& operator=(const PortBlock&) = delete;
    PortBlock(PortBlock&&) = delete;
    PortBlock& operator=(PortBlock&&) = delete;

    [[nodiscard]] std::uint16_t next();

  private:
    int held_ = -1;
    std::uint16_t next_ = 0;
    std::uint16_t end_ = 0;
};

class Plant {
  public:
    struct Arrangement {
        // Changes the demo station's description before it is written; ports are free ones already, and a
        // controller that has none then gets one.
        std::function<void(nlohmann::json&)> change{};
        std::uint64_t seed = 1;
        bool traces = false;  // the tools send the curve of each tightening
        std::vector<std::string> daemon_arguments{};
        // Found in the folder of the programs, or in that of the tests.
        std::string program = "tautgated";
    };
    Plant() : Plant(Arrangement{}) {}
    explicit Plant(const Arrangement& arrangement);

    // ---- the daemon
    // `more` is for this start alone.
    void start(const std::vector<std::string>& more = {});
    // Orderly; fails the test if it does not end or its code is not 0.
    void stop();
    // SIGKILL: no last word.
    void kill();
    [[nodiscard]] Process& daemon();
    [[nodiscard]] std::string log() const;

    // ---- a station that works
    // Starts the daemon, enrols the people, has the rules approved and waits until all links are good.
    void open_for_work(const std::vector<std::string>& more = {});
    // The stays of this serial number as the record has them, once `wanted` holds for the last of them; null
    // at the limit. What the floor and the screen show may be a moment ahead of the record.
    [[nodiscard]] nlohmann::json await_record(const std::string& serial,
                                              const std::function<bool(const nlohmann::json& stay)>& wanted);
    [[nodiscard]] simulation::Crew& crew() noexcept { return *crew_; }
    [[nodiscard]] simulation::ShopFloor& floor() noexcept { return *floor_; }
    [[nodiscard]] simulation::Shift& shift() noexcept { return *shift_; }
    [[nodiscard]] const config::Station& station() const noexcept { return station_; }
    [[nodiscard]] std::string bay() const { return station_.bays.front().id; }
    [[nodiscard]] std::filesystem::path state_folder() const { return folder_.path() / "state"; }
    [[nodiscard]] std::filesystem::path journal() const { return state_folder() / station_.journal; }
    [[nodiscard]] std::filesystem::path config_file() const { return folder_.path() / "station.json"; }
    // What the shift said so far, and the daemon's last words: for INFO().
    [[nodiscard]] std::string told() const;

  private:
    // Of the tools that have one; random, as everywhere.
    void make_keys() const;

    TemporaryFolder folder_;
    PortBlock ports_;
    Arrangement arrangement_;
    config::Station station_;
    std::string told_;
    std::unique_ptr<Process> daemon_;
    std::unique_ptr<simulation::ShopFloor> floor_;
    std::unique_ptr<simulation::Crew> crew_;
    std::unique_ptr<simulation::Shift> shift_;
};

}  // namespace tautgate::end_to_end
