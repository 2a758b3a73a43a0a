// A capture made with `tautgate look`, played back: byte for byte to a plain client, and to the link of the
// service, which must take from it what it took from the tool itself.
#include <catch2/catch.hpp>

#include <filesystem>
#include <fstream>
#include <iterator>
#include <thread>

#include <unistd.h>

#include "config/reader.hpp"
#include "protocol/line_seal.hpp"
#include "service/links/register_tool.hpp"
#include "service/links/serial_bus.hpp"
#include "tests/unit/links/controller_peers.hpp"
#include "tools/cli/capture_file.hpp"
#include "tools/cli/device_wire.hpp"
#include "tools/cli/look.hpp"
#include "tools/simulation/capture_replay.hpp"
#include "tools/simulation/register_tool.hpp"
#include "tools/simulation/stream_replay.hpp"

using namespace tautgate;
using links::testing::Floor;

namespace {

constexpr const char* kept_capture = TAUTGATE_SOURCE_DIR "/tests/unit/links/captures/nutrunner.capture";
constexpr const char* captured_tool = "NR-16";

// The demo's description with the port of a tool that a test started.
class CapturedStation {
  public:
    explicit CapturedStation(std::uint16_t port)
        : folder_(std::filesystem::temp_directory_path() /
                  ("tautgate-capture-" + std::to_string(::getpid()) + "-" + std::to_string(port))) {
        std::filesystem::create_directories(folder_);
        std::ifstream demo(TAUTGATE_SOURCE_DIR "/config/larkmoor.json");
        std::string text{std::istreambuf_iterator<char>(demo), {}};
        const std::string old = "\"port\": 8464";
        text.replace(text.find(old), old.size(), "\"port\": " + std::to_string(port));
        std::ofstream(file()) << text;
    }
    ~CapturedStation() { std::filesystem::remove_all(folder_); }
    CapturedStation(const CapturedStation&) = delete;
    CapturedStation& operator=(const CapturedStation&) = delete;
    CapturedStation(CapturedStation&&) = delete;
    CapturedStation& operator=(CapturedStation&&) = delete;

    [[nodiscard]] std::string file() const { return (folder_ / "station.json").string(); }
    [[nodiscard]] std::string capture() const { return (folder_ / "made.capture").string(); }
    [[nodiscard]] config::Station read() const { return config::read_station_file(file()).value(); }

  private:
    std::filesystem::path folder_;
};

protocol::WrittenResult captured_result(const std::string& torque) {
    protocol::WrittenResult result;
    result.program = "M16-final";
    result.torque = protocol::WrittenValue{torque, "N.m"};
    result.angle = protocol::WrittenValue{"27.3", "deg"};
    result.torque_min = protocol::WrittenValue{"241", "N.m"};
    result.torque_max = protocol::WrittenValue{"271", "N.m"};
    result.angle_min = protocol::WrittenValue{"13", "deg"};
    result.angle_max = protocol::WrittenValue{"40", "deg"};
    result.verdict = protocol::ToolVerdict::ok;
    result.stamp = "2026-11-25T06:14:03.120Z";
    return result;
}

cli::Desk desk_for_scripts() { return {cli::Http{{"127.0.0.1", 1}}, {}, true}; }

// What the service's link takes from whatever listens at this port, until it has so many results.
std::vector<interlock::ResultReceived> results_at(const config::Station& station, std::uint16_t port,
                                                  std::size_t count) {
    Floor floor;
    config::Tool tool = station.tools.at(1);
    auto& wire = std::get<config::RegisterLink>(tool.link);
    wire.port = port;
    wire.poll_interval = std::chrono::milliseconds(5);
    links::RegisterTool link(
        floor.loop, station, tool, floor.sink(), [](const links::ArrivedTrace&) { return true; },
        [] { return std::optional(links::KnownOfTool{.epoch = "1", .counter = 0}); }, "boot-1",
        std::make_shared<links::SerialBuses>());
    link.start();
    const auto results = [&] {
        std::vector<interlock::ResultReceived> all;
        for (const auto& payload : floor.got)
            if (const auto* result = std::get_if<interlock::ResultReceived>(&payload))
                all.push_back(*result);
        return all;
    };
    CHECK(floor.turn_until([&] { return results().size() >= count; }));
    link.stop();
    return results();
}

// The answer to the same request, asked by a client that knows nothing of captures.
std::string asked_again(cli::DeviceWire& wire, const std::string& request) {
    return wire.ask(request).value();
}

// What comes over the line that somebody else has the other end of, up to so many bytes. A line that was
// opened again before its other end saw it closed says nothing; then it is opened once more.
std::string heard_on_line(const std::string& device, std::size_t wanted) {
    using std::chrono::steady_clock;
    constexpr std::chrono::seconds to_begin{1};
    constexpr std::chrono::seconds to_end{10};
    std::string heard;
    for (int tries = 0; tries < 10 && heard.empty(); ++tries) {
        // A line that is opened anew before its hang-up was seen is the same line to the tool.
        std::this_thread::sleep_for(std::chrono::milliseconds(100) * tries);
        const auto wire =
            cli::DeviceWire::open(config::SerialLine{.device = device}, std::chrono::seconds(1), device);
        REQUIRE(wire);
        const auto began = steady_clock::now();
        while (heard.size() < wanted && steady_clock::now() - began < (heard.empty() ? to_begin : to_end))
            heard += (*wire)->hear(std::chrono::milliseconds(50)).value_or("");
    }
    return heard;
}

}  // namespace

