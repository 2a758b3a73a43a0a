// The line to simple equipment, over real sockets, against the simulated one.
#include <catch2/catch.hpp>

#include <algorithm>
#include <memory>
#include <stdexcept>

#include "config/check.hpp"
#include "service/links/controller_link.hpp"
#include "tests/unit/links/coil_station.hpp"
#include "tests/unit/links/controller_peers.hpp"
#include "tools/simulation/coil_equipment.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using interlock::ControllerReported;
using interlock::Presence;
using interlock::Quality;
using protocol::Code;
using simulation::CoilEquipment;
using std::chrono::milliseconds;

namespace {

constexpr std::uint32_t stay_token = 0x00C0FFEE;
constexpr std::uint32_t challenge_token = 0xFF00BEEF;
constexpr std::uint16_t alive_coil = 0;
constexpr std::uint16_t release_coil = 1;

std::unique_ptr<CoilEquipment> equipment_for(const config::Station& station) {
    auto settings = simulation::coil_equipment_settings(station.bays.front());
    settings.scan = milliseconds(2);
    auto opened = CoilEquipment::open(std::move(settings));
    if (!opened)
        throw std::runtime_error(opened.error());
    return std::move(*opened);
}

// The station's side: a loop that gives its beat each turn, with the orders that the test wants.
class CoilShift {
  public:
    explicit CoilShift(ControllerPace pace = {})
        : pace_(pace), station_(coil_station(0)), equipment_(equipment_for(station_)) {
        station_.bays.front().controller.port = equipment_->port();
        bring_up({});
    }
    // A station that starts again, with what its record knows.
    void bring_up(const std::optional<KnownOfBay>& known) {
        link_ = std::make_unique<ControllerLink>(floor.loop, station_, station_.bays.front(), floor.sink(),
                                                 durable, pace_, known);
        link_->start();
    }
    CoilEquipment& equipment() { return *equipment_; }
    ControllerLink& link() { return *link_; }
    void order(Code code, std::uint32_t token = stay_token, std::uint16_t moved = 0,
               domain::EventNumber once_durable = {}) {
        orders = {
            {.permissive = 1, .code = code, .token = token, .moved = moved, .once_durable = once_durable}};
        publish();
    }
    void publish() { link_->publish(orders, ++beat_); }
    [[nodiscard]] bool until(const std::function<bool()>& wanted) {
        return floor.turn_until(wanted, [this] { publish(); });
    }
    [[nodiscard]] bool until_quality(Quality quality) {
        return until([&] { return link_->health().quality == quality; });
    }
    [[nodiscard]] bool until_moving(bool may) {
        return until([&] { return equipment_->may_move("lift-beam") == may; });
    }
    [[nodiscard]] ControllerReported last_report() const {
        const auto reports = floor.all<ControllerReported>();
        return reports.empty() ? ControllerReported{} : reports.back();
    }
    void receive_a_unit() {
        order(Code::withheld);
        REQUIRE(until_quality(Quality::good));
        equipment_->set_present(true);
        REQUIRE(until([&] { return last_report().present == Presence::present; }));
    }
    void release_to_a_unit() {
        receive_a_unit();
        order(Code::released);
        REQUIRE(until_moving(true));
    }
    // Goes on for so many changes of the alive coil, which take as many beats of both.
    [[nodiscard]] bool beats(int times, const std::function<bool()>& holds) {
        bool held = true;
        for (int i = 0; i < times; ++i) {
            const bool stood = equipment_->bit(alive_coil);
            if (!until([&] {
                    held = held && holds();
                    return equipment_->bit(alive_coil) != stood;
                }))
                return false;
        }
        return held;
    }

    Floor floor;
    std::vector<PermissiveOrder> orders;
    std::shared_ptr<DurableMark> durable = std::make_shared<DurableMark>();

  private:
    ControllerPace pace_;
    config::Station station_;
    std::unique_ptr<CoilEquipment> equipment_;
    std::unique_ptr<ControllerLink> link_;
    std::uint16_t beat_ = 65500;  // goes over its end while the test runs
};

}  // namespace

