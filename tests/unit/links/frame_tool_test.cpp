// The link to a tool that sends frames, on real sockets and a pseudo-terminal; the far end says what a test
// tells it to.
#include <algorithm>
#include <memory>
#include <thread>

#include <catch2/catch.hpp>

#include "service/links/frame_tool.hpp"
#include "service/links/trace_gate.hpp"
#include "tests/unit/links/frame_bench.hpp"
#include "tests/unit/links/ports.hpp"
#include "tests/unit/links/pseudo_terminal.hpp"
#include "tests/unit/protocol/frame_profiles.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;
using boost::asio::ip::tcp;
using interlock::InputRefused;
using interlock::Quality;
using interlock::ResultReceived;
using interlock::ToolAnswered;
using interlock::ToolControlSeen;
using Counters = std::vector<std::uint64_t>;

namespace {

const config::FrameListen at_any_port{{"127.0.0.1", 0}, "127.0.0.1"};
constexpr Backoff::Limits soon{.floor = 20ms, .cap = 40ms, .proven = 5s};

std::string framed(const std::string& content) {
    return protocol::frame_around(counting_profile(), content).value();
}
std::string result_line(std::uint64_t counter, const std::string& torque = "71.2") {
    return framed("R;" + std::to_string(counter) + ";small;" + torque + ";33.5;1");
}
std::string status_line(std::uint64_t newest, const std::string& control = "0;small") {
    return framed("A;" + std::to_string(newest) + ";" + control);
}
RunOrder runs(std::uint64_t number, const std::string& program) {
    return {domain::EventNumber{number}, true, program};
}
// The longest run and the silence limit of the tool.
constexpr std::int64_t longest_delay_ns = 1'300'000'000;
std::int64_t ns_now() {
    return std::chrono::nanoseconds(std::chrono::steady_clock::now().time_since_epoch()).count();
}
RunOrder rests(std::uint64_t number) { return {domain::EventNumber{number}, false, {}}; }

// The service does nothing meanwhile.
void let_pass(std::chrono::milliseconds time) {
    const auto end = std::chrono::steady_clock::now() + time;
    while (std::chrono::steady_clock::now() < end)
        std::this_thread::yield();
}

struct FrameBench {
    void start(decltype(config::FrameLink::way) way, FrameToolSettings settings = {},
               const protocol::FrameProfile& profile = counting_profile()) {
        described.link = config::FrameLink{std::move(way), "counts"};
        station.profiles = {{"counts", profile}};
        settings.boot = "b1";
        settings.redial = redial;
        tool.emplace(
            loop, station, described,
            [this](interlock::Payload event) {
                gate.heard(event);
                heard.events.push_back(std::move(event));
            },
            [this](ArrivedTrace trace) { return gate.take(std::move(trace)); }, [this] { return known; },
            std::move(settings));
        tool->start();
    }
    template <class Kind>
    [[nodiscard]] bool hears(std::size_t count) {
        return run_until(loop, [&] { return heard.of<Kind>().size() >= count; });
    }
    [[nodiscard]] bool becomes(Quality quality) {
        return run_until(loop, [&] { return tool->health().quality == quality; });
    }
    [[nodiscard]] Counters counters() const {
        Counters all;
        for (const auto& result : heard.of<ResultReceived>())
            all.push_back(result.reading.counter);
        return all;
    }
    [[nodiscard]] std::size_t refusals_with(const std::string& words) const {
        const auto all = heard.of<InputRefused>();
        return static_cast<std::size_t>(std::ranges::count_if(
            all, [&](const InputRefused& refused) { return refused.why.find(words) != std::string::npos; }));
    }
    [[nodiscard]] bool refuses(const std::string& words) {
        return run_until(loop, [&] { return refusals_with(words) > 0; });
    }

    [[nodiscard]] domain::Interval made(std::size_t index) const {
        return heard.of<ResultReceived>().at(index).made;
    }