TEST_CASE("a kept capture replays byte for byte to whoever asks what was asked then") {
    const auto capture = cli::read_capture_file(kept_capture);
    REQUIRE(capture);
    REQUIRE(capture->parts.size() > 10);
    const auto replay = simulation::CaptureReplay::open(*capture, "127.0.0.1", 0);
    REQUIRE(replay);
    const auto wire =
        cli::DeviceWire::open({.host = "127.0.0.1", .serial = {}, .port = (*replay)->port(), .profile = {}},
                              std::chrono::seconds(2));
    REQUIRE(wire);
    for (const auto& exchange : protocol::exchanges_in(*capture))
        CHECK(protocol::spaced_hex(asked_again(**wire, exchange.request)) ==
              protocol::spaced_hex(exchange.answer));
    CHECK((*replay)->still_to_give() == 0);
    CHECK((*replay)->unknown() == 0);
}

TEST_CASE("the link of the service takes from a kept capture the results that were shown then") {
    const auto capture = cli::read_capture_file(kept_capture);
    REQUIRE(capture);
    const auto replay = simulation::CaptureReplay::open(*capture, "127.0.0.1", 0);
    REQUIRE(replay);
    auto station = config::read_station_file(TAUTGATE_SOURCE_DIR "/config/larkmoor.json").value();
    // As it was asked then.
    std::get<protocol::RegisterProfile>(station.profiles.front().profile).second_read =
        protocol::SecondRead::counter;
    const auto results = results_at(station, (*replay)->port(), 2);
    REQUIRE(results.size() == 2);
    CHECK((*replay)->unknown() == 0);
    for (std::size_t i = 0; i < results.size(); ++i) {
        const auto& reading = results[i].reading;
        CHECK(reading.counter == i + 1);
        CHECK(std::get<protocol::Torque>(reading.torque) ==
              protocol::Torque{i == 0 ? 256'100'000 : 249'800'000});
        CHECK(std::get<protocol::Angle>(reading.angle) == protocol::Angle{27'300'000});
        CHECK(reading.program == "M16-final");
        // The very bytes: behind seven of the head, the function and the count of bytes stand the registers.
        const auto holds = [&](const protocol::Exchange& exchange) {
            return exchange.answer.size() > 9 && exchange.answer.substr(9) == reading.received.raw;
        };
        const auto exchanges = protocol::exchanges_in(*capture);
        CHECK(std::ranges::any_of(exchanges, holds));
    }
}

