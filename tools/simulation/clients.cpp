#include "tools/simulation/clients.hpp"

#include <array>
#include <optional>
#include <utility>

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http.hpp>
#include <fmt/format.h>

namespace tautgate::simulation {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
using boost::system::error_code;
namespace ip = asio::ip;

class Scanner::Wire {
  public:
    Wire(std::string host, std::uint16_t port) : host_(std::move(host)), port_(port), socket_(io_) {}

    std::expected<void, std::string> send(std::string_view bytes) {
        // A station that went away is noticed only at the next write or read.
        if (socket_.is_open() && gone())
            hang_up();
        error_code error;
        if (!socket_.is_open()) {
            const auto address = asio::ip::make_address(host_, error);
            if (!error)
                (void)socket_.connect({address, port_}, error);
        }
        if (!error)
            asio::write(socket_, asio::buffer(bytes), error);
        if (error) {
            hang_up();
            return std::unexpected(fmt::format("the scanner cannot reach {}:{}: {}; is the station running?",
                                               host_, port_, error.message()));
        }
        return {};
    }
    void hang_up() {
        error_code ignored;  // the socket is given up either way
        (void)socket_.close(ignored);
    }

  private:
    [[nodiscard]] bool gone() {
        error_code error;
        (void)socket_.non_blocking(true, error);
        std::array<char, 256> anything{};
        while (!error)
            socket_.read_some(asio::buffer(anything), error);
        const bool alive = error == asio::error::would_block;
        (void)socket_.non_blocking(false, error);
        return !alive;
    }
    std::string host_;
    std::uint16_t port_;
    asio::io_context io_;
    ip::tcp::socket socket_;
};

Scanner::Scanner(std::string host, std::uint16_t port)
    : wire_(std::make_unique<Wire>(std::move(host), port)) {}
Scanner::~Scanner() = default;

std::expected<void, std::string> Scanner::scan(std::string_view label) {
    return wire_->send(std::string(label) + "\r\n");
}
std::expected<void, std::string> Scanner::send_raw(std::string_view bytes) { return wire_->send(bytes); }
void Scanner::hang_up() { wire_->hang_up(); }

std::string words_of(const Answer& answer) {
    if (answer.body.is_object() && answer.body.contains("error")) {
        const auto& error = answer.body["error"];
        return fmt::format("{} {}: {} ({})", answer.status, error.value("what", ""), error.value("why", ""),
                           error.value("remedy", ""));
    }
    return fmt::format("{} {}", answer.status, answer.body.dump());
}

std::expected<Answer, std::string> ApiClient::call(int method, const std::string& target,
                                                   const std::string& body, const Approval& approval) const {
    asio::io_context io;
    beast::tcp_stream stream{io};
    http::request<http::string_body> request{static_cast<http::verb>(method), target, 11};
    request.set(http::field::host, fmt::format("{}:{}", host_, port_));
    request.set(http::field::connection, "close");
    if (!approval.session.empty())
        request.set(http::field::authorization, "Bearer " + approval.session);
    if (!approval.second.empty())
        request.set("Second-Session", approval.second);
    if (!body.empty()) {
        request.set(http::field::content_type, "application/json");
        request.body() = body;
    }
    request.prepare_payload();

    error_code error;
    const auto address = asio::ip::make_address(host_, error);
    if (error)
        return std::unexpected(fmt::format("{} is no address", host_));
    beast::flat_buffer buffer;
    http::response_parser<http::string_body> response;
    response.body_limit(std::uint64_t{64} << 20U);
    const char* doing = "connecting";
    // Beast keeps time limits for asynchronous calls only, so this runs a loop of its own to the end.
    stream.expires_after(limit_);
    stream.async_connect(ip::tcp::endpoint{address, port_}, [&](error_code failed) {
        if (error = failed; error)
            return;
        doing = "sending";
        http::async_write(stream, request, [&](error_code failed_write, std::size_t) {
            if (error = failed_write; error)
                return;
            doing = "waiting for the answer";
            http::async_read(stream, buffer, response,
                             [&](error_code failed_read, std::size_t) { error = failed_read; });
        });
    });
    io.run();
    if (error)
        return std::unexpected(fmt::format("{} {} at {}:{} failed while {}: {}",
                                           std::string(http::to_string(static_cast<http::verb>(method))),
                                           target, host_, port_, doing, error.message()));
    Answer answer;
    answer.status = response.get().result_int();
    const auto& text = response.get().body();
    if (!text.empty()) {
        answer.body = nlohmann::json::parse(text, nullptr, false);
        if (answer.body.is_discarded())
            answer.body = text;  // JSON lines and other texts are given as one text
    }
    return answer;
}

std::expected<Answer, std::string> ApiClient::get(const std::string& target) const {
    return call(static_cast<int>(http::verb::get), target, "", {});
}
std::expected<Answer, std::string> ApiClient::post(const std::string& target, const nlohmann::json& body,
                                                   const Approval& approval) const {
    return call(static_cast<int>(http::verb::post), target, body.dump(), approval);
}
std::expected<Answer, std::string> ApiClient::put(const std::string& target, const nlohmann::json& body,
                                                  const Approval& approval) const {
    return call(static_cast<int>(http::verb::put), target, body.dump(), approval);
}

}  // namespace tautgate::simulation
