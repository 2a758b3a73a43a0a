// Inputs and outputs of an I/O module against a simulated one, over real sockets and a pseudo-terminal.
#include <catch2/catch.hpp>

#include <thread>

#include "service/links/io_inputs.hpp"
#include "service/links/io_outputs.hpp"
#include "service/links/serial_bus.hpp"
#include "tests/unit/links/ports.hpp"
#include "tools/simulation/io_module.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;
using interlock::ButtonPressed;
using interlock::InputRefused;
using interlock::Quality;
using interlock::ResultReceived;
using interlock::ToolAnswered;
using interlock::ToolLinkChanged;

namespace {

constexpr std::uint16_t wrench_contact = 3;
constexpr std::uint16_t button_contact = 4;
constexpr std::uint16_t unit_contact = 5;
constexpr std::uint16_t counting_register = 20;

config::IoInput input(std::string id, std::uint16_t number, decltype(config::IoInput::use) use) {
    config::IoInput made;
    made.id = std::move(id);
    made.number = number;
    made.debounce = 15ms;
    made.use = std::move(use);
    return made;
}

config::Tool pulse_tool(std::string id, std::string at) {
    config::Tool made;
    made.id = std::move(id);
    made.bay = "J1";
    made.link = config::PulseLink{"IO-1", std::move(at)};
    return made;
}

config::IoModule described() {
    config::IoModule module;
    module.id = "IO-1";
    module.bay = "J1";
    module.poll_interval = 5ms;
    module.settling = 50ms;
    module.silence_limit = 1000ms;
    auto counted = input("counted", counting_register, config::CountInput{65535, 20ms});
    counted.table = protocol::RegisterTable::input;
    module.inputs = {input("wrench", wrench_contact, config::PulseInput{100ms, 700ms}), counted,
                     input("done", button_contact, config::ButtonInput{{100ms, 1500ms}, "look"}),
                     input("unit", unit_contact, config::PresentInput{})};
    return module;
}

struct Bench {
    explicit Bench(config::IoModule how = described(), std::uint64_t counted = 0, bool serial = false)
        : module(serial ? simulation::IoModule::open_serial(1).value()
                        : simulation::IoModule::open("127.0.0.1", 0).value()),
          said(std::move(how)) {
        if (serial)
            said.serial = config::SerialLine{module.device()};
        else
            said.host = "127.0.0.1";
        said.port = module.port();
        station.tools = {pulse_tool("CW-8", "wrench"), pulse_tool("CW-9", "counted")};
        station.io = {said};
        inputs.emplace(
            loop, station, said,
            IoInputs::Sinks{
                .event = [this](interlock::Payload event) { heard.events.push_back(std::move(event)); },
                .level = [this](const config::IoInput&,
                                std::optional<bool> level) { levels.push_back(level); }},
            [counted](const domain::ToolId&) { return counted; }, "boot", std::make_shared<SerialBuses>());
        inputs->start();
        REQUIRE(run_until(loop, [&] { return inputs->health().quality == Quality::good; }));
        REQUIRE(run_until(loop, [&] { return heard.of<ToolLinkChanged>().size() >= 2; }));
    }
    [[nodiscard]] bool clicks(std::size_t count) {
        return run_until(loop, [&] { return heard.of<ResultReceived>().size() >= count; });
    }
    [[nodiscard]] bool refuses(const std::string& why) {
        return run_until(loop, [&] {
            const auto all = heard.of<InputRefused>();
            return std::ranges::any_of(
                all, [&](const InputRefused& each) { return each.why.find(why) != std::string::npos; });
        });
    }
    // So much time, in which the module is polled on.
    void passes(std::chrono::milliseconds time) {
        std::this_thread::sleep_for(time);
        loop.restart();
        loop.poll();
    }
    [[nodiscard]] bool comes_back() {
        const auto before = heard.of<ToolAnswered>().size();
        module.cut();
        if (!run_until(loop, [&] { return inputs->health().quality == Quality::failed; }))
            return false;
        module.mend();
        return run_until(loop, [&] { return heard.of<ToolAnswered>().size() > before; });
    }

