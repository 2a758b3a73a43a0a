#include "tools/benchmark/crowd.hpp"

#include <map>

namespace tautgate::benchmark {
namespace {

constexpr std::chrono::seconds crowd_patience{20};

double cpu_percent(Plant& plant, const std::function<void()>& during) {
    const auto before = plant.daemon().cpu_time();
    const auto begin = Clock::now();
    during();
    const std::chrono::duration<double> used = plant.daemon().cpu_time() - before;
    const std::chrono::duration<double> took = Clock::now() - begin;
    return 100 * used.count() / took.count();
}

// All tools at once, each at its pace; those that wait for acknowledgements not before they have theirs.
void work(Plant& plant, const Shift& shift) {
    for (unsigned made = 0; made < shift.results; ++made) {
        const auto next = Clock::now() + shift.pace;
        for (unsigned one = 0; one < plant.size().polled_tools; ++one)
            plant.polled(one).make();
        for (unsigned bay = 0; bay < plant.size().bays; ++bay)
            for (unsigned one = 0; one < plant.size().tools_per_bay; ++one)
                plant.tool(bay, one).send(
                    {BenchStation::program(one), made % 2 == 0 ? Direction::tighten : Direction::loosen, 1});
        plant.shop().pump_for(std::chrono::duration_cast<std::chrono::milliseconds>(next - Clock::now()));
    }
}

std::map<std::string, std::uint64_t> made_by_tool(Plant& plant) {
    std::map<std::string, std::uint64_t> made;
    for (unsigned one = 0; one < plant.size().polled_tools; ++one)
        made[BenchStation::polled_id(one)] = plant.polled(one).made();
    for (unsigned bay = 0; bay < plant.size().bays; ++bay)
        for (unsigned one = 0; one < plant.size().tools_per_bay; ++one)
            made[BenchStation::tool_id(bay, one)] = plant.tool(bay, one).counter();
    return made;
}

// Of what every tool made, the results that the daemon has not followed without a gap.
std::uint64_t missed(const nlohmann::json& state, const std::map<std::string, std::uint64_t>& made) {
    std::uint64_t missing = 0;
    for (const nlohmann::json& tool : state.at("tools")) {
        const std::uint64_t own = made.at(tool.at("id").get<std::string>());
        const bool whole = tool.at("count") == "following" && tool.at("outstanding_to").is_null();
        const std::uint64_t counter = whole ? tool.at("counter").get<std::uint64_t>() : 0;
        missing += own - std::min(own, counter);
    }
    return missing;
}

}  // namespace

nlohmann::json measure_crowd(Plant& plant, const CrowdPlan& plan) {
    const double quiet = cpu_percent(plant, [&] { plant.shop().pump_for(plan.quiet); });
    const auto before = made_by_tool(plant);
    const double hour = cpu_percent(plant, [&] { work(plant, plan.hour); });
    const double rush = cpu_percent(plant, [&] { work(plant, plan.rush); });
    const auto made = made_by_tool(plant);
    std::uint64_t results = 0;
    for (const auto& [tool, counter] : made)
        results += counter - before.at(tool);
    std::uint64_t missing = results;
    for (const auto end = Clock::now() + crowd_patience; missing > 0 && Clock::now() < end;) {
        plant.shop().pump_for(std::chrono::milliseconds(100));
        missing = missed(plant.shop().pump_during([&] { return plant.state(); }), made);
    }
    return {{"polled_tools", plant.size().polled_tools},
            {"poll_interval_ms", plant.size().poll_interval_ms},
            {"line_tools", plant.size().bays * plant.size().tools_per_bay},
            {"quiet_cpu_percent", quiet},
            {"hour_cpu_percent", hour},
            {"rush_cpu_percent", rush},
            {"results", results},
            {"missed", missing}};
}

}  // namespace tautgate::benchmark
