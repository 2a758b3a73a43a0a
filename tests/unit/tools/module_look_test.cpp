// What a look at an I/O module makes of its inputs, on a clock of the test's own.
#include <catch2/catch.hpp>

#include <string>
#include <utility>
#include <vector>

#include "tools/cli/module_look.hpp"

using namespace tautgate;
using namespace std::chrono_literals;
using protocol::RegisterTable;

namespace {

config::IoModule module_with_all() {
    config::IoModule module;
    module.id = "M1";
    const auto add = [&](std::string id, RegisterTable table, std::uint16_t number, auto use) {
        config::IoInput input;
        input.id = std::move(id);
        input.table = table;
        input.number = number;
        input.debounce = 10ms;
        input.use = use;
        module.inputs.push_back(std::move(input));
        return &module.inputs.back();
    };
    add("click", RegisterTable::discrete_inputs, 0, config::PulseInput{.shortest = 40ms, .longest = 200ms});
    add("ready", RegisterTable::discrete_inputs, 1, config::PresentInput{})->active_low = true;
    add("count", RegisterTable::input, 7, config::CountInput{});
    add("arm", RegisterTable::input, 8, config::ArmInput{"NR-1"});
    add("flag", RegisterTable::input, 9, config::MovedInput{"lift"})->bit = 2;
    return module;
}

struct LookBench {
    cli::ModuleLooker looker{module_with_all()};
    protocol::PulseTime at = 1h;
    std::uint16_t click = 0;
    std::uint16_t ready = 1;
    std::uint16_t count = 5;
    std::uint16_t arm = 2;
    std::uint16_t flags = 0;

    // "click: reads on", one a line; after so long.
    std::vector<std::string> look(protocol::PulseTime after = 10ms) {
        at += after;
        std::vector<std::string> lines;
        const std::vector<std::uint16_t> words = {count, arm, flags, click, ready};
        for (const auto& one : looker.look(at, words))
            lines.push_back(one.input + ": " + one.what + (one.counts ? "" : " (!)"));
        return lines;
    }
};
using Lines = std::vector<std::string>;

}  // namespace

TEST_CASE("a look at a module reads what its inputs need, and the first tells each as it stands") {
    LookBench bench;
    CHECK(bench.looker.reads() == std::vector<protocol::BlockRange>{{RegisterTable::input, 7, 3},
                                                                    {RegisterTable::discrete_inputs, 0, 2}});
}

TEST_CASE("each input is told as it stands and again when it changes, a contact by what it means") {
    LookBench bench;
    CHECK(bench.look() ==
          Lines{"click: reads off", "ready: reads off", "count: reads 5", "arm: reads 2", "flag: reads off"});
    bench.look();
    CHECK(bench.look().empty());
    bench.ready = 0;
    bench.flags = 4;
    CHECK(bench.look() == Lines{"ready: reads on", "flag: reads on"});
    CHECK(bench.look() == Lines{"ready: on, and stands still", "flag: on, and stands still"});
    bench.flags = 3;
    CHECK(bench.look() == Lines{"flag: reads off"});
}

TEST_CASE("a pulse is told with its length and what is good") {
    LookBench bench;
    bench.look();
    bench.look();
    const auto pulse = [&](int looks) {
        bench.click = 1;
        for (int i = 0; i < looks; ++i)
            bench.look();
        bench.click = 0;
        auto lines = bench.look();
        for (const auto& line : bench.look())
            lines.push_back(line);
        return lines;
    };
    CHECK(pulse(5) == Lines{"click: reads off", "click: a pulse of 50.0 ms, which counts"});
    CHECK(pulse(3) ==
          Lines{"click: reads off", "click: a pulse of 30.0 ms, too short; good is 40.0 ms to 200.0 ms (!)"});
    bench.click = 1;
    Lines on;
    for (int i = 0; i < 25; ++i)
        for (const auto& line : bench.look())
            on.push_back(line);
    CHECK(on ==
          Lines{"click: reads on", "click: on for 210.0 ms and longer; good is 40.0 ms to 200.0 ms (!)"});
}

TEST_CASE("a count is told by its pulses, an arm by its position, and a lost wire begins anew") {
    LookBench bench;
    bench.look();
    bench.look();
    bench.count = 7;
    CHECK(bench.look(1s) == Lines{"count: reads 7", "count: 2 pulses counted"});
    bench.count = 900;
    CHECK(bench.look() ==
          Lines{"count: reads 900",
                "count: the count went from 7 to 900, which pulses one by one cannot; none counts (!)"});
    bench.arm = 3;
    CHECK(bench.look() == Lines{"arm: reads 3", "arm: at no position, or moving"});
    CHECK(bench.look() == Lines{"arm: at position 3"});
    bench.click = 1;
    bench.look();
    bench.look();
    const auto lost = bench.looker.lost();
    REQUIRE(lost.size() == 1);
    CHECK(lost.front().what == "a pulse was under way while nobody looked; it counts for nothing");
    CHECK(bench.look().size() >= 5);
}
