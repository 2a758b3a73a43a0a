// What we send as a Modbus client and which answers we believe, against the bytes that the standard prints.
//
// MODBUS Application Protocol Specification V1.1b3 (26 April 2012), sections 6.3 and 6.12; frames as in
// MODBUS Messaging on TCP/IP Implementation Guide V1.0b (24 October 2006), section 3.1.3. Provenance: the 6.3
// example was read from the published pages by a public source audit and agrees with two independent public
// test suites; the frame around it and the answers that do not fit were recomputed from the guide.

#include <catch2/catch.hpp>

#include <chrono>
#include <cstdint>
#include <string>
#include <thread>
#include <vector>

#include <boost/asio/io_context.hpp>

#include "config/station.hpp"
#include "protocol/permissive_block.hpp"
#include "service/links/controller_link.hpp"
#include "service/links/modbus_wire.hpp"
#include "service/links/register_calls.hpp"
#include "tests/standards/links/raw_peer.hpp"

namespace {

using namespace tautgate;
using tests::Bytes;
using tests::from_hex;
using tests::RawListener;
using tests::RawPeer;
using tests::to_hex;

constexpr int patience_ms = 5000;  // for something that has to come; nothing waits as long as all goes well

// The next whole frame, by its length field.
Bytes next_frame(const RawPeer& peer) {
    Bytes frame;
    const auto end = std::chrono::steady_clock::now() + std::chrono::milliseconds(patience_ms);
    while (std::chrono::steady_clock::now() < end) {
        const auto got = peer.take_within(50);
        if (got && got->empty())
            break;
        if (got)
            frame.insert(frame.end(), got->begin(), got->end());
        if (frame.size() >= 6 && frame.size() >= 6U + (frame[4] << 8U | frame[5]))
            break;
    }
    return frame;
}

// Asks for the three registers of the example in 6.3, or what else is wanted, from a device that gives
// `answer_hex`, in which TTTT stands for the transaction of the request. What was asked and what came of it.
struct Read {
    std::string request;
    links::RegisterCalls::Done done;
    std::vector<std::uint16_t> values;
};
struct Wanted {
    protocol::RegisterTable table = protocol::RegisterTable::holding;
    std::uint16_t address = 0x006B;
    std::uint16_t count = 3;
};
Read read_example(const std::string& answer_hex, const Wanted& wanted = {}) {
    RawListener listener;
    Read read;
    std::jthread device([&] {
        const auto peer = listener.accept_within(patience_ms);
        if (!peer)
            return;
        const Bytes request = next_frame(*peer);
        read.request = to_hex(request);
        std::string answer = answer_hex;
        if (const auto at = answer.find("TTTT"); at != std::string::npos && request.size() > 1)
            answer.replace(at, 4, to_hex({request[0], request[1]}));
        peer->send(from_hex(answer));
        static_cast<void>(peer->take_within(patience_ms));  // stays until the client has closed
    });
    auto dialled = links::dial("127.0.0.1", listener.port(), 0x11, std::chrono::milliseconds(200));
    if (!dialled)
        FAIL(dialled.error());
    read.values.resize(wanted.count);
    {
        links::RegisterCalls calls(std::move(*dialled), 0x11, std::chrono::milliseconds(200));
        read.done = calls.ask_to_read(wanted.table, wanted.address, read.values);
        if (read.done)
            read.done = calls.finish();
    }
    device.join();
    return read;
}

}  // namespace

TEST_CASE(
    "we ask for the registers of section 6.3 with the printed request and understand the printed answer") {
    const Read read = read_example("TTTT00000009110306022b00000064");
    CHECK(read.request.substr(4) == "0000"
                                    "0006"
                                    "11"
                                    "03006b0003");
    REQUIRE(read.done);
    CHECK(read.values == std::vector<std::uint16_t>{555, 0, 100});
}

TEST_CASE(
    "we ask for the coils of section 6.1 and the inputs of 6.2 and take their bits from the lowest on") {
    const Read coils = read_example("TTTT000000061101"
                                    "03cd6b05",
                                    {protocol::RegisterTable::coils, 0x13, 0x13});
    CHECK(coils.request.substr(4) == "0000"
                                     "0006"
                                     "11"
                                     "0100130013");
    REQUIRE(coils.done);
    // coils 27 to 20: 1100 1101, 35 to 28: 0110 1011, 38 to 36: 101
    CHECK(coils.values ==
          std::vector<std::uint16_t>{1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1});
    const Read inputs = read_example("TTTT000000061102"
                                     "03acdb35",
                                     {protocol::RegisterTable::discrete_inputs, 0xC4, 0x16});
    CHECK(inputs.request.substr(4) == "0000"
                                      "0006"
                                      "11"
                                      "0200c40016");
    REQUIRE(inputs.done);
    // inputs 204 to 197: 1010 1100, 212 to 205: 1101 1011, 218 to 213: 11 0101
    CHECK(inputs.values ==
          std::vector<std::uint16_t>{0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1});
    CHECK_FALSE(read_example("TTTT000000051101"
                             "02cd6b",
                             {protocol::RegisterTable::coils, 0x13, 0x13})
                    .done);
}

