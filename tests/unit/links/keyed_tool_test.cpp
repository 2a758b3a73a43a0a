// Tools that share a key with the station: who has not got it is nobody.
#include <fstream>

#include <catch2/catch.hpp>

#include "protocol/line_seal.hpp"
#include "service/links/tool_port.hpp"
#include "tests/unit/links/ports.hpp"
#include "tools/simulation/line_tool.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;

namespace {

const std::string good_key(64, '7');

struct KeyedBench {
    explicit KeyedBench(const std::string& key = good_key,
                        std::filesystem::perms mode = std::filesystem::perms::owner_read)
        : folder(std::filesystem::temp_directory_path() / ("tautgate-keys-" + protocol::fresh_nonce())) {
        std::filesystem::create_directories(folder);
        std::ofstream(folder / "nr-12.key") << key << '\n';
        std::filesystem::permissions(folder / "nr-12.key", mode);
        config::Tool tool;
        tool.id = "NR-12";
        tool.link = config::LineLink{"127.0.0.1", "nr-12.key"};
        tool.torque_max = {1'000'000'000};
        tool.torque_resolution = {100'000};
        tool.angle_resolution = {100'000};
        tool.silence_limit = 500ms;
        tool.settling = 50ms;
        tool.control = config::ToolControl{};
        station.tool_port = config::Endpoint{"127.0.0.1", 0};
        station.tools = {tool};
        port.emplace(
            loop, station, [this](interlock::Payload event) { heard.events.push_back(std::move(event)); },
            [](const ArrivedTrace&) { return true; },
            [](const domain::ToolId&, const std::string&) { return std::uint64_t{1}; },
            ToolPortSettings{.boot = "b1", .keys = folder});
    }
    ~KeyedBench() { std::filesystem::remove_all(folder); }
    KeyedBench(const KeyedBench&) = delete;
    KeyedBench& operator=(const KeyedBench&) = delete;
    KeyedBench(KeyedBench&&) = delete;
    KeyedBench& operator=(KeyedBench&&) = delete;

    [[nodiscard]] simulation::LineToolSettings calling(std::optional<std::string> key) const {
        simulation::LineToolSettings settings{
            .id = "NR-12", .port = port->port(), .beat_interval = 20ms, .redial_after = 20ms};
        if (key)
            settings.key = protocol::shared_key_from(*key);
        return settings;
    }
    [[nodiscard]] bool refused_for(const std::string& words) {
        return run_until(loop, [&] {
            return std::ranges::any_of(heard.of<interlock::InputRefused>(), [&](const auto& refused) {
                return refused.why.find(words) != std::string::npos;
            });
        });
    }

    std::filesystem::path folder;
    boost::asio::io_context loop;
    config::Station station;
    Heard heard;
    std::optional<ToolPort> port;
};

protocol::WrittenResult one_result() {
    protocol::WrittenResult result;
    result.torque = protocol::WrittenValue{"71.2", "N.m"};
    return result;
}

}  // namespace

TEST_CASE("a tool with the key is welcomed, and everything between them bears a seal") {
    KeyedBench bench;
    REQUIRE(bench.port->listen());
    simulation::LineTool tool{bench.calling(good_key)};
    REQUIRE(run_until(bench.loop, [&] { return tool.status().welcomed; }));
    tool.report(one_result());
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.of<interlock::ResultReceived>().size() == 1; }));
    bench.port->order({"NR-12"}, {domain::EventNumber{5}, true, "M20"});
    REQUIRE(run_until(bench.loop, [&] { return tool.status().may_run; }));
    bench.port->acknowledge({{"NR-12"}, "1", 1});
    CHECK(run_until(bench.loop, [&] { return tool.status().acknowledged == 1; }));
    CHECK(tool.status().misread == 0);
    CHECK(bench.heard.of<interlock::InputRefused>().empty());
}

TEST_CASE("a line slipped in between, or sent again, ends the connection, and nothing of it is taken") {
    KeyedBench bench;
    REQUIRE(bench.port->listen());
    Client wire(bench.loop, bench.port->port());
    const std::string hello = to_line(protocol::Hello{"NR-12", "1", 0, protocol::fresh_nonce()});
    wire.say(hello);
    const std::string before_nonce = R"({"challenge":{"nonce":")";
    REQUIRE(wire.hears("}}\n"));
    REQUIRE(wire.heard.starts_with(before_nonce));
    protocol::LineSeal seal(*protocol::shared_key_from(good_key), protocol::LineSeal::Side::tool,
                            hello.substr(0, hello.size() - 1),
                            wire.heard.substr(before_nonce.size(), protocol::nonce_length));
    wire.say(seal.seal(to_line(protocol::Beat{})));
    REQUIRE(wire.hears("welcome"));
    auto result = one_result();
    result.counter = 1;
    bool taken_once = false;
    SECTION("without a seal") {
        wire.say(to_line(result));
        CHECK_FALSE(taken_once);
    }
    SECTION("sent again") {
        const auto sealed = seal.seal(to_line(result));
        wire.say(sealed);
        taken_once =
            run_until(bench.loop, [&] { return !bench.heard.of<interlock::ResultReceived>().empty(); });
        REQUIRE(taken_once);
        wire.say(sealed);
    }
    CHECK(run_until(bench.loop, [&] { return wire.ended; }));
    CHECK(bench.heard.of<interlock::ResultReceived>().size() == (taken_once ? 1U : 0U));
    CHECK(bench.refused_for("seal"));
}

TEST_CASE("whoever has another key, or none, is turned away and keeps nobody out") {
    KeyedBench bench;
    REQUIRE(bench.port->listen());
    {
        simulation::LineTool stranger{bench.calling(std::string(64, '8'))};
        CHECK(bench.refused_for("seal is wrong"));
        CHECK_FALSE(stranger.status().welcomed);
        simulation::LineTool unsealed{bench.calling(std::nullopt)};
        CHECK(bench.refused_for("bears no nonce"));
        simulation::LineTool tool{bench.calling(good_key)};
        CHECK(run_until(bench.loop, [&] { return tool.status().welcomed; }));
    }
    CHECK(bench.heard.of<interlock::ResultReceived>().empty());
    CHECK(bench.heard.of<interlock::ToolAnswered>().size() == 1);
}

TEST_CASE("a key that cannot be used is told with its file, and nobody is listened to") {
    using std::filesystem::perms;
    SECTION("too short") {
        KeyedBench bench(std::string(63, '7'));
        const auto up = bench.port->listen();
        REQUIRE_FALSE(up);
        CHECK(up.error().find("NR-12") != std::string::npos);
        CHECK(up.error().find("64 hexadecimal digits") != std::string::npos);
    }
    SECTION("readable by others") {
        KeyedBench bench(good_key, perms::owner_read | perms::others_read);
        const auto up = bench.port->listen();
        REQUIRE_FALSE(up);
        CHECK(up.error().find("mode to 600") != std::string::npos);
    }
    SECTION("missing") {
        KeyedBench bench;
        std::filesystem::remove(bench.folder / "nr-12.key");
        const auto up = bench.port->listen();
        REQUIRE_FALSE(up);
        CHECK(up.error().find("nr-12.key") != std::string::npos);
    }
}
