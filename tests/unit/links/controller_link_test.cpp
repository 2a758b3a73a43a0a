// The line to the controller, in both roles, against the simulated controller and against scripted peers.
#include <catch2/catch.hpp>

#include <atomic>
#include <memory>
#include <stdexcept>
#include <thread>

#include <modbus.h>

#include "service/links/controller_link.hpp"
#include "tests/standards/links/raw_peer.hpp"
#include "tests/unit/links/controller_peers.hpp"
#include "tests/unit/links/simulated_controller.hpp"
#include "tests/unit/tools/peers.hpp"

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

constexpr std::uint32_t shift_token = 0x00C0FFEE;

// A controller that never gives up a silent station: what it is refused, the station has withheld.
constexpr std::chrono::hours never{24};

// The station's side: a loop that gives its beat each turn, with the orders that the test wants.
class Shift {
  public:
    explicit Shift(WireRole role, std::chrono::milliseconds beat_limit = std::chrono::seconds(1),
                   std::chrono::milliseconds beat_interval = std::chrono::milliseconds(20))
        : station_(small_station(role, 0)) {
        station_.permissives.front().one_shot = true;
        station_.bays.front().controller.beat_interval = beat_interval;
        station_.bays.front().controller.echo_timeout = 20 * beat_interval;
        if (role == WireRole::client) {
            controller_ = controller_for(station_, beat_limit);
            station_.bays.front().controller.port = controller_->port();
        }
        link_ = std::make_unique<ControllerLink>(floor.loop, station_, station_.bays.front(), floor.sink(),
                                                 durable);
        link_->start();
        if (role == WireRole::server) {
            REQUIRE(floor.turn_until([&] { return link_->listening_port() != 0; }));
            station_.bays.front().controller.port = link_->listening_port();
            controller_ = controller_for(station_, beat_limit);
        }
    }
    Controller& controller() { return *controller_; }
    ControllerLink& link() { return *link_; }
    [[nodiscard]] const config::Station& station() const { return station_; }
    void order(Code code, std::uint32_t for_token = shift_token, domain::EventNumber once_durable = {}) {
        orders = {
            {.permissive = 1, .code = code, .token = for_token, .reason = 7, .once_durable = once_durable}};
        publish();
    }
    void publish() { link_->publish(orders, ++beat_); }
    [[nodiscard]] bool until(const std::function<bool()>& wanted) {
        return floor.turn_until(wanted, [this] { publish(); });
    }
    [[nodiscard]] bool until_quality(Quality quality) {
        return until([&] { return link_->health().quality == quality; });
    }
    [[nodiscard]] bool until_movement(Movement movement) {
        return until([&] { return controller_->movement("lift-beam") == movement; });
    }
    void release_to_a_unit() {
        receive_a_unit();
        order(Code::released);
        REQUIRE(until_movement(Movement::allowed));
    }

    // The unit is there and its token taken; nothing is released.
    void receive_a_unit() {
        order(Code::withheld);
        REQUIRE(until_quality(Quality::good));
        controller_->set_present(true);
        REQUIRE(until([&] { return controller_->state("lift-beam").token == shift_token; }));
    }

    Floor floor;
    std::vector<PermissiveOrder> orders;
    std::shared_ptr<DurableMark> durable = std::make_shared<DurableMark>();

  private:
    config::Station station_;
    std::unique_ptr<Controller> controller_;
    std::unique_ptr<ControllerLink> link_;
    std::uint16_t beat_ = 65500;  // goes over its end while the test runs
};

// Stands between the link and the controller and lets bytes through both ways; answers can be held back.
class Between {
  public:
    explicit Between(std::uint16_t controller_port) : controller_port_(controller_port) {
        thread_ = std::jthread([this](const std::stop_token& stop) { run(stop); });
    }
    [[nodiscard]] std::uint16_t port() const { return listener_.port(); }
    void hold_answers(bool on) { holding_ = on; }
    [[nodiscard]] int calls() const { return calls_; }
    [[nodiscard]] int broken_off() const { return broken_off_; }
    // Requests that went through while answers were held back.
    [[nodiscard]] int unanswered() const { return unanswered_; }

