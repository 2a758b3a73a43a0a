#include "service/web/server.hpp"

#include <array>
#include <string>

#include <boost/asio/connect.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/write.hpp>

#include <catch2/catch.hpp>

using namespace tautgate;
using namespace tautgate::web;
using namespace std::chrono_literals;
namespace asio = boost::asio;
using asio::ip::tcp;
using Error = boost::system::error_code;

namespace {

// A server that answers with what it was asked.
class Hall {
  public:
    explicit Hall(ServerLimits limits = {}) {
        auto opened = Server::listen(
            loop, {.address = "127.0.0.1", .port = 0},
            [this](Request request, const Respond& respond) {
                ++asked;
                if (request.target == "/wait")
                    return void(waiting.push_back(respond));
                if (request.target == "/throw")
                    throw std::bad_alloc();
                respond({.status = 200, .body = request.method + " " + request.target + " " + request.body});
            },
            limits);
        REQUIRE(opened);
        server = std::move(*opened);
    }

    template <class Condition>
    bool run_until(Condition condition) {
        const auto deadline = std::chrono::steady_clock::now() + 20s;
        while (!condition() && std::chrono::steady_clock::now() < deadline) {
            loop.restart();
            loop.run_one_for(100ms);
        }
        return condition();
    }

    asio::io_context loop;
    int asked = 0;
    std::vector<Respond> waiting;
    std::unique_ptr<Server> server;
};

// A client on the same loop: what it got so far, and whether the server has ended the connection.
class Client {
  public:
    explicit Client(Hall& hall) : socket_(hall.loop) {
        socket_.connect({asio::ip::make_address("127.0.0.1"), hall.server->port()});
        read();
    }
    void send(const std::string& bytes) {
        Error ignored;  // the server may have ended it already
        asio::write(socket_, asio::buffer(bytes), ignored);
    }
    void end_sending() { socket_.shutdown(tcp::socket::shutdown_send); }
    [[nodiscard]] bool got(const std::string& text) const { return received.find(text) != std::string::npos; }

    std::string received;
    bool ended = false;

  private:
    void read() {
        socket_.async_read_some(asio::buffer(chunk_), [this](const Error& error, std::size_t count) {
            if (error == asio::error::operation_aborted)
                return;
            if (error) {
                ended = true;
                return;
            }
            received.append(chunk_.data(), count);
            read();
        });
    }
    tcp::socket socket_;
    std::array<char, 4096> chunk_{};
};

std::string request(const std::string& target, const std::string& body = {}) {
    return "POST " + target + " HTTP/1.1\r\nHost: x\r\nContent-Length: " + std::to_string(body.size()) +
           "\r\n\r\n" + body;
}

// Proof that the server still serves.
void check_serves(Hall& hall) {
    Client client(hall);
    client.send(request("/alive"));
    CHECK(hall.run_until([&] { return client.got("POST /alive"); }));
}

}  // namespace

TEST_CASE("requests on one connection are answered one after the other, in order") {
    Hall hall;
    Client client(hall);
    client.send(request("/one", "a") + request("/two", "b") + request("/three"));
    CHECK(hall.run_until([&] { return client.got("POST /three"); }));
    CHECK(client.received.find("POST /one a") < client.received.find("POST /two b"));
    CHECK(client.received.find("POST /two b") < client.received.find("POST /three"));
}

TEST_CASE("HEAD is answered as GET is, without the body, and the connection goes on") {
    Hall hall;
    Client client(hall);
    client.send("HEAD /one HTTP/1.1\r\nHost: x\r\n\r\nGET /two HTTP/1.1\r\nHost: x\r\n\r\n");
    REQUIRE(hall.run_until([&] { return client.got("GET /two"); }));
    CHECK_FALSE(client.got("GET /one"));
    CHECK_FALSE(client.got("HEAD"));
    CHECK(client.received.find("Content-Length: 9\r\n") < client.received.find("GET /two"));
}

