#include "service/web/server.hpp"

#include <exception>
#include <optional>
#include <set>
#include <string_view>
#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/beast/core/flat_static_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http.hpp>
#include <sodium.h>

#include "service/people/secret.hpp"

namespace tautgate::web {
namespace {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using asio::ip::tcp;
using Error = boost::system::error_code;

Problem problem_of(const Error& error, const ServerLimits& limits) {
    Problem problem{.status = 400,
                    .code = "bad_request",
                    .what = "the request was not read to its end and nothing was done",
                    .where = "request",
                    .why = "it is no HTTP/1.1 request: " + error.message(),
                    .remedy = "send one request after the other, as RFC 9112 says"};
    if (error == http::error::body_limit) {
        problem.status = 413;
        problem.code = "body_too_large";
        problem.why = "its body has more than " + std::to_string(limits.body_bytes) + " bytes";
        problem.remedy = "send less";
    } else if (error == http::error::header_limit || error == http::error::buffer_overflow) {
        problem.status = 431;
        problem.code = "header_too_large";
        problem.why = "its header has more than " + std::to_string(limits.header_bytes) + " bytes";
        problem.remedy = "send less";
    }
    return problem;
}

// Of a field that says who is asked or who asks there is one, or two programs may believe different ones (of
// Host RFC 9112, 3.2, demands it).
template <class Fields>
std::optional<Problem> said_twice(const Fields& fields) {
    for (const std::string_view name : {"Host", "Origin", "Authorization", "Second-Session"}) {
        if (fields.count(name) > 1)
            return Problem{.status = 400,
                           .code = "bad_request",
                           .what = "the request was not acted upon",
                           .where = "header " + std::string(name),
                           .why = "it stands there more than once",
                           .remedy = "send it once"};
    }
    return std::nullopt;
}

Problem too_many_connections() {
    return {.status = 503,
            .code = "too_many_connections",
            .what = "the request was not read",
            .where = "connection",
            .why = "as many connections are open as the station serves",
            .remedy = "close one that is not needed, or try again later"};
}

std::string text_of(beast::string_view text) { return {text.data(), text.size()}; }

}  // namespace

// One client. Keeps itself alive while something is under way.
class Connection : public std::enable_shared_from_this<Connection> {
  public:
    using Ended = std::function<void(const std::shared_ptr<Connection>&)>;

    Connection(tcp::socket socket, std::shared_ptr<const HandleRequest> handle, const ServerLimits& limits,
               Ended ended)
        : stream_(std::move(socket)), handle_(std::move(handle)), limits_(limits), ended_(std::move(ended)) {
        Error ignored;
        const auto peer = stream_.socket().remote_endpoint(ignored);
        from_loopback_ = !ignored && peer.address().is_loopback();
        (void)stream_.socket().set_option(tcp::no_delay(true), ignored);
    }

    void wait_for_request() {
        if (buffer_.size() > 0)
            return read_request();
        stream_.expires_after(limits_.idle_time);
        stream_.async_read_some(buffer_.prepare(buffer_.max_size()),
                                [self = shared_from_this()](const Error& error, std::size_t count) {
                                    if (error)
                                        return self->close();
                                    self->buffer_.commit(count);
                                    self->read_request();
                                });
    }

    void refuse(const Problem& problem) {
        keep_alive_ = false;
        send(to_response(problem));
    }

    // Ends what is under way; the handlers close.
    void cancel() {
        stream_.cancel();
        close();
    }

  private:
    // One deadline for the whole request: a client that sends a byte now and then gains nothing.
    void read_request() {
        parser_.emplace();
        head_only_ = false;
        parser_->header_limit(limits_.header_bytes);
        parser_->body_limit(limits_.body_bytes);
        stream_.expires_after(limits_.request_time);
        http::async_read(
            stream_, buffer_, *parser_,
            [self = shared_from_this()](const Error& error, std::size_t) { self->on_request(error); });
    }

    void on_request(const Error& error) {
        if (error == http::error::end_of_stream || error == asio::error::eof ||
            error == asio::error::operation_aborted || error == asio::error::connection_reset)
            return close();
        if (error == beast::error::timeout)  // Beast has closed the socket; there is nobody to answer
            return close();
        head_only_ = parser_->is_header_done() && parser_->get().method() == http::verb::head;
        if (error)
            return refuse(problem_of(error, limits_));
        if (const auto twice = said_twice(parser_->get()))
            return refuse(*twice);
        keep_alive_ = parser_->get().keep_alive();
        auto request = take_request();
        stream_.expires_never();
        answer(std::move(request));
    }