  private:
    void run(const std::stop_token& stop) {
        while (!stop.stop_requested()) {
            auto link = listener_.accept_within(10);
            if (!link)
                continue;
            ++calls_;
            const auto controller = tests::RawPeer::connect(controller_port_);
            try {
                while (!stop.stop_requested() && pass(*link, controller))
                    ;
            } catch (const std::runtime_error&) {
                ++broken_off_;  // a side hung up while it was written to
            }
        }
    }
    // False: a side has hung up.
    [[nodiscard]] bool pass(const tests::RawPeer& link, const tests::RawPeer& controller) {
        const auto request = link.take_within(2);
        if (request && request->empty())
            return false;
        if (request) {
            controller.send(*request);
            unanswered_ += holding_ ? 1 : 0;
        }
        const auto answer = holding_ ? std::nullopt : controller.take();
        if (answer && answer->empty())
            return false;
        if (answer)
            link.send(*answer);
        return true;
    }
    std::uint16_t controller_port_;
    tests::RawListener listener_;
    std::atomic<bool> holding_ = false;
    std::atomic<int> calls_ = 0;
    std::atomic<int> broken_off_ = 0;
    std::atomic<int> unanswered_ = 0;
    std::jthread thread_;  // last: uses all of the above
};

WireRole either_role() { return GENERATE(WireRole::client, WireRole::server); }

}  // namespace

TEST_CASE("a release goes out when its grounds are durable, and needs no turn of the loop for that") {
    const auto role = GENERATE(WireRole::client, WireRole::server);
    Shift shift(role);
    shift.receive_a_unit();
    const auto allowed = [&] { return shift.controller().movement("lift-beam") == Movement::allowed; };
    shift.order(Code::released, shift_token, {7});
    shift.durable->advance({6});
    for (int i = 0; i < 10; ++i) {
        std::this_thread::sleep_for(std::chrono::milliseconds(5));
        shift.publish();
        REQUIRE_FALSE(allowed());
    }
    shift.durable->advance({7});
    const auto end = std::chrono::steady_clock::now() + std::chrono::seconds(2);
    while (!allowed() && std::chrono::steady_clock::now() < end)
        std::this_thread::sleep_for(std::chrono::milliseconds(1));
    CHECK(allowed());
}

TEST_CASE("a withhold is not kept back after a release that the loop has not seen go out") {
    // The next beat would carry it, but only after a second.
    Shift shift(WireRole::client, never, std::chrono::seconds(1));
    shift.receive_a_unit();
    const auto becomes = [&](Movement wanted, std::chrono::milliseconds within) {
        const auto end = std::chrono::steady_clock::now() + within;
        const auto now = [&] { return shift.controller().movement("lift-beam"); };
        while (now() != wanted && std::chrono::steady_clock::now() < end)
            std::this_thread::sleep_for(std::chrono::milliseconds(1));
        return now() == wanted;
    };
    shift.order(Code::released, shift_token, {7});
    shift.durable->advance({7});
    REQUIRE(becomes(Movement::allowed, std::chrono::seconds(5)));
    shift.order(Code::withheld);  // with the reason that it had before the release
    CHECK(becomes(Movement::refused, std::chrono::milliseconds(600)));
}

TEST_CASE("an order to withhold ends one that still waited for the disk") {
    Shift shift(WireRole::client);
    shift.receive_a_unit();
    shift.order(Code::released, shift_token, {7});
    shift.order(Code::withheld);
    shift.durable->advance({7});
    for (int i = 0; i < 10; ++i) {
        std::this_thread::sleep_for(std::chrono::milliseconds(5));
        shift.publish();
        REQUIRE(shift.controller().movement("lift-beam") != Movement::allowed);
    }
}

