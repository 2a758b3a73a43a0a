// The registers that masters come to: who may call, and how many at once.
#include <array>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/write.hpp>
#include <catch2/catch.hpp>

#include "service/links/block_server.hpp"

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