TEST_CASE("an answer that comes later is sent when it comes") {
    Hall hall;
    Client client(hall);
    client.send(request("/wait") + request("/after"));
    REQUIRE(hall.run_until([&] { return hall.waiting.size() == 1; }));
    CHECK(hall.asked == 1);
    hall.waiting.front()({.status = 200, .body = "late"});
    CHECK(hall.run_until([&] { return client.got("late") && client.got("POST /after"); }));
}

TEST_CASE("a second answer to the same request is not sent") {
    Hall hall;
    Client client(hall);
    client.send(request("/wait"));
    REQUIRE(hall.run_until([&] { return hall.waiting.size() == 1; }));
    hall.waiting.front()({.status = 200, .body = "first"});
    hall.waiting.front()({.status = 200, .body = "twice"});
    client.send(request("/after"));
    CHECK(hall.run_until([&] { return client.got("POST /after"); }));
    CHECK_FALSE(client.got("twice"));
}

TEST_CASE("garbage gets an error, ends its own connection and nothing else") {
    for (const std::string garbage : {"\x16\x03\x01\x02\x01", "GET\r\n\r\n", "GET / HTTP/9.9\r\n\r\n",
                                      "GET / HTTP/1.1\r\nContent-Length: nine\r\n\r\n",
                                      "POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n"}) {
        CAPTURE(garbage);
        Hall hall;
        Client client(hall);
        client.send(garbage + "\r\n\r\n");
        CHECK(hall.run_until([&] { return client.ended; }));
        CHECK(client.got("400 Bad Request"));
        CHECK(client.got("\"remedy\""));
        CHECK(hall.asked == 0);
        check_serves(hall);
    }
}

// RFC 9112, 3.2: a request with more than one Host field gets a 400.
TEST_CASE("a field that says who is asked or who asks stands there once") {
    const std::string field =
        GENERATE("Host: elsewhere", "Origin: http://a", "Authorization: Bearer a", "Second-Session: a");
    CAPTURE(field);
    Hall hall;
    Client client(hall);
    client.send("GET / HTTP/1.1\r\nHost: here\r\n" + field + "\r\n" + field + "\r\n\r\n");
    CHECK(hall.run_until([&] { return client.ended; }));
    CHECK(client.got("400 Bad Request"));
    CHECK(client.got("more than once"));
    CHECK(hall.asked == 0);
    check_serves(hall);
}

TEST_CASE("garbage after a good request does not take the good answer away") {
    Hall hall;
    Client client(hall);
    client.send(request("/good") + "\x01\x02\x03 nonsense\r\n\r\n");
    CHECK(hall.run_until([&] { return client.ended; }));
    CHECK(client.got("POST /good"));
    CHECK(client.got("400 Bad Request"));
    check_serves(hall);
}

TEST_CASE("a body of the limit is taken, one byte more is refused before it is read") {
    Hall hall({.body_bytes = 1000});
    Client client(hall);
    client.send(request("/fits", std::string(1000, 'x')));
    CHECK(hall.run_until([&] { return client.got("POST /fits"); }));
    client.send("POST /big HTTP/1.1\r\nHost: x\r\nContent-Length: 1001\r\n\r\n");
    CHECK(hall.run_until([&] { return client.ended; }));
    CHECK(client.got("413 Payload Too Large"));
    CHECK(client.got("body_too_large"));
    CHECK(hall.asked == 1);
}

TEST_CASE("a chunked body that never ends is cut at the limit") {
    Hall hall({.body_bytes = 1000});
    Client client(hall);
    client.send("POST /big HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n");
    for (int i = 0; i < 20; ++i)
        client.send("64\r\n" + std::string(100, 'x') + "\r\n");
    CHECK(hall.run_until([&] { return client.ended; }));
    CHECK(hall.asked == 0);
    check_serves(hall);
}

TEST_CASE("a header over the limit is refused") {
    Hall hall;
    Client client(hall);
    client.send("GET / HTTP/1.1\r\nX: " + std::string(9000, 'x') + "\r\n\r\n");
    CHECK(hall.run_until([&] { return client.ended; }));
    CHECK(client.got("431"));
    CHECK(hall.asked == 0);
    check_serves(hall);
}

