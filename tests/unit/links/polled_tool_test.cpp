// The link to a polled tool against the simulated tool in registers and against a device that misbehaves.
#include <catch2/catch.hpp>

#include <array>
#include <atomic>
#include <stdexcept>
#include <thread>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>

#include "config/reader.hpp"
#include "service/links/modbus_wire.hpp"
#include "service/links/register_tool.hpp"
#include "service/links/serial_bus.hpp"
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

// A port at which nobody answers a call: all who may wait to be accepted wait there already.
class FullPort {
  public:
    FullPort() : acceptor_(loop_, {boost::asio::ip::address_v4::loopback(), 0}, true) {
        acceptor_.listen(0);
        for (auto& caller : callers_) {
            // The call goes out at once; nobody waits for what becomes of it.
            caller.async_connect(acceptor_.local_endpoint(), [](const boost::system::error_code&) {});
        }
    }
    [[nodiscard]] std::uint16_t port() const { return acceptor_.local_endpoint().port(); }

  private:
    boost::asio::io_context loop_;
    boost::asio::ip::tcp::acceptor acceptor_;
    std::array<boost::asio::ip::tcp::socket, 4> callers_{
        boost::asio::ip::tcp::socket(loop_), boost::asio::ip::tcp::socket(loop_),
        boost::asio::ip::tcp::socket(loop_), boost::asio::ip::tcp::socket(loop_)};
};

// A simulated tool, the link to it, and what came of it.
struct Polled {
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
};

// The demo's tool, and a station that acknowledges when the test says so.
class Bench : public Polled {
  public:
    // How the tool differs from the demo's, and what the profile knows of it.
    struct Traits {
        bool acknowledges = true;
        bool epoch = true;
        bool knows_loosening = true;
    };
    Bench() : Bench(Traits{}) {}
    explicit Bench(const Traits& traits) : station_(larkmoor_station()) {
        auto& profile = std::get<protocol::RegisterProfile>(station_.profiles.front().profile);
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
    links::RegisterTool& connect(std::optional<links::KnownOfTool> known) {
        auto of = station_.tools.at(1);
        auto& wire = std::get<config::RegisterLink>(of.link);
        wire.port = tool->port();
        wire.poll_interval = std::chrono::milliseconds(5);
        of.silence_limit = std::chrono::milliseconds(800);
        of.settling = std::chrono::milliseconds(30);
        of.longest_run = std::chrono::seconds(7);
        link = std::make_unique<links::RegisterTool>(
            floor.loop, station_, of, floor.sink(), floor.traces(), [known] { return known; }, "boot-1",
            std::make_shared<links::SerialBuses>());
        link->start();
        return *link;
    }

  private:
    config::Station station_;
};

const links::KnownOfTool nothing_yet{.epoch = "1", .counter = 0};

}  // namespace

TEST_CASE("a device that is off is told by the time it was given, and with what to look at") {
    const FullPort device;
    const auto dialled = links::dial("127.0.0.1", device.port(), 1, std::chrono::milliseconds(250));
    REQUIRE_FALSE(dialled);
    CHECK(dialled.error() ==
          "cannot connect to 127.0.0.1:" + std::to_string(device.port()) +
              ": no answer within 0.25 s; check that it is on, its cable, its address, and "
              "what lies between");
}

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
    bench.connect(links::KnownOfTool{.epoch = "1", .counter = 1});
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
        floor.loop, larkmoor_station(), tool, floor.sink(), floor.traces(), [] { return std::nullopt; },
        "boot-1", std::make_shared<links::SerialBuses>());
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
    bench.connect(links::KnownOfTool{.epoch = "", .counter = 100});
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
    bench.connect(links::KnownOfTool{.epoch = "", .counter = 100});
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

TEST_CASE("looks that were due while an answer was awaited are counted as left out, and not made up for") {
    Bench bench;
    bench.connect(nothing_yet);
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::good; }));
    const auto before = bench.link->polls();
    bench.tool->answer_after(std::chrono::milliseconds(60));  // a look is due every 5 ms
    REQUIRE(bench.until_polled(3));
    const auto after = bench.link->polls();
    const auto answered = after.good - before.good;
    CHECK(after.skipped - before.skipped >= 10 * (answered - 1));
    CHECK(after.failed == before.failed);
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

