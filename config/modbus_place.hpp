// Where a Modbus device is reached, to tell whether two parts of the description mean the same one, as far as
// that shows without asking it. Pure; any thread.
#pragma once

#include <cstdint>
#include <string>

#include "config/host.hpp"
#include "config/station.hpp"

namespace tautgate::config {

struct ModbusPlace {
    std::string way;  // host, or path of the serial device
    std::uint16_t port = 0;
    std::uint8_t unit = 0;
    bool operator==(const ModbusPlace&) const = default;
};

template <class Link>
[[nodiscard]] ModbusPlace modbus_place_of(const Link& link) {
    if constexpr (requires { link.serial; }) {
        if (link.serial)
            return {link.serial->device, 0, link.unit};
    }
    return {host_name(link.host), link.port, link.unit};
}

}  // namespace tautgate::config