TEST_CASE("a unit is released, moves, and is seen to have moved, in both roles") {
    Shift shift{either_role()};
    shift.release_to_a_unit();
    CHECK(shift.link().released_on_wire() == std::vector<domain::PermissiveId>{{"lift-beam"}});
    CHECK(shift.controller().movement("carrier") == Movement::refused);
    CHECK(shift.controller().try_move("lift-beam") == Movement::allowed);
    REQUIRE(shift.until([&] {
        const auto reports = shift.floor.all<ControllerReported>();
        return !reports.empty() && reports.back().moved.front().count == 1;
    }));
    const auto last = shift.floor.all<ControllerReported>().back();
    CHECK(last.bay.text == "J1");
    CHECK(last.present == interlock::Presence::present);
    CHECK(last.arrivals == 1);
    CHECK(last.starts == 1);
    CHECK(last.moved == std::vector<interlock::Moved>{{{"lift-beam"}, 1}, {{"carrier"}, 0}});
    CHECK(last.fresh.value == 0);
    CHECK(last.on_wire_released.empty());
}

TEST_CASE("a movement uses its release up, and the next needs no withheld block that the controller saw") {
    Shift shift{either_role()};
    shift.release_to_a_unit();
    REQUIRE(shift.controller().try_move("lift-beam") == Movement::allowed);
    REQUIRE(shift.until_movement(Movement::refused));
    shift.orders.front().moved = 1;
    CHECK(shift.until_movement(Movement::allowed));
    CHECK(shift.controller().try_move("lift-beam") == Movement::allowed);
    CHECK(shift.until_movement(Movement::refused));
}

TEST_CASE("the controller's report is given again once its echo has become good, in both roles") {
    Shift shift{either_role()};
    REQUIRE(shift.until_quality(Quality::good));
    REQUIRE(shift.until([&] {
        return !shift.floor.got.empty() &&
               std::holds_alternative<ControllerReported>(shift.floor.got.back()) &&
               !shift.floor.all<ControllerLinkChanged>().empty();
    }));
    const auto changes = shift.floor.all<ControllerLinkChanged>();
    CHECK(changes.back().quality == Quality::good);
    CHECK(changes.back().bay.text == "J1");
}

TEST_CASE("a withhold goes out behind a request whose answer has not come yet, on the same connection") {
    auto station = small_station(WireRole::client, 0);
    const auto controller = controller_for(station, never);
    Between between{controller->port()};
    auto& wire = station.bays.front().controller;
    wire.port = between.port();
    wire.echo_timeout = std::chrono::seconds(4);  // no doubt about the echo may withhold in its place
    Floor floor;
    ControllerLink link(floor.loop, station, station.bays.front(), floor.sink(),
                        std::make_shared<DurableMark>());
    link.start();
    std::uint16_t beat = 0;
    auto code = Code::withheld;
    const auto publish = [&] {
        link.publish({{.permissive = 1, .code = code, .token = shift_token, .reason = 7}}, ++beat);
    };
    REQUIRE(floor.turn_until([&] { return link.health().quality == Quality::good; }, publish));
    controller->set_present(true);
    REQUIRE(floor.turn_until([&] { return controller->state("lift-beam").token == shift_token; }, publish));
    // A busy computer may take longer than an answer is waited for; then it is another connection, and tried
    // anew.
    bool on_the_same = false;
    for (int attempt = 0; attempt < 5 && !on_the_same; ++attempt) {
        code = Code::released;
        REQUIRE(floor.turn_until([&] { return controller->movement("lift-beam") == Movement::allowed; },
                                 publish));
        const auto calls = between.calls();
        between.hold_answers(true);
        REQUIRE(floor.turn_until([&] { return between.unanswered() > 0; }, publish));
        code = Code::withheld;
        publish();
        // The controller acts on the block itself: not on a beat that stands still, which is another fault of
        // its.
        REQUIRE(floor.turn_until([&] { return controller->movement("lift-beam") == Movement::refused; }));
        const bool by_the_block = controller->state("lift-beam").link_good;
        // Whether it arrived is not known to the station before an answer comes.
        between.hold_answers(false);
        REQUIRE(floor.turn_until([&] { return link.released_on_wire().empty(); }, publish));
        on_the_same = by_the_block && between.calls() == calls;
    }
    CHECK(on_the_same);
}