TEST_CASE("a unit is released by a coil, moves, is seen to have moved, and the coil goes off by itself") {
    CoilShift shift;
    shift.release_to_a_unit();
    CHECK(shift.link().released_on_wire() == std::vector<domain::PermissiveId>{{"lift-beam"}});
    CHECK_FALSE(shift.equipment().may_move("carrier"));
    CHECK(shift.equipment().try_move("lift-beam"));
    REQUIRE(shift.until([&] { return shift.last_report().moved.front().count == 1; }));
    CHECK(shift.last_report().on_wire_released == std::vector<domain::PermissiveId>{{"lift-beam"}});
    // The order still says released: for a movement that was made.
    CHECK(shift.until([&] { return !shift.equipment().bit(release_coil); }));
    CHECK(shift.beats(50, [&] { return !shift.equipment().may_move("lift-beam"); }));
    CHECK(shift.link().released_on_wire().empty());
    // People decide that it may be made once more; the equipment ceases to show the movement first.
    shift.order(Code::released, stay_token, 1);
    CHECK(shift.until_moving(true));
}

TEST_CASE("leaving incomplete is a release to equipment by coils") {
    CoilShift shift;
    shift.receive_a_unit();
    shift.order(Code::leaving_incomplete);
    CHECK(shift.until_moving(true));
}

TEST_CASE("a coil comes on when its grounds are durable, and not before") {
    CoilShift shift;
    shift.receive_a_unit();
    shift.order(Code::released, stay_token, 0, {7});
    shift.durable->advance({6});
    CHECK(shift.beats(10, [&] { return !shift.equipment().bit(release_coil); }));
    shift.durable->advance({7});
    CHECK(shift.until_moving(true));
}

TEST_CASE("no coil comes on without a unit, nor for a test of the wiring") {
    CoilShift shift;
    shift.order(Code::released);
    REQUIRE(shift.until_quality(Quality::good));
    CHECK(shift.beats(10, [&] { return !shift.equipment().bit(release_coil); }));
    shift.receive_a_unit();
    shift.order(Code::released, challenge_token);
    CHECK(shift.beats(10, [&] { return !shift.equipment().bit(release_coil); }));
    CHECK(shift.link().released_on_wire().empty());
}

TEST_CASE("a unit that goes away takes the release with it") {
    CoilShift shift;
    shift.release_to_a_unit();
    shift.equipment().set_present(false);
    CHECK(shift.until([&] { return !shift.equipment().bit(release_coil); }));
    REQUIRE(shift.until([&] { return shift.last_report().departures == 1; }));
    CHECK(shift.last_report().on_wire_released == std::vector<domain::PermissiveId>{{"lift-beam"}});
}

TEST_CASE("a movement that nothing released is told as such") {
    CoilShift shift;
    shift.receive_a_unit();
    shift.equipment().force_move("lift-beam");
    REQUIRE(shift.until([&] { return shift.last_report().moved.front().count == 1; }));
    CHECK(shift.last_report().on_wire_released.empty());
}

TEST_CASE("an echo or a heartbeat that stands still withholds within its time-out, and is said") {
    CoilShift shift;
    shift.release_to_a_unit();
    const auto stuck = GENERATE(std::uint16_t{16}, std::uint16_t{17});
    const auto began = std::chrono::steady_clock::now();
    shift.equipment().stick(stuck, shift.equipment().bit(stuck));
    REQUIRE(shift.until([&] { return !shift.equipment().bit(release_coil); }));
    const auto took = std::chrono::steady_clock::now() - began;
    CHECK(took < milliseconds(300 + 200));  // the time-out, and what a busy machine needs
    REQUIRE(shift.until_quality(Quality::stale));
    CHECK(shift.link().health().why.ends_with(stuck == 16
                                                  ? "the controller's echo of the alive coil stands still"
                                                  : "the controller's heartbeat stands still"));
    REQUIRE(shift.until([&] { return shift.last_report().present == Presence::unknown; }));
    const auto starts = shift.last_report().starts;
    shift.equipment().let_go(stuck);
    REQUIRE(shift.until_quality(Quality::good));
    REQUIRE(shift.until([&] { return shift.last_report().present == Presence::present; }));
    CHECK(shift.last_report().starts == starts + 1);
    CHECK(shift.last_report().arrivals == 1);
}

