#include "service/links/peer_address.hpp"

#include <cerrno>

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
    return std::unexpected(fmt::format(
        "cannot listen for {} at {}:{}: {}; {}, or change {} in the station description", whom,
        endpoint.address, endpoint.port, failed.message(), listening_remedy(failed.value()), key));
}

std::string listening_remedy(int error) {
    switch (error) {
    case EACCES:
    case EPERM:
        return "give the service the right to low ports (AmbientCapabilities=CAP_NET_BIND_SERVICE in its "
               "unit)";
    case EADDRNOTAVAIL: return "give the computer this address, or name one that it has";
    default: return "end the program that uses the port";
    }
}

bool somebody_waits(asio::ip::tcp::acceptor& acceptor) {
    pollfd at{.fd = acceptor.native_handle(), .events = POLLIN, .revents = 0};
    return ::poll(&at, 1, 0) != 0;
}

}  // namespace tautgate::links