    Request take_request() {
        auto message = parser_->release();
        parser_.reset();
        wipe_spare_buffer();
        const auto field = [&](auto name) { return text_of(message[name]); };
        // HEAD is answered as GET is, without the body (RFC 9110, 9.3.2).
        Request request{.method = head_only_ ? "GET" : text_of(message.method_string()),
                        .target = text_of(message.target()),
                        .host = field(http::field::host),
                        .origin = field(http::field::origin),
                        .content_type = field(http::field::content_type),
                        .authorization = field(http::field::authorization),
                        .second_session = field("Second-Session"),
                        .body = std::move(message.body()),
                        .from_loopback = from_loopback_};
        people::wipe(message.body());
        return request;
    }

    // A secret must not stay behind in the memory that it came through.
    void wipe_spare_buffer() {
        const auto spare = buffer_.prepare(buffer_.max_size() - buffer_.size());
        sodium_memzero(spare.data(), spare.size());
    }

    void answer(Request request) {
        awaits_answer_ = true;
        const auto respond = [self = shared_from_this()](Response response) {
            if (std::exchange(self->awaits_answer_, false))
                self->send(std::move(response));
        };
        // The last net: libraries below may throw when memory ends. The event, if one was submitted, stands
        // in the journal whatever is answered here.
        try {
            (*handle_)(std::move(request), respond);
        } catch (const std::exception& error) {
            if (!std::exchange(awaits_answer_, false))
                return;
            refuse({.status = 500,
                    .code = "unexpected",
                    .what = "it is not known whether this was done",
                    .where = "request",
                    .why = error.what(),
                    .remedy = "look at the events (GET /v1/events) before trying again"});
        }
    }

    void send(Response response) {
        answer_ = http::response<http::string_body>(static_cast<http::status>(response.status), 11);
        answer_.set(http::field::content_type, response.content_type);
        answer_.set(http::field::cache_control, "no-store");
        answer_.set("X-Content-Type-Options", "nosniff");
        for (const auto& [name, value] : response.headers)
            answer_.set(name, value);
        answer_.keep_alive(keep_alive_);
        answer_.body() = std::move(response.body);
        answer_.prepare_payload();
        if (head_only_) {  // the length is that of what GET would have had
            people::wipe(answer_.body());
            answer_.body().clear();
        }
        stream_.expires_after(limits_.send_time);
        http::async_write(stream_, answer_, [self = shared_from_this()](const Error& error, std::size_t) {
            people::wipe(self->answer_.body());
            if (error || !self->keep_alive_)
                return self->close();
            self->wait_for_request();
        });
    }

    void close() {
        Error ignored;
        (void)stream_.socket().shutdown(tcp::socket::shutdown_both, ignored);
        stream_.close();
        if (auto ended = std::exchange(ended_, nullptr))
            ended(shared_from_this());
    }

    static constexpr std::size_t buffer_bytes = 16 * 1024;

    beast::tcp_stream stream_;
    std::shared_ptr<const HandleRequest> handle_;
    ServerLimits limits_;
    Ended ended_;
    bool from_loopback_ = false;
    bool keep_alive_ = false;
    bool head_only_ = false;
    bool awaits_answer_ = false;
    beast::flat_static_buffer<buffer_bytes> buffer_;
    std::optional<http::request_parser<http::string_body>> parser_;
    http::response<http::string_body> answer_;
};

class Server::Listener : public std::enable_shared_from_this<Server::Listener> {
  public:
    Listener(asio::io_context& loop, tcp::acceptor acceptor, HandleRequest handle, ServerLimits limits)
        : acceptor_(std::move(acceptor)), pause_(loop),
          handle_(std::make_shared<const HandleRequest>(std::move(handle))), limits_(limits) {
        Error ignored;
        port_ = acceptor_.local_endpoint(ignored).port();
    }

    void accept() {
        acceptor_.async_accept([weak = weak_from_this()](const Error& error, tcp::socket socket) {
            if (const auto self = weak.lock())
                self->on_accept(error, std::move(socket));
        });
    }

