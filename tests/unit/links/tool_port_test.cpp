// The tool port on real sockets: the simulated tool as a well-behaved peer, a plain client for bad ones.
#include <array>

#include <catch2/catch.hpp>

#include "protocol/line.hpp"
#include "service/links/receipts.hpp"
#include "service/links/tool_port.hpp"
#include "service/links/trace_gate.hpp"
#include "tests/unit/links/no_free_descriptor.hpp"
#include "tests/unit/links/ports.hpp"
#include "tools/simulation/line_tool.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;
using interlock::Quality;

namespace {

config::Tool tool_named(const std::string& id, const std::string& peer = "127.0.0.1") {
    config::Tool tool;
    tool.id = id;
    tool.link = config::LineLink{peer};
    tool.torque_max = {1'000'000'000};
    tool.torque_resolution = {100'000};
    tool.angle_resolution = {100'000};
    tool.silence_limit = 300ms;
    tool.settling = 100ms;
    tool.longest_run = 1000ms;
    return tool;
}

struct Bench {
    explicit Bench(std::vector<config::Tool> tools = {tool_named("NR-12"), tool_named("NR-20")},
                   ToolPortSettings settings = {.boot = "b1"}) {
        station.tool_port = config::Endpoint{"127.0.0.1", 0};
        station.tools = std::move(tools);
        port.emplace(
            loop, station,
            [this](interlock::Payload event) {
                gate.heard(event);
                heard.events.push_back(std::move(event));
            },
            [this](ArrivedTrace trace) { return gate.take(std::move(trace)); },
            [this](const domain::ToolId&, const std::string&) { return wanted; }, settings);
        REQUIRE(port->listen());
    }
    [[nodiscard]] bool results(std::size_t count) {
        return run_until(loop, [&] { return heard.of<interlock::ResultReceived>().size() >= count; });
    }
    [[nodiscard]] bool becomes(Quality quality) {
        return run_until(loop, [&] {
            const auto changes = heard.of<interlock::ToolLinkChanged>();
            return !changes.empty() && changes.back().quality == quality;
        });
    }
    boost::asio::io_context loop;
    config::Station station;
    std::uint64_t wanted = 1;
    Heard heard;
    std::vector<ArrivedTrace> traces;
    TraceGate gate{[this](ArrivedTrace trace) { traces.push_back(std::move(trace)); }};
    std::optional<ToolPort> port;
};

simulation::LineToolSettings calling(const Bench& bench) {
    return {.id = "NR-12", .port = bench.port->port(), .beat_interval = 20ms, .redial_after = 20ms};
}

protocol::WrittenResult tightened(std::uint64_t counter = 0) {
    protocol::WrittenResult result;
    result.counter = counter;
    result.torque = protocol::WrittenValue{"71.2", "N.m"};
    result.verdict = protocol::ToolVerdict::ok;
    return result;
}
std::string line_of(std::uint64_t counter) { return to_line(tightened(counter)); }
std::string hello(std::uint64_t last, const std::string& tool = "NR-12") {
    return to_line(protocol::Hello{tool, "1", last});
}

// The numbers of the station's beats in what a tool heard.
std::vector<std::uint64_t> beats_in(const std::string& heard) {
    const std::string before = "{\"beat\":{\"number\":\"";
    std::vector<std::uint64_t> numbers;
    for (auto at = heard.find(before); at != std::string::npos; at = heard.find(before, at + 1))
        numbers.push_back(std::stoull(heard.substr(at + before.size())));
    return numbers;
}

}  // namespace

TEST_CASE("a tool answers first, gets good after settling, and its result arrives whole") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    CHECK(bench.heard.of<interlock::ToolAnswered>().at(0) == interlock::ToolAnswered{{"NR-12"}, "1", 0});
    tool.report(tightened());
    REQUIRE(bench.results(1));
    const auto result = bench.heard.of<interlock::ResultReceived>().at(0);
    CHECK(result.tool.text == "NR-12");
    CHECK(result.epoch == "1");
    CHECK(result.reading.counter == 1);
    CHECK(std::get<protocol::Torque>(result.reading.torque) == protocol::Torque{71'200'000});
    CHECK(result.digest != 0);
    // Sent at once: not begun earlier than the longest run and the silence limit before it came.
    CHECK(result.made.to_ns - result.made.from_ns == 1'300'000'000);
    CHECK(result.made.boot == "b1");
}

TEST_CASE("a result stays in the tool until it is acknowledged, and only in its own epoch") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    tool.report(tightened());
    REQUIRE(bench.results(1));
    bench.port->acknowledge({{"NR-12"}, "another", 1});
    bench.port->acknowledge({{"NR-20"}, "1", 1});
    CHECK(tool.status().kept == 1);
    bench.port->acknowledge({{"NR-12"}, "1", 1});
    CHECK(run_until(bench.loop, [&] { return tool.status().acknowledged == 1; }));
}

TEST_CASE("a tool that hangs up has failed at once") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    tool.cut();
    REQUIRE(bench.becomes(Quality::failed));
}

TEST_CASE("a silent tool is stale and is hung up on") {
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0));
    REQUIRE(tool.hears("welcome"));
    REQUIRE(run_until(bench.loop, [&] { return tool.ended; }));
    CHECK(bench.port->health(std::chrono::steady_clock::now()).at(0).quality == Quality::stale);
}