    boost::asio::io_context loop;
    config::Station station;
    Backoff::Limits redial = soon;
    config::Tool described = framed_tool();
    std::optional<KnownOfTool> known;
    Heard heard;
    std::size_t curves = 0;
    TraceGate gate{[this](const ArrivedTrace&) { ++curves; }};
    std::optional<FrameTool> tool;
};

// The tool calls, and says that it is there until somebody takes it at its word.
struct CallingTool {
    explicit CallingTool(FrameBench& to) : bench(to), client(to.loop, to.tool->port()) {}
    // True: it holds, and the tool has beaten all the while.
    template <class Holds>
    [[nodiscard]] bool beats_until(Holds holds, const std::string& beat = status_line(0)) {
        auto next = std::chrono::steady_clock::now();
        return run_until(bench.loop, [&] {
            if (std::chrono::steady_clock::now() >= next) {
                next += 20ms;
                client.say(beat);
            }
            return holds();
        });
    }
    [[nodiscard]] bool settles(const std::string& beat = status_line(0)) {
        return beats_until([&] { return bench.tool->health().quality == Quality::good; }, beat);
    }
    FrameBench& bench;
    Client client;
};

// A tool at a port of its own, which the station calls.
struct ServingTool {
    explicit ServingTool(boost::asio::io_context& loop)
        : acceptor(loop, {boost::asio::ip::address_v4::loopback(), 0}) {
        accept();
    }
    void accept() {
        acceptor.async_accept([this](const auto& error, tcp::socket socket) {
            if (error)
                return;
            ++calls;
            if (!drops)
                sockets.push_back(std::make_unique<tcp::socket>(std::move(socket)));
            accept();
        });
    }
    void say(const std::string& bytes) { boost::asio::write(*sockets.back(), boost::asio::buffer(bytes)); }
    [[nodiscard]] config::FrameCall way() const { return {"127.0.0.1", acceptor.local_endpoint().port()}; }

    tcp::acceptor acceptor;
    std::vector<std::unique_ptr<tcp::socket>> sockets;
    std::size_t calls = 0;
    bool drops = false;
};

std::size_t times(const std::string& words, const std::string& text) {
    std::size_t count = 0;
    for (auto at = text.find(words); at != std::string::npos; at = text.find(words, at + 1))
        ++count;
    return count;
}

}  // namespace