    void stop() {
        stopped_ = true;
        Error ignored;
        (void)acceptor_.close(ignored);
        pause_.cancel();
        for (const auto& connection : std::exchange(connections_, {}))
            connection->cancel();
    }

    [[nodiscard]] std::uint16_t port() const noexcept { return port_; }
    [[nodiscard]] std::size_t connections() const noexcept { return connections_.size(); }

  private:
    void on_accept(const Error& error, tcp::socket socket) {
        if (stopped_)
            return;
        // Out of file handles, or the client was gone already: never give up, never in a hot loop.
        if (error)
            return accept_later();
        const bool full = connections_.size() >= limits_.connections;
        // Those who are told "full" are few at a time; beyond that the door is closed without a word.
        if (connections_.size() < limits_.connections + spare_connections) {
            const auto connection = std::make_shared<Connection>(
                std::move(socket), handle_, limits_, [weak = weak_from_this()](const auto& ended) {
                    if (const auto self = weak.lock())
                        self->connections_.erase(ended);
                });
            connections_.insert(connection);
            if (full)
                connection->refuse(too_many_connections());
            else
                connection->wait_for_request();
        }
        accept();
    }

    void accept_later() {
        pause_.expires_after(std::chrono::milliseconds(250));
        pause_.async_wait([weak = weak_from_this()](const Error& cancelled) {
            if (const auto self = weak.lock(); self && !cancelled)
                self->accept();
        });
    }

    static constexpr std::size_t spare_connections = 8;

    tcp::acceptor acceptor_;
    asio::steady_timer pause_;
    std::shared_ptr<const HandleRequest> handle_;
    ServerLimits limits_;
    std::uint16_t port_ = 0;
    bool stopped_ = false;
    std::set<std::shared_ptr<Connection>> connections_;
};

namespace {

ListenFault fault_of(const config::Endpoint& endpoint, std::string why, std::string remedy) {
    return {.what = "the API cannot listen on " + endpoint.address + " port " + std::to_string(endpoint.port),
            .why = std::move(why),
            .remedy = std::move(remedy)};
}

std::expected<tcp::acceptor, Error> open_acceptor(asio::io_context& loop, const tcp::endpoint& place) {
    tcp::acceptor acceptor(loop);
    Error error;
    (void)acceptor.open(place.protocol(), error);
    if (!error)
        (void)acceptor.set_option(tcp::acceptor::reuse_address(true), error);
    if (!error)
        (void)acceptor.bind(place, error);
    if (!error)
        (void)acceptor.listen(asio::socket_base::max_listen_connections, error);
    if (error)
        return std::unexpected(error);
    return acceptor;
}

}  // namespace

Server::Server(std::shared_ptr<Listener> listener) : listener_(std::move(listener)) {}

Server::~Server() { listener_->stop(); }

std::expected<std::unique_ptr<Server>, ListenFault> Server::listen(asio::io_context& loop,
                                                                   const config::Endpoint& endpoint,
                                                                   HandleRequest handle,
                                                                   ServerLimits limits) {
    Error error;
    const auto address = asio::ip::make_address(endpoint.address, error);
    if (error)
        return std::unexpected(fault_of(endpoint, "this is no IP address", "give 127.0.0.1 or ::1"));
    if (!address.is_loopback())
        return std::unexpected(fault_of(endpoint,
                                        "it would be reachable from other machines, without encryption",
                                        "give 127.0.0.1 or ::1"));
    auto acceptor = open_acceptor(loop, {address, endpoint.port});
    if (!acceptor)
        return std::unexpected(
            fault_of(endpoint, acceptor.error().message(),
                     acceptor.error() == asio::error::address_in_use
                         ? "end the other program that listens there, or give the API another port in "
                           "the station description"
                         : "give an address and port that this PC and user may listen on"));
    auto listener = std::make_shared<Listener>(loop, std::move(*acceptor), std::move(handle), limits);
    listener->accept();
    return std::unique_ptr<Server>(new Server(std::move(listener)));
}

std::uint16_t Server::port() const noexcept { return listener_->port(); }
std::size_t Server::connections() const noexcept { return listener_->connections(); }

}  // namespace tautgate::web