TEST_CASE("a tool that beats and answers none of the station's beats is not good") {
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0));
    REQUIRE(tool.hears("welcome"));
    const auto end = std::chrono::steady_clock::now() + 250ms;  // settled by then, and not silent yet
    while (std::chrono::steady_clock::now() < end) {
        tool.say("{\"beat\":{}}\n");
        bench.loop.restart();
        bench.loop.run_for(10ms);
        CHECK(bench.port->health(std::chrono::steady_clock::now()).at(0).quality != Quality::good);
    }
}

TEST_CASE(
    "a tool whose answers to the station's beats lag more and more is lost, though it is never silent") {
    auto heard_always = tool_named("NR-12");
    heard_always.silence_limit = 600ms;
    Bench bench({heard_always});
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0));
    std::size_t answered = 0;
    const auto answers = [&](std::size_t beats) {
        const auto numbers = beats_in(tool.heard);
        while (answered < std::min(beats, numbers.size()))
            tool.say(to_line(protocol::Beat{numbers.at(answered++)}));
        tool.say(to_line(protocol::Beat{}));
        return numbers.size();
    };
    REQUIRE(run_until(bench.loop, [&] {
        static_cast<void>(answers(std::string::npos));
        return bench.port->health(std::chrono::steady_clock::now()).at(0).quality == Quality::good;
    }));
    // From now on what lies between plays what the tool says at half its speed.
    const std::size_t begun = answered;
    std::size_t beats = begun;
    CHECK(run_until(bench.loop, [&] {
        const bool is_lost = bench.heard.of<interlock::ToolLinkChanged>().back().quality == Quality::failed;
        if (!is_lost)
            beats = answers(begun + (beats - begun) / 2);
        return is_lost;
    }));
    CHECK(answered > begun);
    CHECK_THAT(bench.heard.of<interlock::ToolLinkChanged>().back().why,
               Catch::Contains("answered none of the station's beats of the last 600 ms"));
}

TEST_CASE("an answer to a beat that was not sent, or was answered, proves nothing") {
    Receipts receipts;
    const SteadyTime sent{1h};
    receipts.sent(7, sent);
    receipts.sent(8, sent + 1s);
    CHECK_FALSE(receipts.answered(9));
    CHECK_FALSE(receipts.answered(0));
    CHECK_FALSE(receipts.since());
    CHECK(receipts.answered(8));
    CHECK(receipts.since() == sent + 1s);
    CHECK_FALSE(receipts.answered(8));
    CHECK_FALSE(receipts.answered(7));  // an older one
    CHECK(receipts.since() == sent + 1s);
}

TEST_CASE("a result that comes before the tool has answered a beat may have been kept") {
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0) + line_of(1));
    REQUIRE(bench.results(1));
    CHECK(bench.heard.of<interlock::ResultReceived>().at(0).made.from_ns < -1'000'000'000'000'000'000);
}

TEST_CASE("a result that was kept while the link was lost may be as old as the last sign before") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    const auto cut_at = std::chrono::steady_clock::now().time_since_epoch();
    tool.cut();
    tool.report(tightened());
    REQUIRE(bench.becomes(Quality::failed));
    tool.mend();
    REQUIRE(bench.results(1));
    const auto made = bench.heard.of<interlock::ResultReceived>().at(0).made;
    CHECK(made.from_ns <= std::chrono::nanoseconds(cut_at).count() - 1'300'000'000);
    CHECK(made.to_ns > std::chrono::nanoseconds(cut_at).count());
}

