// A serial device of this PC: opened and set up for one line, and what is said when that does not work, in
// words with a remedy. Any thread.
#pragma once

#include <expected>
#include <string>
#include <string_view>

#include <boost/asio/serial_port.hpp>

#include "config/station.hpp"

namespace tautgate::links {

// `error` is an errno value.
[[nodiscard]] std::string why_not_open(const std::string& device, int error);

// Opens the port with the line's settings, for nobody else to read there; what lay on the line is thrown
// away. `whose` line it is stands in the error, which is one sentence; the port may be open after one.
[[nodiscard]] std::expected<void, std::string>
open_serial(boost::asio::serial_port& port, const config::SerialLine& line, std::string_view whose);

}  // namespace tautgate::links