// ---- other ways to a result -------------------------------------------------------------------------------

namespace {

protocol::RegisterField word_at(std::uint16_t address) {
    return {.address = address, .type = protocol::FieldType::uint16};
}

// Counter in 100, torque in 101 (tenths of N.m), angle in 102, and nothing else.
protocol::RegisterProfile small_profile() {
    protocol::RegisterProfile profile;
    profile.name = "small";
    profile.counter = protocol::CounterField{word_at(100), 0, 0xFFFF};
    profile.torque = protocol::TorqueField{
        {.address = 101, .type = protocol::FieldType::uint16, .scale = protocol::Decimal{1, -1}},
        protocol::TorqueUnit::newton_metre};
    profile.angle = word_at(102);
    profile.range = {protocol::Torque{100'000}, protocol::Angle{1'000'000}, protocol::Torque{600'000'000},
                     protocol::Angle{720'000'000}};
    return profile;
}

// It shows its next result once the count of this one was written to 300.
protocol::RegisterProfile acknowledged_profile() {
    auto profile = small_profile();
    profile.acknowledge = std::uint16_t{300};
    return profile;
}

protocol::RegisterProfile ring_profile() {
    auto profile = small_profile();
    profile.counter->lowest = 1;
    profile.counter->highest = 64'000;
    profile.epoch = word_at(11);
    profile.ring = protocol::ResultRing{word_at(10), 16, 8};
    return profile;
}

protocol::RegisterProfile handshake_profile() {
    auto profile = small_profile();
    profile.counter.reset();
    profile.handshake = protocol::Handshake{.ready = {.address = 3,
                                                      .type = protocol::FieldType::bit,
                                                      .table = protocol::RegisterTable::discrete_inputs},
                                            .address = 7,
                                            .table = protocol::RegisterTable::coils};
    return profile;
}

protocol::RegisterProfile toggle_profile() {
    auto profile = small_profile();
    profile.counter.reset();
    profile.toggle = protocol::RegisterField{.address = 100, .bits = protocol::BitRange{15, 1}};
    return profile;
}

// A tool of any profile behind a link.
class OtherBench : public Polled {
  public:
    explicit OtherBench(const protocol::RegisterProfile& profile, bool serial = false)
        : station_(larkmoor_station()) {
        std::get<protocol::RegisterProfile>(station_.profiles.front().profile) = profile;
        auto opened = serial ? simulation::RegisterTool::open_serial(unit, profile)
                             : simulation::RegisterTool::open("127.0.0.1", 0, profile);
        if (!opened)
            throw std::runtime_error(opened.error());
        tool = std::move(*opened);
    }
    void connect(std::optional<links::KnownOfTool> known, std::uint8_t of_unit = unit) {
        connect_to(tool->port(), std::move(known), of_unit);
    }
    // To another device of the same profile.
    void connect_to(std::uint16_t port, std::optional<links::KnownOfTool> known,
                    std::uint8_t of_unit = unit) {
        auto of = station_.tools.at(1);
        auto& wire = std::get<config::RegisterLink>(of.link);
        if (!tool->device().empty()) {
            wire.host.clear();
            wire.serial = config::SerialLine{.device = tool->device()};
        }
        wire.port = port;
        wire.unit = of_unit;
        wire.poll_interval = poll_interval;
        of.silence_limit = std::chrono::milliseconds(400);
        of.settling = settling;
        of.longest_run = std::chrono::milliseconds(10);
        link = std::make_unique<links::RegisterTool>(
            floor.loop, station_, of, floor.sink(), floor.traces(), [known] { return known; }, "boot-1",
            buses);
        link->start();
    }
    // Gone with everything that it knew; what was said before is forgotten.
    void disconnect() {
        link->stop();
        link.reset();
        floor.got.clear();
    }
    [[nodiscard]] std::vector<std::int64_t> torques() const {
        std::vector<std::int64_t> all;
        for (const auto& result : floor.all<ResultReceived>())
            all.push_back(std::get<protocol::Torque>(result.reading.torque).micro_nm / 1'000'000);
        return all;
    }
    // As the station does once the newest result is durable.
    void store_newest() {
        const auto newest = floor.all<ResultReceived>().back();
        link->acknowledge({{"NR-16"}, newest.epoch, newest.reading.counter});
    }
    [[nodiscard]] links::KnownOfTool newest() const {
        const auto result = floor.all<ResultReceived>().back();
        return {.epoch = result.epoch, .counter = result.reading.counter, .digest = result.digest};
    }

