// The built daemon with a station at work around it: people enrolled, rules approved, a unit in every bay,
// identified, and its joints as the benchmark needs them. The same folder of state serves one daemon after
// the other.
#pragma once

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "tools/benchmark/bench_station.hpp"
#include "tools/benchmark/child.hpp"
#include "tools/benchmark/line_tool.hpp"
#include "tools/benchmark/register_device.hpp"
#include "tools/simulation/crew.hpp"

namespace tautgate::benchmark {

// Where things are, and which CPU is whose. Nothing pinned: the system decides.
struct Surroundings {
    std::filesystem::path programs;
    std::filesystem::path folder;     // on the disk that is measured
    std::optional<int> measured_cpu;  // the daemon's and the floor's
    std::optional<int> peers_cpu;     // tools and controllers
};

class Plant {
  public:
    Plant(Surroundings around, const StationSize& size, const std::string& name);
    ~Plant();
    Plant(const Plant&) = delete;
    Plant& operator=(const Plant&) = delete;
    Plant(Plant&&) = delete;
    Plant& operator=(Plant&&) = delete;

    // Starts the daemon. `before` are words in front of the program (another program that runs it).
    void start(const std::vector<std::string>& before = {}, const std::vector<std::string>& environment = {});
    void stop();
    // The daemon that was started answers people.
    void await_answer();
    // It has read through its journal as it does after every start: nothing of that falls into what is
    // counted.
    void await_file_check();
    // On an empty folder: people, rules.
    void set_up();
    // Tools are connected and every link is good.
    void connect();
    // Units arrive and are identified, and results are theirs from now on.
    void receive_units();
    // Every run of the list is stored, one after the other, for every bay.
    void run_all(unsigned bay, unsigned tool, const std::vector<Run>& runs);
    // The watched permissive of the first bay has this code.
    void await(protocol::Code code);

    [[nodiscard]] Shop& shop() noexcept { return shop_; }
    [[nodiscard]] Child& daemon();
    [[nodiscard]] LineTool& tool(unsigned bay, unsigned tool);
    [[nodiscard]] PolledTool& polled(unsigned tool) { return *polled_.at(tool); }
    // What the daemon shows of the station; while others are pumped.
    [[nodiscard]] nlohmann::json state() const;
    [[nodiscard]] ControllerDevice& controller(unsigned bay = 0) { return *controllers_.at(bay); }
    [[nodiscard]] const StationSize& size() const noexcept { return size_; }
    [[nodiscard]] const Surroundings& around() const noexcept { return around_; }
    [[nodiscard]] std::filesystem::path state_folder() const { return folder_ / "state"; }
    [[nodiscard]] std::filesystem::path journal() const { return state_folder() / "bench.db"; }

  private:
    void need(const simulation::Crew::Done& done);
    [[nodiscard]] simulation::Crew::Done scan(const std::string& bay, const std::string& label) const;
    [[nodiscard]] bool file_is_checked() const;
    [[nodiscard]] bool links_are_good() const;
    [[nodiscard]] std::string told();
    Surroundings around_;
    StationSize size_;
    std::filesystem::path folder_;
    BenchStation station_;
    Shop shop_;
    std::vector<std::unique_ptr<ControllerDevice>> controllers_;
    std::vector<std::unique_ptr<PolledTool>> polled_;
    std::vector<std::unique_ptr<LineTool>> tools_;
    simulation::Crew crew_;
    std::unique_ptr<Child> daemon_;
};

}  // namespace tautgate::benchmark
