#include "service/links/modbus_wire.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <ctime>
#include <system_error>
#include <utility>

#include <modbus.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <fmt/format.h>

#include "config/reach.hpp"

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

[[nodiscard]] std::string why_not_connected(const std::string& host, int error,
                                            std::chrono::milliseconds answer_within) {
    switch (error) {
    // Whoever waited no longer leaves the attempt in progress.
    case EINPROGRESS:
    case ETIMEDOUT:
        return config::no_answer_within(answer_within) +
               "; check that it is on, its cable, its address, and what lies between";
    // The library says so of a name without an address, too.
    case ECONNREFUSED:
        if (const auto why = config::why_no_address(host))
            return config::unknown_name(*why);
        break;
    default: break;
    }
    errno = error;
    return last_modbus_error();
}

}  // namespace

void FreeModbus::operator()(modbus_t* context) const noexcept {
    modbus_close(context);
    modbus_free(context);
}

bool set_answer_time(modbus_t* context, std::chrono::milliseconds answer_within) {
    const auto whole = std::chrono::duration_cast<std::chrono::seconds>(answer_within);
    const auto seconds = static_cast<std::uint32_t>(whole.count());
    const auto rest = static_cast<std::uint32_t>(std::chrono::microseconds(answer_within - whole).count());
    // Without a time for each byte that for the answer holds for all of it.
    return modbus_set_response_timeout(context, seconds, rest) == 0 &&
           modbus_set_byte_timeout(context, 0, 0) == 0;
}

std::expected<ModbusContext, std::string> dial(const std::string& host, std::uint16_t port, std::uint8_t unit,
                                               std::chrono::milliseconds answer_within) {
    ModbusContext context{modbus_new_tcp_pi(host.c_str(), std::to_string(port).c_str())};
    if (!context || modbus_set_slave(context.get(), unit) != 0 ||
        !set_answer_time(context.get(), answer_within) ||
        modbus_set_error_recovery(context.get(), MODBUS_ERROR_RECOVERY_NONE) != 0)
        return std::unexpected(
            fmt::format("cannot prepare a connection to {}:{}: {}", host, port, last_modbus_error()));
    if (modbus_connect(context.get()) == 0)
        return context;
    return std::unexpected(fmt::format("cannot connect to {}:{}: {}", host, port,
                                       why_not_connected(host, errno, answer_within)));
}

std::string refusal(std::uint8_t code) {
    switch (code) {
    case 1: return "it refuses: it does not know this function (exception 1)";
    case 2: return "it refuses: it has no such registers (exception 2)";
    case 3: return "it refuses: it does not take these values (exception 3)";
    case 4: return "it refuses: it failed at it (exception 4)";
    case 6: return "it refuses: it is busy (exception 6)";
    default: return fmt::format("it refuses (exception {})", code);
    }
}

std::string last_modbus_error() {
    if (errno == ETIMEDOUT)
        return "no answer in time";
    // The library keeps the code of an exception in its error number.
    if (errno >= EMBXILFUN && errno <= EMBXGTAR)
        return refusal(static_cast<std::uint8_t>(errno - MODBUS_ENOBASE));
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
