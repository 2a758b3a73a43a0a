// The simulated controller against a Modbus master that plays the station.
#include <catch2/catch.hpp>

#include <atomic>

#include "protocol/permissive_block.hpp"
#include "tests/unit/tools/peers.hpp"
#include "tools/simulation/controller.hpp"

using namespace tautgate;
using namespace tautgate::simulation;
using namespace tautgate::simulation::testing;
using protocol::Code;
using protocol::Movement;

namespace {

constexpr std::uint32_t token = 0x00C0FFEE;

ControllerSettings two_permissives() {
    ControllerSettings settings;
    settings.link.host = "127.0.0.1";
    settings.link.port = 0;
    settings.link.permissive_address = 0;
    settings.link.feedback_address = 100;
    settings.points = {{"lift-beam", 1}, {"carrier", 2}};
    settings.scan = std::chrono::milliseconds(2);
    return settings;
}

std::unique_ptr<Controller> opened(Witness witness) {
    auto controller = Controller::open(two_permissives(), std::move(witness));
    if (!controller)
        throw std::runtime_error(controller.error());
    return std::move(*controller);
}

std::optional<std::string> borne_out(const std::string& /*permissive*/, Movement /*movement*/) {
    return std::nullopt;
}

// Writes blocks with a beat that goes on, as the station does.
class PlayedStation {
  public:
    explicit PlayedStation(std::uint16_t port) : master_(port) {}
    void show(std::uint16_t permissive, Code code, std::uint32_t for_token = token) {
        const protocol::PermissiveBlock block{
            .address = {1, 1, permissive}, .token = for_token, .code = code, .beat = ++beat_};
        const auto words = protocol::encode(block);
        const auto address = static_cast<std::uint16_t>((permissive - 1) * protocol::permissive_words);
        REQUIRE(master_.write(address, {words.begin(), words.end()}));
    }
    // Shows until the controller's state is as wanted.
    bool show_until(Controller& controller, const std::string& id, std::uint16_t permissive, Code code,
                    const std::function<bool(const protocol::PlcState&)>& wanted) {
        for (int i = 0; i < 200; ++i) {
            show(permissive, code);
            if (controller.await(id, wanted, std::chrono::milliseconds(20)))
                return true;
        }
        return false;
    }
    [[nodiscard]] protocol::FeedbackBlock feedback(std::uint16_t permissive) {
        const auto address = static_cast<std::uint16_t>(100 + (permissive - 1) * protocol::feedback_words);
        return protocol::decode_feedback(master_.read(address, protocol::feedback_words).value(),
                                         {1, 1, permissive})
            .value();
    }

  private:
    Master master_;
    std::uint16_t beat_ = 100;
};

bool take_token(PlayedStation& station, Controller& controller) {
    station.show(1, Code::withheld);
    station.show(1, Code::withheld);
    controller.set_present(true);
    return station.show_until(controller, "lift-beam", 1, Code::withheld,
                              [](const auto& state) { return state.token == token; });
}

bool release(PlayedStation& station, Controller& controller) {
    return station.show_until(controller, "lift-beam", 1, Code::released, [](const auto& state) {
        return protocol::movement(state) == Movement::allowed;
    });
}

}  // namespace

TEST_CASE("the controller moves what was released for the unit whose token it took, and counts it") {
    const auto controller = opened(borne_out);
    PlayedStation station{controller->port()};
    CHECK(controller->try_move("lift-beam") == Movement::refused);
    REQUIRE(take_token(station, *controller));
    CHECK(controller->try_move("lift-beam") == Movement::refused);
    CHECK(station.feedback(1).token == token);
    REQUIRE(release(station, *controller));
    CHECK(controller->try_move("lift-beam") == Movement::allowed);
    CHECK(controller->state("lift-beam").moved_count == 1);
    CHECK(controller->movement("carrier") == Movement::refused);
    CHECK(station.feedback(1).moved == 1);
    CHECK(station.feedback(1).arrivals == 1);
    CHECK(controller->violations().empty());
}

