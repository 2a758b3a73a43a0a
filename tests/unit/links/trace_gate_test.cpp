// How many curves a tool may send, whatever kind of link it has.
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "service/links/trace_gate.hpp"

using namespace tautgate;
using namespace tautgate::links;

namespace {

struct GateBench {
    // How many of so many curves it lets through.
    std::size_t through(int count, const std::string& tool = "NR-1") {
        const std::size_t before = passed.size();
        bool told_rightly = true;
        for (int i = 0; i < count; ++i) {
            ArrivedTrace curve;
            curve.event.tool.text = tool;
            const std::size_t had = passed.size();
            told_rightly = gate.take(curve) == (passed.size() == had + 1) && told_rightly;
        }
        CHECK(told_rightly);
        return passed.size() - before;
    }
    void result(const std::string& epoch, std::uint64_t counter, const std::string& tool = "NR-1") {
        interlock::ResultReceived told;
        told.tool.text = tool;
        told.epoch = epoch;
        told.reading.counter = counter;
        gate.heard(told);
    }
    std::vector<std::string> passed;
    TraceGate gate{[this](const ArrivedTrace& curve) { passed.push_back(curve.event.tool.text); }};
};

}  // namespace

TEST_CASE("a tool has 64 curves for results of before, and then one for each new result") {
    GateBench bench;
    CHECK(bench.through(70) == 64);
    CHECK(bench.gate.refused("NR-1") == 6);
    bench.result("1", 1);
    bench.result("1", 2);
    CHECK(bench.through(3) == 2);
    CHECK(bench.gate.refused("NR-1") == 7);
}

TEST_CASE("a result that comes again, or after a later one, lets no further curve through") {
    GateBench bench;
    bench.result("1", 5);
    CHECK(bench.through(70) == 65);
    bench.result("1", 5);
    bench.result("1", 4);
    CHECK(bench.through(1) == 0);
    bench.result("2", 1);  // another epoch
    CHECK(bench.through(2) == 1);
}

TEST_CASE("curves are counted tool by tool, and other news bring none") {
    GateBench bench;
    CHECK(bench.through(65) == 64);
    CHECK(bench.through(1, "NR-2") == 1);
    bench.result("1", 1, "NR-2");
    bench.gate.heard(interlock::ToolAnswered{{"NR-1"}, "1", 9});
    CHECK(bench.through(1) == 0);
    CHECK(bench.gate.refused("NR-1") == 2);
    CHECK(bench.gate.refused("NR-2") == 0);
    CHECK(bench.gate.refused("NR-3") == 0);
}

TEST_CASE("results without curves do not heap up more than 256 of them") {
    GateBench bench;
    for (std::uint64_t counter = 1; counter <= 1000; ++counter)
        bench.result("1", counter);
    CHECK(bench.through(300) == 256);
}