    boost::asio::io_context loop;
    simulation::IoModule module;
    config::IoModule said;
    config::Station station;
    std::shared_ptr<SerialBuses> buses = std::make_shared<SerialBuses>();
    Heard heard;
    std::vector<std::optional<bool>> levels;
    std::optional<IoInputs> inputs;
};

}  // namespace

TEST_CASE("a bouncing click is one result that measures nothing, with its moment") {
    Bench bench;
    const auto before = std::chrono::steady_clock::now().time_since_epoch();
    bench.module.bouncing_pulse(wrench_contact, 250ms);
    const auto after = std::chrono::steady_clock::now().time_since_epoch();
    REQUIRE(bench.clicks(1));
    bench.passes(250ms);
    const auto results = bench.heard.of<ResultReceived>();
    REQUIRE(results.size() == 1);
    CHECK(results[0].tool.text == "CW-8");
    CHECK(results[0].reading.counter == 1);
    CHECK(results[0].reading.tool_verdict == protocol::ToolVerdict::ok);
    CHECK(std::holds_alternative<protocol::Absent>(results[0].reading.torque));
    CHECK(results[0].made.boot == "boot");
    CHECK(results[0].made.from_ns >= (before - 500ms).count());
    CHECK(results[0].made.to_ns >= before.count());
    CHECK(results[0].made.to_ns <= (after + 500ms).count());
}

TEST_CASE("the tool is told to stand where the station's count stands, before its link is good") {
    Bench bench{described(), 41};
    const auto answered = bench.heard.of<ToolAnswered>();
    REQUIRE(answered.size() == 2);
    CHECK(answered[0] == ToolAnswered{{"CW-8"}, "1", 41});
    CHECK(std::holds_alternative<ToolAnswered>(bench.heard.events.at(0)));
    bench.module.pulse(wrench_contact, 250ms);
    REQUIRE(bench.clicks(1));
    CHECK(bench.heard.of<ResultReceived>().at(0).reading.counter == 42);
}

TEST_CASE("a pulse outside its limits is told with its length and counted for nothing") {
    Bench bench;
    bench.module.pulse(wrench_contact, 50ms);
    CHECK(bench.refuses("is too short and counts for nothing"));
    bench.module.pulse(wrench_contact, 1000ms);
    CHECK(bench.refuses("counts for nothing; see whether it is stuck"));
    CHECK(bench.heard.of<ResultReceived>().empty());
}

TEST_CASE("a contact that is closed when the station first looks is no click, and opening it is none") {
    Bench bench;
    REQUIRE(bench.comes_back());
    bench.module.cut();
    bench.module.set(wrench_contact, true);
    bench.module.mend();
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.of<ToolAnswered>().size() >= 6; }));
    bench.passes(250ms);
    bench.module.set(wrench_contact, false);
    bench.passes(250ms);
    CHECK(bench.heard.of<ResultReceived>().empty());
}

TEST_CASE("a lost link is told of the tools on it, and its count goes on where it was") {
    Bench bench;
    bench.module.pulse(wrench_contact, 250ms);
    REQUIRE(bench.clicks(1));
    REQUIRE(bench.comes_back());
    const auto links = bench.heard.of<ToolLinkChanged>();
    CHECK(std::ranges::count(links, Quality::failed, &ToolLinkChanged::quality) == 2);
    CHECK(bench.heard.of<ToolAnswered>().at(2) == ToolAnswered{{"CW-8"}, "1", 1});
    const auto polls = bench.inputs->health().polls;
    REQUIRE(polls);
    CHECK(polls->good > 0);
    CHECK(polls->failed > 0);
    bench.passes(100ms);
    bench.module.pulse(wrench_contact, 250ms);
    REQUIRE(bench.clicks(2));
    CHECK(bench.heard.of<ResultReceived>().at(1).reading.counter == 2);
}