TEST_CASE("a call that breaks before it brings what the tool kept moves nothing forward") {
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0));
    REQUIRE(tool.hears("welcome"));
    const auto cut_at = std::chrono::nanoseconds(std::chrono::steady_clock::now().time_since_epoch()).count();
    tool.hang_up();
    REQUIRE(bench.becomes(Quality::failed));
    Client flapping{bench.loop, bench.port->port()};
    flapping.say(hello(2));
    REQUIRE(flapping.hears("welcome"));
    flapping.say(to_line(protocol::Beat{}));
    flapping.hang_up();
    REQUIRE(run_until(bench.loop, [&] {
        return bench.heard.of<interlock::ToolLinkChanged>().back().quality == Quality::failed;
    }));
    Client again{bench.loop, bench.port->port()};
    again.say(hello(2) + line_of(1) + line_of(2));
    REQUIRE(bench.results(2));
    for (const auto& result : bench.heard.of<interlock::ResultReceived>())
        CHECK(result.made.from_ns <= cut_at - 1'300'000'000);
}

TEST_CASE(
    "a tool that says too much is read later, told of, and what it sends meanwhile is that much older") {
    auto patient = tool_named("NR-12");
    patient.silence_limit = 2000ms;
    Bench bench({patient});
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0));
    REQUIRE(tool.hears("welcome"));
    const auto began = std::chrono::nanoseconds(std::chrono::steady_clock::now().time_since_epoch()).count();
    std::string beats;
    for (int i = 0; i < 1600; ++i)
        beats += to_line(protocol::Beat{});
    tool.say(beats + line_of(1));
    REQUIRE(bench.results(1));
    const auto made = bench.heard.of<interlock::ResultReceived>().at(0).made;
    CHECK(made.to_ns - began > 300'000'000);           // 600 lines more than at once
    CHECK(made.to_ns - made.from_ns > 3'300'000'000);  // beyond the longest run and the silence limit
    tool.hang_up();
    CHECK(run_until(bench.loop, [&] { return !bench.heard.of<interlock::InputRefused>().empty(); }));
    CHECK_THAT(bench.heard.of<interlock::InputRefused>().at(0).why,
               Catch::Contains("more than 1000 lines a second"));
}

TEST_CASE("what a tool says that calls while nobody can be accepted may be as old as since then") {
    Bench bench;
    Client first{bench.loop, bench.port->port()};
    first.say(hello(0));
    REQUIRE(first.hears("welcome"));
    first.hang_up();
    REQUIRE(bench.becomes(Quality::failed));
    std::optional<Client> called;
    {
        const NoFreeDescriptor full{1};  // the caller's own
        called.emplace(bench.loop, bench.port->port());
        bench.loop.restart();
        bench.loop.run_for(100ms);  // the port tries, and cannot
    }
    const auto said_at =
        std::chrono::nanoseconds(std::chrono::steady_clock::now().time_since_epoch()).count();
    called->say(hello(0) + line_of(1));
    REQUIRE(bench.results(1));
    const auto made = bench.heard.of<interlock::ResultReceived>().at(0).made;
    CHECK(made.from_ns <= said_at - 1'300'000'000);
}

TEST_CASE("a result kept by a tool that this process never heard before may be of any age") {
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(1) + line_of(1));
    REQUIRE(bench.results(1));
    CHECK(bench.heard.of<interlock::ResultReceived>().at(0).made.from_ns < -1'000'000'000'000'000'000);
}

TEST_CASE("where the count jumps the tool is asked once, and what it sends again comes in order") {
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0) + line_of(2));
    const std::string again = to_line(protocol::Welcome{1});
    REQUIRE(run_until(bench.loop, [&] {
        const auto first = tool.heard.find(again);
        return first != std::string::npos && tool.heard.find(again, first + 1) != std::string::npos;
    }));
    CHECK(bench.heard.of<interlock::ResultReceived>().empty());
    tool.say(line_of(1) + line_of(2));
    REQUIRE(bench.results(3));
    const auto results = bench.heard.of<interlock::ResultReceived>();
    CHECK(results[0].reading.counter == 1);
    CHECK(results[1].reading.counter == 2);
    CHECK(results[2].digest == results[1].digest);
}

TEST_CASE("a result that the tool has lost is passed on as a gap") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    tool.lose_one();
    tool.report(tightened());
    REQUIRE(bench.results(1));
    CHECK(bench.heard.of<interlock::ResultReceived>().at(0).reading.counter == 2);
}

