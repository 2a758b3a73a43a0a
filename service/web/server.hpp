// The HTTP server of the station: HTTP/1.1 on loopback, one request at a time on each connection, all on the
// loop's thread. Whatever a client sends, or fails to send, ends at most its own connection: sizes, times and
// the number of connections are bounded. It refuses to listen on anything but loopback, because what it
// carries is not encrypted. Belongs to the loop's thread.
#pragma once

#include <chrono>
#include <cstddef>
#include <cstdint>
#include <expected>
#include <functional>
#include <memory>
#include <string>

#include "config/station.hpp"
#include "service/web/http.hpp"

namespace boost::asio {
class io_context;
}

namespace tautgate::web {

struct ServerLimits {
    std::size_t body_bytes = 64 * 1024;
    std::uint32_t header_bytes = 8 * 1024;
    std::size_t connections = 64;
    std::chrono::milliseconds request_time{5'000};  // from the first byte of a request to its last
    std::chrono::milliseconds idle_time{30'000};    // between requests
    std::chrono::milliseconds send_time{10'000};    // for an answer to be taken
};

// Why the server does not listen.
struct ListenFault {
    std::string what;  // names address and port
    std::string why;
    std::string remedy;
};

using HandleRequest = std::function<void(Request, Respond)>;

class Server {
  public:
    // Port 0 takes a free one. The loop outlives the server.
    [[nodiscard]] static std::expected<std::unique_ptr<Server>, ListenFault>
    listen(boost::asio::io_context& loop, const config::Endpoint& endpoint, HandleRequest handle,
           ServerLimits limits = {});
    // Stops listening and ends every connection.
    ~Server();
    Server(const Server&) = delete;
    Server& operator=(const Server&) = delete;
    Server(Server&&) = delete;
    Server& operator=(Server&&) = delete;

    [[nodiscard]] std::uint16_t port() const noexcept;
    [[nodiscard]] std::size_t connections() const noexcept;

  private:
    class Listener;
    explicit Server(std::shared_ptr<Listener> listener);
    std::shared_ptr<Listener> listener_;
};

}  // namespace tautgate::web
