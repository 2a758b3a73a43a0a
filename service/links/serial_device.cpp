#include "service/links/serial_device.hpp"

#include <cerrno>
#include <system_error>
#include <utility>

#include <fmt/format.h>
#include <sys/ioctl.h>
#include <termios.h>

#include "config/reach.hpp"

namespace tautgate::links {

namespace asio = boost::asio;
using boost::system::error_code;

namespace {

[[nodiscard]] asio::serial_port::parity::type parity_of(config::Parity parity) noexcept {
    switch (parity) {
    case config::Parity::none: return asio::serial_port::parity::none;
    case config::Parity::even: return asio::serial_port::parity::even;
    case config::Parity::odd: return asio::serial_port::parity::odd;
    }
    std::unreachable();
}

[[nodiscard]] asio::serial_port::stop_bits::type stop_bits_of(std::uint8_t bits) noexcept {
    return bits == 2 ? asio::serial_port::stop_bits::two : asio::serial_port::stop_bits::one;
}

// The first option that the device does not take; none: it has taken all.
[[nodiscard]] error_code set_up(asio::serial_port& port, const config::SerialLine& line) {
    error_code failed;
    const auto set = [&](const auto& option) {
        if (!failed)
            port.set_option(option, failed);
    };
    set(asio::serial_port::baud_rate(line.baud));
    set(asio::serial_port::character_size(8));
    set(asio::serial_port::parity(parity_of(line.parity)));
    set(asio::serial_port::stop_bits(stop_bits_of(line.stop_bits)));
    set(asio::serial_port::flow_control(asio::serial_port::flow_control::none));
    return failed;
}

}  // namespace

std::string why_not_open(const std::string& device, int error) {
    const std::string what = std::generic_category().message(error);
    if (const auto kind = config::what_else_it_is(device); !kind.empty())
        return config::no_serial_line(device, kind);
    switch (error) {
    case ENOENT:
    case ENODEV:
    case ENXIO:
        return fmt::format("there is no serial device {} ({}); check the cable, the adapter and the name",
                           device, what);
    case EACCES:
    case EPERM:
        return fmt::format(
            "the serial device {} must not be opened ({}); let the service's user into the device's "
            "group",
            device, what);
    case EBUSY:
        return fmt::format("another program has the serial device {} ({}); end it, or give this line its own "
                           "device",
                           device, what);
    case ENOTTY:
    case EINVAL:
    case EISDIR:
        return fmt::format(
            "cannot open the serial device {}: {}; name a device that is a serial line (tautgate "
            "ports lists them)",
            device, what);
    default:
        return fmt::format(
            "cannot open the serial device {}: {}; pull the adapter out and plug it in again, or "
            "look in the kernel's log",
            device, what);
    }
}

std::expected<void, std::string> open_serial(asio::serial_port& port, const config::SerialLine& line,
                                             std::string_view whose) {
    error_code failed;
    (void)port.open(line.device, failed);
    if (failed)
        return std::unexpected(why_not_open(line.device, failed.value()));
    if (const error_code refused = set_up(port, line);
        refused && !config::what_else_it_is(line.device).empty())
        return std::unexpected(why_not_open(line.device, refused.value()));
    else if (refused)
        return std::unexpected(fmt::format("{} does not take {} baud with these settings ({}); correct {} "
                                           "serial line",
                                           line.device, line.baud, refused.message(), whose));
    // A device that does not know the requests is left as it is.
    static_cast<void>(::ioctl(port.native_handle(), TIOCEXCL));
    static_cast<void>(::tcflush(port.native_handle(), TCIFLUSH));
    return {};
}

}  // namespace tautgate::links
