// Tools that obey, over registers and over the line protocol: what they are told, and what they say back.
#include <catch2/catch.hpp>

#include "config/reader.hpp"
#include "service/links/register_tool.hpp"
#include "service/links/serial_bus.hpp"
#include "service/links/tool_port.hpp"
#include "tests/unit/links/controller_peers.hpp"
#include "tools/simulation/line_tool.hpp"
#include "tools/simulation/register_tool.hpp"

using namespace tautgate;
using namespace tautgate::links::testing;
using interlock::ToolControlSeen;
using std::chrono::milliseconds;

namespace {

constexpr milliseconds patience{5000};

links::RunOrder run(std::uint64_t number, std::string program) {
    return {domain::EventNumber{number}, true, std::move(program)};
}
links::RunOrder rest(std::uint64_t number) { return {domain::EventNumber{number}, false, {}}; }

protocol::RegisterProfile obedient_profile(bool by_coil) {
    using namespace protocol;
    RegisterProfile profile;
    profile.name = "obeys";
    profile.counter = CounterField{{.address = 100, .type = FieldType::uint16}, 0, 0xFFFF};
    profile.torque = TorqueField{{.address = 101, .type = FieldType::uint16}, TorqueUnit::newton_metre};
    profile.range = {Torque{1'000'000}, Angle{1'000'000}, Torque{500'000'000}};
    profile.control = RegisterControl{.enable = {.address = 40},
                                      .enabled = {.address = 60, .type = FieldType::uint16},
                                      .program = 41,
                                      .selected = RegisterField{.address = 61, .type = FieldType::uint16},
                                      .programs = {{3, "small"}, {7, "large"}}};
    if (by_coil) {
        profile.control->enable.table = RegisterTable::coils;
        profile.control->enabled.table = RegisterTable::discrete_inputs;
        profile.control->enabled.type = FieldType::bit;
    }
    return profile;
}

config::Tool obedient_tool() {
    config::Tool tool;
    tool.id = "T1";
    tool.torque_max = {500'000'000};
    tool.torque_resolution = {1'000'000};
    tool.angle_resolution = {1'000'000};
    tool.silence_limit = milliseconds(800);
    tool.settling = milliseconds(30);
    tool.longest_run = milliseconds(1000);
    tool.control = config::ToolControl{milliseconds(200)};
    return tool;
}

struct OverRegisters {
    explicit OverRegisters(bool by_coil)
        : tool(simulation::RegisterTool::open("127.0.0.1", 0, obedient_profile(by_coil)).value()) {
        station.profiles = {{"obeys", obedient_profile(by_coil)}};
        auto of = obedient_tool();
        config::RegisterLink wire;
        wire.host = "127.0.0.1";
        wire.port = tool->port();
        wire.profile = "obeys";
        wire.poll_interval = milliseconds(5);
        of.link = wire;
        link = std::make_unique<links::RegisterTool>(
            floor.loop, station, of, floor.sink(), floor.traces(),
            [] { return std::optional<links::KnownOfTool>(); }, "boot-1",
            std::make_shared<links::SerialBuses>());
        link->start();
    }
    void order(links::RunOrder order) { link->order(std::move(order)); }

    Floor floor;
    config::Station station;
    std::unique_ptr<simulation::RegisterTool> tool;
    std::unique_ptr<links::RegisterTool> link;
};

struct OverLines {
    OverLines() {
        station.tool_port = config::Endpoint{"127.0.0.1", 0};
        auto of = obedient_tool();
        of.link = config::LineLink{"127.0.0.1"};
        station.tools = {of};
        port = std::make_unique<links::ToolPort>(
            floor.loop, station, floor.sink(), floor.traces(),
            [](const auto&, const auto&) { return std::uint64_t{1}; },
            links::ToolPortSettings{.boot = "boot-1"});
        REQUIRE(port->listen());
        tool = std::make_unique<simulation::LineTool>(
            simulation::LineToolSettings{.id = "T1",
                                         .port = port->port(),
                                         .beat_interval = milliseconds(20),
                                         .redial_after = milliseconds(20)});
    }
    void order(links::RunOrder order) { port->order({"T1"}, std::move(order)); }

