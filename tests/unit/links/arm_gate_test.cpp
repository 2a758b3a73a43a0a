// What waits for the arm, and what does not. Times are made up here.
#include <catch2/catch.hpp>

#include "service/links/arm_gate.hpp"
#include "tests/unit/links/ports.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;
using interlock::ArmMoved;
using interlock::ResultReceived;

namespace {

config::Station station_with_arms() {
    config::Station station;
    for (const char* id : {"IO-1", "IO-2"}) {
        config::IoModule module;
        module.id = id;
        config::IoInput input;
        input.id = "arm";
        input.use = config::ArmInput{id == std::string("IO-1") ? "NR-12" : "NR-16"};
        module.inputs = {input};
        station.io.push_back(module);
    }
    return station;
}

ResultReceived made_by(const std::string& tool, std::uint64_t counter, std::chrono::nanoseconds until) {
    ResultReceived result;
    result.tool = {tool};
    result.reading.counter = counter;
    result.made.to_ns = until.count();
    return result;
}

struct ArmBench {
    [[nodiscard]] std::vector<std::uint64_t> counters() const {
        std::vector<std::uint64_t> all;
        for (const auto& result : heard.of<ResultReceived>())
            all.push_back(result.reading.counter);
        return all;
    }
    config::Station station = station_with_arms();
    Heard heard;
    ArmGate gate{station, [this](interlock::Payload told) { heard.events.push_back(std::move(told)); }};
};

using ArmCounters = std::vector<std::uint64_t>;

}  // namespace

TEST_CASE(
    "a result waits for a look at the arm that began after it was made, and comes after what that brought") {
    ArmBench bench;
    bench.gate.looked("IO-1", 1s);
    bench.gate.take(made_by("NR-12", 7, 2s));
    bench.gate.looked("IO-1", 2s - 1ns);
    CHECK(bench.heard.events.empty());
    bench.gate.take(ArmMoved{.tool = {"NR-12"}, .position = std::nullopt, .changed = {}});
    bench.gate.looked("IO-1", 2s);
    REQUIRE(bench.heard.events.size() == 2);
    CHECK(std::holds_alternative<ArmMoved>(bench.heard.events.front()));
    CHECK(bench.counters() == ArmCounters{7});
}

TEST_CASE("results of one tool keep their order while they wait") {
    ArmBench bench;
    bench.gate.looked("IO-1", 1s);
    bench.gate.take(made_by("NR-12", 7, 3s));
    bench.gate.take(made_by("NR-12", 8, 2s));
    bench.gate.looked("IO-1", 2s);
    CHECK(bench.counters().empty());
    bench.gate.looked("IO-1", 3s);
    CHECK(bench.counters() == ArmCounters{7, 8});
}

TEST_CASE("nothing waits while nobody looks at the module, and what waited goes on") {
    ArmBench bench;
    bench.gate.take(made_by("NR-12", 6, 1s));
    CHECK(bench.counters() == ArmCounters{6});
    bench.gate.looked("IO-1", 1s);
    bench.gate.take(made_by("NR-12", 7, 2s));
    CHECK(bench.counters() == ArmCounters{6});
    bench.gate.lost("IO-1");
    CHECK(bench.counters() == ArmCounters{6, 7});
    bench.gate.take(made_by("NR-12", 8, 3s));
    CHECK(bench.counters() == ArmCounters{6, 7, 8});
}

TEST_CASE("a tool waits for its own module only, one without an arm for none, and other words never") {
    ArmBench bench;
    bench.gate.looked("IO-1", 1s);
    bench.gate.looked("IO-2", 1s);
    bench.gate.take(made_by("NR-12", 7, 2s));
    bench.gate.take(made_by("NR-20", 9, 2s));
    CHECK(bench.counters() == ArmCounters{9});
    bench.gate.looked("IO-2", 5s);
    bench.gate.lost("IO-2");
    CHECK(bench.counters() == ArmCounters{9});
    bench.gate.take(
        interlock::ToolLinkChanged{.tool = {"NR-12"}, .quality = interlock::Quality::stale, .why = ""});
    CHECK(bench.heard.of<interlock::ToolLinkChanged>().size() == 1);
    CHECK(bench.counters() == ArmCounters{9});
}
