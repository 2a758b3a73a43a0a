// The registers that masters come to: who may call, and how many at once.
#include <vector>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <catch2/catch.hpp>

#include "service/links/block_server.hpp"

using namespace tautgate;

TEST_CASE("as many masters as are served may call at the same moment") {
    config::ControllerLink link;
    link.role = config::WireRole::server;
    link.host = "127.0.0.1";
    link.port = 0;
    link.permissive_address = 0;
    link.feedback_address = 100;
    auto server = links::BlockServer::open(link, 1);
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