TEST_CASE("the time from the last good echo to the coil off is the echo time-out and a beat at most") {
    CoilShift shift;
    std::vector<milliseconds> took;
    for (int i = 0; i < 5; ++i) {
        if (i == 0)
            shift.receive_a_unit();
        shift.order(Code::released, stay_token, 0);
        REQUIRE(shift.until_moving(true));
        shift.equipment().stick(16, shift.equipment().bit(16));
        const auto began = std::chrono::steady_clock::now();
        REQUIRE(shift.until([&] { return !shift.equipment().bit(release_coil); }));
        took.push_back(std::chrono::duration_cast<milliseconds>(std::chrono::steady_clock::now() - began));
        shift.equipment().let_go(16);
        REQUIRE(shift.until_quality(Quality::good));
    }
    const auto longest = *std::ranges::max_element(took);
    INFO("longest of 5 from an echo that stands still to the coil off: " << longest.count()
                                                                         << " ms; the time-out is 300 ms");
    CHECK(longest < milliseconds(300 + 200));
}

TEST_CASE("equipment whose program stands still is stale, though its server answers") {
    CoilShift shift;
    shift.release_to_a_unit();
    shift.equipment().freeze(true);
    REQUIRE(shift.until_quality(Quality::stale));
    CHECK(shift.until([&] { return !shift.equipment().bit(release_coil); }));
}

TEST_CASE("a release coil that is stuck on releases no unit, and equipment that acts by it is failed") {
    CoilShift shift;
    shift.equipment().stick(release_coil, true);
    shift.order(Code::withheld);
    REQUIRE(shift.until_quality(Quality::good));
    shift.equipment().set_present(true);
    REQUIRE(shift.until([&] { return shift.last_report().present == Presence::present; }));
    CHECK(shift.beats(30, [&] { return !shift.equipment().may_move("lift-beam"); }));
    // It was seen off once, then sticks: what the rule cannot see, the acting input tells.
    shift.equipment().let_go(release_coil);
    REQUIRE(shift.until([&] { return !shift.equipment().bit(release_coil); }));
    REQUIRE(shift.beats(5, [] { return true; }));
    shift.equipment().stick(release_coil, true);
    REQUIRE(shift.until_quality(Quality::failed));
    CHECK(shift.link().health().why.find("acts on a release of lift-beam that the station did not give") !=
          std::string::npos);
}

TEST_CASE("an alive coil that is stuck is noticed on both sides") {
    CoilShift shift;
    shift.release_to_a_unit();
    shift.equipment().stick(alive_coil, true);
    CHECK(shift.until_moving(false));
    REQUIRE(shift.until_quality(Quality::stale));
    CHECK(shift.until([&] { return !shift.equipment().bit(release_coil); }));
}

TEST_CASE("a station that is gone is noticed by the equipment within its own time-out") {
    CoilShift shift;
    shift.release_to_a_unit();
    shift.equipment().cut();
    const auto began = std::chrono::steady_clock::now();
    REQUIRE(shift.until_moving(false));
    CHECK(shift.equipment().refused_since("lift-beam") - began < milliseconds(400 + 200));
    REQUIRE(shift.until([&] { return shift.link().health().quality != Quality::good; }));
    shift.equipment().mend();
    REQUIRE(shift.until_quality(Quality::good));
    // Only new orders bring it back, and the equipment must have seen it off.
    CHECK(shift.until_moving(true));
}

TEST_CASE("a station that stops switches its coils off and lets the alive coil stand still") {
    CoilShift shift;
    shift.release_to_a_unit();
    shift.link().stop();
    CHECK_FALSE(shift.equipment().bit(release_coil));
    const bool stood = shift.equipment().bit(alive_coil);
    CHECK(shift.equipment().await([&] { return !shift.equipment().may_move("lift-beam"); },
                                  milliseconds(2000)));
    CHECK(shift.equipment().bit(alive_coil) == stood);
}

TEST_CASE("a loop that gives no new beat loses what is on, and the equipment its alive coil") {
    CoilShift shift;
    shift.release_to_a_unit();
    CHECK(shift.equipment().await([&] { return !shift.equipment().bit(release_coil); }, milliseconds(2000)));
    CHECK(shift.equipment().await([&] { return !shift.equipment().may_move("lift-beam"); },
                                  milliseconds(2000)));
}

