// The registers that we show, against the bytes that the standard prints.
//
// Requests and answers: MODBUS Application Protocol Specification V1.1b3 (26 April 2012), sections 6.3, 6.12
// and 7, framed as in MODBUS Messaging on TCP/IP Implementation Guide V1.0b (24 October 2006), section 3.1.3.
// Provenance: the 6.3 and 6.12 examples were read from the published pages by a public source audit and agree
// with two independent public test suites; the frames around them and the malformed ones were recomputed from
// the guide. The exceptions for functions and quantities were recomputed from the rules of sections 6 and 7.

#include <catch2/catch.hpp>

#include <chrono>
#include <cstdint>
#include <memory>
#include <numeric>
#include <string>
#include <vector>

#include "config/station.hpp"
#include "protocol/permissive_block.hpp"
#include "service/links/block_server.hpp"
#include "tests/standards/links/raw_peer.hpp"

namespace {

using namespace tautgate;
using tests::from_hex;
using tests::RawPeer;
using tests::to_hex;

constexpr std::uint8_t unit = 0x11;
constexpr std::uint16_t permissive_address = 0x006B;  // of the example in 6.3
constexpr std::uint16_t feedback_address = 0x0001;    // of the example in 6.12

// One permissive: 12 registers from 0x006B to read, 16 from 0x0001 to write.
struct Served {
    std::unique_ptr<links::BlockServer> server;
    links::Waker waker;

    Served() {
        config::ControllerLink link;
        link.role = config::WireRole::server;
        link.host = "127.0.0.1";
        link.port = 0;
        link.unit = unit;
        link.permissive_address = permissive_address;
        link.feedback_address = feedback_address;
        auto opened = links::BlockServer::open(link, 1);
        if (!opened)
            FAIL(opened.error());
        server = std::move(*opened);
        std::vector<std::uint16_t> words(protocol::permissive_words, 0xFFFF);
        words[0] = 555;  // registers 108 to 110 of the example
        words[1] = 0;
        words[2] = 100;
        server->show(words);
    }

    void turn() {
        static_cast<void>(
            server->serve(waker, std::chrono::steady_clock::now() + std::chrono::milliseconds(10), [] {}));
    }

    // What comes back, in hex: "" if the connection was closed instead, "silence" if neither happened.
    std::string exchange(RawPeer& master, const std::string& request_hex) {
        master.send(from_hex(request_hex));
        const auto end = std::chrono::steady_clock::now() + std::chrono::seconds(2);
        while (std::chrono::steady_clock::now() < end) {
            turn();
            if (const auto got = master.take())
                return to_hex(*got);
        }
        return "silence";
    }

    std::string exchange(const std::string& request_hex) {
        RawPeer master = RawPeer::connect(server->port());
        return exchange(master, request_hex);
    }
};

// Transaction 0001, protocol 0000, the length of what follows, unit 11.
std::string framed(const std::string& pdu_hex) {
    const auto length = static_cast<std::uint16_t>(pdu_hex.size() / 2 + 1);
    return "00010000" +
           to_hex({static_cast<std::uint8_t>(length >> 8U), static_cast<std::uint8_t>(length & 0xFFU)}) +
           "11" + pdu_hex;
}

}  // namespace

TEST_CASE("the read example of section 6.3 gets the printed answer, byte for byte") {
    Served served;
    CHECK(served.exchange("0001000000061103006b0003") == "000100000009110306022b00000064");
}

TEST_CASE("the answer bears the transaction number of its request") {
    Served served;
    RawPeer master = RawPeer::connect(served.server->port());
    CHECK(served.exchange(master, "abcd000000061103006b0003") == "abcd00000009110306022b00000064");
    CHECK(served.exchange(master, "0000000000061103006b0003") == "000000000009110306022b00000064");
    CHECK(served.exchange(master, "ffff000000061103006b0003") == "ffff00000009110306022b00000064");
}

TEST_CASE("a feedback block written with function 16 is answered as section 6.12 prints it and taken whole") {
    Served served;
    std::string data;
    for (unsigned i = 0; i < protocol::feedback_words; ++i)
        data += to_hex({static_cast<std::uint8_t>(i), static_cast<std::uint8_t>(0xA0U + i)});
    // function, address and quantity come back
    CHECK(served.exchange(framed("100001001020" + data)) == framed("1000010010"));
    for (unsigned i = 0; i < protocol::feedback_words; ++i)
        CHECK(served.server->feedback()[i] == ((i << 8U) | (0xA0U + i)));
}