    static constexpr std::uint8_t unit = 9;
    std::chrono::milliseconds poll_interval{5};
    std::chrono::milliseconds settling{30};
    std::shared_ptr<links::SerialBuses> buses = std::make_shared<links::SerialBuses>();

  private:
    config::Station station_;
};

// A device beside it that shows what the test says, word by word: count or mark, torque, angle.
struct Shown : OtherBench {
    explicit Shown(const protocol::RegisterProfile& profile) : OtherBench(profile) { REQUIRE(device); }
    void show(std::uint16_t count, std::uint16_t torque) const {
        (*device)->write(100, std::vector<std::uint16_t>{count, torque, 30});
    }
    std::expected<std::unique_ptr<simulation::RegisterServer>, std::string> device =
        simulation::RegisterServer::open("127.0.0.1", 0, {});
};

}  // namespace

namespace {

protocol::RegisterProfile curve_profile() {
    auto profile = small_profile();
    profile.counter->lowest = 1;
    profile.epoch = word_at(11);
    protocol::TraceFields& trace = profile.trace.emplace();
    trace.belongs_to = word_at(400);
    trace.count = word_at(401);
    trace.samples = 20;
    trace.torque = {.field = {.address = 410, .type = protocol::FieldType::int16, .scale = {1, -1}}};
    trace.torque_unit = protocol::TorqueUnit::newton_metre;
    trace.interval_us = 1000;
    return profile;
}

protocol::Trace short_curve() {
    return {.times = protocol::SampleInterval{1000}, .torque = {.counts = {100, 400, 800}, .step = {1, -1}}};
}

}  // namespace

TEST_CASE("the curve of the newest result is read after a start, if the tool still shows both") {
    OtherBench bench(curve_profile());
    bench.connect(nothing_yet);
    REQUIRE(bench.until_polled(2));
    bench.tool->report(result_of("80"), short_curve());
    REQUIRE(bench.until_results(1));
    const auto known = bench.newest();
    bench.disconnect();
    bench.floor.got_traces.clear();
    SECTION("it does") {
        bench.connect(known);
        REQUIRE(bench.floor.turn_until([&] { return !bench.floor.got_traces.empty(); }));
        CHECK(bench.floor.got_traces[0].event.counter == 1);
        CHECK(bench.counters().empty());
    }
    SECTION("its count began anew meanwhile, and the same number is another result's") {
        bench.tool->restart(2);
        bench.tool->report(result_of("81"));
        bench.connect(known);
        REQUIRE(bench.until_results(1));
        REQUIRE(bench.until_polled(5));
        for (const auto& trace : bench.floor.got_traces)
            CHECK(trace.event.epoch == "2");
    }
    SECTION("the result was only named, and never came") {
        auto named = known;
        named.digest.reset();
        bench.connect(named);
        REQUIRE(bench.until_polled(5));
        CHECK(bench.floor.got_traces.empty());
    }
}

TEST_CASE("results that a ring kept while nobody asked all come, oldest first") {
    OtherBench bench(ring_profile());
    for (int i = 1; i <= 12; ++i)
        bench.tool->report(result_of(std::to_string(100 + i)));
    bench.connect(links::KnownOfTool{.epoch = "1", .counter = 2});
    REQUIRE(bench.until_results(10));
    bench.tool->report(result_of("113"));
    REQUIRE(bench.until_results(11));
    REQUIRE(bench.until_polled(5));
    CHECK(bench.counters() == std::vector<std::uint64_t>{3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13});
    CHECK(bench.torques() ==
          std::vector<std::int64_t>{103, 104, 105, 106, 107, 108, 109, 110, 111, 112, 113});
}

TEST_CASE("what a ring has written over is a gap in the count, and the rest still comes") {
    OtherBench bench(ring_profile());
    for (int i = 1; i <= 40; ++i)
        bench.tool->report(result_of(std::to_string(100 + i)));
    bench.connect(links::KnownOfTool{.epoch = "1", .counter = 2});
    // Not the oldest of the 16: its slot is the one that the next result is written to.
    REQUIRE(bench.until_results(15));
    REQUIRE(bench.until_polled(5));
    CHECK(bench.counters().front() == 26);
    CHECK(bench.counters().back() == 40);
    CHECK(bench.counters().size() == 15);
    CHECK(bench.floor.all<ToolAnswered>().front().last == 40);
}

TEST_CASE("a ring whose count began anew is read from its first result on") {
    OtherBench bench(ring_profile());
    bench.tool->report(result_of("101"));
    bench.connect(links::KnownOfTool{.epoch = "1", .counter = 1});
    REQUIRE(bench.until_polled(2));
    bench.tool->hold_back(true);
    bench.tool->restart(2);
    for (int i = 1; i <= 3; ++i)
        bench.tool->report(result_of(std::to_string(200 + i)));
    bench.tool->hold_back(false);
    REQUIRE(bench.until_results(3));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1, 2, 3});
    CHECK(bench.floor.all<ToolAnswered>().back().epoch == "2");
    CHECK(bench.torques() == std::vector<std::int64_t>{201, 202, 203});
}