TEST_CASE("a client that sends a byte now and then is cut off when its time is over") {
    Hall hall({.request_time = 100ms});
    Client client(hall);
    const auto begin = std::chrono::steady_clock::now();
    client.send("GET / HT");
    asio::steady_timer drip(hall.loop);
    std::function<void()> next = [&] {
        drip.expires_after(20ms);
        drip.async_wait([&](const Error& error) {
            if (error || client.ended)
                return;
            client.send("T");
            next();
        });
    };
    next();
    CHECK(hall.run_until([&] { return client.ended; }));
    CHECK(std::chrono::steady_clock::now() - begin >= 100ms);
    CHECK(hall.asked == 0);
    check_serves(hall);
}

TEST_CASE("a connection on which nothing happens is closed, and forgotten") {
    Hall hall({.idle_time = 50ms});
    Client client(hall);
    REQUIRE(hall.run_until([&] { return hall.server->connections() == 1; }));
    CHECK(hall.run_until([&] { return client.ended; }));
    CHECK(hall.run_until([&] { return hall.server->connections() == 0; }));
}

TEST_CASE("one connection more than there may be is told so; when one ends there is room again") {
    Hall hall({.connections = 2});
    Client first(hall);
    std::optional<Client> second(hall);
    REQUIRE(hall.run_until([&] { return hall.server->connections() == 2; }));
    Client third(hall);
    CHECK(hall.run_until([&] { return third.ended; }));
    CHECK(third.got("503"));
    CHECK(third.got("too_many_connections"));
    second.reset();
    REQUIRE(hall.run_until([&] { return hall.server->connections() == 1; }));
    check_serves(hall);
}

TEST_CASE("a client that leaves in the middle takes nothing with it") {
    Hall hall;
    {
        Client half(hall);
        half.send("POST / HTTP/1.1\r\nContent-Length: 10\r\n\r\nabc");
        Client waiting(hall);
        waiting.send(request("/wait"));
        REQUIRE(hall.run_until([&] { return hall.waiting.size() == 1; }));
    }
    hall.waiting.front()({.status = 200, .body = "nobody reads this"});
    CHECK(hall.run_until([&] { return hall.server->connections() == 0; }));
    check_serves(hall);
}

TEST_CASE("an exception of a library becomes an answer") {
    Hall hall;
    Client client(hall);
    client.send(request("/throw"));
    CHECK(hall.run_until([&] { return client.got("500"); }));
    check_serves(hall);
}

TEST_CASE("the server refuses to listen where others could reach it") {
    asio::io_context loop;
    for (const auto* address : {"0.0.0.0", "::", "192.0.2.1"}) {
        const auto opened =
            Server::listen(loop, {.address = address, .port = 0}, [](const Request&, const Respond&) {});
        REQUIRE_FALSE(opened);
        CHECK(opened.error().what.find(address) != std::string::npos);
        CHECK(opened.error().why == "it would be reachable from other machines, without encryption");
    }
    CHECK_FALSE(
        Server::listen(loop, {.address = "localhost", .port = 0}, [](const Request&, const Respond&) {}));
}

TEST_CASE("a port in use is named, with the remedy") {
    Hall hall;
    const auto second = Server::listen(hall.loop, {.address = "127.0.0.1", .port = hall.server->port()},
                                       [](const Request&, const Respond&) {});
    REQUIRE_FALSE(second);
    CHECK(second.error().what.find(std::to_string(hall.server->port())) != std::string::npos);
    CHECK(second.error().why == "Address already in use");
    CHECK_FALSE(second.error().remedy.empty());
}

TEST_CASE("ending the server ends its connections") {
    Hall hall;
    Client client(hall);
    client.send(request("/wait"));
    REQUIRE(hall.run_until([&] { return hall.waiting.size() == 1; }));
    hall.server.reset();
    CHECK(hall.run_until([&] { return client.ended; }));
    hall.waiting.front()({.status = 200, .body = "nobody hears this"});
    CHECK(hall.run_until([&] { return true; }));
}
