// The scanner port on real sockets.
#include <array>
#include <memory>
#include <string>

#include <catch2/catch.hpp>

#include "service/links/scanner_port.hpp"
#include "tests/unit/links/no_free_descriptor.hpp"
#include "tests/unit/links/ports.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace tautgate::links::testing;
using namespace std::chrono_literals;

namespace {
struct ScannerBench {
    explicit ScannerBench(std::vector<config::Scanner> scanners) {
        station.scanner_port = config::Endpoint{"127.0.0.1", 0};
        station.scanners = std::move(scanners);
        port.emplace(loop, station, reader,
                     [this](interlock::Payload event) { heard.events.push_back(std::move(event)); });
        REQUIRE(port->listen());
    }
    boost::asio::io_context loop;
    config::Station station;
    protocol::LabelReader reader =
        protocol::LabelReader::compile(
            {{"D", protocol::PatternLabel{"D-(?P<serial>[0-9]+)-(?P<type>[A-Z]+)"}}})
            .value();
    Heard heard;
    std::optional<ScannerPort> port;
};
const config::Scanner at_bay_1{"SC-1", "J1", "127.0.0.1"};

// A scanner that connects and says this while nobody can be accepted; what waited is told by then.
std::unique_ptr<Client> says_unattended(ScannerBench& bench, const std::string& text) {
    std::unique_ptr<Client> scanner;
    {
        const NoFreeDescriptor full{1};  // the caller's own
        scanner = std::make_unique<Client>(bench.loop, bench.port->port());
        scanner->say(text);
        bench.loop.restart();
        bench.loop.run_for(100ms);  // the port tries, and cannot
    }
    REQUIRE(run_until(bench.loop, [&] { return !bench.heard.events.empty(); }));
    return scanner;
}
}  // namespace

TEST_CASE("a label becomes a scanned ticket at the bay of the scanner") {
    ScannerBench bench{{at_bay_1}};
    Client scanner{bench.loop, bench.port->port()};
    scanner.say("D-00417-");
    scanner.say("MB\r\n");
    REQUIRE(run_until(bench.loop, [&] { return !bench.heard.events.empty(); }));
    const auto scans = bench.heard.of<interlock::TicketScanned>();
    REQUIRE(scans.size() == 1);
    CHECK(scans[0].bay.text == "J1");
    CHECK(scans[0].serial.text == "00417");
    CHECK(scans[0].type == "MB");
    CHECK(scans[0].earlier_stays == 0);
}

TEST_CASE("a label that is no ticket is misread, and the next one is read") {
    ScannerBench bench{{at_bay_1}};
    Client scanner{bench.loop, bench.port->port()};
    scanner.say("fire extinguisher 12\nD-1-MB\n");
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.events.size() == 2; }));
    CHECK(bench.heard.of<interlock::LabelMisread>().at(0).raw == "fire extinguisher 12");
    CHECK(bench.heard.of<interlock::TicketScanned>().at(0).serial.text == "1");
}

TEST_CASE("a scanner that sends more labels at once than a hand scans is told of, and all are read") {
    ScannerBench bench{{at_bay_1}};
    Client scanner{bench.loop, bench.port->port()};
    std::string burst;
    for (int i = 0; i < 11; ++i)
        burst += "D-" + std::to_string(i) + "-MB\n";
    scanner.say(burst);
    REQUIRE(run_until(bench.loop, [&] { return !bench.heard.of<interlock::InputRefused>().empty(); }));
    CHECK(bench.heard.of<interlock::TicketScanned>().size() == 11);
    CHECK_THAT(bench.heard.of<interlock::InputRefused>().at(0).why,
               Catch::Contains("scanner SC-1 sends 11 labels at once"));
}

TEST_CASE("half a label is given up and told, and never becomes part of the next") {
    ScannerBench bench{{at_bay_1}};
    Client scanner{bench.loop, bench.port->port()};
    scanner.say("D-99");
    REQUIRE(run_until(bench.loop, [&] { return !bench.heard.events.empty(); }));
    CHECK(bench.heard.of<interlock::LabelMisread>().at(0).raw == "D-99");
    // Its end comes late, and reads like a label.
    scanner.say("D-1-MB\n");
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.events.size() == 2; }));
    CHECK(bench.heard.of<interlock::LabelMisread>().at(1).raw == "D-1-MB");
    scanner.say("D-2-MB\n");
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.events.size() == 3; }));
    CHECK(bench.heard.of<interlock::TicketScanned>().at(0).serial.text == "2");
}

