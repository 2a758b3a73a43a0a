// Thirty-one polled tools that work, and one that is swallowed by the network: it is noticed in time, and
// nobody else feels it.
#include <catch2/catch.hpp>

#include <chrono>
#include <cstdlib>
#include <functional>
#include <numeric>

#include "service/links/register_tool.hpp"
#include "service/links/serial_bus.hpp"
#include "tests/faults/far_device.hpp"
#include "tests/unit/links/controller_peers.hpp"
#include "tools/simulation/register_tool.hpp"

using namespace tautgate;
using links::testing::Floor;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr milliseconds poll_interval{50};
constexpr milliseconds silence_limit{2000};
constexpr std::size_t live_tools = 31;

protocol::RegisterProfile plain_profile() {
    using namespace protocol;
    RegisterProfile profile;
    profile.name = "plain";
    profile.counter = CounterField{{.address = 100, .type = FieldType::uint16}, 0, 0xFFFF};
    profile.torque = TorqueField{{.address = 101, .type = FieldType::uint16}, TorqueUnit::newton_metre};
    profile.range = {Torque{1'000'000}, Angle{1'000'000}, Torque{500'000'000}};
    return profile;
}

config::Tool polled_at(const std::string& id, const std::string& host, std::uint16_t port) {
    config::Tool tool;
    tool.id = id;
    tool.silence_limit = silence_limit;
    tool.settling = milliseconds(200);
    tool.longest_run = milliseconds(1000);
    config::RegisterLink link;
    link.host = host;
    link.port = port;
    link.profile = "plain";
    link.poll_interval = poll_interval;
    tool.link = link;
    return tool;
}

class Station {
  public:
    Station() { station_.profiles = {{"plain", plain_profile()}}; }

    void poll(const config::Tool& tool) {
        links_.push_back(std::make_unique<links::RegisterTool>(
            floor.loop, station_, tool, floor.sink(), floor.traces(),
            [] { return std::optional<links::KnownOfTool>(); }, "boot-1",
            std::make_shared<links::SerialBuses>()));
        links_.back()->start();
    }
    [[nodiscard]] bool all_good() const {
        return std::ranges::all_of(
            links_, [](const auto& link) { return link->health().quality == interlock::Quality::good; });
    }
    [[nodiscard]] interlock::Quality quality(std::size_t link) const {
        return links_[link]->health().quality;
    }
    [[nodiscard]] std::uint64_t lost(std::size_t link) const { return links_[link]->health().counts.lost; }
    // Of the live ones, together, while something is done.
    [[nodiscard]] double polls_a_second(const std::function<void()>& done) const {
        const auto at_first = good_polls();
        const auto began = steady_clock::now();
        done();
        const std::chrono::duration<double> took = steady_clock::now() - began;
        return static_cast<double>(good_polls() - at_first) / took.count();
    }
    [[nodiscard]] std::uint64_t good_polls() const {
        return std::accumulate(links_.begin(), links_.begin() + live_tools, std::uint64_t{0},
                               [](std::uint64_t sum, const auto& link) { return sum + link->polls().good; });
    }
    // A result that is replaced before it stood still does not count, and how soon this computer comes to
    // look at a tool is its own affair: so each tool makes its next one when the one before has come.
    [[nodiscard]] bool all_have(std::size_t results) {
        return floor.turn_until([&] {
            for (std::size_t i = 0; i < live_tools; ++i)
                if (results_of("L" + std::to_string(i)) != results)
                    return false;
            return true;
        });
    }
    [[nodiscard]] std::size_t results_of(const std::string& tool) const {
        const auto results = floor.all<interlock::ResultReceived>();
        return static_cast<std::size_t>(
            std::ranges::count_if(results, [&](const auto& result) { return result.tool.text == tool; }));
    }
    void turn_for(milliseconds time) {
        const auto end = steady_clock::now() + time;
        static_cast<void>(floor.turn_until([&] { return steady_clock::now() >= end; }));
    }

    Floor floor;

  private:
    config::Station station_;
    std::vector<std::unique_ptr<links::RegisterTool>> links_;
};

}  // namespace

TEST_CASE("one device that the network swallowed is noticed in time, and delays none of the others") {
    faults::FarDevice far(plain_profile());
    if (!far.has_its_own_network())
        WARN("no network of its own may be made here: the device is stopped instead");
    std::vector<std::unique_ptr<simulation::RegisterTool>> tools;
    Station station;
    for (std::size_t i = 0; i < live_tools; ++i) {
        tools.push_back(simulation::RegisterTool::open("127.0.0.1", 0, plain_profile()).value());
        station.poll(polled_at("L" + std::to_string(i), "127.0.0.1", tools.back()->port()));
    }
    station.poll(polled_at("far", far.host(), far.port()));
    REQUIRE(station.floor.turn_until([&] { return station.all_good(); }));

    constexpr milliseconds watched{2000};
    const auto with_all = station.polls_a_second([&] { station.turn_for(watched); });

    far.pull_cable();
    const auto pulled = steady_clock::now();
    REQUIRE(
        station.floor.turn_until([&] { return station.quality(live_tools) != interlock::Quality::good; }));
    // Silence is counted from the last answer, which is at most a poll old; the rest is the computer's own
    // haste.
    CHECK(steady_clock::now() - pulled < silence_limit + poll_interval + milliseconds(500));

    constexpr std::size_t rounds = 10;
    const auto with_one_gone = station.polls_a_second([&] {
        for (std::size_t round = 1; round <= rounds; ++round) {
            for (const auto& tool : tools) {
                protocol::WrittenResult result;
                result.torque = protocol::WrittenValue{"50", "N.m"};
                tool->report(result);
            }
            station.turn_for(watched / rounds);
            REQUIRE(station.all_have(round));
        }
    });
    INFO("polls a second with all: " << with_all << ", with one gone: " << with_one_gone);
    CHECK(with_one_gone > with_all * 0.8);
    for (std::size_t i = 0; i < live_tools; ++i)
        CHECK(station.lost(i) == 0);

    // What it makes meanwhile is there when the cable is.
    if (far.has_its_own_network())
        far.make_result();
    far.plug_cable();
    if (!far.has_its_own_network())
        far.make_result();
    CHECK(station.floor.turn_until([&] { return station.quality(live_tools) == interlock::Quality::good; }));
    CHECK(station.floor.turn_until([&] { return station.results_of("far") == 1; }));
}
