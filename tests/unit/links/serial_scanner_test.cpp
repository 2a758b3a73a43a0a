// A scanner on a serial line, over a pseudo-terminal.
#include <catch2/catch.hpp>

#include <cerrno>
#include <filesystem>
#include <fstream>
#include <utility>

#include "service/links/serial_device.hpp"
#include "service/links/serial_scanner.hpp"
#include "tests/unit/links/ports.hpp"
#include "tests/unit/links/pseudo_terminal.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;

namespace {

struct SerialBench {
    explicit SerialBench(const std::string& device, protocol::LabelEnd end = protocol::LabelEnd::line) {
        config::Scanner described{
            .id = "SC-9", .bay = "J1", .peer = {}, .serial = config::SerialLine{device}};
        described.serial->baud = 9600;
        described.label_end = end;
        scanner.emplace(loop, described, reader,
                        [this](interlock::Payload event) { heard.events.push_back(std::move(event)); });
        scanner->start();
    }
    [[nodiscard]] bool hears(std::size_t events) {
        return run_until(loop, [&] { return heard.events.size() >= events; });
    }
    [[nodiscard]] SourceHealth health() const { return scanner->health(std::chrono::steady_clock::now()); }

    boost::asio::io_context loop;
    protocol::LabelReader reader =
        protocol::LabelReader::compile(
            {{"D", protocol::PatternLabel{"D-(?P<serial>[0-9]+)-(?P<type>[A-Z]+)"}}})
            .value();
    Heard heard;
    std::optional<SerialScanner> scanner;
};

std::string serial_of(const interlock::Payload& event) {
    const auto* scanned = std::get_if<interlock::TicketScanned>(&event);
    return scanned == nullptr ? "" : scanned->serial.text;
}

}  // namespace

TEST_CASE("a label from a serial line becomes a scanned ticket at the bay of the scanner") {
    PseudoTerminal line;
    SerialBench bench{line.device()};
    CHECK(bench.health().quality == interlock::Quality::good);
    REQUIRE(line.send("D-00417-"));
    bench.loop.run_for(50ms);
    REQUIRE(line.send("MB\r\n"));
    REQUIRE(bench.hears(1));
    const auto scans = bench.heard.of<interlock::TicketScanned>();
    REQUIRE(scans.size() == 1);
    CHECK(scans[0].bay.text == "J1");
    CHECK(scans[0].serial.text == "00417");
    CHECK(bench.health().age);
}

TEST_CASE("a serial line is set up as described: no echo, no translation of line ends") {
    PseudoTerminal line;
    SerialBench bench{line.device()};
    const termios now = line.settings();
    CHECK(cfgetospeed(&now) == B9600);
    CHECK((now.c_cflag & CSIZE) == CS8);
    CHECK((now.c_lflag & (ICANON | ECHO)) == 0);
    CHECK((now.c_iflag & (ICRNL | INLCR | IXON)) == 0);
}

TEST_CASE("a scanner may end its labels by a tab, or put them between STX and ETX") {
    PseudoTerminal tabs;
    SerialBench by_tab{tabs.device(), protocol::LabelEnd::tab};
    REQUIRE(tabs.send("D-1-MB\tD-2-MB\t"));
    REQUIRE(by_tab.hears(2));
    CHECK(serial_of(by_tab.heard.events[1]) == "2");
    PseudoTerminal framed;
    SerialBench by_etx{framed.device(), protocol::LabelEnd::etx};
    REQUIRE(framed.send("\x02"
                        "D-3-MB\x03\x02"
                        "D-4-MB\x03"));
    REQUIRE(by_etx.hears(2));
    CHECK(serial_of(by_etx.heard.events[0]) == "3");
    CHECK(serial_of(by_etx.heard.events[1]) == "4");
}

TEST_CASE("half a label on a serial line is given up and told, and never becomes part of the next") {
    PseudoTerminal line;
    SerialBench bench{line.device()};
    REQUIRE(line.send("D-99"));
    REQUIRE(bench.hears(1));
    CHECK(bench.heard.of<interlock::LabelMisread>().at(0).raw == "D-99");
    // Its end comes late, and reads like a label.
    REQUIRE(line.send("D-1-MB\n"));
    REQUIRE(bench.hears(2));
    CHECK(bench.heard.of<interlock::LabelMisread>().at(1).raw == "D-1-MB");
    REQUIRE(line.send("D-2-MB\n"));
    REQUIRE(bench.hears(3));
    CHECK(serial_of(bench.heard.events[2]) == "2");
}

TEST_CASE(
    "a scanner on a line that sends more labels at once than a hand scans is told of, and all are read") {
    PseudoTerminal line;
    SerialBench bench{line.device()};
    std::string burst;
    for (int i = 0; i < 11; ++i)
        burst += "D-" + std::to_string(i) + "-MB\n";
    REQUIRE(line.send(burst));
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.of<interlock::TicketScanned>().size() == 11; }));
    const auto told = bench.heard.of<interlock::InputRefused>();
    REQUIRE(told.size() == 1);
    CHECK(told[0].source == "SC-9");
    CHECK_THAT(told[0].why, Catch::Contains("scanner SC-9 sends 11 labels at once"));
}

