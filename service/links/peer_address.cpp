#include "service/links/peer_address.hpp"

#include <fmt/format.h>
#include <poll.h>

namespace tautgate::links {

namespace asio = boost::asio;
using boost::system::error_code;

asio::ip::address without_mapping(const asio::ip::address& address) {
    if (address.is_v6() && address.to_v6().is_v4_mapped())
        return asio::ip::make_address_v4(asio::ip::v4_mapped, address.to_v6());
    return address;
}

std::expected<void, std::string> open_acceptor(asio::ip::tcp::acceptor& acceptor,
                                               const config::Endpoint& endpoint, std::string_view whom,
                                               std::string_view key) {
    error_code failed;
    const auto address = asio::ip::make_address(endpoint.address, failed);
    if (failed)
        return std::unexpected(
            fmt::format("cannot listen for {}: '{}' is no IP address; correct {} in the station description",
                        whom, endpoint.address, key));
    const asio::ip::tcp::endpoint local{address, endpoint.port};
    (void)acceptor.open(local.protocol(), failed);
    if (!failed)
        (void)acceptor.set_option(asio::ip::tcp::acceptor::reuse_address(true), failed);
    if (!failed)
        (void)acceptor.bind(local, failed);
    if (!failed)
        (void)acceptor.listen(asio::socket_base::max_listen_connections, failed);
    if (!failed)
        return {};
    error_code ignored;  // it is given up either way
    (void)acceptor.close(ignored);
    return std::unexpected(
        fmt::format("cannot listen for {} at {}:{}: {}; end the program that uses the port, or "
                    "change {} in the station description",
                    whom, endpoint.address, endpoint.port, failed.message(), key));
}

bool somebody_waits(asio::ip::tcp::acceptor& acceptor) {
    pollfd at{.fd = acceptor.native_handle(), .events = POLLIN, .revents = 0};
    return ::poll(&at, 1, 0) != 0;
}

}  // namespace tautgate::links