TEST_CASE("what look records of a tool replays to the link as the tool itself came to it") {
    const auto demo = config::read_station_file(TAUTGATE_SOURCE_DIR "/config/larkmoor.json").value();
    const auto tool = simulation::RegisterTool::open(
        "127.0.0.1", 0, std::get<protocol::RegisterProfile>(demo.profiles.front().profile));
    REQUIRE(tool);
    const CapturedStation described((*tool)->port());
    std::jthread tightens([&] {
        const auto polled = [&](std::uint64_t reads) {
            return (*tool)->await([&](const auto& status) { return status.reads >= reads; },
                                  std::chrono::seconds(10));
        };
        static_cast<void>(polled(2) && (*tool)->report(captured_result("256.1")) != 0 && polled(6));
    });
    const auto exit = cli::look_at(desk_for_scripts(), {.file = described.file(),
                                                        .tool = captured_tool,
                                                        .for_ms = 1000,
                                                        .record = described.capture(),
                                                        .replay = {}});
    REQUIRE(exit);
    CHECK(*exit == cli::Exit::fine);
    tightens.join();
    CHECK((*tool)->status().acknowledged == 0);  // looking wrote nothing
    const auto capture = cli::read_capture_file(described.capture());
    REQUIRE(capture);
    CHECK_FALSE(capture->cut);
    CHECK(capture->head.tool == captured_tool);

    const auto replay = simulation::CaptureReplay::open(*capture, "127.0.0.1", 0);
    REQUIRE(replay);
    const auto replayed = results_at(described.read(), (*replay)->port(), 1);
    const auto direct = results_at(described.read(), (*tool)->port(), 1);
    REQUIRE(replayed.size() == 1);
    REQUIRE(direct.size() == 1);
    CHECK(replayed.front().reading == direct.front().reading);
    CHECK(replayed.front().digest == direct.front().digest);
}

TEST_CASE("look tells a tool that its result is stored only when it was told to") {
    const auto demo = config::read_station_file(TAUTGATE_SOURCE_DIR "/config/larkmoor.json").value();
    const auto tool = simulation::RegisterTool::open(
        "127.0.0.1", 0, std::get<protocol::RegisterProfile>(demo.profiles.front().profile));
    REQUIRE(tool);
    const CapturedStation described((*tool)->port());
    (*tool)->report(captured_result("256.1"));
    cli::LookOrder order{
        .file = described.file(), .tool = captured_tool, .once = true, .record = {}, .replay = {}};
    REQUIRE(cli::look_at(desk_for_scripts(), order));
    CHECK((*tool)->status().acknowledged == 0);
    order.acknowledge = true;
    REQUIRE(cli::look_at(desk_for_scripts(), order));
    CHECK(
        (*tool)->await([](const auto& status) { return status.acknowledged == 1; }, std::chrono::seconds(5)));
}

TEST_CASE("a capture of a serial line replays over a serial line") {
    const auto demo = config::read_station_file(TAUTGATE_SOURCE_DIR "/config/larkmoor.json").value();
    protocol::Capture capture;
    capture.head.wire = protocol::CaptureWire::modbus_serial;
    const auto tool = simulation::RegisterTool::open_serial(
        1, std::get<protocol::RegisterProfile>(demo.profiles.front().profile));
    REQUIRE(tool);
    const protocol::BlockRange block{protocol::RegisterTable::holding, 100, 17};
    const auto request = protocol::read_request({protocol::ModbusWire::serial, 1, 0}, block);
    const auto ask = [&](const std::string& device) {
        const auto wire =
            cli::DeviceWire::open({.host = {}, .serial = config::SerialLine{.device = device}, .profile = {}},
                                  std::chrono::seconds(2));
        REQUIRE(wire);
        return asked_again(**wire, request);
    };
    (*tool)->report(captured_result("249.8"));
    const std::string answer = ask((*tool)->device());
    REQUIRE(protocol::answer_to(protocol::ModbusWire::serial, request, answer));
    capture.parts = {{protocol::CaptureSide::station, 0, request}, {protocol::CaptureSide::tool, 1, answer}};
    const auto replay = simulation::CaptureReplay::open(capture, "", 0);
    REQUIRE(replay);
    CHECK(protocol::spaced_hex(ask((*replay)->device())) == protocol::spaced_hex(answer));
}

