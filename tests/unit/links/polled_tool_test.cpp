// The link to a polled tool against the simulated tool in registers and against a device that misbehaves.
#include <catch2/catch.hpp>

#include <atomic>
#include <stdexcept>

#include "config/reader.hpp"
#include "service/links/register_tool.hpp"
#include "tests/unit/links/controller_peers.hpp"
#include "tools/simulation/register_server.hpp"
#include "tools/simulation/register_tool.hpp"

using namespace tautgate;
using namespace tautgate::links::testing;
using interlock::Quality;
using interlock::ResultReceived;
using interlock::ToolAnswered;

namespace {

const config::Station& larkmoor_station() {
    static const auto station =
        config::read_station_file(TAUTGATE_SOURCE_DIR "/config/larkmoor.json").value();
    return station;
}

protocol::WrittenResult result_of(const std::string& torque) {
    protocol::WrittenResult result;
    result.program = "M16-final";
    result.torque = protocol::WrittenValue{torque, "N.m"};
    result.angle = protocol::WrittenValue{"27.3", "deg"};
    result.verdict = protocol::ToolVerdict::ok;
    return result;
}

// A simulated tool, the link to it, and a station that acknowledges when the test says so.
class Bench {
  public:
    // How the tool differs from the demo's, and what the profile knows of it.
    struct Traits {
        bool acknowledges = true;
        bool epoch = true;
        bool knows_loosening = true;
    };
    Bench() : Bench(Traits{}) {}
    explicit Bench(const Traits& traits) : station_(larkmoor_station()) {
        auto& profile = station_.profiles.front().profile;
        if (!traits.acknowledges)
            profile.acknowledge.reset();
        auto opened = simulation::RegisterTool::open("127.0.0.1", 0, profile);
        if (!opened)
            throw std::runtime_error(opened.error());
        tool = std::move(*opened);
        if (!traits.epoch)
            profile.epoch.reset();
        if (!traits.knows_loosening)
            profile.direction->loosen = {77};  // a code that the tool never sends
    }
    links::RegisterTool& connect(std::optional<protocol::KnownResult> known) {
        auto of = station_.tools.at(1);
        auto& wire = std::get<config::RegisterLink>(of.link);
        wire.port = tool->port();
        wire.poll_interval = std::chrono::milliseconds(5);
        of.silence_limit = std::chrono::milliseconds(800);
        of.settling = std::chrono::milliseconds(30);
        of.longest_run = std::chrono::seconds(7);
        link = std::make_unique<links::RegisterTool>(
            floor.loop, station_, of, floor.sink(), [known] { return known; }, "boot-1");
        link->start();
        return *link;
    }
    [[nodiscard]] std::vector<std::uint64_t> counters() const {
        std::vector<std::uint64_t> all;
        for (const auto& result : floor.all<ResultReceived>())
            all.push_back(result.reading.counter);
        return all;
    }
    [[nodiscard]] bool until_results(std::size_t count) {
        return floor.turn_until([&] { return counters().size() >= count; });
    }
    [[nodiscard]] bool until_polled(std::uint64_t more) {
        const auto now = link->polls().good;
        return floor.turn_until([&] { return link->polls().good >= now + more; });
    }

    Floor floor;
    std::unique_ptr<simulation::RegisterTool> tool;
    std::unique_ptr<links::RegisterTool> link;

  private:
    config::Station station_;
};

constexpr protocol::KnownResult nothing_yet{.counter = 0, .epoch = 1};

}  // namespace

TEST_CASE("the tool says where its count stands, and then each result comes once") {
    Bench bench;
    bench.connect(nothing_yet);
    REQUIRE(bench.floor.turn_until([&] { return !bench.floor.all<ToolAnswered>().empty(); }));
    CHECK(bench.floor.all<ToolAnswered>().front() == ToolAnswered{{"NR-16"}, "1", 0});
    REQUIRE(bench.until_polled(3));
    bench.tool->report(result_of("256.1"));
    REQUIRE(bench.until_results(1));
    REQUIRE(bench.until_polled(5));
    REQUIRE(bench.counters() == std::vector<std::uint64_t>{1});
    const auto result = bench.floor.all<ResultReceived>().front();
    CHECK(std::get<protocol::Torque>(result.reading.torque) == protocol::Torque{256'100'000});
    CHECK(result.epoch == "1");
    CHECK(result.digest != 0);
    CHECK(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::good; }));
}