TEST_CASE("pulses that the module counts are results each, over the turn of its register") {
    Bench bench;
    bench.module.set_register(counting_register, 65534);
    REQUIRE(bench.refuses("the module's count went from 0 to 65534"));
    bench.passes(250ms);
    bench.module.count_on(counting_register, 3);
    REQUIRE(
        run_until(bench.loop, [&] { return !bench.heard.events.empty() && bench.refuses("to 1 in a way"); }));
    bench.passes(100ms);
    bench.module.count_on(counting_register, 1);
    REQUIRE(bench.clicks(1));
    CHECK(bench.heard.of<ResultReceived>().at(0).tool.text == "CW-9");
}

TEST_CASE("what a module counted while the link was down is told, and made up by nothing") {
    Bench bench;
    bench.module.count_on(counting_register, 1);
    REQUIRE(bench.clicks(1));
    bench.module.cut();
    bench.module.count_on(counting_register, 2);
    bench.module.mend();
    CHECK(bench.refuses("the module's count went from 1 to 3"));
    CHECK(bench.heard.of<ResultReceived>().size() == 1);
}

TEST_CASE("a push button names its step, and leaning on it is no press") {
    Bench bench;
    bench.module.pulse(button_contact, 250ms);
    REQUIRE(run_until(bench.loop, [&] { return !bench.heard.of<ButtonPressed>().empty(); }));
    const auto pressed = bench.heard.of<ButtonPressed>().at(0);
    CHECK(pressed.bay.text == "J1");
    CHECK(pressed.button == "IO-1/done");
    CHECK(pressed.step == "look");
    bench.module.pulse(button_contact, 1800ms);
    CHECK(bench.refuses("see whether it is stuck"));
    CHECK(bench.heard.of<ButtonPressed>().size() == 1);
}

TEST_CASE("a sensor's level is told when it has settled, and as not known when the link is lost") {
    Bench bench;
    REQUIRE(run_until(bench.loop, [&] { return bench.levels == std::vector<std::optional<bool>>{false}; }));
    bench.module.set(unit_contact, true);
    REQUIRE(run_until(bench.loop, [&] { return bench.levels.size() == 2; }));
    CHECK(bench.levels.back() == true);
    bench.module.cut();
    REQUIRE(run_until(bench.loop, [&] { return bench.levels.size() == 3; }));
    CHECK_FALSE(bench.levels.back());
}

TEST_CASE("an input may be active low, or a bit of a register") {
    auto module = described();
    module.inputs[0].active_low = true;
    module.inputs[2].table = protocol::RegisterTable::holding;
    module.inputs[2].number = 30;
    module.inputs[2].bit = 9;
    Bench bench{module};
    bench.module.set(wrench_contact, true);
    bench.passes(100ms);
    bench.module.set(wrench_contact, false);
    bench.passes(250ms);
    bench.module.set(wrench_contact, true);
    REQUIRE(bench.clicks(1));
    bench.module.set_register(30, 0x0200);
    bench.passes(250ms);
    bench.module.set_register(30, 0x0100);
    CHECK(run_until(bench.loop, [&] { return bench.heard.of<ButtonPressed>().size() == 1; }));
}

TEST_CASE("a module on a serial line tells a click as one on the network does") {
    auto module = described();
    module.poll_interval = 10ms;
    Bench bench{module, 0, true};
    bench.module.pulse(wrench_contact, 300ms);
    CHECK(bench.clicks(1));
}

// ---- outputs ------------------------------------------------------------------------------------------

namespace {

struct Lamps {
    Lamps() : module(simulation::IoModule::open("127.0.0.1", 0).value()) {
        said.id = "IO-2";
        said.bay = "J1";
        said.host = "127.0.0.1";
        said.port = module.port();
        said.silence_limit = 400ms;
        using config::Signal;
        using config::SignalOutput;
        said.outputs = {{100, SignalOutput{{Signal::released}}},
                        {101, SignalOutput{{Signal::wrong}}},
                        {102, SignalOutput{{Signal::wrong, Signal::attention}}},
                        {103, config::AliveOutput{}}};
        outputs.emplace(said, std::make_shared<SerialBuses>());
        outputs->start();
    }
    template <class Holds>
    [[nodiscard]] static bool comes(Holds holds) {
        const auto end = std::chrono::steady_clock::now() + 5s;
        while (!holds()) {
            if (std::chrono::steady_clock::now() > end)
                return false;
            std::this_thread::sleep_for(2ms);
        }
        return true;
    }
    simulation::IoModule module;
    config::IoModule said;
    std::optional<IoOutputs> outputs;
};

}  // namespace