TEST_CASE("a withdrawn release is withheld at the controller and no longer counts as out, in both roles") {
    Shift shift{either_role()};
    shift.release_to_a_unit();
    shift.order(Code::withheld);
    REQUIRE(shift.until_movement(Movement::refused));
    REQUIRE(shift.until([&] { return shift.link().released_on_wire().empty(); }));
    CHECK(shift.link().health().quality == Quality::good);
}

TEST_CASE("a loop that gives no new beat loses its release without the controller's own time-out") {
    Shift shift{either_role(), never};
    shift.release_to_a_unit();
    // The loop stands still: the same orders under the same beat.
    REQUIRE(shift.controller().await_movement("lift-beam", Movement::refused, deadline));
    CHECK(shift.floor.turn_until([&] { return shift.link().released_on_wire().empty(); }));
}

TEST_CASE("a controller whose program stands still is stale, and its release does not come back by itself") {
    Shift shift{either_role()};
    shift.release_to_a_unit();
    shift.controller().freeze(true);
    REQUIRE(shift.until_quality(Quality::stale));
    REQUIRE(shift.until([&] { return shift.link().released_on_wire().empty(); }));
    REQUIRE(shift.until(
        [&] { return shift.floor.all<ControllerLinkChanged>().back().quality == Quality::stale; }));
    // From here on the loop says nothing but what it said last: released.
    shift.controller().freeze(false);
    bool released_again = false;
    REQUIRE(shift.floor.turn_until([&] {
        released_again = released_again || !shift.link().released_on_wire().empty();
        return shift.controller().movement("lift-beam") == Movement::refused;
    }));
    CHECK_FALSE(released_again);
    shift.order(Code::withheld);
    REQUIRE(shift.until_quality(Quality::good));
}

TEST_CASE("stop leaves the permissive withheld on the wire and says nothing more, in both roles") {
    const auto role = either_role();
    // A master that comes too late for the last word finds nobody, and gives the station up by itself.
    Shift shift{role, role == WireRole::client ? std::chrono::milliseconds(never) : std::chrono::seconds(1)};
    shift.release_to_a_unit();
    const auto said = shift.floor.got.size();
    shift.link().stop();
    CHECK(shift.link().released_on_wire().empty());
    CHECK(shift.controller().await_movement("lift-beam", Movement::refused, deadline));
    shift.floor.loop.restart();
    shift.floor.loop.poll();
    CHECK(shift.floor.got.size() == said);
}

TEST_CASE("a lost connection fails the line at once and mends by itself") {
    Shift shift{WireRole::client};
    shift.release_to_a_unit();
    shift.controller().cut();
    REQUIRE(shift.until_quality(Quality::failed));
    shift.order(Code::withheld);
    shift.controller().mend();
    REQUIRE(shift.until_quality(Quality::good));
}

TEST_CASE("a release given by nobody that the controller acts on fails the line") {
    config::Station station = small_station(WireRole::client, 0);
    auto server = simulation::RegisterServer::open("127.0.0.1", 0, {}).value();
    station.bays.front().controller.port = server->port();
    Floor floor;
    ControllerLink link{floor.loop, station, station.bays.front(), floor.sink(),
                        std::make_shared<DurableMark>()};
    link.start();
    std::uint16_t beat = 0;
    const auto echo = [&] {
        link.publish({}, ++beat);
        for (std::uint16_t i = 0; i < 2; ++i) {
            const protocol::BlockAddress own{3, 2, static_cast<std::uint16_t>(i + 1)};
            const auto shown = protocol::decode_permissive(
                server->read(static_cast<std::uint16_t>(10 + i * protocol::permissive_words),
                             protocol::permissive_words),
                own);
            const protocol::FeedbackBlock feedback{.address = own,
                                                   .token = shift_token,
                                                   .acting = i == 0 ? protocol::Feedback::released
                                                                    : protocol::Feedback::withheld,
                                                   .beat = shown ? shown->beat : std::uint16_t{0},
                                                   .presence = protocol::Presence::present};
            server->write(static_cast<std::uint16_t>(100 + i * protocol::feedback_words),
                          protocol::encode(feedback));
        }
    };
    REQUIRE(floor.turn_until([&] { return link.health().quality == Quality::failed; }, echo));
    CHECK(link.health().why.find("lift-beam") != std::string::npos);
}

