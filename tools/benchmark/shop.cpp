#include "tools/benchmark/shop.hpp"

#include <algorithm>
#include <utility>

#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sys/socket.h>
#include <unistd.h>

#include <fmt/format.h>

#include "tools/benchmark/child.hpp"

namespace tautgate::benchmark {
namespace {

constexpr std::chrono::milliseconds look_interval{50};

sockaddr_in loopback(std::uint16_t port) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(port);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    return address;
}

}  // namespace

Socket::~Socket() {
    if (handle_ >= 0)
        close(handle_);
}
Socket::Socket(Socket&& other) noexcept : handle_(std::exchange(other.handle_, -1)) {}
Socket& Socket::operator=(Socket&& other) noexcept {
    std::swap(handle_, other.handle_);
    return *this;
}

Socket listen_at(std::uint16_t port) {
    Socket listener{socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)};
    const int on = 1;
    const auto address = loopback(port);
    setsockopt(listener.handle(), SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    if (bind(listener.handle(), reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0 ||
        listen(listener.handle(), 4) != 0)
        give_up(fmt::format("cannot listen at port {} of the loopback", port));
    return listener;
}

Socket call(std::uint16_t port) {
    Socket made{socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)};
    const int on = 1;
    const auto address = loopback(port);
    setsockopt(made.handle(), IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    if (connect(made.handle(), reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0)
        return {};
    return made;
}

void Shop::add(Device& device) {
    devices_.push_back(&device);
    stale_ = true;
}

void Shop::remove(Device& device) {
    std::erase(devices_, &device);
    stale_ = true;
}

void Shop::collect() {
    waiting_.clear();
    owner_.clear();
    for (Device* device : devices_) {
        for (const int handle : device->handles()) {
            waiting_.push_back({handle, POLLIN, 0});
            owner_.push_back(device);
        }
    }
    stale_ = false;
}

void Shop::pump(Clock::time_point until) {
    auto now = Clock::now();
    if (now - looked_ >= look_interval) {
        looked_ = now;
        for (Device* device : devices_)
            device->look(now);
        stale_ = true;  // looking may have opened something
    }
    if (stale_)
        collect();
    const auto wait = std::clamp(std::chrono::ceil<std::chrono::milliseconds>(until - now),
                                 std::chrono::milliseconds(0), look_interval);
    if (poll(waiting_.data(), waiting_.size(), static_cast<int>(wait.count())) <= 0)
        return;
    for (std::size_t i = 0; i < waiting_.size() && !stale_; ++i) {
        if (waiting_[i].revents != 0)
            stale_ = owner_[i]->readable(waiting_[i].fd);
    }
}

void Shop::pump_for(std::chrono::milliseconds time) {
    const auto end = Clock::now() + time;
    while (Clock::now() < end)
        pump(end);
}

}  // namespace tautgate::benchmark
