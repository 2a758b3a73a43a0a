// The registers that masters come to: who may call, and how many at once.
#include <array>
#include <cerrno>
#include <chrono>
#include <memory>
#include <string>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/write.hpp>
#include <catch2/catch.hpp>

#include "service/links/block_server.hpp"
#include "service/links/peer_address.hpp"

using namespace tautgate;

namespace {

config::ControllerLink any_port() {
    config::ControllerLink link;
    link.role = config::WireRole::server;
    link.host = "127.0.0.1";
    link.port = 0;
    link.permissive_address = 0;
    link.feedback_address = 100;
    return link;
}

}  // namespace

TEST_CASE("as many masters as are served may call at the same moment") {
    auto server = links::BlockServer::open(any_port(), 1);
    REQUIRE(server);

    // Nobody serves yet, so that every one of them is kept waiting by the system.
    boost::asio::io_context loop;
    std::vector<boost::asio::ip::tcp::socket> masters;
    std::size_t connected = 0;
    for (std::size_t i = 0; i < links::BlockServer::masters_at_once; ++i) {
        auto& master = masters.emplace_back(loop);
        master.async_connect({boost::asio::ip::address_v4::loopback(), (*server)->port()},
                             [&connected](const boost::system::error_code& failed) {
                                 if (!failed)
                                     ++connected;
                             });
    }
    loop.run_for(std::chrono::seconds(10));  // ends as soon as all are there
    CHECK(connected == links::BlockServer::masters_at_once);
}

TEST_CASE("masters that fell silent do not keep one out that comes back") {
    auto server = links::BlockServer::open(any_port(), 1);
    REQUIRE(server);
    const links::Waker nobody;
    const auto serve = [&] {
        const auto soon = std::chrono::steady_clock::now() + std::chrono::milliseconds(20);
        static_cast<void>((*server)->serve(nobody, soon, [] {}));
    };
    boost::asio::io_context loop;
    std::vector<boost::asio::ip::tcp::socket> silent;
    for (std::size_t i = 0; i < links::BlockServer::masters_at_once; ++i) {
        silent.emplace_back(loop).connect({boost::asio::ip::address_v4::loopback(), (*server)->port()});
        serve();
    }
    boost::asio::ip::tcp::socket back(loop);
    back.connect({boost::asio::ip::address_v4::loopback(), (*server)->port()});
    serve();
    // Read Holding Registers, one from 0 on (MODBUS Application Protocol V1.1b3, 6.3).
    const std::array<std::uint8_t, 12> request{0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1};
    boost::asio::write(back, boost::asio::buffer(request));
    std::array<std::uint8_t, 11> answer{};
    for (int i = 0; i < 50 && back.available() < answer.size(); ++i)
        serve();
    REQUIRE(back.available() == answer.size());
    boost::asio::read(back, boost::asio::buffer(answer));
    CHECK(answer[7] == 3);
    // The first of them made room, and was told so.
    boost::system::error_code over;
    silent.front().non_blocking(true);
    std::array<char, 1> byte{};
    static_cast<void>(silent.front().read_some(boost::asio::buffer(byte), over));
    CHECK(over == boost::asio::error::eof);
}

namespace {

using Bytes = std::vector<std::uint8_t>;

// One master whose requests are served while it waits.
class Calling {
  public:
    Calling() { master_.connect({boost::asio::ip::address_v4::loopback(), server->port()}); }
    void say(const Bytes& request) { boost::asio::write(master_, boost::asio::buffer(request)); }
    void serve() {
        const auto soon = std::chrono::steady_clock::now() + std::chrono::milliseconds(20);
        static_cast<void>(server->serve(nobody_, soon, [] {}));
        for (auto& one : server->take_refused())
            refused.push_back(std::move(one));
    }
    // What is told of a request that is refused; empty: nothing came.
    [[nodiscard]] std::string told(const Bytes& request) {
        const auto before = refused.size();
        say(request);
        for (int i = 0; i < 500 && refused.size() == before; ++i)
            serve();
        return refused.size() == before ? std::string{} : refused.back().why;
    }
    [[nodiscard]] boost::asio::ip::tcp::socket& master() { return master_; }