TEST_CASE("a result seen arriving was made at most the longest run before the last look that found none") {
    Bench bench;
    bench.connect(nothing_yet);
    REQUIRE(bench.floor.turn_until([&] { return bench.link->polls().good >= 3; }));
    const auto before = std::chrono::steady_clock::now().time_since_epoch();
    bench.tool->report(result_of("256.1"));
    REQUIRE(bench.until_results(1));
    const auto after = std::chrono::steady_clock::now().time_since_epoch();
    const auto made = bench.floor.all<ResultReceived>().front().made;
    const auto ns = [](auto length) { return std::chrono::nanoseconds(length).count(); };
    CHECK(made.boot == "boot-1");
    CHECK(made.to_ns >= ns(before));
    CHECK(made.to_ns <= ns(after));
    CHECK(made.from_ns <= ns(before - std::chrono::seconds(7)));
    CHECK(made.from_ns >= ns(before - std::chrono::seconds(9)));
}

TEST_CASE(
    "results that waited in the tool are of unknown age, and the tool gives each after its acknowledgement") {
    Bench bench;
    for (const char* torque : {"250", "251", "252"})
        bench.tool->report(result_of(torque));
    auto& link = bench.connect(nothing_yet);
    REQUIRE(bench.until_results(1));
    REQUIRE(bench.until_polled(5));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1});
    link.acknowledge({{"NR-16"}, "another epoch", 1});
    REQUIRE(bench.until_polled(5));
    CHECK(bench.tool->status().acknowledged == 0);
    link.acknowledge({{"NR-16"}, "1", 1});
    REQUIRE(bench.until_results(2));
    link.acknowledge({{"NR-16"}, "1", 2});
    REQUIRE(bench.until_results(3));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1, 2, 3});
    for (const auto& result : bench.floor.all<ResultReceived>())
        CHECK(result.made.from_ns == std::numeric_limits<std::int64_t>::min() / 4);
}

TEST_CASE("what is in the journal already is acknowledged and not received again") {
    Bench bench;
    bench.tool->report(result_of("250"));
    bench.connect(protocol::KnownResult{.counter = 1, .epoch = 1});
    REQUIRE(bench.floor.turn_until([&] { return bench.tool->status().acknowledged == 1; }));
    REQUIRE(bench.until_polled(3));
    CHECK(bench.counters().empty());
    CHECK(bench.floor.all<ToolAnswered>().front() == ToolAnswered{{"NR-16"}, "1", 1});
}

TEST_CASE("the first look at an unknown tool without acknowledgements brings its count and no result") {
    Bench bench(Bench::Traits{.acknowledges = false});
    bench.tool->report(result_of("250"));
    bench.connect(std::nullopt);
    REQUIRE(bench.floor.turn_until([&] { return !bench.floor.all<ToolAnswered>().empty(); }));
    REQUIRE(bench.until_polled(3));
    CHECK(bench.floor.all<ToolAnswered>().front() == ToolAnswered{{"NR-16"}, "1", 1});
    CHECK(bench.counters().empty());
    bench.tool->report(result_of("251"));
    REQUIRE(bench.until_results(1));
    CHECK(bench.counters() == std::vector<std::uint64_t>{2});
}

TEST_CASE("a torn block is read again and is no result until it is whole") {
    Bench bench;
    bench.connect(nothing_yet);
    REQUIRE(bench.until_polled(2));
    bench.tool->tear(6);
    bench.tool->report(result_of("256.1"));
    REQUIRE(bench.until_results(1));
    const auto result = bench.floor.all<ResultReceived>().front();
    CHECK(result.reading.counter == 1);
    CHECK(std::get<protocol::Torque>(result.reading.torque) == protocol::Torque{256'100'000});
    REQUIRE(bench.until_polled(2));
    CHECK(bench.counters().size() == 1);
}

TEST_CASE("while a tool shows nothing new it is asked once a look, not twice") {
    std::atomic<std::uint64_t> requests = 0;
    auto device = simulation::RegisterServer::open(
        "127.0.0.1", 0, {.before_answer = [&](const auto&, auto) { ++requests; }, .after_answer = {}});
    REQUIRE(device);
    auto tool = larkmoor_station().tools.at(1);
    auto& wire = std::get<config::RegisterLink>(tool.link);
    wire.port = (*device)->port();
    wire.poll_interval = std::chrono::milliseconds(5);
    Floor floor;
    links::RegisterTool link(
        floor.loop, larkmoor_station(), tool, floor.sink(), [] { return std::nullopt; }, "boot-1");
    link.start();
    REQUIRE(floor.turn_until([&] { return link.polls().good >= 20; }));
    link.stop();
    // The first look is made twice; the acknowledge register is not written, since nothing is stored.
    CHECK(requests <= link.polls().good + 1);
}