TEST_CASE("what a tool said over a serial line is said again byte for byte, each time the line is opened") {
    std::string every_byte;
    for (int byte = 0; byte < 256; ++byte)
        every_byte += static_cast<char>(byte);
    // More than a terminal holds; control characters that a terminal could keep for itself.
    const std::string long_one = std::string(9'000, '\x13') + "\r\n\x03" + every_byte;
    protocol::Capture capture;
    capture.head.wire = protocol::CaptureWire::frames;
    capture.parts = {{protocol::CaptureSide::tool, 0, every_byte},
                     {protocol::CaptureSide::station, 5'000, "?"},
                     {protocol::CaptureSide::tool, 20'000, long_one}};
    const auto replay = simulation::StreamReplay::open(capture, simulation::OnSerialLine{});
    REQUIRE(replay);
    CHECK_FALSE((*replay)->said_all());
    for (int opened = 0; opened < 2; ++opened) {
        INFO("opened " << opened << " times before");
        CHECK(heard_on_line((*replay)->device(), every_byte.size() + long_one.size()) ==
              every_byte + long_one);
    }
}

TEST_CASE("a recorded tool has its serial line where the description wants it, if nothing is there") {
    namespace fs = std::filesystem;
    protocol::Capture capture;
    capture.head.wire = protocol::CaptureWire::frames;
    capture.parts = {{protocol::CaptureSide::tool, 0, "R;1\r"}};
    const auto wished = fs::temp_directory_path() / ("tautgate-line-" + protocol::fresh_nonce());
    {
        const auto replay =
            simulation::StreamReplay::open(capture, simulation::OnSerialLine{wished.string()});
        REQUIRE(replay);
        CHECK((*replay)->device() == wished.string());
        CHECK(heard_on_line(wished.string(), 4) == "R;1\r");
        // Somebody else's line is left alone.
        const auto second =
            simulation::StreamReplay::open(capture, simulation::OnSerialLine{wished.string()});
        REQUIRE(second);
        CHECK((*second)->device().starts_with("/dev/pts/"));
    }
    CHECK_FALSE(fs::exists(fs::symlink_status(wished)));
    // What a run left behind that was broken off.
    fs::create_symlink("/dev/pts/no-such-line", wished);
    const auto again = simulation::StreamReplay::open(capture, simulation::OnSerialLine{wished.string()});
    REQUIRE(again);
    CHECK((*again)->device() == wished.string());
}

TEST_CASE("what was never asked is refused in a replay, and a write that was not recorded is confirmed") {
    const auto capture = cli::read_capture_file(kept_capture);
    REQUIRE(capture);
    const auto replay = simulation::CaptureReplay::open(*capture, "127.0.0.1", 0);
    REQUIRE(replay);
    const auto wire =
        cli::DeviceWire::open({.host = "127.0.0.1", .serial = {}, .port = (*replay)->port(), .profile = {}},
                              std::chrono::seconds(2));
    REQUIRE(wire);
    const protocol::RequestHead head{protocol::ModbusWire::tcp, 1, 77};
    const auto elsewhere = protocol::read_request(head, {protocol::RegisterTable::holding, 900, 2});
    const auto refused =
        protocol::answer_to(protocol::ModbusWire::tcp, elsewhere, asked_again(**wire, elsewhere));
    REQUIRE_FALSE(refused);
    CHECK(refused.error().what == "the device has no such registers (exception 2)");
    const std::vector<std::uint16_t> one{1};
    const auto write = protocol::write_request(head, 130, one);
    CHECK(protocol::answer_to(protocol::ModbusWire::tcp, write, asked_again(**wire, write)));
    CHECK((*replay)->unknown() == 1);
}
