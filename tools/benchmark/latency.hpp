// How long a deciding result takes: from its last byte at the tool's socket until the released block has
// arrived at the controller. Busy: other results come without a pause, so that no CPU sleeps. Idle: nothing
// else happens for a while before each. Daemon and floor are measured in short blocks, in an order that is
// shuffled every round.
#pragma once

#include <cstdint>
#include <memory>
#include <random>
#include <vector>

#include "tools/benchmark/measures.hpp"
#include "tools/benchmark/plant.hpp"

namespace tautgate::benchmark {

// A joint that one run proves and one loosening unproves, with something that decides nothing in between.
class Line {
  public:
    virtual ~Line() = default;
    Line() = default;
    Line(const Line&) = delete;
    Line& operator=(const Line&) = delete;
    Line(Line&&) = delete;
    Line& operator=(Line&&) = delete;
    [[nodiscard]] virtual Shop& shop() = 0;
    [[nodiscard]] virtual LineTool& deciding() = 0;
    [[nodiscard]] virtual LineTool& other() = 0;
    [[nodiscard]] virtual ControllerDevice& controller() = 0;
};

class DaemonLine : public Line {
  public:
    // Its unit is proven as far as the watched permissive needs it, and loosened by one fastener.
    explicit DaemonLine(Plant& plant) : plant_(plant) {}
    void get_ready();
    Shop& shop() override { return plant_.shop(); }
    LineTool& deciding() override { return plant_.tool(0, 0); }
    LineTool& other() override { return plant_.tool(0, 1); }
    ControllerDevice& controller() override { return plant_.controller(); }

  private:
    Plant& plant_;
};

// The floor program, with a tool and a controller of its own.
class FloorLine : public Line {
  public:
    // Its rows are of `row` bytes.
    FloorLine(const Surroundings& around, Shop& shop, std::size_t row);
    ~FloorLine() override;
    FloorLine(const FloorLine&) = delete;
    FloorLine& operator=(const FloorLine&) = delete;
    FloorLine(FloorLine&&) = delete;
    FloorLine& operator=(FloorLine&&) = delete;
    Shop& shop() override { return shop_; }
    LineTool& deciding() override { return tool_; }
    LineTool& other() override { return tool_; }
    ControllerDevice& controller() override { return controller_; }

  private:
    FloorLine(const Surroundings& around, Shop& shop, std::size_t row,
              const std::vector<std::uint16_t>& ports);
    Shop& shop_;
    ControllerDevice controller_;
    LineTool tool_;
    Child program_;
};

// One deciding result after the other: microseconds each.
[[nodiscard]] std::vector<double> busy_block(Line& line, unsigned samples);
[[nodiscard]] std::vector<double> idle_block(Line& line, unsigned samples);

struct LatencyPlan {
    unsigned rounds = 0;
    unsigned samples = 0;  // of each block
    bool busy = true;
};
[[nodiscard]] std::vector<Round> measure_latency(Line& daemon, Line& floor, const LatencyPlan& plan);
// {"ratio_p50", "ratio_p90", "floor_self_ratio_p50", "daemon_us", "floor_us", "rounds"}
[[nodiscard]] nlohmann::json latency_view(const std::vector<Round>& rounds);

}  // namespace tautgate::benchmark