TEST_CASE("a result that was lost shows as a jump of the counter, not as the one that was expected") {
    Bench bench;
    bench.connect(nothing_yet);
    REQUIRE(bench.until_polled(2));
    bench.tool->lose_one();
    bench.tool->report(result_of("250"));
    REQUIRE(bench.until_results(1));
    CHECK(bench.counters() == std::vector<std::uint64_t>{2});
}

TEST_CASE("a restart of the tool is told before the results of its new count") {
    Bench bench;
    bench.connect(nothing_yet);
    REQUIRE(bench.until_polled(2));
    bench.tool->restart(9);
    bench.tool->report(result_of("250"));
    REQUIRE(bench.until_results(1));
    const auto answers = bench.floor.all<ToolAnswered>();
    CHECK(answers.size() == 2);
    CHECK(answers.back().epoch == "9");
    CHECK(bench.floor.all<ResultReceived>().front().epoch == "9");
}

TEST_CASE("a count that falls back without an epoch is told before the results of the new count") {
    Bench bench(Bench::Traits{.acknowledges = false, .epoch = false});
    for (int lost = 0; lost < 100; ++lost)
        bench.tool->lose_one();
    bench.tool->report(result_of("250"));
    bench.connect(protocol::KnownResult{.counter = 100, .epoch = std::nullopt});
    REQUIRE(bench.until_results(1));
    bench.tool->restart(1);
    bench.tool->report(result_of("251"));
    REQUIRE(bench.until_results(2));
    CHECK(bench.counters() == std::vector<std::uint64_t>{101, 1});
    const auto answers = bench.floor.all<ToolAnswered>();
    REQUIRE(answers.size() >= 2);
    CHECK(answers.back().last < 101);
}

TEST_CASE("a result that cannot be read is told as one that is outstanding") {
    Bench bench(Bench::Traits{.acknowledges = false, .epoch = true, .knows_loosening = false});
    bench.connect(nothing_yet);
    REQUIRE(bench.until_polled(2));
    auto loosening = result_of("0");
    loosening.direction = protocol::Direction::loosen;
    bench.tool->report(loosening);
    REQUIRE(bench.floor.turn_until([&] { return bench.floor.all<ToolAnswered>().size() >= 2; }));
    CHECK(bench.floor.all<ToolAnswered>().back().last == 1);
    CHECK_FALSE(bench.floor.all<interlock::InputRefused>().empty());
    CHECK(bench.counters().empty());
}

TEST_CASE(
    "after a count that began anew in the same epoch was accepted, its lower numbers are acknowledged") {
    Bench bench(Bench::Traits{.acknowledges = true, .epoch = false});
    bench.tool->report(result_of("251"));
    bench.tool->report(result_of("252"));
    bench.connect(protocol::KnownResult{.counter = 100, .epoch = std::nullopt});
    REQUIRE(bench.until_results(1));
    bench.link->acknowledge({{"NR-16"}, "0", 1});
    REQUIRE(bench.until_results(2));
    CHECK(bench.tool->status().acknowledged == 1);
}

TEST_CASE("an answer that comes after the time-out never serves a later request") {
    Bench bench;
    bench.connect(nothing_yet);
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::good; }));
    // The wait for an answer is a quarter of the silence limit of 800 ms.
    bench.tool->answer_after(std::chrono::milliseconds(260));
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::failed; }));
    CHECK(bench.link->health().why.find("no answer in time") != std::string::npos);
    bench.tool->report(result_of("250"));
    bench.tool->answer_after(std::chrono::milliseconds(0));
    REQUIRE(bench.until_results(1));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1});
    CHECK(bench.link->polls().failed >= 1);
    CHECK(bench.floor.all<ToolAnswered>().size() >= 2);
}

TEST_CASE("stop ends a link to a device that does not answer, soon and for good") {
    Bench bench;
    auto& link = bench.connect(nothing_yet);
    REQUIRE(bench.until_polled(1));
    bench.tool->mute(true);
    REQUIRE(bench.floor.turn_until([&] { return link.health().quality == Quality::failed; }));
    const auto began = std::chrono::steady_clock::now();
    link.stop();
    CHECK(std::chrono::steady_clock::now() - began < std::chrono::milliseconds(1500));
    const auto said = bench.floor.got.size();
    bench.floor.loop.restart();
    bench.floor.loop.poll();
    CHECK(bench.floor.got.size() == said);
}