TEST_CASE("lamps show the signals of the bay, and all are off when the station stops") {
    Lamps lamps;
    lamps.outputs->show({.released = true});
    REQUIRE(lamps.comes([&] { return lamps.module.coil(100); }));
    CHECK_FALSE(lamps.module.coil(101));
    lamps.outputs->show({.attention = true, .wrong = true});
    REQUIRE(lamps.comes([&] { return lamps.module.coil(101) && lamps.module.coil(102); }));
    CHECK_FALSE(lamps.module.coil(100));
    CHECK(lamps.outputs->health().quality == Quality::good);
    lamps.outputs->stop();
    CHECK_FALSE(lamps.module.coil(101));
    CHECK_FALSE(lamps.module.coil(102));
    CHECK_FALSE(lamps.module.coil(103));
}

TEST_CASE("the alive output is switched over while the station runs, and not any more when it stopped") {
    Lamps lamps;
    REQUIRE(lamps.comes([&] { return lamps.module.writes(103) > 6; }));
    lamps.outputs->stop();
    std::this_thread::sleep_for(100ms);  // the module counts a write after it has answered it
    const auto writes = lamps.module.writes(103);
    std::this_thread::sleep_for(200ms);
    CHECK(lamps.module.writes(103) == writes);
}

TEST_CASE("a module that cannot be written is told, and shows what holds when it is back") {
    Lamps lamps;
    lamps.outputs->show({.released = true});
    REQUIRE(lamps.comes([&] { return lamps.module.coil(100); }));
    lamps.module.cut();
    REQUIRE(lamps.comes([&] { return lamps.outputs->health().quality == Quality::failed; }));
    CHECK_FALSE(lamps.outputs->health().why.empty());
    lamps.module.set(100, false);
    lamps.module.mend();
    CHECK(lamps.comes([&] { return lamps.module.coil(100); }));
}

TEST_CASE("an arm tells where it stands still, with its moment, and nowhere once the link is lost") {
    constexpr std::uint16_t arm_register = 30;
    auto how = described();
    auto arm = input("arm", arm_register, config::ArmInput{"NR-20"});
    arm.table = protocol::RegisterTable::input;
    how.inputs.push_back(arm);
    Bench bench{how};
    const auto told = [&](std::size_t count) {
        return run_until(bench.loop, [&] { return bench.heard.of<interlock::ArmMoved>().size() >= count; });
    };
    const auto before = std::chrono::steady_clock::now().time_since_epoch();
    bench.module.set_register(arm_register, 2);
    REQUIRE(told(1));
    bench.module.set_register(arm_register, 0);
    REQUIRE(told(2));
    bench.module.set_register(arm_register, 5);
    REQUIRE(told(3));
    bench.module.cut();
    REQUIRE(told(4));
    const auto moved = bench.heard.of<interlock::ArmMoved>();
    REQUIRE(moved.size() == 4);
    CHECK(moved[0].tool.text == "NR-20");
    CHECK(moved[0].position == 2U);
    CHECK_FALSE(moved[1].position);
    CHECK(moved[2].position == 5U);
    CHECK_FALSE(moved[3].position);
    CHECK(moved[0].changed.boot == "boot");
    CHECK(moved[0].changed.to_ns >= before.count());
    for (std::size_t i = 0; i < moved.size(); ++i) {
        CHECK(moved[i].changed.from_ns <= moved[i].changed.to_ns);
        if (i > 0)
            CHECK(moved[i].changed.from_ns >= moved[i - 1].changed.from_ns);
    }
}
