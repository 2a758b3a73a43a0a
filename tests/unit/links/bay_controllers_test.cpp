// A bay whose hoist and carrier are moved by a controller each, over real sockets, against two simulated
// controllers. What becomes of their words is shown in controller_set_test.cpp.
#include <catch2/catch.hpp>

#include <algorithm>
#include <memory>
#include <stdexcept>

#include "config/controllers.hpp"
#include "config/shortest_exchange.hpp"
#include "service/links/bay_controllers.hpp"
#include "tests/unit/links/controller_peers.hpp"
#include "tests/unit/links/simulated_controller.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using config::WireRole;
using interlock::ControllerLinkChanged;
using interlock::ControllerReported;
using interlock::Quality;
using protocol::Code;
using protocol::Movement;
using simulation::Controller;

namespace {

constexpr std::uint32_t pair_token = 0x00BEEF01;
constexpr std::uint16_t beam = 1;
constexpr std::uint16_t carry = 2;

config::Station station_of_two(WireRole role_of_further, std::chrono::milliseconds further_beat) {
    auto station = small_station(WireRole::client, 0);
    config::FurtherController further{
        .id = "carrier-plc", .link = station.bays.front().controller, .permissives = {"carrier"}};
    further.link.role = role_of_further;
    further.link.permissive_address = 0;
    further.link.feedback_address = 40;
    further.link.beat_interval = further_beat;
    further.link.echo_timeout = std::max(10 * further_beat, std::chrono::milliseconds(400));
    station.bays.front().further_controllers.push_back(further);
    return station;
}

// The controller with this place in the bay's list.
std::unique_ptr<Controller> controller_at(const config::Station& station, std::size_t place) {
    const auto& bay = station.bays.front();
    const auto described = config::alone(station, bay, config::controllers_of(station, bay).at(place));
    return controller_for(described, std::chrono::seconds(5));
}

class TwoLines {
  public:
    explicit TwoLines(WireRole role_of_further = WireRole::client,
                      std::chrono::milliseconds further_beat = std::chrono::milliseconds(20))
        : station_(station_of_two(role_of_further, further_beat)) {
        auto& bay = station_.bays.front();
        auto& further = bay.further_controllers.front().link;
        hoist = controller_at(station_, 0);
        bay.controller.port = hoist->port();
        if (role_of_further == WireRole::client) {
            carrier = controller_at(station_, 1);
            further.port = carrier->port();
        }
        lines = std::make_unique<BayControllers>(floor.loop, station_, bay, floor.sink(),
                                                 std::make_shared<DurableMark>());
        lines->start();
        if (role_of_further == WireRole::server) {
            REQUIRE(floor.turn_until([&] { return lines->listening_port(1) != 0; }));
            further.port = lines->listening_port(1);
            carrier = controller_at(station_, 1);
        }
    }
    void order(Code code) {
        orders_ = {{.permissive = beam, .code = code, .token = pair_token},
                   {.permissive = carry, .code = code, .token = pair_token}};
    }
    [[nodiscard]] bool until(const std::function<bool()>& wanted) {
        return floor.turn_until(wanted, [this] { lines->publish(orders_, ++beat_); });
    }
    [[nodiscard]] std::optional<Quality> link() const {
        const auto changes = floor.all<ControllerLinkChanged>();
        return changes.empty() ? std::nullopt : std::optional(changes.back().quality);
    }
    void set_present(bool present) const {
        hoist->set_present(present);
        carrier->set_present(present);
    }
    // The unit is there, its token taken by both, and both movements are released.
    void release_to_a_unit() {
        order(Code::withheld);
        REQUIRE(until([&] { return link() == Quality::good; }));
        set_present(true);
        REQUIRE(until([&] { return echoed() == pair_token; }));
        order(Code::released);
        REQUIRE(until([&] {
            return hoist->movement("lift-beam") == Movement::allowed &&
                   carrier->movement("carrier") == Movement::allowed;
        }));
    }
    [[nodiscard]] std::uint32_t echoed() const {
        const auto reports = floor.all<ControllerReported>();
        return reports.empty() ? 0 : reports.back().echoed.value;
    }

    Floor floor;
    std::unique_ptr<Controller> hoist;
    std::unique_ptr<Controller> carrier;
    std::unique_ptr<BayControllers> lines;

  private:
    config::Station station_;
    std::vector<PermissiveOrder> orders_;
    std::uint16_t beat_ = 0;
};

std::uint16_t moved_of(const ControllerReported& report, const std::string& permissive) {
    return std::ranges::find(report.moved, domain::PermissiveId{permissive}, &interlock::Moved::permissive)
        ->count;
}

}  // namespace

