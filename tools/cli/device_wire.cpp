#include "tools/cli/device_wire.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <string_view>
#include <system_error>
#include <thread>
#include <utility>

#include <modbus.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <fmt/format.h>

#include "config/reach.hpp"

namespace tautgate::cli {

using std::chrono::microseconds;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

namespace {

constexpr int eight_data_bits = 8;

struct FreeWireContext {
    void operator()(modbus_t* context) const noexcept {
        modbus_close(context);
        modbus_free(context);
    }
};
using WireContext = std::unique_ptr<modbus_t, FreeWireContext>;

char parity_letter(config::Parity parity) noexcept {
    switch (parity) {
    case config::Parity::none: return 'N';
    case config::Parity::even: return 'E';
    case config::Parity::odd: return 'O';
    }
    std::unreachable();
}

WireContext new_context(const config::RegisterLink& link) {
    if (link.serial)
        return WireContext{modbus_new_rtu(link.serial->device.c_str(), static_cast<int>(link.serial->baud),
                                          parity_letter(link.serial->parity), eight_data_bits,
                                          link.serial->stop_bits)};
    return WireContext{modbus_new_tcp_pi(link.host.c_str(), std::to_string(link.port).c_str())};
}

std::string remedy_at_serial(int error) {
    switch (error) {
    case ENOENT:
    case ENODEV:
    case ENXIO: return "check the cable, the adapter and the name of the device";
    case EACCES:
    case EPERM: return "tautgate ports says who may open it, and what helps";
    case EBUSY: return "another program holds the line; stop the service, which may be that one";
    default:
        return "check the adapter, baud, parity and stop bits, or stop the service, which may hold the line";
    }
}
std::string remedy_at_tcp(int error) {
    switch (error) {
    case ECONNREFUSED:
        return "check the port, that the device serves it, and that no other client has it: many take one "
               "only, and the service may be that one";
    // Whoever waited no longer leaves the attempt in progress.
    case EINPROGRESS:
    case ETIMEDOUT: return "check that it is on, its cable, its address, and what lies between";
    case ENETUNREACH:
    case EHOSTUNREACH: return "check the address, and this computer's network";
    default: return "check host and port";
    }
}
std::string not_opened(const config::RegisterLink& link, const std::string& words, int error,
                       milliseconds within) {
    using namespace config;
    if (const auto kind = link.serial ? what_else_it_is(link.serial->device) : ""; !kind.empty())
        return fmt::format("cannot open {}: {}", words, no_serial_line(link.serial->device, kind));
    // The library says so of a name without an address, too.
    if (!link.serial && error == ECONNREFUSED)
        if (const auto why = why_no_address(link.host))
            return fmt::format("cannot open {}: {}", words, unknown_name(*why));
    const std::string why = error == ETIMEDOUT || error == EINPROGRESS ? no_answer_within(within)
                                                                       : std::string(modbus_strerror(error));
    return fmt::format("cannot open {}: {}; {}", words, why,
                       link.serial ? remedy_at_serial(error) : remedy_at_tcp(error));
}

// Silence that ends a frame on a serial line: 3.5 characters of 11 bits, above 19200 baud fixed (MODBUS over
// Serial Line V1.02, 2.5.1.1).
microseconds silence_between(const config::RegisterLink& link) {
    constexpr std::uint32_t fixed_above = 19200;
    if (!link.serial)
        return {};
    if (link.serial->baud > fixed_above || link.serial->baud == 0)
        return microseconds{1750};
    return microseconds{38'500'000 / link.serial->baud + 1};
}

}  // namespace

protocol::ModbusWire wire_of(const config::RegisterLink& link) noexcept {
    return link.serial ? protocol::ModbusWire::serial : protocol::ModbusWire::tcp;
}

std::string connection_words(const config::RegisterLink& link) {
    if (link.serial)
        return fmt::format("{} at {} baud, unit {}", link.serial->device, link.serial->baud, link.unit);
    return fmt::format("{}:{}, unit {}", link.host, link.port, link.unit);
}

class DeviceWire::Line {
  public:
    Line(WireContext context, const config::RegisterLink& link, std::string words, milliseconds answer_within)
        : context_(std::move(context)), handle_(modbus_get_socket(context_.get())), wire_(wire_of(link)),
          words_(std::move(words)), answer_within_(answer_within), silence_(silence_between(link)) {}

    [[nodiscard]] std::expected<std::string, std::string> ask(const std::string& request) {
        std::this_thread::sleep_for(silence_);
        static_cast<void>(modbus_flush(context_.get()));  // what came since the last answer is for nobody
        if (auto sent = send(request); !sent)
            return std::unexpected(std::move(sent.error()));
        auto answer = receive();
        if (answer && wire_ == protocol::ModbusWire::serial && !is_whole(*answer))
            std::this_thread::sleep_for(answer_within_);  // the device that was late may still speak
        return answer;
    }

