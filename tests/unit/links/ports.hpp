// A loop that runs until something holds, and a plain client that says what a test tells it to.
#pragma once

#include <chrono>
#include <optional>
#include <string>
#include <vector>

#include <boost/asio/buffer.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/write.hpp>

#include "service/interlock/event.hpp"
#include "tests/unit/links/kinds.hpp"

namespace tautgate::links::testing {

inline constexpr std::chrono::seconds deadline{5};

struct Heard {
    std::vector<interlock::Payload> events;

    template <class Kind>
    [[nodiscard]] std::vector<Kind> of() const {
        return all_of<Kind>(events);
    }
};

// False when it did not hold in time.
template <class Holds>
[[nodiscard]] bool run_until(boost::asio::io_context& loop, Holds holds) {
    const auto end = std::chrono::steady_clock::now() + deadline;
    loop.restart();
    while (!holds()) {
        if (std::chrono::steady_clock::now() > end)
            return false;
        loop.run_one_for(std::chrono::milliseconds(20));
        loop.restart();
    }
    return true;
}

// Shares the loop of the port under test.
class Client {
  public:
    Client(boost::asio::io_context& loop, std::uint16_t port) : loop_(loop), socket_(loop) {
        socket_.connect({boost::asio::ip::address_v4::loopback(), port});
        read();
    }
    void say(const std::string& bytes) { boost::asio::write(socket_, boost::asio::buffer(bytes)); }
    void hang_up() { socket_.close(); }
    [[nodiscard]] bool hears(const std::string& words) {
        return run_until(loop_, [&] { return heard.find(words) != std::string::npos; });
    }
    std::string heard;
    bool ended = false;

  private:
    void read() {
        socket_.async_read_some(boost::asio::buffer(bytes_), [this](const auto& error, std::size_t count) {
            ended = static_cast<bool>(error);
            heard.append(bytes_.data(), count);
            if (!ended)
                read();
        });
    }
    boost::asio::io_context& loop_;
    boost::asio::ip::tcp::socket socket_;
    std::array<char, 1024> bytes_{};
};

}  // namespace tautgate::links::testing