TEST_CASE("the two registers of the example in 6.12 are half a block to us and leave everything as it was") {
    Served served;
    CHECK(served.exchange("00010000000b11100001000204000a0102") == framed("9002"));
    for (const auto word : served.server->feedback())
        CHECK(word == 0);
}

TEST_CASE("each request that is not served gets the exception that section 7 has for it") {
    struct Row {
        const char* what;
        const char* request;
        const char* answer;
    };
    const Row rows[] = {
        {"unknown function 0x41", "410000", "c101"},
        {"read coils, which we do not have", "0100130013", "8101"},
        {"write single register: would tear a block", "0600010003", "8601"},
        {"mask write register", "16000400f20025", "9601"},
        {"read/write multiple registers", "1700030006000e00030600ff00ff00ff", "9701"},
        {"read 0 holding registers", "0300000000", "8303"},
        {"read 126 holding registers", "030000007e", "8303"},
        // figures 11 and 22: the quantity is checked before the address
        {"read 126 registers where there are none", "03f000007e", "8303"},
        {"read where there are none", "03f0000001", "8302"},
        {"read over the end of the blocks", "03006b000d", "8302"},
        {"read from the feedback into the gap behind it", "0300100002", "8302"},
        {"read in the gap between the blocks", "0300400001", "8302"},
        {"read up to beyond the last address", "03ffff0002", "8302"},
        {"write 0 registers", "100001000000", "9003"},
        {"write 16 registers with a byte count of 2", "100001001002ffff", "9003"},
        {"write a whole block that claims 2 bytes",
         "100001001002"
         "00000000000000000000000000000000"
         "00000000000000000000000000000000",
         "9003"},
        {"write the permissives", "10006b000102ffff", "9002"},
        {"read without a quantity", "03006b", "8303"},
    };
    Served served;
    RawPeer master = RawPeer::connect(served.server->port());
    for (const Row& row : rows) {
        INFO(row.what);
        CHECK(served.exchange(master, framed(row.request)) == framed(row.answer));
    }
    CHECK(served.exchange(master, "0001000000061103006b0003") == "000100000009110306022b00000064");
}

TEST_CASE("what is no request ends that connection, changes nothing and keeps nobody else waiting") {
    struct Row {
        const char* what;
        const char* bytes;
    };
    const Row rows[] = {
        {"length field 0", "00010000000011"},
        {"length field 1: no function code", "00010000000111"},
        {"protocol identifier not 0", "000100010006110300000001"},
        {"length field 255: a PDU is at most 253 bytes", "0001000000ff110300000001"},
        {"length field 65535", "00010000ffff110300000001"},
    };
    Served served;
    RawPeer other = RawPeer::connect(served.server->port());
    for (const Row& row : rows) {
        INFO(row.what);
        CHECK(served.exchange(row.bytes).empty());
        CHECK(served.exchange(other, "0001000000061103006b0003") == "000100000009110306022b00000064");
    }
    for (const auto word : served.server->feedback())
        CHECK(word == 0);
}

TEST_CASE("a request that comes byte by byte is answered once, when it is whole") {
    Served served;
    RawPeer slow = RawPeer::connect(served.server->port());
    const auto request = from_hex("0001000000061103006b0003");
    for (std::size_t i = 0; i + 1 < request.size(); ++i) {
        slow.send({request[i]});
        served.turn();
        served.turn();
        CHECK_FALSE(slow.take().has_value());
        CHECK(served.exchange("0001000000061103006b0003") == "000100000009110306022b00000064");
    }
    CHECK(served.exchange(slow, to_hex({request.back()})) == "000100000009110306022b00000064");
}

TEST_CASE("two requests in one segment get two answers in their order") {
    Served served;
    CHECK(served.exchange("0001000000061103006b0001"
                          "0002000000061103006c0001") == "00010000000511"
                                                         "0302022b"
                                                         "00020000000511"
                                                         "03020000");
}
