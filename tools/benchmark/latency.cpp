#include "tools/benchmark/latency.hpp"

#include <algorithm>
#include <array>
#include <functional>
#include <iterator>

namespace tautgate::benchmark {
namespace {

using protocol::Code;

constexpr std::chrono::seconds answer_patience{10};
// A controller takes eight blocks in a beat interval (20 ms here), and no more are sent but to withhold. With
// two changes in eight milliseconds, and the beats in between, no release ever waits for that.
constexpr std::chrono::milliseconds half_cycle{4};
constexpr std::chrono::milliseconds idle_pause{25};

const std::string deciding_program = "A";
const std::string other_program = "B";

void stored(Line& line, LineTool& tool) {
    if (!line.shop().pump_until([&] { return tool.acknowledged(); }, answer_patience))
        give_up("a result of the benchmark is not acknowledged");
}

void arrived(Line& line, Code code) {
    if (!line.shop().pump_until([&] { return line.controller().code() == code; }, answer_patience))
        give_up("the block that a result of the benchmark decides does not arrive");
}

// The last but one joint is loosened and tightened in turns, so that something changes every time.
class Others {
  public:
    explicit Others(Line& line) : line_(line) {}
    void go_on_until(Clock::time_point until) {
        while (Clock::now() < until) {
            LineTool& tool = line_.other();
            tool.send({other_program, tight_ ? Direction::loosen : Direction::tighten, 1});
            tight_ = !tight_;
            stored(line_, tool);
        }
    }
    // As it was before, for the next block.
    void leave_loose() {
        if (!tight_)
            return;
        line_.other().send({other_program, Direction::loosen, 1});
        tight_ = false;
        stored(line_, line_.other());
    }

  private:
    Line& line_;
    bool tight_ = false;
};

double decide(Line& line) {
    const auto sent = line.deciding().send({deciding_program, Direction::tighten, 1});
    arrived(line, Code::released);
    const std::chrono::duration<double, std::micro> took = line.controller().changed() - sent;
    stored(line, line.deciding());
    return took.count();
}

void undo(Line& line) {
    line.deciding().send({deciding_program, Direction::loosen, 1});
    arrived(line, Code::withheld);
    stored(line, line.deciding());
}

void append(std::vector<double>& to, std::vector<double> values) {
    std::ranges::move(values, std::back_inserter(to));
}

}  // namespace

void DaemonLine::get_ready() {
    std::vector<Run> all;
    for (unsigned position = 1; position <= plant_.size().fasteners; ++position)
        all.push_back({deciding_program, Direction::tighten, position});
    plant_.run_all(0, 0, all);
    plant_.await(Code::released);
    plant_.run_all(0, 0, {{deciding_program, Direction::loosen, 1}});
    plant_.await(Code::withheld);
}

FloorLine::FloorLine(const Surroundings& around, Shop& shop, std::size_t row)
    : FloorLine(around, shop, row, free_ports(2)) {}

FloorLine::FloorLine(const Surroundings& around, Shop& shop, std::size_t row,
                     const std::vector<std::uint16_t>& ports)
    : shop_(shop), controller_(ports.at(0), {{1, 1, 1}}), tool_("floor"),
      program_({{(around.programs / "tautgate-bench-floor").string(), (around.folder / "floor.db").string(),
                 std::to_string(ports.at(1)), std::to_string(ports.at(0)), std::to_string(row)},
                around.folder / "floor.log",
                around.measured_cpu,
                {}}) {
    shop_.add(controller_);
    shop_.add(tool_);
    if (!shop_.pump_until([&] { return tool_.connect(ports.at(1)); }, answer_patience))
        give_up("the floor does not come up: " + last_words(around.folder / "floor.log"));
}

FloorLine::~FloorLine() {
    shop_.remove(tool_);
    shop_.remove(controller_);
}

std::vector<double> busy_block(Line& line, unsigned samples) {
    std::vector<double> took;
    Others others(line);
    others.go_on_until(Clock::now() + half_cycle);
    for (unsigned i = 0; i < samples; ++i) {
        took.push_back(decide(line));
        others.go_on_until(line.controller().changed() + half_cycle);
        undo(line);
        others.go_on_until(line.controller().changed() + half_cycle);
    }
    others.leave_loose();
    return took;
}

std::vector<double> idle_block(Line& line, unsigned samples) {
    std::vector<double> took;
    for (unsigned i = 0; i < samples; ++i) {
        line.shop().pump_for(idle_pause);
        took.push_back(decide(line));
        line.shop().pump_for(half_cycle);
        undo(line);
    }
    return took;
}

std::vector<Round> measure_latency(Line& daemon, Line& floor, const LatencyPlan& plan) {
    std::mt19937 chance{std::random_device{}()};
    const auto block = plan.busy ? busy_block : idle_block;
    std::vector<Round> rounds(plan.rounds);
    for (Round& round : rounds) {
        std::array<std::function<void()>, 3> turns{
            [&] { append(round.subject, block(daemon, plan.samples)); },
            [&] { append(round.floor, block(floor, plan.samples)); },
            [&] { append(round.floor_again, block(floor, plan.samples)); }};
        std::ranges::shuffle(turns, chance);
        for (const auto& turn : turns)
            turn();
    }
    return rounds;
}

nlohmann::json latency_view(const std::vector<Round>& rounds) {
    std::vector<double> subject;
    std::vector<double> floor;
    for (const Round& round : rounds) {
        append(subject, round.subject);
        append(floor, round.floor);
        append(floor, round.floor_again);
    }
    return {{"rounds", rounds.size()},
            {"ratio_p50", ratio_to_floor(rounds, 0.5)},
            {"ratio_p90", ratio_to_floor(rounds, 0.9)},
            {"floor_self_ratio_p50", floor_to_itself(rounds, 0.5)},
            {"floor_self_ratio_p90", floor_to_itself(rounds, 0.9)},
            {"daemon_us", percentiles(subject)},
            {"floor_us", percentiles(floor)}};
}

}  // namespace tautgate::benchmark