TEST_CASE("the first words on the wire are withheld, whatever was ordered before") {
    config::Station station = small_station(WireRole::client, 0);
    std::vector<std::uint16_t> codes;
    auto server = simulation::RegisterServer::open("127.0.0.1", 0,
                                                   {.before_answer = {},
                                                    .after_answer =
                                                        [&](const simulation::RegisterRequest& request,
                                                            std::span<std::uint16_t> registers) {
                                                            if (request.writes)
                                                                codes.push_back(registers[10 + 6]);
                                                        }})
                      .value();
    station.bays.front().controller.port = server->port();
    Floor floor;
    ControllerLink link{floor.loop, station, station.bays.front(), floor.sink(),
                        std::make_shared<DurableMark>()};
    link.publish({{.permissive = 1, .code = Code::released, .token = shift_token}}, 1);
    link.start();
    REQUIRE(floor.turn_until([&] { return link.health().why.find("are 0") != std::string::npos; }));
    link.stop();
    server.reset();
    REQUIRE_FALSE(codes.empty());
    for (const auto code : codes)
        CHECK(code == static_cast<std::uint16_t>(Code::withheld));
}

TEST_CASE("as a server the line takes whole feedback blocks only, and nobody writes its permissives") {
    Floor floor;
    const config::Station station = small_station(WireRole::server, 0);
    ControllerLink link{floor.loop, station, station.bays.front(), floor.sink(),
                        std::make_shared<DurableMark>()};
    link.start();
    REQUIRE(floor.turn_until([&] { return link.listening_port() != 0; }));
    const std::unique_ptr<modbus_t, decltype(&modbus_free)> master{
        modbus_new_tcp("127.0.0.1", link.listening_port()), &modbus_free};
    modbus_set_slave(master.get(), 1);
    REQUIRE(modbus_connect(master.get()) == 0);
    CHECK(link.health().why == "no controller has written its feedback yet; the station listens for it at "
                               "127.0.0.1 port " +
                                   std::to_string(link.listening_port()));
    std::array<std::uint16_t, 64> words{};
    CHECK(modbus_read_registers(master.get(), 10, 24, words.data()) == 24);
    CHECK(words[6] == static_cast<std::uint16_t>(Code::withheld));
    CHECK(modbus_write_registers(master.get(), 100, 16, words.data()) == 16);
    CHECK(modbus_write_registers(master.get(), 100, 32, words.data()) == 32);

    const auto refused = [&](int result, int with) { return result == -1 && errno == with; };
    CHECK(refused(modbus_write_registers(master.get(), 10, 12, words.data()), EMBXILADD));
    CHECK(refused(modbus_write_registers(master.get(), 100, 15, words.data()), EMBXILADD));
    CHECK(refused(modbus_write_registers(master.get(), 101, 16, words.data()), EMBXILADD));
    CHECK(refused(modbus_write_registers(master.get(), 116, 32, words.data()), EMBXILADD));
    CHECK(refused(modbus_write_register(master.get(), 100, 1), EMBXILFUN));
    CHECK(refused(modbus_read_input_registers(master.get(), 10, 1, words.data()), EMBXILFUN));
    CHECK(refused(modbus_read_registers(master.get(), 34, 2, words.data()), EMBXILADD));
    CHECK(floor.turn_until(
        [&] { return link.health().why.find("what came last was refused: ") != std::string::npos; }));
    CHECK(modbus_write_registers(master.get(), 100, 32, words.data()) == 32);
    CHECK(floor.turn_until([&] { return link.health().why.find("refused") == std::string::npos; }));
    modbus_close(master.get());
}

TEST_CASE("a master that sends half a request keeps nobody waiting") {
    Shift shift{WireRole::server};
    const int half = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(shift.link().listening_port());
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    REQUIRE(connect(half, reinterpret_cast<sockaddr*>(&address), sizeof address) == 0);
    REQUIRE(send(half, "\0\1\0\0\0", 5, MSG_NOSIGNAL) == 5);
    shift.release_to_a_unit();
    CHECK(shift.link().health().quality == Quality::good);
    close(half);
}
