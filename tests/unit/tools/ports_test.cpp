// The serial devices of a PC, laid out in a folder of the test's own.
#include <catch2/catch.hpp>

#include <filesystem>
#include <fstream>

#include <nlohmann/json.hpp>
#include <unistd.h>

#include "tools/cli/ports.hpp"

using namespace tautgate;
using namespace tautgate::cli;
namespace fs = std::filesystem;

namespace {

// Whose files the ports are.
const gid_t port_group = getuid() == 0 ? 65003U : getegid();

// A computer with two adapters, a built-in port and a port that is only named.
class Computer {
  public:
    Computer() {
        fs::create_directories(root / "dev/serial/by-path");
        fs::create_directories(root / "dev/serial/by-id");
        for (const char* name : {"ttyUSB0", "ttyACM0", "ttyS0", "ttyS1", "tty1", "ttyUSBx", "null"})
            make_port(name);
        for (const auto& [port, type] : {std::pair{"ttyS0", "4\n"}, std::pair{"ttyS1", "0\n"}}) {
            fs::create_directories(root / "sys/class/tty" / port);
            std::ofstream(root / "sys/class/tty" / port / "type") << type;
        }
        fs::create_symlink("../../ttyUSB0", root / "dev/serial/by-path/pci-0-usb-0:2-port0");
        fs::create_symlink("../../ttyUSB0", root / "dev/serial/by-id/usb-adapter-1");
    }
    ~Computer() { fs::remove_all(root); }
    Computer(const Computer&) = delete;
    Computer& operator=(const Computer&) = delete;
    Computer(Computer&&) = delete;
    Computer& operator=(Computer&&) = delete;

    void rights(const char* name, unsigned mode) const {
        fs::permissions(root / "dev" / name, static_cast<fs::perms>(mode));
    }

    // Root's group is a case of its own.
    void make_port(const char* name) const {
        const fs::path file = root / "dev" / name;
        std::ofstream(file) << "";
        if (getuid() == 0)
            REQUIRE(chown(file.c_str(), 0, port_group) == 0);
    }

    const fs::path root =
        fs::canonical(fs::temp_directory_path()) / ("tautgate-ports-" + std::to_string(getpid()));
};

// Somebody who owns nothing here and is in no group of it.
const PortUser stranger{"stranger", 65000, {65001}};
const PortUser member{"member", 65000, {65001, port_group}};

config::Station with_scanner(const std::string& device) {
    config::Station station;
    station.scanners.push_back({.id = "SC-2", .bay = "J1", .peer = {}, .serial = config::SerialLine{device}});
    return station;
}

const SerialPort& port(const PortList& list, const std::string& device) {
    const auto found = std::ranges::find(list.ports, device, &SerialPort::device);
    REQUIRE(found != list.ports.end());
    return *found;
}

}  // namespace

TEST_CASE(
    "serial ports are listed once, with the names that last; what is only named or no port is left out") {
    const Computer computer;
    const auto list = serial_ports(computer.root, stranger, nullptr);
    std::vector<std::string> devices;
    for (const SerialPort& each : list.ports)
        devices.push_back(each.device);
    CHECK(devices == std::vector<std::string>{"/dev/ttyACM0", "/dev/ttyS0", "/dev/ttyUSB0"});
    CHECK(port(list, "/dev/ttyUSB0").names ==
          std::vector<std::string>{"/dev/serial/by-path/pci-0-usb-0:2-port0",
                                   "/dev/serial/by-id/usb-adapter-1"});
}

TEST_CASE("who may open a port is told by owner, group and rights, with what to do") {
    const Computer computer;
    computer.rights("ttyUSB0", 0660);
    computer.rights("ttyS0", 0640);
    computer.rights("ttyACM0", 0666);
    const auto closed = serial_ports(computer.root, stranger, nullptr);
    CHECK_FALSE(port(closed, "/dev/ttyUSB0").may_open);
    CHECK_THAT(port(closed, "/dev/ttyUSB0").remedy,
               Catch::StartsWith("sudo usermod -aG " + port(closed, "/dev/ttyUSB0").group + " stranger"));
    CHECK_FALSE(port(closed, "/dev/ttyS0").may_open);
    CHECK_THAT(port(closed, "/dev/ttyS0").remedy, Catch::StartsWith("sudo chmod g+rw /dev/ttyS0"));
    CHECK(port(closed, "/dev/ttyACM0").may_open);
    CHECK(port(closed, "/dev/ttyACM0").remedy.empty());
    const auto open = serial_ports(computer.root, member, nullptr);
    CHECK(port(open, "/dev/ttyUSB0").may_open);
    CHECK_FALSE(port(open, "/dev/ttyS0").may_open);
}

TEST_CASE("nobody is put into root's group for the sake of a device") {
    const SerialPort closed{.device = "/dev/ttyS0",
                            .names = {},
                            .owner = "root",
                            .group = "root",
                            .mode = 0660,
                            .may_open = false,
                            .used_by = {},
                            .remedy = {}};
    CHECK(remedy_for(closed, stranger) ==
          "give the device a group of its own by a rule of udev, and add stranger to that group");
}

