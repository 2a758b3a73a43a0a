#include "service/links/serial_device.hpp"

#include <cerrno>
#include <system_error>

#include <fmt/format.h>

namespace tautgate::links {

std::string why_not_open(const std::string& device, int error) {
    const std::string what = std::generic_category().message(error);
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
    default: return fmt::format("cannot open the serial device {}: {}", device, what);
    }
}

}  // namespace tautgate::links