    Floor floor;
    config::Station station;
    std::unique_ptr<links::ToolPort> port;
    std::unique_ptr<simulation::LineTool> tool;
};

template <class Bench>
bool until_said(Bench& bench, std::uint64_t order, bool enabled) {
    return bench.floor.turn_until([&] {
        const auto words = bench.floor.template all<ToolControlSeen>();
        return !words.empty() && words.back().order.value == order && words.back().enabled == enabled;
    });
}

template <class Bench>
bool until_tool(Bench& bench, bool may_run, const std::string& program = {}) {
    return bench.floor.turn_until([&] {
        const auto status = bench.tool->status();
        return status.may_run == may_run && (program.empty() || status.program == program);
    });
}

// The whole conversation; the same for both.
template <class Bench>
void converse(Bench& bench) {
    bench.order(rest(4));
    REQUIRE(until_said(bench, 4, false));
    bench.order(run(5, "large"));
    REQUIRE(until_said(bench, 5, true));
    CHECK(bench.floor.template all<ToolControlSeen>().back().program == "large");
    CHECK(until_tool(bench, true, "large"));
    bench.order(run(6, "small"));
    REQUIRE(until_said(bench, 6, true));
    CHECK(until_tool(bench, true, "small"));
    bench.order(rest(7));
    REQUIRE(until_said(bench, 7, false));
    CHECK(until_tool(bench, false));
    // What it makes at rest is counted in its word.
    protocol::WrittenResult made;
    made.torque = protocol::WrittenValue{"50", "N.m"};
    bench.tool->report(made);
    REQUIRE(bench.floor.turn_until(
        [&] { return !bench.floor.template all<interlock::ResultReceived>().empty(); }));
    // It runs though it was told not to.
    bench.tool->disobey(true);
    bench.order(rest(8));
    CHECK(until_said(bench, 8, true));
    bench.tool->disobey(false);
    bench.order(rest(9));
    REQUIRE(until_said(bench, 9, false));
    CHECK(bench.floor.template all<ToolControlSeen>().back().counter == 1);
    // Cut off, it is told again.
    bench.order(run(10, "large"));
    REQUIRE(until_said(bench, 10, true));
    const auto words = bench.floor.template all<ToolControlSeen>().size();
    bench.tool->cut();
    CHECK(bench.floor.turn_until([&] {
        const auto changes = bench.floor.template all<interlock::ToolLinkChanged>();
        return !changes.empty() && changes.back().quality != interlock::Quality::good;
    }));
    bench.order(rest(11));
    bench.tool->mend();
    REQUIRE(until_said(bench, 11, false));
    CHECK(bench.floor.template all<ToolControlSeen>().size() > words);
}

}  // namespace

TEST_CASE("a polled tool is let run with its program, stopped, and says so") {
    OverRegisters bench(GENERATE(false, true));
    converse(bench);
}

TEST_CASE("a tool on the line protocol is let run with its program, stopped, and says so") {
    OverLines bench;
    converse(bench);
}

TEST_CASE("a polled tool is stopped when nobody is left to let it run") {
    OverRegisters bench(false);
    bench.order(run(5, "large"));
    REQUIRE(until_said(bench, 5, true));
    bench.link->stop();
    CHECK(bench.tool->await([](const auto& status) { return !status.may_run; }, patience));
}

TEST_CASE("a tool that runs by itself and speaks of orders is refused") {
    OverLines bench;
    bench.port.reset();
    bench.station.tools.front().control.reset();
    links::ToolPort port(
        bench.floor.loop, bench.station, bench.floor.sink(), bench.floor.traces(),
        [](const auto&, const auto&) { return std::uint64_t{1}; }, links::ToolPortSettings{.boot = "boot-1"});
    REQUIRE(port.listen());
    simulation::LineTool tool(simulation::LineToolSettings{.id = "T1", .port = port.port()});
    REQUIRE(bench.floor.turn_until([&] { return tool.status().welcomed; }));
    port.order({"T1"}, run(5, "large"));
    tool.send_raw(to_line(protocol::ToolSays{5, true, "large", 0}));
    CHECK(bench.floor.turn_until([&] { return tool.status().refusals == 1; }));
    CHECK(bench.floor.all<ToolControlSeen>().empty());
    CHECK_FALSE(tool.status().may_run);
}
