// Stands between the two sides of a link, on real sockets of the loopback or on two pseudo-terminals, and
// hands each frame to an injector before it goes on. What it let through late still arrives after its sender
// hung up, as bytes under way do. Lives on the loop of whoever owns it.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "tests/link_errors/injector.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::link_errors {

// Between a caller and whoever listens at a port.
class TcpProxy {
  public:
    TcpProxy(boost::asio::io_context& loop, Injector& injector, std::uint16_t target);
    ~TcpProxy();
    TcpProxy(const TcpProxy&) = delete;
    TcpProxy& operator=(const TcpProxy&) = delete;
    TcpProxy(TcpProxy&&) = delete;
    TcpProxy& operator=(TcpProxy&&) = delete;

    // Where the caller calls.
    [[nodiscard]] std::uint16_t port() const;
    // Connections since the start.
    [[nodiscard]] std::uint64_t calls() const;
    // Hangs up on both sides.
    void hang_up();

  private:
    class Switchboard;
    std::shared_ptr<Switchboard> board_;
};

// Between a master, which opens `device`, and a slave at another terminal.
class SerialProxy {
  public:
    SerialProxy(boost::asio::io_context& loop, Injector& injector, const std::string& slave);
    ~SerialProxy();
    SerialProxy(const SerialProxy&) = delete;
    SerialProxy& operator=(const SerialProxy&) = delete;
    SerialProxy(SerialProxy&&) = delete;
    SerialProxy& operator=(SerialProxy&&) = delete;

    [[nodiscard]] const std::string& device() const;

  private:
    class Cable;
    std::shared_ptr<Cable> cable_;
};

}  // namespace tautgate::link_errors