TEST_CASE("a line that may have told of a result is refused and ends the call: the next hello says what is "
          "missing") {
    const auto* line =
        GENERATE("rubbish", "{\"result\":{}}", "{\"colour\":{}}", "{\"beat\":{},\"result\":{}}");
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0));
    REQUIRE(tool.hears("welcome"));
    tool.say(std::string(line) + "\n" + line_of(1));
    REQUIRE(bench.becomes(Quality::failed));
    CHECK(tool.hears("refused"));
    REQUIRE(run_until(bench.loop, [&] { return tool.ended; }));
    CHECK(bench.heard.of<interlock::ResultReceived>().empty());
    const auto refused = bench.heard.of<interlock::InputRefused>();
    REQUIRE(refused.size() == 1);
    CHECK(refused[0].source == "NR-12");
    CHECK(refused[0].raw == line);
    tool.hang_up();
    Client again{bench.loop, bench.port->port()};
    again.say(hello(1) + line_of(1));
    REQUIRE(bench.results(1));
    CHECK(bench.heard.of<interlock::ToolAnswered>().back() == interlock::ToolAnswered{{"NR-12"}, "1", 1});
}

TEST_CASE("other lines that are no lines are refused and counted, and the next good one is taken") {
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    tool.say(hello(0) + "{\"beat\":7}\n{\"state\":{\"order\":[]}}\n{\"trace\":{}}\n" + line_of(1));
    REQUIRE(bench.results(1));
    tool.hang_up();
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.of<interlock::InputRefused>().size() == 2; }));
    const auto refused = bench.heard.of<interlock::InputRefused>();
    CHECK(refused[0].source == "NR-12");
    CHECK(refused[0].raw == "{\"beat\":7}");
    CHECK(refused[0].count + refused[1].count == 3);
}

TEST_CASE("a value that cannot be used is told beside the result, which stands") {
    Bench bench;
    Client tool{bench.loop, bench.port->port()};
    auto result = tightened(1);
    result.torque = protocol::WrittenValue{"71.2", "stone"};
    result.stamp = "yesterday";
    tool.say(hello(0) + to_line(result));
    REQUIRE(bench.results(1));
    const auto refused = bench.heard.of<interlock::InputRefused>();
    REQUIRE(refused.size() == 1);
    CHECK(refused[0].source == "NR-12");
    CHECK(refused[0].raw == bench.heard.of<interlock::ResultReceived>()[0].reading.received.raw);
    CHECK_THAT(refused[0].why, Catch::Contains("torque '71.2'") && Catch::Contains("; ") &&
                                   Catch::Contains("stamp 'yesterday' is no RFC 3339 time"));
}

TEST_CASE("a second connection of a tool is refused while the first one lives") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    Client second{bench.loop, bench.port->port()};
    second.say(hello(0));
    REQUIRE(second.hears("NR-12 is connected already"));
    REQUIRE(run_until(bench.loop, [&] { return second.ended; }));
    CHECK(tool.status().welcomed);
    CHECK(bench.heard.of<interlock::ToolAnswered>().size() == 1);
}

TEST_CASE("an unknown tool, and a known one from elsewhere, are refused in words") {
    Bench bench{{tool_named("NR-12"), tool_named("NR-20", "192.0.2.7")}};
    Client unknown{bench.loop, bench.port->port()};
    unknown.say(hello(0, "NR-99"));
    CHECK(unknown.hears("no tool 'NR-99'"));
    Client elsewhere{bench.loop, bench.port->port()};
    elsewhere.say(hello(0, "NR-20"));
    CHECK(elsewhere.hears("may not call from 127.0.0.1"));
    CHECK(bench.heard.of<interlock::ToolAnswered>().empty());
}

TEST_CASE("no more is read while too many results wait to be stored, and all come once they are") {
    config::Tool patient = tool_named("NR-12");
    patient.silence_limit = 5s;  // or it would be hung up on, because nobody reads its signs of life
    Bench bench{{patient}, {.unconfirmed = 4}};
    Client tool{bench.loop, bench.port->port()};
    std::string flood = hello(0);
    for (std::uint64_t i = 1; i <= 200; ++i)
        flood += line_of(i);
    tool.say(flood);
    REQUIRE(tool.hears("beat"));
    const auto before = bench.heard.of<interlock::ResultReceived>().size();
    CHECK(before < 60);  // four, and what one read of 4096 bytes had brought with them
    REQUIRE(run_until(bench.loop, [&] {
        const auto results = bench.heard.of<interlock::ResultReceived>();
        if (!results.empty())
            bench.port->acknowledge({{"NR-12"}, "1", results.back().reading.counter});
        return results.size() == 200;
    }));
}

