// The serial devices of this PC: by which names they are known, who may open them, what of a station's
// description uses them, and what to do where that does not fit. Reads names and rights only; opens no device
// and disturbs nobody who has one open. Blocking; one thread.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include <sys/types.h>

#include "config/station.hpp"
#include "tools/cli/questions.hpp"

namespace tautgate::cli {

// Whose rights are asked about.
struct PortUser {
    std::string name;
    uid_t uid = 0;
    std::vector<gid_t> groups;
};
// Nothing: nobody by that name has an account here. An empty name: whoever runs this.
[[nodiscard]] std::optional<PortUser> port_user(const std::string& name);

struct SerialPort {
    std::string device;              // "/dev/ttyUSB0": another one after a start, perhaps
    std::vector<std::string> names;  // the same after each start: by-path first, then by-id
    std::string owner;
    std::string group;
    unsigned mode = 0;                 // of reading and writing, as in ls
    bool may_open = false;             // this user may read and write
    std::vector<std::string> used_by;  // "scanner SC-2"
    std::string remedy;                // empty: nothing is to be done, or the description does not use it
};

// Something that the description wants to open and that is none of the serial ports of this computer.
enum class NotAPort : std::uint8_t { not_there, no_serial_line, pseudo_terminal };
struct MissingPort {
    std::string device;
    std::string used_by;
    NotAPort what = NotAPort::not_there;  // a pseudo-terminal can be used: a program plays the device
    bool may_open = false;
};

struct PortList {
    std::vector<SerialPort> ports;
    std::vector<MissingPort> missing;
};

// What lets the user open the port that they may not open yet.
[[nodiscard]] std::string remedy_for(const SerialPort& port, const PortUser& user);

// `root` is "/", but in tests; devices are named without it.
[[nodiscard]] PortList serial_ports(const std::filesystem::path& root, const PortUser& user,
                                    const config::Station* station);
[[nodiscard]] std::string ports_text(const PortList& list, const PortUser& user, Style style);
[[nodiscard]] nlohmann::json ports_json(const PortList& list, const PortUser& user);

// `file` may be empty. No: what the description uses is missing or no serial line, or must not be opened by
// that user.
[[nodiscard]] Asked<Exit> show_ports(const Desk& desk, const std::string& file, const std::string& user);

}  // namespace tautgate::cli
