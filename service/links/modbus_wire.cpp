#include "service/links/modbus_wire.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <ctime>
#include <system_error>

#include <modbus.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <fmt/format.h>

namespace tautgate::links {

namespace {

constexpr std::chrono::minutes longest_wait{1};

[[nodiscard]] std::chrono::nanoseconds wait_between(SteadyTime now, SteadyTime until) noexcept {
    if (until <= now)
        return {};
    if (until >= now + longest_wait)
        return longest_wait;
    return until - now;
}

}  // namespace

void FreeModbus::operator()(modbus_t* context) const noexcept {
    modbus_close(context);
    modbus_free(context);
}

std::expected<ModbusContext, std::string> dial(const std::string& host, std::uint16_t port, std::uint8_t unit,
                                               std::chrono::milliseconds answer_within) {
    ModbusContext context{modbus_new_tcp_pi(host.c_str(), std::to_string(port).c_str())};
    const auto microseconds = std::chrono::microseconds(answer_within).count();
    const auto seconds = static_cast<std::uint32_t>(microseconds / 1'000'000);
    const auto rest = static_cast<std::uint32_t>(microseconds % 1'000'000);
    if (!context || modbus_set_slave(context.get(), unit) != 0 ||
        modbus_set_response_timeout(context.get(), seconds, rest) != 0 ||
        modbus_set_byte_timeout(context.get(), seconds, rest) != 0 ||
        modbus_set_error_recovery(context.get(), MODBUS_ERROR_RECOVERY_NONE) != 0)
        return std::unexpected(
            fmt::format("cannot prepare a connection to {}:{}: {}", host, port, last_modbus_error()));
    if (modbus_connect(context.get()) != 0)
        return std::unexpected(fmt::format("cannot connect to {}:{}: {}", host, port, last_modbus_error()));
    return context;
}

std::string last_modbus_error() {
    if (errno == ETIMEDOUT)
        return "no answer in time";
    return modbus_strerror(errno);
}

Waker::Waker() : handle_(eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)) {
    if (handle_ < 0)
        throw std::system_error(errno, std::generic_category(),
                                "cannot open a handle to wake a link's thread");
}

Waker::~Waker() { close(handle_); }

void Waker::wake() const noexcept {
    const std::uint64_t one = 1;
    // It can only fail when so many wakes are pending that one more makes no difference.
    [[maybe_unused]] const auto written = ::write(handle_, &one, sizeof one);
}

void Waker::clear() const noexcept {
    std::uint64_t count = 0;
    // Nothing to read means that nobody woke us.
    [[maybe_unused]] const auto taken = ::read(handle_, &count, sizeof count);
}

void Waker::wait(SteadyTime until) const noexcept {
    const auto length = wait_between(std::chrono::steady_clock::now(), until);
    const auto seconds = std::chrono::duration_cast<std::chrono::seconds>(length);
    const timespec time{.tv_sec = seconds.count(), .tv_nsec = (length - seconds).count()};
    std::array<pollfd, 1> waiting{{{handle_, POLLIN, 0}}};
    // Interrupted or over: the caller looks and comes again.
    if (ppoll(waiting.data(), waiting.size(), &time, nullptr) > 0)
        clear();
}

int poll_timeout(SteadyTime now, SteadyTime until) noexcept {
    return static_cast<int>(std::chrono::ceil<std::chrono::milliseconds>(wait_between(now, until)).count());
}

}  // namespace tautgate::links