TEST_CASE("nothing reaches the sink after the port was stopped") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    bench.port->stop();
    const auto count = bench.heard.events.size();
    REQUIRE(run_until(bench.loop, [&] { return !tool.status().welcomed; }));
    CHECK(bench.heard.events.size() == count);
}

TEST_CASE("a trace arrives with the key of its result, and its bytes are the ones that its digest names") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    tool.report(tightened());
    REQUIRE(bench.results(1));
    protocol::Trace trace{.times = protocol::SampleInterval{500}, .torque = {{}, {1, -1}}};
    trace.torque.counts.assign(2000, 712);  // takes several lines
    for (const std::string& line : protocol::trace_lines(1, trace))
        tool.send_raw(line);
    REQUIRE(run_until(bench.loop, [&] { return !bench.traces.empty(); }));
    const auto& [event, samples] = bench.traces.at(0);
    CHECK(event.tool.text == "NR-12");
    CHECK(event.epoch == "1");
    CHECK(event.counter == 1);
    CHECK(event.samples == 2000);
    CHECK(event.bytes == samples.bytes.size());
    CHECK(event.digest == journal::hex(journal::sha256(samples.bytes)));
    const auto back = protocol::decode_trace(samples.bytes);
    REQUIRE(back.has_value());
    CHECK(back->samples() == 2000);
    CHECK(torque_at(*back, 1999) == protocol::Torque{71'200'000});
    CHECK(tool.status().traces_stored == 0);
    interlock::TraceReceived another = event;
    another.epoch = "another";
    bench.port->trace_stored(another);
    bench.port->trace_stored(event);
    CHECK(run_until(bench.loop, [&] { return tool.status().traces_stored == 1; }));
}

TEST_CASE("a trace that is refused takes nothing from its result, and the tool is told why") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    tool.report(tightened());
    tool.send_raw(R"({"trace":{"counter":"1","torque_unit":"N.m","interval_us":500,"torque":[1,NaN]}})"
                  "\n");
    REQUIRE(run_until(bench.loop, [&] { return tool.status().refusals == 1; }));
    CHECK(tool.status().refused == "sample 2 of torque in this part is 'NaN', which is no measurement");
    REQUIRE(bench.results(1));
    CHECK(bench.traces.empty());
    const auto refused = bench.heard.of<interlock::InputRefused>();
    REQUIRE(refused.size() == 1);
    CHECK(refused.at(0).raw.find("NaN") != std::string::npos);
}

TEST_CASE("a tool sends no more curves than results and some from before, over all its connections") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    const auto send_curves = [&](int count) {
        for (int i = 0; i < count; ++i)
            tool.send_raw(R"({"trace":{"counter":"1","torque_unit":"N.m","interval_us":500,"torque":[1,2]}})"
                          "\n");
    };
    send_curves(40);
    REQUIRE(run_until(bench.loop, [&] { return bench.traces.size() == 40; }));
    tool.cut();
    tool.mend();
    REQUIRE(tool.await([](const auto& status) { return !status.welcomed; }, 0ms));
    REQUIRE(run_until(bench.loop, [&] { return tool.status().welcomed; }));
    send_curves(30);
    REQUIRE(run_until(bench.loop, [&] { return tool.status().refusals == 6; }));
    CHECK(bench.traces.size() == 64);
    CHECK(tool.status().refused == "more curves came than results");
    tool.report(tightened());
    REQUIRE(bench.results(1));
    send_curves(2);
    REQUIRE(run_until(bench.loop, [&] { return tool.status().refusals == 7; }));
    CHECK(bench.traces.size() == 65);
    CHECK(bench.gate.refused("NR-12") == 7);
}

TEST_CASE("what was begun of a trace does not outlive its connection") {
    Bench bench;
    simulation::LineTool tool{calling(bench)};
    REQUIRE(bench.becomes(Quality::good));
    tool.send_raw(
        R"({"trace":{"counter":"1","part":1,"parts":2,"torque_unit":"N.m","interval_us":5,"torque":[1]}})"
        "\n");
    tool.cut();
    tool.mend();
    REQUIRE(tool.await([](const auto& status) { return !status.welcomed; }, 0ms));
    REQUIRE(run_until(bench.loop, [&] { return tool.status().welcomed; }));
    tool.send_raw(
        R"({"trace":{"counter":"1","part":2,"parts":2,"torque_unit":"N.m","interval_us":5,"torque":[1]}})"
        "\n");
    REQUIRE(run_until(bench.loop, [&] { return tool.status().refusals == 1; }));
    CHECK(bench.traces.empty());
}