TEST_CASE("the end of a label that comes over the scanner's next connection is no label") {
    ScannerBench bench{{at_bay_1}};
    Client scanner{bench.loop, bench.port->port()};
    scanner.say("D-99");
    REQUIRE(run_until(bench.loop, [&] {
        return bench.port->health(std::chrono::steady_clock::now()).at(0).age.has_value();
    }));
    scanner.hang_up();
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.events.size() == 1; }));
    Client again{bench.loop, bench.port->port()};
    again.say("D-1-MB\nD-2-MB\n");
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.events.size() == 3; }));
    CHECK(bench.heard.of<interlock::LabelMisread>().at(1).raw == "D-1-MB");
    CHECK(bench.heard.of<interlock::TicketScanned>().at(0).serial.text == "2");
}

TEST_CASE("a scanner that hangs up within a label has scanned nothing") {
    ScannerBench bench{{at_bay_1}};
    Client scanner{bench.loop, bench.port->port()};
    scanner.say("D-1-MB");
    scanner.hang_up();
    REQUIRE(run_until(bench.loop, [&] { return !bench.heard.events.empty(); }));
    CHECK(bench.heard.of<interlock::LabelMisread>().size() == 1);
    CHECK(bench.port->health(std::chrono::steady_clock::now()).at(0).quality == interlock::Quality::failed);
}

TEST_CASE(
    "a label that waited while nobody could be accepted is refused and told, and the next one is read") {
    ScannerBench bench{{at_bay_1}};
    const auto scanner = says_unattended(bench, "D-1-MB\n");
    CHECK_THAT(bench.heard.of<interlock::InputRefused>().at(0).why,
               Catch::Contains("7 byte(s) from scanner SC-1 had waited"));
    CHECK(bench.heard.of<interlock::InputRefused>().at(0).raw == "D-1-MB\n");
    scanner->say("D-2-MB\n");
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.events.size() == 2; }));
    CHECK(bench.heard.of<interlock::TicketScanned>().at(0).serial.text == "2");
    scanner->hang_up();
    Client later{bench.loop, bench.port->port()};
    later.say("D-3-MB\n");
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.of<interlock::TicketScanned>().size() == 2; }));
}

TEST_CASE("the rest of a label of which a part waited while nobody could be accepted is no label") {
    ScannerBench bench{{at_bay_1}};
    const auto scanner = says_unattended(bench, "D-1");
    scanner->say("D-2-MB\n");  // the rest, as far as anybody knows
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.events.size() == 2; }));
    CHECK(bench.heard.of<interlock::TicketScanned>().empty());
    scanner->say("D-2-MB\n");
    REQUIRE(run_until(bench.loop, [&] { return bench.heard.of<interlock::TicketScanned>().size() == 1; }));
}

TEST_CASE("a peer that is no scanner's is hung up on, and told") {
    ScannerBench bench{{{"SC-1", "J1", "192.0.2.7"}}};
    Client scanner{bench.loop, bench.port->port()};
    REQUIRE(run_until(bench.loop, [&] { return scanner.ended && !bench.heard.events.empty(); }));
    CHECK(bench.heard.of<interlock::InputRefused>().at(0).source == "scanner port");
}

TEST_CASE("a peer that stands for scanners of two bays is refused, because no bay is guessed") {
    ScannerBench bench{{at_bay_1, {"SC-2", "J2", "127.0.0.1"}}};
    Client scanner{bench.loop, bench.port->port()};
    REQUIRE(run_until(bench.loop, [&] { return scanner.ended && !bench.heard.events.empty(); }));
    CHECK(bench.heard.of<interlock::TicketScanned>().empty());
}

TEST_CASE("a port in use is an error that names the port") {
    ScannerBench bench{{at_bay_1}};
    config::Station second = bench.station;
    second.scanner_port->port = bench.port->port();
    ScannerPort other{bench.loop, second, bench.reader, [](const interlock::Payload&) {}};
    const auto opened = other.listen();
    REQUIRE_FALSE(opened);
    CHECK(opened.error().find(std::to_string(bench.port->port())) != std::string::npos);
}