TEST_CASE("a station that starts again counts on and is told that nobody looked meanwhile") {
    CoilShift shift;
    shift.release_to_a_unit();
    REQUIRE(shift.until([&] { return shift.last_report().arrivals == 1; }));
    const auto before = shift.last_report();
    shift.link().stop();
    shift.floor.got.clear();
    const bool leaves_meanwhile = GENERATE(false, true);
    if (leaves_meanwhile)
        shift.equipment().set_present(false);
    shift.order(Code::withheld);
    shift.bring_up(KnownOfBay{{before.arrivals, before.departures, before.starts, before.moved}, true});
    REQUIRE(shift.until_quality(Quality::good));
    REQUIRE(shift.until([&] { return shift.last_report().present != Presence::unknown; }));
    CHECK(shift.last_report().starts == before.starts + 1);
    CHECK(shift.last_report().arrivals == before.arrivals);
    CHECK(shift.last_report().departures == before.departures + (leaves_meanwhile ? 1 : 0));
    CHECK_FALSE(shift.equipment().may_move("lift-beam"));
}

TEST_CASE("sensors of a module are read at a bay by coils, and told to be unread at one by registers") {
    auto station = coil_station(502);
    config::IoModule module;
    module.id = "IO";
    module.bay = "J1";
    module.host = "192.0.2.9";
    config::IoInput unit;
    unit.id = "unit";
    unit.use = config::PresentInput{};
    config::IoInput raised;
    raised.id = "raised";
    raised.use = config::MovedInput{"lift-beam"};
    module.inputs = {unit, raised};
    station.io = {module};
    const auto unread = [&] {
        return std::ranges::count_if(config::check_links(station), [](const config::ConfigFinding& finding) {
            return finding.pointer.starts_with("/io/0/inputs/");
        });
    };
    CHECK(unread() == 0);
    station.bays.front().controller.coils.reset();
    CHECK(unread() == 2);
}

TEST_CASE(
    "equipment that starts again keeps nothing of a release, and the station doubts which unit it has") {
    CoilShift shift;
    shift.release_to_a_unit();
    const auto starts = shift.last_report().starts;
    shift.equipment().restart();
    bool moved = false;
    REQUIRE(shift.until([&] {
        moved = moved || shift.equipment().may_move("lift-beam");
        return shift.last_report().starts != starts;
    }));
    CHECK(shift.last_report().starts == starts + 1);
    CHECK_FALSE(moved);
    // The doubt withholds, and a ticket releases anew.
    shift.order(Code::withheld);
    REQUIRE(shift.until([&] { return !shift.equipment().bit(release_coil); }));
    REQUIRE(shift.beats(2, [] { return true; }));
    shift.order(Code::released);
    CHECK(shift.until_moving(true));
}

TEST_CASE("a sensor that flutters is told with what to look at") {
    CoilShift shift{{.reports = {.at_once = 5, .a_second = 0.1}, .calm_after = milliseconds(1000)}};
    shift.order(Code::withheld);
    REQUIRE(shift.until_quality(Quality::good));
    bool there = false;
    REQUIRE(shift.until([&] {
        there = !there;
        shift.equipment().set_present(there);
        return !shift.floor.all<interlock::InputRefused>().empty();
    }));
    const auto told = shift.floor.all<interlock::InputRefused>().front();
    CHECK(told.source == "controller of bay J1");
    CHECK_THAT(told.why, Catch::Contains("has changed more than 5 times at once and goes on faster than 0.1 "
                                         "times a second; see its sensors"));

    // Nothing that it says fills the record any more, and nothing of it is believed until it is calm.
    REQUIRE(shift.until_quality(Quality::failed));
    const auto reports = [&] { return shift.floor.all<interlock::ControllerReported>().size(); };
    const auto before = reports();
    REQUIRE(shift.beats(20, [&] {
        there = !there;
        shift.equipment().set_present(there);
        return true;
    }));
    CHECK(reports() == before);
    shift.equipment().set_present(true);
    REQUIRE(shift.until_quality(Quality::good));
    REQUIRE(shift.until([&] { return reports() > before; }));
    CHECK(shift.last_report().present == interlock::Presence::present);
}
