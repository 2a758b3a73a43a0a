#include "tools/cli/http.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http.hpp>
#include <fmt/format.h>

#include "tools/cli/text.hpp"

namespace tautgate::cli {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
using boost::system::error_code;

namespace {

constexpr std::uint64_t largest_answer = std::uint64_t{256} << 20U;

// The loopback address that a host names.
std::expected<asio::ip::address, error_code> loopback_of(const std::string& host) {
    error_code error;
    auto address = asio::ip::make_address(host == "localhost" ? "127.0.0.1" : host, error);
    if (error)
        return std::unexpected(error);
    if (!address.is_loopback())
        return std::unexpected(asio::error::make_error_code(asio::error::access_denied));
    return address;
}

}  // namespace

struct Http::Call {
    http::verb method;
    const std::string& target;
    const std::string& body;
    const Bearer& bearer;
    std::chrono::milliseconds limit;
    std::string_view content_type = "application/json";
};

std::expected<ApiAddress, std::string> parse_api(std::string_view url) {
    const auto wrong = [&](std::string_view why) {
        return std::unexpected(
            fmt::format("--api {}: {}; give it as http://127.0.0.1:8460", plain(url), why));
    };
    constexpr std::string_view scheme = "http://";
    if (!url.starts_with(scheme))
        return wrong("it does not begin with http://");
    auto rest = url.substr(scheme.size());
    if (rest.ends_with('/'))
        rest.remove_suffix(1);
    const auto colon = rest.rfind(':');
    if (colon == std::string_view::npos)
        return wrong("it names no port");
    auto host = rest.substr(0, colon);
    const auto port = whole_number<std::uint16_t>(rest.substr(colon + 1));
    if (!port || *port == 0)
        return wrong("the port is no whole number from 1 to 65535");
    ApiAddress address;
    address.port = *port;
    if (host.starts_with('[') && host.ends_with(']'))
        host = host.substr(1, host.size() - 2);
    address.host = host;
    if (!loopback_of(address.host))
        return wrong("the host is no address of the loopback, and secrets are not sent beyond it");
    return address;
}

std::expected<Reply, std::string> Http::run(const Call& call) const {
    const auto host = address_.host.contains(':') ? "[" + address_.host + "]" : address_.host;
    http::request<http::string_body> request{call.method, call.target, 11};
    request.set(http::field::host, fmt::format("{}:{}", host, address_.port));
    request.set(http::field::connection, "close");
    if (!call.bearer.session.empty())
        request.set(http::field::authorization, "Bearer " + call.bearer.session);
    if (!call.bearer.second.empty())
        request.set("Second-Session", call.bearer.second);
    if (!call.body.empty()) {
        request.set(http::field::content_type, call.content_type);
        request.body() = call.body;
    }
    request.prepare_payload();

    const auto failed = [&](std::string_view doing, const error_code& error) {
        return std::unexpected(fmt::format(
            "the service at http://{}:{} gave no answer: {} failed, {}; see that tautgated is running (in "
            "its terminal, or as a service where one was set up), or name its address with --api",
            host, address_.port, doing, error.message()));
    };
    const auto address = loopback_of(address_.host);
    if (!address)
        return failed("naming it", address.error());
    asio::io_context io;
    beast::tcp_stream stream{io};
    beast::flat_buffer buffer;
    http::response_parser<http::string_body> response;
    response.body_limit(largest_answer);
    std::string_view doing = "connecting";
    error_code error;
    // Beast keeps time limits for asynchronous calls only, so this runs a loop of its own to the end.
    stream.expires_after(call.limit);
    stream.async_connect({*address, address_.port}, [&](error_code connected) {
        if (error = connected; error)
            return;
        doing = "sending";
        http::async_write(stream, request, [&](error_code sent, std::size_t) {
            if (error = sent; error)
                return;
            doing = "waiting for the answer";
            http::async_read(stream, buffer, response,
                             [&](error_code received, std::size_t) { error = received; });
        });
    });
    io.run();
    if (error)
        return failed(doing, error);
    const auto& answer = response.get();
    const auto next = answer.find("Next-From");
    return Reply{.status = answer.result_int(),
                 .body = answer.body(),
                 .next_from = next == answer.end() ? "" : std::string(next->value())};
}

std::expected<Reply, std::string> Http::get(const std::string& target, const Bearer& bearer,
                                            std::chrono::milliseconds limit) const {
    static const std::string no_body;
    return run({http::verb::get, target, no_body, bearer, limit});
}
std::expected<Reply, std::string> Http::post(const std::string& target, const std::string& body,
                                             const Bearer& bearer) const {
    return run({http::verb::post, target, body, bearer, std::chrono::seconds(15)});
}

std::expected<Reply, std::string> Http::post_csv(const std::string& target, const std::string& csv,
                                                 const Bearer& bearer) const {
    return run({http::verb::post, target, csv, bearer, std::chrono::seconds(15), "text/csv"});
}

std::string path_part(std::string_view text) {
    std::string part;
    for (const char c : text) {
        const bool unreserved = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                                c == '-' || c == '.' || c == '_' || c == '~';
        part += unreserved ? std::string(1, c) : fmt::format("%{:02X}", static_cast<unsigned char>(c));
    }
    // "." and ".." would mean a step in the path.
    if (part == "." || part == "..")
        part = part == "." ? "%2E" : "%2E%2E";
    return part;
}

}  // namespace tautgate::cli