TEST_CASE("a slot with another count than it should have is refused with its words, and the next one comes") {
    auto wrong = ring_profile();
    wrong.ring->stride = 9;  // the tool's slots lie closer
    OtherBench bench(ring_profile());
    bench.tool->report(result_of("101"));
    bench.tool->report(result_of("102"));
    OtherBench misread(wrong);  // its own tool is not asked
    misread.tool = std::move(bench.tool);
    misread.connect(links::KnownOfTool{.epoch = "1", .counter = 0});
    REQUIRE(misread.until_results(1));
    REQUIRE(misread.floor.turn_until([&] { return !misread.floor.all<interlock::InputRefused>().empty(); }));
    CHECK(misread.counters() == std::vector<std::uint64_t>{1});
    CHECK(misread.floor.all<interlock::InputRefused>().front().why.find("the slot of result 2") !=
          std::string::npos);
}

TEST_CASE(
    "a handshake is told when the result is stored, cleared when the tool took it, and then the next comes") {
    OtherBench bench(handshake_profile());
    bench.connect(links::KnownOfTool{.epoch = "0", .counter = 0});
    REQUIRE(bench.until_polled(2));
    bench.tool->report(result_of("101"));
    bench.tool->report(result_of("102"));
    REQUIRE(bench.until_results(1));
    REQUIRE(bench.until_polled(5));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1});
    CHECK(bench.tool->status().acknowledged == 0);
    bench.store_newest();
    REQUIRE(bench.until_results(2));
    CHECK(bench.tool->status().acknowledged == 1);
    bench.store_newest();
    REQUIRE(bench.floor.turn_until([&] { return bench.tool->status().acknowledged == 2; }));
    REQUIRE(bench.until_polled(5));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1, 2});
    CHECK(bench.torques() == std::vector<std::int64_t>{101, 102});
}

namespace {

// The service stored the first of two results and was started anew before it told the tool so.
links::KnownOfTool starts_anew_before_it_told(OtherBench& bench) {
    bench.connect(links::KnownOfTool{.epoch = "0", .counter = 0});
    REQUIRE(bench.until_polled(2));
    bench.tool->report(result_of("101"));
    bench.tool->report(result_of("102"));
    REQUIRE(bench.until_results(1));
    const auto known = bench.newest();
    bench.disconnect();
    bench.connect(known);
    return known;
}

}  // namespace