TEST_CASE("a tool that the station calls says where it stands, and its result arrives whole") {
    FrameBench bench;
    ServingTool device{bench.loop};
    bench.start(device.way());
    REQUIRE(run_until(bench.loop, [&] { return device.calls == 1; }));
    device.say(status_line(0) + result_line(1));
    REQUIRE(bench.hears<ResultReceived>(1));
    const auto result = bench.heard.of<ResultReceived>().at(0);
    CHECK(result.tool.text == "NR-9");
    CHECK(result.epoch == "0");
    CHECK(result.reading.counter == 1);
    CHECK(result.reading.program == "small");
    CHECK(std::get<protocol::Torque>(result.reading.torque) == protocol::Torque{71'200'000});
    CHECK(result.made.to_ns - result.made.from_ns == 1'300'000'000);
    CHECK(result.made.boot == "b1");
    CHECK(bench.heard.of<ToolAnswered>() == std::vector{ToolAnswered{{"NR-9"}, "0", 0}});
}

TEST_CASE("a tool that calls is greeted at once, asked for signs of life, and good after its settling time") {
    FrameBench bench;
    bench.start(at_any_port);
    CallingTool tool{bench};
    REQUIRE(tool.client.hears(framed("HELLO") + framed("?")));
    REQUIRE(tool.settles());
    CHECK(run_until(bench.loop, [&] { return times(framed("?"), tool.client.heard) >= 2; }));
}

TEST_CASE("a tool on a serial line is heard and answered") {
    PseudoTerminal line;
    FrameBench bench;
    bench.start(config::SerialLine{line.device()});
    std::string told;
    REQUIRE(run_until(bench.loop, [&] {
        told += line.received();
        return told.find(framed("HELLO")) != std::string::npos;
    }));
    REQUIRE(line.send(status_line(0) + result_line(1)));
    REQUIRE(bench.hears<ResultReceived>(1));
    bench.tool->acknowledge({{"NR-9"}, "0", 1});
    CHECK(run_until(bench.loop, [&] {
        told += line.received();
        return told.find(framed("K;1")) != std::string::npos;
    }));
}

TEST_CASE("a serial line that is silent stays open: what its tool says next is not lost") {
    PseudoTerminal line;
    FrameBench bench;
    bench.start(config::SerialLine{line.device()});
    REQUIRE(line.send(status_line(0)));
    REQUIRE(bench.hears<ToolAnswered>(1));
    REQUIRE(run_until(bench.loop, [&] { return bench.tool->health().age.value_or(0ms) > 700ms; }));
    REQUIRE(line.send(status_line(1) + result_line(1)));
    REQUIRE(bench.hears<ResultReceived>(1));
    CHECK(bench.heard.of<ToolAnswered>().back().last == 1);
}

TEST_CASE("a serial line that is not there, and one that is unplugged, are told with the remedy") {
    FrameBench bench;
    bench.start(config::SerialLine{"/dev/no-such-line"});
    CHECK(bench.tool->health().quality == Quality::failed);
    CHECK_THAT(bench.tool->health().why, Catch::Contains("there is no serial device /dev/no-such-line"));
    PseudoTerminal line;
    FrameBench other;
    other.start(config::SerialLine{line.device()});
    line.unplug();
    CHECK(other.becomes(Quality::failed));
}

TEST_CASE("a tool whose host has a name that nobody knows is told so, and not in the words of the library") {
    FrameBench bench;
    bench.start(config::FrameCall{"no such tool", 4001});
    REQUIRE(bench.becomes(Quality::failed));
    CHECK_THAT(bench.tool->health().why,
               Catch::Contains("this computer knows no address of that name") &&
                   Catch::Contains("check how it is written, or give the address in numbers"));
}

TEST_CASE("a tool that cannot be reached is told with the remedy, and called again until it is there") {
    FrameBench bench;
    auto device = std::make_unique<ServingTool>(bench.loop);
    const auto way = device->way();
    device.reset();
    bench.start(way);
    REQUIRE(bench.becomes(Quality::failed));
    CHECK_THAT(bench.tool->health().why,
               Catch::Contains("cannot be reached at 127.0.0.1") && Catch::Contains("check that it is on"));
    tcp::acceptor back{bench.loop, {boost::asio::ip::address_v4::loopback(), way.port}};
    std::optional<tcp::socket> called;
    back.async_accept([&](const auto& error, tcp::socket socket) {
        if (!error)
            called.emplace(std::move(socket));
    });
    CHECK(run_until(bench.loop, [&] { return called.has_value(); }));
}

TEST_CASE("a tool that accepts and drops is called with growing pauses, not without end") {
    FrameBench bench;
    ServingTool device{bench.loop};
    device.drops = true;
    bench.start(device.way());
    bench.loop.restart();
    bench.loop.run_for(600ms);
    CHECK(device.calls >= 2);
    CHECK(device.calls <= 31);  // the floor is 20 ms
}

TEST_CASE("a tool that calls and hangs up is taken again only after a pause") {
    FrameBench bench;
    bench.start(at_any_port);
    const auto end = std::chrono::steady_clock::now() + 600ms;
    while (std::chrono::steady_clock::now() < end) {
        Client client{bench.loop, bench.tool->port()};
        client.hang_up();
        bench.loop.restart();
        bench.loop.run_for(2ms);
    }
    const auto lost = bench.tool->health().counts.failures;
    CHECK(lost >= 2);
    CHECK(lost <= 31);
}

TEST_CASE("what a tool says that calls while a lost connection is waited out may be as old as the loss") {
    FrameBench bench;
    bench.redial = {.floor = 300ms, .cap = 300ms, .proven = 5s};
    bench.start(at_any_port);
    {
        CallingTool tool{bench};
        REQUIRE(tool.settles());
        tool.client.hang_up();
        REQUIRE(bench.becomes(Quality::failed));
    }
    const auto called_at = ns_now();
    Client again{bench.loop, bench.tool->port()};
    again.say(status_line(0) + result_line(1));
    REQUIRE(bench.hears<ResultReceived>(1));
    CHECK(bench.made(0).from_ns <= called_at - longest_delay_ns);
    CHECK(bench.made(0).to_ns - called_at >= 200'000'000);  // the pause, less the time to notice the loss
    const auto said_at = ns_now();
    again.say(result_line(2));
    REQUIRE(bench.hears<ResultReceived>(2));
    CHECK(bench.made(1).from_ns >= said_at - longest_delay_ns);
}

TEST_CASE("what a serial line held while no more was read is no younger for the line's silence") {
    PseudoTerminal line;
    FrameBench bench;
    bench.start(config::SerialLine{line.device()}, {.unconfirmed = 1});
    REQUIRE(line.send(status_line(0) + result_line(1)));
    REQUIRE(bench.hears<ResultReceived>(1));
    const auto said_at = ns_now();
    REQUIRE(line.send(status_line(1) + result_line(2)));
    REQUIRE(bench.hears<ResultReceived>(2));  // once it counts as a new connection
    CHECK(bench.made(1).to_ns - said_at >= 200'000'000);
    CHECK(bench.made(1).from_ns <= said_at - longest_delay_ns);
}

TEST_CASE("a frame that comes in pieces is one frame, and half a frame is given up after the pause") {
    FrameBench bench;
    bench.start(at_any_port);
    CallingTool tool{bench};
    const std::string line = result_line(1);
    tool.client.say(status_line(0) + line.substr(0, 5));
    REQUIRE(bench.hears<ToolAnswered>(1));
    tool.client.say(line.substr(5));
    REQUIRE(bench.hears<ResultReceived>(1));
    tool.client.say(result_line(2).substr(0, 7));
    REQUIRE(bench.hears<InputRefused>(1));
    CHECK(bench.heard.of<InputRefused>().at(0).raw == result_line(2).substr(0, 7));
    tool.client.say(result_line(2));
    REQUIRE(bench.hears<ResultReceived>(2));
    CHECK(bench.counters() == Counters{1, 2});
}

TEST_CASE("the rest of a frame that waits unread when the pause is over still belongs to it") {
    FrameBench bench;
    bench.start(at_any_port);
    CallingTool tool{bench};
    const std::string line = result_line(1);
    tool.client.say(status_line(0) + line.substr(0, 7));
    REQUIRE(bench.hears<ToolAnswered>(1));
    let_pass(150ms);
    // Before the service looks, and before it reads.
    boost::asio::post(bench.loop, [&] { tool.client.say(line.substr(7)); });
    REQUIRE(bench.hears<ResultReceived>(1));
    CHECK(bench.heard.of<InputRefused>().empty());
}

TEST_CASE("without a checksum what comes after the pause is not taken for the rest of a frame, however late "
          "it is read") {
    FrameBench bench;
    auto unguarded = counting_profile();
    unguarded.checksum.reset();
    bench.start(at_any_port, {}, unguarded);
    CallingTool tool{bench};
    tool.client.say("A;0;0;small\nR;1;small;7");
    REQUIRE(bench.hears<ToolAnswered>(1));
    let_pass(150ms);
    tool.client.say("1.2;33.5;1\n");  // of a frame whose beginning was lost
    REQUIRE(bench.hears<InputRefused>(1));
    CHECK(bench.heard.of<ResultReceived>().empty());
}

TEST_CASE("what is damaged or not understood is refused as it came, and the next frame is taken") {
    FrameBench bench;
    bench.start(at_any_port);
    CallingTool tool{bench};
    std::string damaged = result_line(1);
    damaged[10] ^= 1;
    tool.client.say(status_line(0) + damaged);
    REQUIRE(bench.hears<InputRefused>(1));
    CHECK(bench.heard.of<InputRefused>().at(0).raw.find(damaged.substr(0, 12)) != std::string::npos);
    tool.client.say(framed("X;what is this"));
    tool.client.say(result_line(1));
    REQUIRE(bench.hears<ResultReceived>(1));
    CHECK(bench.counters() == Counters{1});
    CHECK(tool.beats_until([&] { return bench.heard.of<InputRefused>().size() >= 2; }));
    CHECK(bench.heard.of<InputRefused>().at(1).raw == framed("X;what is this"));
}

TEST_CASE("a result is passed on as often as it comes, also late and over a gap") {
    FrameBench bench;
    bench.start(at_any_port);
    CallingTool tool{bench};
    tool.client.say(status_line(0));
    for (const std::uint64_t counter : {1, 1, 4, 2})
        tool.client.say(result_line(counter));
    REQUIRE(bench.hears<ResultReceived>(4));
    CHECK(bench.counters() == Counters{1, 1, 4, 2});
    const auto results = bench.heard.of<ResultReceived>();
    CHECK(results.at(0).digest == results.at(1).digest);
    CHECK(results.at(3).made.from_ns < 0);
}

TEST_CASE("a result that comes again on the next connection is the same result") {
    FrameBench bench;
    bench.start(at_any_port);
    {
        CallingTool tool{bench};
        tool.client.say(status_line(0) + result_line(1));
        REQUIRE(bench.hears<ResultReceived>(1));
        tool.client.hang_up();
        REQUIRE(bench.becomes(Quality::failed));
    }
    CallingTool again{bench};
    again.client.say(status_line(1) + result_line(1) + result_line(2));
    REQUIRE(bench.hears<ResultReceived>(3));
    const auto results = bench.heard.of<ResultReceived>();
    CHECK(results.at(1).digest == results.at(0).digest);
    CHECK(results.at(1).reading.counter == 1);
    CHECK(bench.heard.of<ToolAnswered>().size() == 2);
}

TEST_CASE("a frame that was whole when the tool hung up still counts") {
    FrameBench bench;
    bench.start(at_any_port);
    CallingTool tool{bench};
    tool.client.say(status_line(0) + result_line(1));
    tool.client.hang_up();
    CHECK(bench.hears<ResultReceived>(1));
}

TEST_CASE("somebody else's call is refused, and so is a second one while the first stands") {
    FrameBench bench;
    SECTION("somebody else") {
        auto only_from = at_any_port;
        only_from.peer = "127.0.0.2";
        bench.start(only_from);
        Client stranger{bench.loop, bench.tool->port()};
        REQUIRE(bench.refuses("called from 127.0.0.1, and the tool may call from 127.0.0.2 only"));
        CHECK_THAT(bench.tool->health().why,
                   Catch::Contains("what came last was refused: somebody called from 127.0.0.1"));
        CHECK(run_until(bench.loop, [&] { return stranger.ended; }));
    }
    SECTION("a second one") {
        bench.start(at_any_port);
        CallingTool tool{bench};
        REQUIRE(tool.settles());
        Client second{bench.loop, bench.tool->port()};
        second.say(status_line(0) + result_line(9));
        REQUIRE(tool.beats_until([&] { return second.ended; }));
        CHECK(tool.beats_until([&] { return bench.refusals_with("from before still stands") > 0; }));
        tool.client.say(result_line(1));
        REQUIRE(bench.hears<ResultReceived>(1));
        CHECK(bench.counters() == Counters{1});
        CHECK(bench.tool->health().quality == Quality::good);
    }
}

TEST_CASE("a silent tool is stale, is hung up on, and is called again") {
    FrameBench bench;
    ServingTool device{bench.loop};
    bench.start(device.way());
    REQUIRE(run_until(bench.loop, [&] { return device.calls == 1; }));
    device.say(status_line(0));
    REQUIRE(bench.hears<ToolAnswered>(1));
    CHECK(run_until(bench.loop, [&] { return device.calls == 2; }));
    const auto changes = bench.heard.of<interlock::ToolLinkChanged>();
    REQUIRE_FALSE(changes.empty());
    CHECK(changes.back().quality == Quality::stale);
}

TEST_CASE("a tool is not good before it has said where its count stands") {
    FrameBench bench;
    bench.start(at_any_port);
    CallingTool tool{bench};
    const auto until = std::chrono::steady_clock::now() + 300ms;
    REQUIRE(tool.beats_until([&] { return std::chrono::steady_clock::now() > until; }, result_line(1)));
    CHECK(bench.tool->health().quality != Quality::good);
    CHECK_THAT(bench.tool->health().why, Catch::Contains("has not said yet where its count stands"));
    std::string damaged = status_line(1);
    damaged[3] ^= 1;
    tool.client.say(damaged);
    REQUIRE(bench.hears<InputRefused>(1));
    CHECK_THAT(bench.tool->health().why,
               Catch::Contains("where its count stands") && Catch::Contains("what came last was refused"));
    CHECK(tool.settles());
    CHECK(bench.tool->health().why.empty());
}

TEST_CASE(
    "a result is acknowledged when it is stored, by the tool's own number, and again when it comes again") {
    FrameBench bench;
    bench.known = KnownOfTool{.epoch = "0", .counter = 65534};
    bench.start(at_any_port);
    CallingTool tool{bench};
    tool.client.say(status_line(65534) + result_line(65535) + result_line(0));
    REQUIRE(bench.hears<ResultReceived>(2));
    CHECK(bench.counters() == Counters{65535, 65536});
    bench.tool->acknowledge({{"NR-9"}, "another", 65536});
    bench.tool->acknowledge({{"NR-9"}, "0", 65535});
    REQUIRE(tool.client.hears(framed("K;65535")));
    CHECK(times("K;0", tool.client.heard) == 0);
    bench.tool->acknowledge({{"NR-9"}, "0", 65536});
    REQUIRE(tool.client.hears(framed("K;0")));
    tool.client.say(result_line(0));
    REQUIRE(bench.hears<ResultReceived>(3));
    bench.tool->acknowledge({{"NR-9"}, "0", 65536});
    CHECK(run_until(bench.loop, [&] { return times(framed("K;0"), tool.client.heard) == 2; }));
}

TEST_CASE("results that wait to be stored are not read ahead without end") {
    FrameBench bench;
    bench.described.silence_limit = 2s;
    bench.start(at_any_port, {.unconfirmed = 3});
    CallingTool tool{bench};
    std::string all = status_line(0);
    for (std::uint64_t counter = 1; counter <= 10; ++counter)
        all += result_line(counter);
    tool.client.say(all);
    REQUIRE(bench.hears<ResultReceived>(3));
    bench.loop.restart();
    bench.loop.run_for(100ms);
    CHECK(bench.counters() == Counters{1, 2, 3});
    CHECK_THAT(bench.tool->health().why, Catch::Contains("3 of its results wait to be stored"));
    bench.tool->acknowledge({{"NR-9"}, "0", 2});
    REQUIRE(bench.hears<ResultReceived>(5));
    bench.tool->acknowledge({{"NR-9"}, "0", 5});
    CHECK(bench.hears<ResultReceived>(8));
}

TEST_CASE("a device that floods is told once, read slowly, and its frames still come in order") {
    FrameBench bench;
    bench.described.silence_limit = 2s;
    bench.start(at_any_port, {.unconfirmed = 1000});
    CallingTool tool{bench};
    std::string all = status_line(0);
    for (std::uint64_t counter = 1; counter <= 260; ++counter)
        all += result_line(counter);
    const auto began = std::chrono::steady_clock::now();
    tool.client.say(all);
    REQUIRE(bench.hears<ResultReceived>(260));
    CHECK(std::chrono::steady_clock::now() - began >= 200ms);  // 61 frames beyond 200, at 200 a second
    const auto counters = bench.counters();
    CHECK(std::ranges::is_sorted(counters));
    CHECK(counters.size() == 260);
    CHECK(bench.refuses("more than 200 frames"));
    CHECK(bench.refusals_with("more than 200 frames") == 1);
}

TEST_CASE("garbage without end is told once as a flood, and the tool's next frame is still taken") {
    FrameBench bench;
    bench.described.silence_limit = 3s;
    bench.start(at_any_port);
    CallingTool tool{bench};
    tool.client.say(status_line(0));
    REQUIRE(bench.hears<ToolAnswered>(1));
    tool.client.say(std::string(100 * 1024, '\xf8') + "\n");
    tool.client.say(result_line(1));
    REQUIRE(bench.hears<ResultReceived>(1));
    CHECK(bench.refuses("KiB that are no frames a second"));
    CHECK(bench.heard.of<InputRefused>().size() <= 5);
}

TEST_CASE("a tool that obeys is told not to run on connecting, then its program, then to run") {
    FrameBench bench;
    bench.described.control = config::ToolControl{200ms};
    bench.described.silence_limit = 2s;
    bench.start(at_any_port);
    bench.tool->order(runs(17, "large"));
    CallingTool tool{bench};
    const std::string told = framed("HELLO") + framed("DISABLE") + framed("P;7") + framed("ENABLE");
    REQUIRE(tool.client.hears(told));
    REQUIRE(tool.beats_until([&] { return !bench.heard.of<ToolControlSeen>().empty(); },
                             status_line(3, "1;large")));
    CHECK(bench.heard.of<ToolControlSeen>() ==
          std::vector{ToolControlSeen{{"NR-9"}, {17}, true, "large", "0", 3}});
    const auto ordered = std::chrono::steady_clock::now();
    bench.tool->order(rests(18));
    REQUIRE(run_until(bench.loop, [&] { return times(framed("DISABLE"), tool.client.heard) == 2; }));
    // It is not believed to rest before it can have heard that it should.
    REQUIRE(tool.beats_until([&] { return bench.heard.of<ToolControlSeen>().size() == 2; },
                             status_line(3, "0;large")));
    CHECK(std::chrono::steady_clock::now() - ordered >= 100ms);
    CHECK(bench.heard.of<ToolControlSeen>().at(1).order.value == 18);
}

TEST_CASE("a tool that does not follow is told again, and its word is reported") {
    FrameBench bench;
    bench.described.control = config::ToolControl{200ms};
    bench.described.silence_limit = 2s;
    bench.start(at_any_port);
    bench.tool->order(runs(17, "small"));
    CallingTool tool{bench};
    REQUIRE(tool.beats_until([&] { return times(framed("ENABLE"), tool.client.heard) >= 2; },
                             status_line(3, "0;small")));
    CHECK(tool.beats_until([&] { return !bench.heard.of<ToolControlSeen>().empty(); },
                           status_line(3, "0;small")));
    CHECK_FALSE(bench.heard.of<ToolControlSeen>().at(0).enabled);
}

TEST_CASE("a tool that obeys is told not to run when the service stops") {
    FrameBench bench;
    bench.described.control = config::ToolControl{200ms};
    bench.described.silence_limit = 2s;
    bench.start(at_any_port);
    bench.tool->order(runs(17, "small"));
    CallingTool tool{bench};
    REQUIRE(tool.client.hears(framed("ENABLE")));
    bench.tool->stop();
    REQUIRE(run_until(bench.loop, [&] { return tool.client.ended; }));
    const std::string last = framed("DISABLE");
    CHECK(tool.client.heard.substr(tool.client.heard.size() - last.size()) == last);
}

TEST_CASE("nothing reaches the sink once the link is stopped") {
    FrameBench bench;
    bench.start(at_any_port);
    CallingTool tool{bench};
    tool.client.say(status_line(0));
    REQUIRE(bench.hears<ToolAnswered>(1));
    tool.client.say(result_line(1));
    bench.tool->stop();
    const auto before = bench.heard.events.size();
    bench.loop.restart();
    bench.loop.run_for(50ms);
    CHECK(bench.heard.events.size() == before);
}

TEST_CASE("a tool that sends frames has no more curves kept than results and some from before") {
    FrameBench bench;
    const auto profile = protocol::testing::binary_by_length();
    bench.start(at_any_port, {}, profile);
    const auto says = [&](std::string content) { return protocol::frame_around(profile, content).value(); };
    using namespace std::string_literals;
    const std::string curve = says("\x02\0\x01\0\0\0"s + "\x01\0\x02\0\x03\0\x04\0"s);
    CallingTool tool(bench);
    for (int i = 0; i < 70; ++i)
        tool.client.say(curve);
    REQUIRE(run_until(bench.loop, [&] { return bench.gate.refused("NR-9") == 6; }));
    CHECK(bench.curves == 64);
    CHECK(bench.refuses("more curves came than results; send each curve once, after its result"));
    // 1: torque 82.5 and angle 25.0, OK.
    tool.client.say(says("\x01\0\x01\0\0\0"s + "\0\0\xA5\x42"s + "\xFA\0"s + "\x01"s + "M6    "s));
    REQUIRE(bench.hears<ResultReceived>(1));
    tool.client.say(curve + curve);
    REQUIRE(run_until(bench.loop, [&] { return bench.gate.refused("NR-9") == 7; }));
    CHECK(bench.curves == 65);
}