TEST_CASE("a release that the bolts do not bear out is a violation, once") {
    const auto controller =
        opened([](const std::string&, Movement) { return std::optional<std::string>("bolt 3 is loose"); });
    PlayedStation station{controller->port()};
    REQUIRE(take_token(station, *controller));
    CHECK(controller->violations().empty());
    REQUIRE(release(station, *controller));
    REQUIRE(release(station, *controller));
    REQUIRE(controller->await_violations(1, deadline));
    const auto violations = controller->violations();
    REQUIRE(violations.size() == 1);
    CHECK(violations.front() == "lift-beam is free to move, though bolt 3 is loose");
}

TEST_CASE("a movement made by hand while withheld is counted and is a fault") {
    const auto controller = opened(borne_out);
    PlayedStation station{controller->port()};
    REQUIRE(take_token(station, *controller));
    controller->force_move("lift-beam");
    CHECK(controller->state("lift-beam").moved_count == 1);
    CHECK(station.feedback(1).fault == static_cast<std::uint16_t>(protocol::PlcFault::moved_while_withheld));
}

TEST_CASE("a beat that stands still withholds") {
    const auto controller = opened(borne_out);
    PlayedStation station{controller->port()};
    REQUIRE(take_token(station, *controller));
    REQUIRE(release(station, *controller));
    CHECK(controller->await_movement("lift-beam", Movement::refused, deadline));
    CHECK(controller->state("lift-beam").fault == protocol::PlcFault::beat_still);
}

TEST_CASE("where the station is the server, the controller fetches its blocks and brings its feedback") {
    const protocol::PermissiveBlock withheld{.address = {1, 1, 1}, .token = token, .code = Code::withheld};
    const auto put = [](RegisterServer& station, protocol::PermissiveBlock block, std::uint16_t beat) {
        block.beat = beat;
        station.write(0, protocol::encode(block));
    };
    auto station = RegisterServer::open("127.0.0.1", 0, {});
    REQUIRE(station);
    auto settings = two_permissives();
    settings.link.role = config::WireRole::server;
    settings.link.port = (*station)->port();
    auto controller = Controller::open(settings, borne_out);
    REQUIRE(controller);
    (*controller)->set_present(true);
    const auto ask = [&](Code code, const std::function<bool(const protocol::PlcState&)>& wanted) {
        auto block = withheld;
        block.code = code;
        for (std::uint16_t beat = 1; beat < 250; ++beat) {
            put(**station, block, static_cast<std::uint16_t>(beat + (code == Code::released ? 250 : 0)));
            if ((*controller)->await("lift-beam", wanted, std::chrono::milliseconds(20)))
                return true;
        }
        return false;
    };
    REQUIRE(ask(Code::withheld, [](const auto& state) { return state.token == token; }));
    REQUIRE(ask(Code::released,
                [](const auto& state) { return protocol::movement(state) == Movement::allowed; }));
    CHECK((*controller)->try_move("lift-beam") == Movement::allowed);
    // It brings the feedback by itself, some scans later.
    bool brought = false;
    for (int i = 0; i < 100 && !brought; ++i) {
        CHECK((*controller)
                  ->await(
                      "lift-beam", [](const auto&) { return true; }, deadline));
        const auto words = (*station)->read(100, protocol::feedback_words);
        const auto feedback = protocol::decode_feedback(words, {1, 1, 1});
        brought = feedback && feedback->moved == 1 && feedback->arrivals == 1;
        (*controller)->force_move("carrier");  // lasts three scans
    }
    CHECK(brought);
}

TEST_CASE("a start of the PLC program counts and forgets the release") {
    const auto controller = opened(borne_out);
    PlayedStation station{controller->port()};
    REQUIRE(take_token(station, *controller));
    REQUIRE(release(station, *controller));
    const auto starts = controller->state("lift-beam").plc_starts;
    controller->restart();
    CHECK(controller->movement("lift-beam") == Movement::refused);
    REQUIRE(controller->await(
        "lift-beam", [](const auto& state) { return state.scanned; }, deadline));
    CHECK(controller->state("lift-beam").plc_starts == starts + 1);
    CHECK(station.feedback(1).plc_starts == starts + 1);
}