TEST_CASE("a result of a handshake that was stored but not told so is told so after a start, and not counted "
          "again") {
    auto profile = handshake_profile();
    profile.stamp = protocol::StampField{
        .field = {.address = 104, .type = protocol::FieldType::uint32, .order = protocol::WordOrder::abcd}};
    OtherBench bench(profile);
    static_cast<void>(starts_anew_before_it_told(bench));
    REQUIRE(bench.until_results(1));
    CHECK(bench.counters() == std::vector<std::uint64_t>{2});
    CHECK(bench.torques() == std::vector<std::int64_t>{102});
    CHECK(bench.tool->status().acknowledged == 1);
}

TEST_CASE(
    "without a time of its own what a tool of a handshake shows at a start may be like the stored one, and "
    "is recorded before the tool may go on") {
    OtherBench bench(handshake_profile());
    const auto known = starts_anew_before_it_told(bench);
    REQUIRE(bench.until_results(1));
    REQUIRE(bench.until_polled(5));
    CHECK(bench.torques() == std::vector<std::int64_t>{101});
    CHECK(bench.floor.all<ResultReceived>().front().epoch != known.epoch);
    CHECK(bench.tool->status().acknowledged == 0);
    bench.store_newest();
    REQUIRE(bench.until_results(2));
    CHECK(bench.torques() == std::vector<std::int64_t>{101, 102});
    CHECK(bench.counters() == std::vector<std::uint64_t>{1, 2});
    CHECK(bench.tool->status().acknowledged == 1);
}

TEST_CASE("a result that waits at a start and is not the stored one is not told to be stored") {
    OtherBench bench(handshake_profile());
    bench.tool->report(result_of("105"));
    bench.connect(links::KnownOfTool{.epoch = "0", .counter = 4, .digest = 0x1234});
    REQUIRE(bench.until_results(1));
    REQUIRE(bench.until_polled(10));
    CHECK(bench.counters() == std::vector<std::uint64_t>{5});
    CHECK(bench.tool->status().acknowledged == 0);
}

TEST_CASE("a tool that only toggles counts while it is watched, and begins a new count after a gap") {
    const auto profile = toggle_profile();
    OtherBench bench(profile);
    bench.connect(std::nullopt);
    REQUIRE(bench.until_polled(2));
    bench.tool->report(result_of("101"));
    REQUIRE(bench.until_results(1));
    bench.tool->report(result_of("102"));
    REQUIRE(bench.until_results(2));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1, 2});
    const auto first = bench.floor.all<ResultReceived>().front().epoch;
    bench.tool->cut();
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::failed; }));
    bench.tool->mend();
    REQUIRE(bench.floor.turn_until([&] { return bench.floor.all<ToolAnswered>().size() >= 2; }));
    CHECK(bench.floor.all<ToolAnswered>().back().epoch != first);
}

TEST_CASE(
    "a toggle that nobody looked at for longer than the silence limit begins a new count on a good link") {
    const auto profile = toggle_profile();
    OtherBench bench(profile);
    bench.poll_interval = std::chrono::milliseconds(450);  // each look comes too late
    bench.connect(std::nullopt);
    REQUIRE(bench.floor.turn_until([&] { return bench.floor.all<ToolAnswered>().size() >= 2; }));
    const auto answers = bench.floor.all<ToolAnswered>();
    CHECK(answers[0].epoch != answers[1].epoch);
    CHECK(bench.link->polls().failed == 0);
}

TEST_CASE("a result counts once it has stood unchanged for as long as the tool may be writing it") {
    auto profile = small_profile();
    profile.written_within = std::chrono::milliseconds(1500);
    Shown bench(profile);
    bench.show(4, 1010);
    bench.connect_to((*bench.device)->port(), links::KnownOfTool{.epoch = "0", .counter = 4});
    REQUIRE(bench.until_polled(3));
    bench.show(5, 1010);  // the count first, with the values of the result before
    REQUIRE(bench.until_polled(3));
    bench.show(5, 1020);
    REQUIRE(bench.until_results(1));
    CHECK(bench.counters() == std::vector<std::uint64_t>{5});
    CHECK(bench.torques() == std::vector<std::int64_t>{102});
}