TEST_CASE("each controller of a bay is released by its own line, and each movement is told") {
    const auto role = GENERATE(WireRole::client, WireRole::server);
    TwoLines two{role};
    two.release_to_a_unit();
    CHECK(two.lines->released_on_wire() == std::vector<domain::PermissiveId>{{"lift-beam"}, {"carrier"}});
    CHECK(two.hoist->try_move("lift-beam") == Movement::allowed);
    CHECK(two.carrier->try_move("carrier") == Movement::allowed);
    CHECK(two.until([&] {
        const auto report = two.floor.all<ControllerReported>().back();
        return moved_of(report, "lift-beam") == 1 && moved_of(report, "carrier") == 1;
    }));
    two.order(Code::withheld);
    CHECK(two.until([&] {
        return two.hoist->movement("lift-beam") == Movement::refused &&
               two.carrier->movement("carrier") == Movement::refused;
    }));
}

TEST_CASE("the bay's link is lost with either controller, and is good again with both") {
    TwoLines two;
    two.order(Code::withheld);
    REQUIRE(two.until([&] { return two.link() == Quality::good; }));
    const bool further = GENERATE(false, true);
    Controller& lost = further ? *two.carrier : *two.hoist;
    lost.cut();
    REQUIRE(two.until([&] { return two.link() != Quality::good; }));
    const auto why = two.floor.all<ControllerLinkChanged>().back().why;
    CHECK(why.starts_with(further ? "controller carrier-plc: " : "its main controller: "));
    const auto health = two.lines->health();
    REQUIRE(health.size() == 2);
    CHECK(health[0].name == "J1");
    CHECK(health[1].name == "carrier-plc");
    CHECK((health[0].quality == Quality::good) == further);
    CHECK((health[1].quality == Quality::good) == !further);
    lost.mend();
    CHECK(two.until([&] { return two.link() == Quality::good; }));
    CHECK(std::holds_alternative<ControllerReported>(two.floor.got.back()));
}

TEST_CASE(
    "a bay is seen no longer than a unit stays that may be exchanged, however late its link may be lost") {
    TwoLines bay{WireRole::client, std::chrono::seconds(1)};  // the further one may be silent for ten seconds
    bay.order(Code::withheld);
    REQUIRE(bay.until([&] { return bay.link() == Quality::good; }));
    CHECK_FALSE(bay.lines->sight().too_old);
    bay.carrier->freeze(true);
    REQUIRE(bay.until([&] { return bay.lines->sight().too_old; }));
    CHECK(bay.lines->sight().age > config::shortest_exchange);
    CHECK(bay.lines->sight().age < std::chrono::seconds(10));
    CHECK(bay.link() == Quality::good);
}

TEST_CASE("a unit whose token one of the controllers has not taken is not echoed") {
    TwoLines two;
    two.order(Code::withheld);
    REQUIRE(two.until([&] { return two.link() == Quality::good; }));
    const bool further_sees_it = GENERATE(false, true);
    Controller& sees = further_sees_it ? *two.carrier : *two.hoist;
    const std::string point = further_sees_it ? "carrier" : "lift-beam";
    sees.set_present(true);
    REQUIRE(two.until([&] { return sees.state(point).token == pair_token; }));
    // Told of by the other one's movement, which is read after that.
    const auto before = two.floor.all<ControllerReported>().size();
    (further_sees_it ? *two.hoist : *two.carrier).force_move(further_sees_it ? "lift-beam" : "carrier");
    REQUIRE(two.until([&] { return two.floor.all<ControllerReported>().size() > before; }));
    CHECK(two.echoed() == 0);
    two.set_present(true);
    CHECK(two.until([&] { return two.echoed() == pair_token; }));
}

TEST_CASE("a departure at the main controller is never told before a movement that the other one made") {
    const auto role = GENERATE(WireRole::client, WireRole::server);
    // The further line is read ten times as seldom.
    TwoLines two{role, std::chrono::milliseconds(200)};
    two.release_to_a_unit();
    REQUIRE(two.carrier->try_move("carrier") == Movement::allowed);
    two.set_present(false);
    CHECK(two.until([&] { return two.floor.all<ControllerReported>().back().departures == 1; }));
    for (const auto& report : two.floor.all<ControllerReported>())
        if (report.departures == 1)
            CHECK(moved_of(report, "carrier") == 1);
}
