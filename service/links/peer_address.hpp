// What the ports at which devices call have in common: the address of a peer in one spelling, opening the
// port to listen on, and whether somebody waits there.
#pragma once

#include <expected>
#include <string>
#include <string_view>

#include <boost/asio/ip/tcp.hpp>

#include "config/station.hpp"

namespace tautgate::links {

// An IPv4 address as such also where a socket for both kinds shows it as IPv6.
[[nodiscard]] boost::asio::ip::address without_mapping(const boost::asio::ip::address& address);

// The error is one sentence: who cannot be listened for (`whom`), where, why, and what to change (`key` of
// the station description).
[[nodiscard]] std::expected<void, std::string> open_acceptor(boost::asio::ip::tcp::acceptor& acceptor,
                                                             const config::Endpoint& endpoint,
                                                             std::string_view whom, std::string_view key);

// What helps against the error number of a port that cannot be listened at, as a clause: "end the program
// that uses the port".
[[nodiscard]] std::string listening_remedy(int error);

// Whether somebody has called and was not accepted yet; in doubt somebody has.
[[nodiscard]] bool somebody_waits(boost::asio::ip::tcp::acceptor& acceptor);

}  // namespace tautgate::links