TEST_CASE("a label between STX and ETX that lost its beginning is no label") {
    PseudoTerminal line;
    SerialBench bench{line.device(), protocol::LabelEnd::etx};
    REQUIRE(line.send("D-1-MB\x03\x02"
                      "D-2-MB\x03"));
    REQUIRE(bench.hears(2));
    CHECK(bench.heard.of<interlock::LabelMisread>().at(0).raw == "D-1-MB");
    CHECK(serial_of(bench.heard.events[1]) == "2");
}

TEST_CASE("garbage without an end is told once, and the next label is read") {
    PseudoTerminal line;
    SerialBench bench{line.device()};
    for (int i = 0; i < 8; ++i) {
        REQUIRE(line.send(std::string(500, '\xf8')));
        bench.loop.run_for(5ms);
    }
    REQUIRE(line.send("\r\nD-1-MB\r\n"));
    REQUIRE(run_until(bench.loop, [&] { return !bench.heard.of<interlock::TicketScanned>().empty(); }));
    CHECK(bench.heard.of<interlock::LabelMisread>().size() == 1);
}

TEST_CASE("why a serial device cannot be opened is told with what helps") {
    const auto error = GENERATE(
        std::pair(EACCES,
                  "must not be opened (Permission denied); let the service's user into the device's group"),
        std::pair(EPERM, "let the service's user into the device's group"),
        std::pair(EBUSY, "another program has the serial device /dev/ttyX (Device or resource busy); end it"),
        std::pair(ENXIO, "there is no serial device /dev/ttyX"),
        std::pair(ENOTTY,
                  "cannot open the serial device /dev/ttyX: Inappropriate ioctl for device; name a device "
                  "that is a serial line"));
    CHECK_THAT(why_not_open("/dev/ttyX", error.first), Catch::Contains(error.second));
}

TEST_CASE("what is a folder or a file, and no serial line, is called so") {
    const auto folder =
        std::filesystem::temp_directory_path() / ("tautgate-folder-" + std::to_string(getpid()));
    std::filesystem::create_directory(folder);
    const auto file = folder / "file";
    std::ofstream{file} << "text";
    boost::asio::io_context loop;
    for (const auto& [path, kind] : {std::pair{folder, "a folder"}, std::pair{file, "a file"}}) {
        boost::asio::serial_port port{loop};
        const auto opened = open_serial(port, {.device = path.string(), .baud = 9600}, "the scanner's");
        REQUIRE_FALSE(opened);
        CHECK(opened.error() ==
              path.string() + " is " + kind +
                  " and no serial line; name the device of one (tautgate ports lists them)");
    }
    std::filesystem::remove_all(folder);
}

TEST_CASE("a serial line that is not there is told with the remedy, and opened when it comes") {
    PseudoTerminal line;
    const auto name = std::filesystem::temp_directory_path() / ("tautgate-line-" + std::to_string(getpid()));
    std::filesystem::remove(name);
    SerialBench bench{name.string()};
    CHECK(bench.health().quality == interlock::Quality::failed);
    CHECK_THAT(bench.health().why, Catch::Contains("there is no serial device") &&
                                       Catch::Contains("check the cable, the adapter and the name"));
    std::filesystem::create_symlink(line.device(), name);
    CHECK(run_until(bench.loop, [&] { return bench.health().quality == interlock::Quality::good; }));
    std::filesystem::remove(name);
}

TEST_CASE("a serial line that is pulled out within a label has scanned nothing, and is told") {
    PseudoTerminal line;
    SerialBench bench{line.device()};
    REQUIRE(line.send("D-1-MB"));
    REQUIRE(run_until(bench.loop, [&] { return bench.health().age.has_value(); }));
    line.unplug();
    REQUIRE(bench.hears(1));
    CHECK(bench.heard.of<interlock::TicketScanned>().empty());
    CHECK(bench.heard.of<interlock::LabelMisread>().size() == 1);
    CHECK(bench.health().quality == interlock::Quality::failed);
}

TEST_CASE("what lay on a serial line before it was opened is for nobody") {
    PseudoTerminal line;
    REQUIRE(line.send("D-7-MB\r\n"));
    SerialBench bench{line.device()};
    REQUIRE(line.send("D-8-MB\r\n"));
    REQUIRE(bench.hears(1));
    CHECK(serial_of(bench.heard.events[0]) == "8");
}

TEST_CASE("a stopped serial scanner says nothing more") {
    PseudoTerminal line;
    SerialBench bench{line.device()};
    bench.scanner->stop();
    REQUIRE(line.send("D-8-MB\r\n"));
    bench.loop.run_for(50ms);
    CHECK(bench.heard.events.empty());
}
