#include "tools/benchmark/throughput.hpp"

#include <algorithm>
#include <fstream>
#include <functional>
#include <map>
#include <random>

#include <fmt/format.h>

#include "tools/benchmark/measures.hpp"

namespace tautgate::benchmark {
namespace {

constexpr std::chrono::seconds run_patience{20};

// The tools that take part, spread over the bays; each with the joint that only it serves.
struct Worker {
    LineTool* tool = nullptr;
    std::string program;
    bool tight = false;

    void next() {
        tool->send({program, tight ? Direction::loosen : Direction::tighten, 1});
        tight = !tight;
    }
};

std::vector<Worker> workers(Plant& plant, unsigned count) {
    std::vector<Worker> all;
    all.reserve(count);
    const unsigned bays = plant.size().bays;
    for (unsigned i = 0; i < count; ++i)
        all.push_back({&plant.tool(i % bays, i / bays), BenchStation::program(i / bays)});
    return all;
}

double results_per_second(Plant& plant, unsigned tools, std::chrono::milliseconds time) {
    auto all = workers(plant, tools);
    std::uint64_t stored = 0;
    for (Worker& worker : all)
        worker.next();
    const auto begin = Clock::now();
    while (Clock::now() - begin < time) {
        plant.shop().pump(begin + time);
        for (Worker& worker : all) {
            if (!worker.tool->acknowledged())
                continue;
            ++stored;
            worker.next();
        }
    }
    const std::chrono::duration<double> took = Clock::now() - begin;
    // Everything stored and every joint loose again, for the next block.
    const auto settled = [&] {
        return plant.shop().pump_until(
            [&] {
                return std::ranges::all_of(all, [](const Worker& one) { return one.tool->acknowledged(); });
            },
            run_patience);
    };
    bool good = settled();
    for (Worker& worker : all)
        if (worker.tight)
            worker.next();
    good = settled() && good;
    if (!good || stored == 0)
        give_up("the daemon does not acknowledge the results of the throughput benchmark");
    return static_cast<double>(stored) / took.count();
}

double inserts_per_second(Plant& plant, std::chrono::milliseconds time) {
    const auto& around = plant.around();
    const auto words = around.folder / "insert.out";
    std::filesystem::remove(words);
    Child program({{(around.programs / "tautgate-bench-floor").string(), "--insert",
                    (around.folder / "insert.db").string(), std::to_string(time.count()),
                    result_line({"A", Direction::tighten, 1}, 100000)},
                   words,
                   around.measured_cpu,
                   {}});
    // The daemon's beats need their echo meanwhile.
    plant.shop().pump_during([&] { program.await_end(time + run_patience); });
    double count = 0;
    if (std::ifstream in{words}; !(in >> count))
        give_up("the insert loop said: " + last_words(words));
    return count;
}

}  // namespace

nlohmann::json measure_throughput(Plant& plant, const ThroughputPlan& plan) {
    std::mt19937 chance{std::random_device{}()};
    std::vector<double> inserts;
    std::vector<double> self_ratios;
    std::map<unsigned, std::vector<double>> rates;
    std::map<unsigned, std::vector<double>> ratios;
    for (unsigned round = 0; round < plan.rounds; ++round) {
        std::map<unsigned, double> now;
        std::vector<double> loop;
        std::vector<std::function<void()>> turns(
            2, [&] { loop.push_back(inserts_per_second(plant, plan.block)); });
        for (const unsigned tools : plan.tools)
            turns.emplace_back([&, tools] { now[tools] = results_per_second(plant, tools, plan.block); });
        std::ranges::shuffle(turns, chance);
        for (const auto& turn : turns)
            turn();
        self_ratios.push_back(loop.front() / loop.back());
        const double insert = (loop.front() + loop.back()) / 2;
        inserts.push_back(insert);
        for (const auto& [tools, rate] : now) {
            rates[tools].push_back(rate);
            ratios[tools].push_back(rate / insert);
        }
    }
    nlohmann::json view{{"rounds", plan.rounds},
                        {"insert_per_second", median(inserts)},
                        {"insert_self_ratio", median(self_ratios)},
                        {"by_tools", nlohmann::json::array()}};
    for (const auto& [tools, all] : rates)
        view["by_tools"].push_back(
            {{"tools", tools}, {"results_per_second", median(all)}, {"ratio", median(ratios.at(tools))}});
    return view;
}

}  // namespace tautgate::benchmark
