// A TCP connection that says exactly the bytes it is told, and gives back the bytes that came: the other side
// of a wire under test. Never waits, except for the connection itself. One thread.
#pragma once

#include <cerrno>
#include <cstdint>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

namespace tautgate::tests {

using Bytes = std::vector<std::uint8_t>;

[[nodiscard]] inline Bytes from_hex(std::string_view hex) {
    Bytes bytes;
    for (std::size_t i = 0; i + 1 < hex.size(); i += 2)
        bytes.push_back(static_cast<std::uint8_t>(std::stoul(std::string(hex.substr(i, 2)), nullptr, 16)));
    return bytes;
}

[[nodiscard]] inline std::string to_hex(const Bytes& bytes) {
    constexpr std::string_view digits = "0123456789abcdef";
    std::string hex;
    for (const std::uint8_t byte : bytes) {
        hex += digits[byte >> 4U];
        hex += digits[byte & 0xFU];
    }
    return hex;
}

class RawPeer {
  public:
    explicit RawPeer(int handle) : handle_(handle) {}
    ~RawPeer() { close_now(); }
    RawPeer(const RawPeer&) = delete;
    RawPeer& operator=(const RawPeer&) = delete;
    RawPeer(RawPeer&& other) noexcept : handle_(std::exchange(other.handle_, -1)) {}
    RawPeer& operator=(RawPeer&& other) noexcept {
        std::swap(handle_, other.handle_);
        return *this;
    }

    [[nodiscard]] static RawPeer connect(std::uint16_t port) {
        RawPeer peer{::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)};
        const sockaddr_in address = loopback(port);
        if (peer.handle_ < 0 ||
            ::connect(peer.handle_, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0)
            throw std::runtime_error("cannot connect to the port under test");
        return peer;
    }

    void send(const Bytes& bytes) const {
        if (::send(handle_, bytes.data(), bytes.size(), MSG_NOSIGNAL) != static_cast<ssize_t>(bytes.size()))
            throw std::runtime_error("the connection under test took not all bytes");
    }

    // What has come; empty: the other side closed the connection; nothing: neither.
    [[nodiscard]] std::optional<Bytes> take() const {
        Bytes bytes(1024);
        const auto got = ::recv(handle_, bytes.data(), bytes.size(), MSG_DONTWAIT);
        if (got < 0 && (errno == EAGAIN || errno == EINTR))
            return std::nullopt;
        bytes.resize(got > 0 ? static_cast<std::size_t>(got) : 0);
        return bytes;
    }

    // As take, but waits up to `limit_ms` for something to take.
    [[nodiscard]] std::optional<Bytes> take_within(int limit_ms) const {
        pollfd waiting{handle_, POLLIN, 0};
        ::poll(&waiting, 1, limit_ms);
        return take();
    }

    void close_now() {
        if (handle_ >= 0)
            ::close(std::exchange(handle_, -1));
    }

    [[nodiscard]] static sockaddr_in loopback(std::uint16_t port) {
        sockaddr_in address{};
        address.sin_family = AF_INET;
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        address.sin_port = htons(port);
        return address;
    }

  private:
    int handle_;
};

// Listens on a free port of the loopback and accepts one connection at a time.
class RawListener {
  public:
    RawListener() : handle_(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
        sockaddr_in address = RawPeer::loopback(0);
        socklen_t length = sizeof address;
        if (handle_ < 0 ||
            ::bind(handle_, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0 ||
            ::listen(handle_, 8) != 0 ||
            ::getsockname(handle_, reinterpret_cast<sockaddr*>(&address), &length) != 0)
            throw std::runtime_error("cannot listen on a free port of the loopback");
        port_ = ntohs(address.sin_port);
    }
    ~RawListener() { ::close(handle_); }
    RawListener(const RawListener&) = delete;
    RawListener& operator=(const RawListener&) = delete;
    RawListener(RawListener&&) = delete;
    RawListener& operator=(RawListener&&) = delete;

    [[nodiscard]] std::uint16_t port() const noexcept { return port_; }
    [[nodiscard]] std::optional<RawPeer> accept_within(int limit_ms) const {
        pollfd waiting{handle_, POLLIN, 0};
        if (::poll(&waiting, 1, limit_ms) <= 0)
            return std::nullopt;
        return RawPeer{::accept4(handle_, nullptr, nullptr, SOCK_CLOEXEC)};
    }

  private:
    int handle_;
    std::uint16_t port_ = 0;
};

}  // namespace tautgate::tests