    std::unique_ptr<links::BlockServer> server = links::BlockServer::open(any_port(), 1).value();
    std::vector<links::BlockServer::Refused> refused;

  private:
    links::Waker nobody_;
    boost::asio::io_context loop_;
    boost::asio::ip::tcp::socket master_{loop_};
};

}  // namespace

// Requests by hand after the MODBUS Application Protocol V1.1b3, 6.3, 6.6 and 6.12, and the header of MODBUS
// Messaging on TCP/IP V1.0b, 3.1.3.
TEST_CASE("what a master asks in vain is told with its address and what to correct") {
    Calling calling;
    CHECK(
        calling.told({0, 1, 0, 0, 0, 6, 9, 3, 0, 0, 0, 1}) ==
        "the master at 127.0.0.1 asks for unit 9, and the station is unit 1; correct it in the controller's "
        "program");
    CHECK(calling.told({0, 2, 0, 0, 0, 6, 1, 6, 0, 0, 0, 1}) ==
          "the master at 127.0.0.1 asks for function 0x06; read with 0x03, and write whole feedback blocks "
          "with "
          "0x10");
    CHECK_THAT(
        calling.told({0, 3, 0, 0, 0, 6, 1, 3, 0x03, 0xE8, 0, 2}),
        Catch::StartsWith("the master at 127.0.0.1 reads 2 registers from 1000, and there are permissives "
                          "to read at 0 to ") &&
            Catch::EndsWith("; see tautgate registers"));
    CHECK_THAT(calling.told({0, 4, 0, 0, 0, 6, 1, 3, 0, 0, 0, 0}),
               Catch::Contains("whose count does not fit its length"));
    const Bytes last{0, 4, 0, 0, 0, 6, 1, 3, 0, 0, 0, 0};
    CHECK(calling.refused.back().raw == std::string(last.begin(), last.end()));
    CHECK_THAT(calling.told({'G', 'E', 'T', ' ', '/', ' ', 'H', 'T'}),
               Catch::Contains("sent what is no request of Modbus TCP, and was hung up on"));
}

TEST_CASE(
    "a master that asks without a pause is read no faster than it may ask, is told, and gets all answers") {
    Calling calling;
    constexpr std::size_t asked = 3 * static_cast<std::size_t>(links::BlockServer::requests_a_second) / 2;
    constexpr std::size_t answer_bytes = 9 + 2;
    std::size_t answered = 0;
    std::size_t said = 0;
    const Bytes request{0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1};
    const auto began = std::chrono::steady_clock::now();
    while (answered < asked && std::chrono::steady_clock::now() - began < std::chrono::seconds(60)) {
        for (; said < asked && said < answered + 20; ++said)
            calling.say(request);
        calling.serve();
        Bytes answers(calling.master().available());
        boost::asio::read(calling.master(), boost::asio::buffer(answers));
        answered += answers.size() / answer_bytes;
        REQUIRE(answers.size() % answer_bytes == 0);
    }
    const std::chrono::duration<double> took = std::chrono::steady_clock::now() - began;
    CHECK(answered == asked);
    // A bound of the rule, not of the computer: slower is always right.
    CHECK(took.count() * links::BlockServer::requests_a_second + links::BlockServer::requests_a_second >=
          static_cast<double>(asked));
    REQUIRE(calling.refused.size() <= 1);
    if (!calling.refused.empty())
        CHECK_THAT(calling.refused.front().why, Catch::Contains("asks more than 2000 times a second"));
}

TEST_CASE("a port that is taken, and one that needs a right of its own, are told with what helps") {
    const auto first = links::BlockServer::open(any_port(), 1);
    REQUIRE(first);
    auto link = any_port();
    link.port = (*first)->port();
    const auto second = links::BlockServer::open(link, 1);
    REQUIRE_FALSE(second);
    CHECK(second.error() == "cannot listen for the controller at 127.0.0.1:" + std::to_string(link.port) +
                                ": Address already in use; end the program that uses the port, or change "
                                "controller/port in the station description");
    CHECK_THAT(links::listening_remedy(EACCES), Catch::Contains("CAP_NET_BIND_SERVICE"));
    CHECK_THAT(links::listening_remedy(EADDRNOTAVAIL), Catch::Contains("name one that it has"));
}