TEST_CASE("a result that was replaced before it had stood is a gap, and said so") {
    auto profile = small_profile();
    profile.written_within = std::chrono::milliseconds(1500);
    Shown bench(profile);
    bench.show(4, 1010);
    bench.connect_to((*bench.device)->port(), links::KnownOfTool{.epoch = "0", .counter = 4});
    REQUIRE(bench.until_polled(3));
    bench.show(5, 1020);
    REQUIRE(bench.until_polled(3));
    bench.show(6, 1030);
    REQUIRE(bench.until_results(1));
    CHECK(bench.counters() == std::vector<std::uint64_t>{6});
    const auto refused = bench.floor.all<interlock::InputRefused>();
    REQUIRE_FALSE(refused.empty());
    CHECK(refused.front().why.starts_with("result 5 was replaced by the next one before it had stood"));
}

TEST_CASE("of a tool that writes its count last a result counts at once") {
    auto profile = small_profile();
    profile.written_within = std::chrono::seconds(10);
    profile.second_read = protocol::SecondRead::counter;
    OtherBench bench(profile);
    bench.connect(links::KnownOfTool{.epoch = "0", .counter = 0});
    REQUIRE(bench.until_polled(2));
    bench.tool->report(result_of("101"));
    CHECK(bench.until_results(1));
}

TEST_CASE("another result under the mark of the one before is told under its number") {
    const auto profile = toggle_profile();
    Shown bench(profile);
    const auto show = [&bench](bool mark, std::uint16_t torque) { bench.show(mark ? 0x8000 : 0, torque); };
    show(false, 1000);
    bench.connect_to((*bench.device)->port(), std::nullopt);
    REQUIRE(bench.until_polled(3));
    show(true, 1010);
    REQUIRE(bench.until_results(1));
    show(true, 1020);
    REQUIRE(bench.until_results(2));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1, 1});
    CHECK(bench.torques() == std::vector<std::int64_t>{101, 102});
}

TEST_CASE("over a serial line a tool is polled, acknowledged and found again after silence") {
    auto profile = small_profile();
    profile.acknowledge = std::uint16_t{300};
    OtherBench bench(profile, true);
    bench.connect(links::KnownOfTool{.epoch = "", .counter = 0});
    REQUIRE(bench.until_polled(3));
    bench.tool->report(result_of("101"));
    REQUIRE(bench.until_results(1));
    bench.store_newest();
    REQUIRE(bench.floor.turn_until([&] { return bench.tool->status().acknowledged == 1; }));
    bench.tool->mute(true);
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::failed; }));
    CHECK(bench.link->health().why.find("no answer in time") != std::string::npos);
    bench.tool->mute(false);
    bench.tool->report(result_of("102"));
    REQUIRE(bench.until_results(2));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1, 2});
    CHECK(bench.torques() == std::vector<std::int64_t>{101, 102});
}

TEST_CASE("coils and discrete inputs come over a serial line as well") {
    OtherBench bench(handshake_profile(), true);
    bench.connect(links::KnownOfTool{.epoch = "0", .counter = 0});
    REQUIRE(bench.until_polled(2));
    bench.tool->report(result_of("101"));
    REQUIRE(bench.until_results(1));
    bench.store_newest();
    CHECK(bench.floor.turn_until([&] { return bench.tool->status().acknowledged == 1; }));
}

TEST_CASE("a unit that is not on the line, and a device that is not there, fail the link in words") {
    OtherBench bench(small_profile(), true);
    bench.connect(std::nullopt, 8);
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::failed; }));
    CHECK(bench.link->health().why.find("no answer in time") != std::string::npos);

    links::SerialBus nowhere({.device = "/dev/no-such-line"});
    const auto opened = nowhere.open();
    REQUIRE_FALSE(opened);
    CHECK(opened.error().find("there is no serial device /dev/no-such-line") != std::string::npos);
}