TEST_CASE("with a description, what helps is told only for a port that it uses") {
    const Computer computer;
    computer.rights("ttyUSB0", 0660);
    computer.rights("ttyS0", 0660);
    const auto station = with_scanner("/dev/serial/by-id/usb-adapter-1");
    const auto list = serial_ports(computer.root, stranger, &station);
    CHECK_THAT(port(list, "/dev/ttyUSB0").remedy, Catch::StartsWith("sudo usermod -aG "));
    CHECK_FALSE(port(list, "/dev/ttyS0").may_open);
    CHECK(port(list, "/dev/ttyS0").remedy.empty());
}

TEST_CASE("the rights of the owner hold for the owner, even where the group may do more") {
    const Computer computer;
    computer.rights("ttyUSB0", 0460);
    const PortUser owner{"owner", getuid() == 0 ? 65002U : getuid(), {getegid()}};
    if (getuid() == 0)
        REQUIRE(chown((computer.root / "dev/ttyUSB0").c_str(), owner.uid, getegid()) == 0);
    CHECK_FALSE(port(serial_ports(computer.root, owner, nullptr), "/dev/ttyUSB0").may_open);
}

TEST_CASE("what the description uses is named at its port, by whichever name it calls it") {
    const Computer computer;
    computer.rights("ttyUSB0", 0666);
    const auto lasting = with_scanner("/dev/serial/by-id/usb-adapter-1");
    const auto by_id = serial_ports(computer.root, stranger, &lasting);
    CHECK(port(by_id, "/dev/ttyUSB0").used_by == std::vector<std::string>{"scanner SC-2"});
    CHECK(port(by_id, "/dev/ttyUSB0").remedy.empty());
    const auto bare = with_scanner("/dev/ttyUSB0");
    CHECK(
        port(serial_ports(computer.root, stranger, &bare), "/dev/ttyUSB0").remedy ==
        "name it /dev/serial/by-path/pci-0-usb-0:2-port0 in the description: /dev/ttyUSB0 may be another one "
        "after a start");
}

TEST_CASE("a port that the description uses and that is not there is told") {
    const Computer computer;
    const auto station = with_scanner("/dev/ttyUSB7");
    const auto list = serial_ports(computer.root, stranger, &station);
    REQUIRE(list.missing.size() == 1);
    CHECK(list.missing[0].device == "/dev/ttyUSB7");
    CHECK_THAT(ports_text(list, stranger, {}),
               Catch::Contains("/dev/ttyUSB7: scanner SC-2 would use it and it is not there"));
    CHECK(ports_json(list, stranger)["missing"][0]["used_by"] == "scanner SC-2");
}

TEST_CASE("what is there and is no serial line is not told as missing") {
    const Computer computer;
    const auto station = with_scanner("/dev/null");
    const auto list = serial_ports(computer.root, stranger, &station);
    REQUIRE(list.missing.size() == 1);
    CHECK(list.missing[0].what == NotAPort::no_serial_line);
    const auto text = ports_text(list, stranger, {});
    CHECK_THAT(text, Catch::Contains("/dev/null: scanner SC-2 would use it and it is there, but it is no "
                                     "serial line that is known here; name one of those"));
    CHECK_THAT(text, !Catch::Contains("check the cable"));
    CHECK(ports_json(list, stranger)["missing"][0]["what"] == "no_serial_line");
}

TEST_CASE("a name that leads to a pseudo-terminal is told as one, with whether it may be opened") {
    const Computer computer;
    fs::create_directories(computer.root / "dev/pts");
    fs::create_directories(computer.root / "tmp");
    computer.make_port("pts/3");
    fs::create_symlink(computer.root / "dev/pts/3", computer.root / "tmp/nutrunner");
    const auto station = with_scanner("/tmp/nutrunner");
    computer.rights("pts/3", 0666);
    auto list = serial_ports(computer.root, stranger, &station);
    REQUIRE(list.missing.size() == 1);
    CHECK(list.missing[0].what == NotAPort::pseudo_terminal);
    CHECK(list.missing[0].may_open);
    CHECK_THAT(ports_text(list, stranger, {}),
               Catch::Contains("/tmp/nutrunner: scanner SC-2 uses it; it is a pseudo-terminal"));
    computer.rights("pts/3", 0600);
    list = serial_ports(computer.root, stranger, &station);
    CHECK_FALSE(list.missing[0].may_open);
    CHECK_THAT(ports_text(list, stranger, {}),
               Catch::Contains("it is a pseudo-terminal that stranger must not open"));
}

TEST_CASE("a computer without serial ports says so") {
    CHECK(ports_text({}, stranger, {}) == "This computer has no serial port\n");
}

TEST_CASE("the user who runs the program has an account; a name that nobody has gives none") {
    const auto me = port_user("");
    REQUIRE(me);
    CHECK(me->uid == geteuid());
    CHECK_FALSE(port_user("no-such-user-here"));
}
