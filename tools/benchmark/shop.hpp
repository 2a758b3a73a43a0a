// The equipment around a benchmarked program, all of it on one thread: whoever measures pumps the shop, and
// what arrives is stamped before anything else happens to it. Devices join while they live; a device outlives
// nothing.
#pragma once

#include <chrono>
#include <functional>
#include <future>
#include <vector>

#include <poll.h>

namespace tautgate::benchmark {

using Clock = std::chrono::steady_clock;

// One socket, closed with the object.
class Socket {
  public:
    Socket() = default;
    explicit Socket(int handle) noexcept : handle_(handle) {}
    ~Socket();
    Socket(Socket&& other) noexcept;
    Socket& operator=(Socket&& other) noexcept;
    Socket(const Socket&) = delete;
    Socket& operator=(const Socket&) = delete;
    [[nodiscard]] int handle() const noexcept { return handle_; }
    [[nodiscard]] explicit operator bool() const noexcept { return handle_ >= 0; }

  private:
    int handle_ = -1;
};

// Listens on the loopback.
[[nodiscard]] Socket listen_at(std::uint16_t port);
// Nothing to call: nobody listens there (yet).
[[nodiscard]] Socket call(std::uint16_t port);

class Device {
  public:
    Device() = default;
    virtual ~Device() = default;
    Device(const Device&) = delete;
    Device& operator=(const Device&) = delete;
    Device(Device&&) = delete;
    Device& operator=(Device&&) = delete;

    [[nodiscard]] virtual std::vector<int> handles() const = 0;
    // There is something to read at the handle. True: the handles are others now.
    virtual bool readable(int handle) = 0;
    // Called now and then, at least every 100 ms.
    virtual void look(Clock::time_point now) = 0;
};

class Shop {
  public:
    void add(Device& device);
    void remove(Device& device);

    // Serves whoever has something to say; waits for it until `until` at most.
    void pump(Clock::time_point until);
    // False: the limit came first.
    template <class Condition>
    bool pump_until(Condition condition, std::chrono::milliseconds limit) {
        const auto end = Clock::now() + limit;
        while (!condition()) {
            if (Clock::now() >= end)
                return false;
            pump(end);
        }
        return true;
    }
    void pump_for(std::chrono::milliseconds time);
    // While another thread asks the program something, the equipment goes on.
    template <class Work>
    auto pump_during(Work work) {
        auto done = std::async(std::launch::async, std::move(work));
        while (done.wait_for(std::chrono::seconds(0)) != std::future_status::ready)
            pump(Clock::now() + std::chrono::milliseconds(2));
        return done.get();
    }

  private:
    void collect();
    std::vector<Device*> devices_;
    std::vector<pollfd> waiting_;
    std::vector<Device*> owner_;  // of the entry in waiting_
    bool stale_ = true;
    Clock::time_point looked_{};
};

}  // namespace tautgate::benchmark