TEST_CASE("an answer that comes late on a serial line never serves a later request") {
    auto profile = small_profile();
    profile.acknowledge = std::uint16_t{300};
    OtherBench bench(profile, true);
    bench.connect(links::KnownOfTool{.epoch = "", .counter = 0});
    REQUIRE(bench.until_polled(3));
    // The wait for an answer is a quarter of the silence limit of 400 ms; the line is left alone as long
    // again.
    bench.tool->answer_after(std::chrono::milliseconds(150));
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::failed; }));
    bench.tool->report(result_of("101"));
    bench.tool->answer_after(std::chrono::milliseconds(0));
    REQUIRE(bench.until_results(1));
    CHECK(bench.counters() == std::vector<std::uint64_t>{1});
    CHECK(bench.torques() == std::vector<std::int64_t>{101});
}

TEST_CASE(
    "values that change under a count that was told are told once more, so that it cannot pass for true") {
    auto profile = small_profile();
    Shown bench(profile);
    bench.show(4, 1000);
    bench.settling = std::chrono::seconds(1);  // the two polls below take far less
    bench.connect_to((*bench.device)->port(), links::KnownOfTool{.epoch = "", .counter = 4});
    REQUIRE(bench.until_polled(3));
    bench.show(5, 1000);  // the count first, with the values of the result before
    REQUIRE(bench.until_results(1));
    bench.show(5, 2000);
    REQUIRE(bench.until_results(2));
    CHECK(bench.counters() == std::vector<std::uint64_t>{5, 5});
    CHECK(bench.torques() == std::vector<std::int64_t>{100, 200});
    // Values first, for a moment: the next result is being written.
    bench.show(5, 3000);
    REQUIRE(bench.until_polled(2));
    bench.show(6, 3000);
    REQUIRE(bench.until_results(3));
    CHECK(bench.counters() == std::vector<std::uint64_t>{5, 5, 6});
}

TEST_CASE("what the profile does not name makes neither a result nor a torn read") {
    auto profile = handshake_profile();
    profile.handshake->ready = {.address = 103, .bits = protocol::BitRange{0, 1}};
    auto device = simulation::RegisterServer::open("127.0.0.1", 0, {});
    REQUIRE(device);
    OtherBench bench(profile);
    const auto show = [&](std::uint16_t torque, std::uint16_t status) {
        (*device)->write(100, std::vector<std::uint16_t>{status, torque, 30, status});
    };
    show(1000, 0);
    bench.connect_to((*device)->port(), links::KnownOfTool{.epoch = "0", .counter = 0});
    REQUIRE(bench.until_polled(3));
    show(1000, 1);
    REQUIRE(bench.until_results(1));
    for (std::uint16_t beat = 0; beat < 20; ++beat) {
        show(1000,
             static_cast<std::uint16_t>(1 | beat << 4U));  // other bits of the word, and a register between
        REQUIRE(bench.until_polled(1));
    }
    CHECK(bench.counters() == std::vector<std::uint64_t>{1});
    CHECK(bench.link->polls().discarded == 0);
}

TEST_CASE("a result that waited behind another one is not dated into the time since that was shown") {
    OtherBench bench(acknowledged_profile());
    bench.tool->slow_to_take(std::chrono::milliseconds(20));
    bench.tool->report(result_of("101"));
    bench.tool->report(result_of("102"));
    const auto made = std::chrono::steady_clock::now().time_since_epoch();
    std::this_thread::sleep_for(std::chrono::milliseconds(150));
    bench.connect(links::KnownOfTool{.epoch = "", .counter = 0});
    REQUIRE(bench.until_results(1));
    bench.store_newest();
    REQUIRE(bench.until_results(2));
    CHECK(bench.floor.all<ResultReceived>().back().made.from_ns <
          std::chrono::duration_cast<std::chrono::nanoseconds>(made).count());
}