TEST_CASE("an answer that does not fit its request is not believed, and the reason is told") {
    struct Row {
        const char* what;
        const char* answer;
        const char* why;
    };
    const Row rows[] = {
        {"another transaction", "dead00000009110306022b00000064", "the answer is to another request"},
        {"another protocol", "TTTT00010009110306022b00000064", "the answer is of protocol 1, not of Modbus"},
        {"another unit", "TTTT00000009120306022b00000064", "the answer is of unit 18, not of unit 17"},
        {"another function", "TTTT00000009110406022b00000064", "another function"},
        {"byte count not twice the quantity asked", "TTTT00000005110302022b", "another number of registers"},
        {"byte count larger than the data", "TTTT00000007110306022b0000", "another number of registers"},
        {"an exception", "TTTT00000003118302", "it has no such registers (exception 2)"},
        {"a length that no answer has", "TTTT0000ffff110306022b00000064", "65535 bytes long"},
        {"half an answer", "TTTT00000009110306022b", "no answer in time"},
        {"nothing", "", "no answer in time"},
    };
    for (const Row& row : rows) {
        INFO(row.what);
        const Read read = read_example(row.answer);
        REQUIRE_FALSE(read.done);
        CHECK_THAT(read.done.error(), Catch::Contains(row.why));
    }
}

namespace {

config::Station station_with_controller(std::uint16_t port) {
    config::Station station;
    station.number = 7;
    config::Bay bay;
    bay.id = "J1";
    bay.number = 3;
    bay.controller.role = config::WireRole::client;
    bay.controller.host = "127.0.0.1";
    bay.controller.port = port;
    bay.controller.unit = 0x11;
    bay.controller.permissive_address = 0x0100;
    bay.controller.feedback_address = 0x0200;
    station.bays.push_back(bay);
    config::Permissive permissive;
    permissive.id = "lift-beam";
    permissive.number = 5;
    permissive.bay = "J1";
    station.permissives.push_back(permissive);
    return station;
}

}  // namespace

TEST_CASE("the first bytes to a controller are function 16 of section 6.12 with a block that withholds") {
    RawListener listener;
    const auto station = station_with_controller(listener.port());
    boost::asio::io_context loop;
    links::ControllerLink link(
        loop, station, station.bays.front(), [](const interlock::Payload&) {},
        std::make_shared<links::DurableMark>());
    link.start();

    const auto controller = listener.accept_within(patience_ms);
    REQUIRE(controller.has_value());
    const Bytes write = next_frame(*controller);
    // transaction, protocol 0, length 1 + 6 + 24, unit 11, function 10, address 0100, 12 registers, 24 bytes
    REQUIRE(write.size() == 6 + 31);
    CHECK(to_hex(write).substr(4, 22) == "0000"
                                         "001f"
                                         "11"
                                         "10"
                                         "0100"
                                         "000c"
                                         "18");
    std::vector<std::uint16_t> words;
    for (std::size_t at = 13; at + 1 < write.size(); at += 2)
        words.push_back(static_cast<std::uint16_t>(write[at] << 8U | write[at + 1]));
    const auto block = protocol::decode_permissive(words, {.station = 7, .bay = 3, .permissive = 5});
    REQUIRE(block.has_value());
    CHECK(block->code == protocol::Code::withheld);
    // The three codes are written down in the definition of the block; this one must stand there literally.
    CHECK(words[6] == 0xD833);

    // The answer as 6.12 prints it; then the feedback is asked for with function 3.
    const Bytes transaction(write.begin(), write.begin() + 2);
    controller->send(from_hex(to_hex(transaction) + "00000006"
                                                    "11"
                                                    "10"
                                                    "0100"
                                                    "000c"));
    const Bytes read = next_frame(*controller);
    CHECK(to_hex(read).substr(4) == "0000"
                                    "0006"
                                    "11"
                                    "03"
                                    "0200"
                                    "0010");
    CHECK(Bytes(read.begin(), read.begin() + 2) != transaction);
    link.stop();
}

TEST_CASE("a controller that answers under another transaction is dropped and dialled again") {
    RawListener listener;
    const auto station = station_with_controller(listener.port());
    boost::asio::io_context loop;
    links::ControllerLink link(
        loop, station, station.bays.front(), [](const interlock::Payload&) {},
        std::make_shared<links::DurableMark>());
    link.start();

    auto controller = listener.accept_within(patience_ms);
    REQUIRE(controller.has_value());
    REQUIRE_FALSE(next_frame(*controller).empty());
    controller->send(from_hex("dead"
                              "00000006"
                              "11"
                              "10"
                              "0100"
                              "000c"));
    const auto after = controller->take_within(patience_ms);
    REQUIRE(after.has_value());
    CHECK(after->empty());  // closed, so that nothing late can serve another request
    const auto again = listener.accept_within(patience_ms);
    REQUIRE(again.has_value());
    const Bytes write = next_frame(*again);
    REQUIRE(write.size() == 6 + 31);
    CHECK(to_hex(write).substr(14, 4 + 4 + 2) == "10"
                                                 "0100"
                                                 "000c");
    CHECK(link.health().quality != interlock::Quality::good);
    link.stop();
}