  private:
    [[nodiscard]] bool is_whole(const std::string& answer) const {
        const auto length = protocol::answer_length(wire_, answer);
        return length && answer.size() >= *length;
    }
    [[nodiscard]] std::unexpected<std::string> gone(std::string_view why) const {
        return std::unexpected(fmt::format("the connection to {} is gone: {}; check the cable, and that no "
                                           "other client has the device: many take one only",
                                           words_, why));
    }
    [[nodiscard]] std::expected<void, std::string> send(const std::string& request) {
        std::string_view rest = request;
        while (!rest.empty()) {
            const auto sent = ::write(handle_, rest.data(), rest.size());
            if (sent < 0 && errno != EINTR)
                return gone(std::generic_category().message(errno));
            rest.remove_prefix(sent > 0 ? static_cast<std::size_t>(sent) : 0);
        }
        return {};
    }
    [[nodiscard]] std::expected<std::string, std::string> receive() {
        std::string answer;
        const auto end = steady_clock::now() + answer_within_;
        while (!is_whole(answer) && answer.size() < longest_answer) {
            const auto left = std::chrono::ceil<milliseconds>(end - steady_clock::now());
            auto part = left.count() > 0 ? hear(left) : std::string();
            if (!part && !answer.empty())
                return answer;  // what came says more than how it ended
            if (!part)
                return part;
            if (part->empty() && steady_clock::now() >= end)
                break;
            answer += *part;
        }
        return answer;
    }

  public:
    [[nodiscard]] std::expected<std::string, std::string> hear(milliseconds within) {
        std::array<pollfd, 1> waiting{{{handle_, POLLIN, 0}}};
        const int ready = ::poll(waiting.data(), 1, static_cast<int>(within.count()));
        if (ready == 0 || (ready < 0 && errno == EINTR))
            return std::string();
        std::array<char, longest_answer> part{};
        const auto got = ready < 0 ? -1 : ::read(handle_, part.data(), part.size());
        if (got < 0 && (errno == EINTR || errno == EAGAIN))
            return std::string();
        if (got < 0)
            return gone(std::generic_category().message(errno));
        if (got == 0)
            return gone("the device closed it");
        return std::string(part.data(), static_cast<std::size_t>(got));
    }
    [[nodiscard]] std::expected<void, std::string> say(const std::string& bytes) { return send(bytes); }

  private:
    static constexpr std::size_t longest_answer = 260;

    WireContext context_;
    int handle_;
    protocol::ModbusWire wire_;
    std::string words_;
    milliseconds answer_within_;
    microseconds silence_;
};

std::expected<std::unique_ptr<DeviceWire>, std::string>
DeviceWire::open_as(const config::RegisterLink& link, milliseconds answer_within, const std::string& words) {
    auto context = new_context(link);
    const auto whole = std::chrono::floor<std::chrono::seconds>(answer_within);
    const auto rest = microseconds(answer_within - whole);
    if (!context ||
        modbus_set_response_timeout(context.get(), static_cast<std::uint32_t>(whole.count()),
                                    static_cast<std::uint32_t>(rest.count())) != 0 ||
        modbus_connect(context.get()) != 0)
        return std::unexpected(not_opened(link, words, errno, answer_within));
    // Nobody else may talk between on a serial line. A device that does not know the request stays as it is.
    if (link.serial)
        static_cast<void>(::ioctl(modbus_get_socket(context.get()), TIOCEXCL));
    return std::unique_ptr<DeviceWire>(
        new DeviceWire(std::make_unique<Line>(std::move(context), link, words, answer_within)));
}

std::expected<std::unique_ptr<DeviceWire>, std::string> DeviceWire::open(const config::RegisterLink& link,
                                                                         milliseconds answer_within) {
    return open_as(link, answer_within, connection_words(link));
}

std::expected<std::unique_ptr<DeviceWire>, std::string>
DeviceWire::open(const config::FrameCall& call, milliseconds answer_within, const std::string& words) {
    config::RegisterLink link;
    link.host = call.host;
    link.port = call.port;
    return open_as(link, answer_within, words);
}

std::expected<std::unique_ptr<DeviceWire>, std::string>
DeviceWire::open(const config::SerialLine& line, milliseconds answer_within, const std::string& words) {
    config::RegisterLink link;
    link.serial = line;
    return open_as(link, answer_within, words);
}

std::expected<std::unique_ptr<DeviceWire>, std::string> DeviceWire::around(int socket,
                                                                           const std::string& words) {
    config::RegisterLink link;
    link.host = "127.0.0.1";  // nobody is called there
    auto context = new_context(link);
    if (!context || modbus_set_socket(context.get(), socket) != 0) {
        ::close(socket);
        return std::unexpected(not_opened(link, words, errno, {}));
    }
    return std::unique_ptr<DeviceWire>(
        new DeviceWire(std::make_unique<Line>(std::move(context), link, words, milliseconds{})));
}

DeviceWire::DeviceWire(std::unique_ptr<Line> line) : line_(std::move(line)) {}
DeviceWire::~DeviceWire() = default;

std::expected<std::string, std::string> DeviceWire::ask(const std::string& request) {
    return line_->ask(request);
}
std::expected<std::string, std::string> DeviceWire::hear(milliseconds within) { return line_->hear(within); }
std::expected<void, std::string> DeviceWire::say(const std::string& bytes) { return line_->say(bytes); }

}  // namespace tautgate::cli