TEST_CASE("what a tool was told is told again on a new connection: it may have lost power before it acted") {
    std::atomic<int> writes = 0;
    auto device = simulation::RegisterServer::open(
        "127.0.0.1", 0,
        {.before_answer = [&](const auto& request, auto) { writes += request.writes ? 1 : 0; },
         .after_answer = {}});
    REQUIRE(device);
    OtherBench bench(acknowledged_profile());
    (*device)->write(100, std::vector<std::uint16_t>{7, 1000, 30});
    bench.connect_to((*device)->port(), links::KnownOfTool{.epoch = "0", .counter = 7});
    REQUIRE(bench.floor.turn_until([&] { return writes == 1; }));
    (*device)->cut();
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::failed; }));
    (*device)->mend();
    CHECK(bench.floor.turn_until([&] { return writes == 2; }));
}

TEST_CASE("what a tool shows after it was told once more may have waited since before") {
    auto device = simulation::RegisterServer::open("127.0.0.1", 0, {});
    REQUIRE(device);
    OtherBench bench(acknowledged_profile());
    (*device)->write(100, std::vector<std::uint16_t>{7, 1000, 30});
    bench.connect_to((*device)->port(), links::KnownOfTool{.epoch = "0", .counter = 7});
    REQUIRE(bench.until_polled(5));
    (*device)->cut();
    REQUIRE(bench.floor.turn_until([&] { return bench.link->health().quality == Quality::failed; }));
    const auto lost = std::chrono::steady_clock::now().time_since_epoch();
    std::this_thread::sleep_for(std::chrono::milliseconds(100));
    (*device)->write(300, std::vector<std::uint16_t>{0});
    (*device)->mend();
    // It had not acted on what it was told, and shows the next one only now.
    REQUIRE(bench.floor.turn_until([&] { return (*device)->read(300, 1).at(0) == 7; }));
    (*device)->write(100, std::vector<std::uint16_t>{8, 1010, 30});
    REQUIRE(bench.until_results(1));
    CHECK(bench.floor.all<ResultReceived>().back().made.from_ns <
          std::chrono::duration_cast<std::chrono::nanoseconds>(lost).count());
}

TEST_CASE("another result under the number of the stored one is told after a start, and not acknowledged") {
    auto device = simulation::RegisterServer::open("127.0.0.1", 0, {});
    REQUIRE(device);
    OtherBench bench(acknowledged_profile());
    (*device)->write(100, std::vector<std::uint16_t>{7, 1000, 30});
    bench.connect_to((*device)->port(), links::KnownOfTool{.epoch = "0", .counter = 6});
    REQUIRE(bench.until_results(1));
    const auto known = bench.newest();
    bench.disconnect();
    // The tool counted anew, up to the same number. The first 7 may have been acknowledged, or not yet.
    (*device)->write(300, std::vector<std::uint16_t>{0});
    (*device)->write(100, std::vector<std::uint16_t>{7, 120, 30});
    bench.connect_to((*device)->port(), known);
    REQUIRE(bench.until_results(1));
    CHECK(bench.counters() == std::vector<std::uint64_t>{7});
    CHECK(bench.newest().digest != known.digest);
    REQUIRE(bench.until_polled(5));
    CHECK((*device)->read(300, 1).at(0) != 7);
    // Until somebody has decided about it.
    bench.store_newest();
    CHECK(bench.floor.turn_until([&] { return (*device)->read(300, 1).at(0) == 7; }));
}

TEST_CASE("a tool of a handshake that goes on waiting is told again") {
    auto profile = handshake_profile();
    profile.handshake = protocol::Handshake{.ready = {.address = 103}, .address = 300};
    std::atomic<int> writes = 0;
    auto device = simulation::RegisterServer::open(
        "127.0.0.1", 0,
        {.before_answer = [&](const auto& request, auto) { writes += request.writes ? 1 : 0; },
         .after_answer = {}});
    REQUIRE(device);
    OtherBench bench(profile);
    (*device)->write(100, std::vector<std::uint16_t>{7, 1000, 30, 1});
    bench.connect_to((*device)->port(), links::KnownOfTool{.epoch = "0", .counter = 6});
    REQUIRE(bench.until_results(1));
    bench.store_newest();
    CHECK(bench.floor.turn_until([&] { return writes == 2; }));
}
