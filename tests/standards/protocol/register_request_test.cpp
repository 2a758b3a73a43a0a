// Frames with registers, against the examples of MODBUS Application Protocol V1.1b3 (sections 6.1
// to 6.5, 6.12 and 7; the PDUs were verified against two public test suites that quote it, the seven bytes
// before them are recomputed after MODBUS Messaging on TCP/IP V1.0b, 3.1.3), and frames with their CRC after
// MODBUS over Serial Line V1.02, 6.2.2 (frames of public test suites, the CRC recomputed).
#include <string>
#include <string_view>
#include <vector>

#include <catch2/catch.hpp>

#include "protocol/register_request.hpp"

using namespace tautgate::protocol;

namespace {

std::string bytes_of(std::string_view hex) {
    std::string bytes;
    for (std::size_t i = 0; i + 1 < hex.size(); i += 2)
        bytes += static_cast<char>(std::stoi(std::string(hex.substr(i, 2)), nullptr, 16));
    return bytes;
}

constexpr RequestHead published_head{ModbusWire::tcp, 0x11, 1};

struct PublishedRead {
    const char* section;
    BlockRange block;
    const char* request;
    const char* answer;
    std::vector<std::uint16_t> words;
};

const std::vector<PublishedRead>& published_reads() {
    static const std::vector<PublishedRead> reads{
        {"6.1",
         {RegisterTable::coils, 0x13, 0x13},
         "000100000006110100130013",
         "000100000006110103cd6b05",
         {1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1}},
        {"6.2",
         {RegisterTable::discrete_inputs, 0xC4, 0x16},
         "000100000006110200c40016",
         "000100000006110203acdb35",
         {0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1}},
        {"6.3",
         {RegisterTable::holding, 0x6B, 3},
         "0001000000061103006b0003",
         "000100000009110306022b00000064",
         {555, 0, 100}},
        {"6.4", {RegisterTable::input, 8, 1}, "000100000006110400080001", "000100000005110402000a", {10}}};
    return reads;
}

}  // namespace

TEST_CASE("a request to read is the published one, and its published answer gives the published values") {
    for (const auto& read : published_reads()) {
        INFO("section " << read.section);
        const auto request = read_request(published_head, read.block);
        CHECK(spaced_hex(request) == spaced_hex(bytes_of(read.request)));
        CHECK(answer_length(ModbusWire::tcp, bytes_of(read.answer)) == bytes_of(read.answer).size());
        const auto words = answer_to(ModbusWire::tcp, request, bytes_of(read.answer));
        REQUIRE(words);
        CHECK(*words == read.words);
    }
}

TEST_CASE("what a request reads is read out of it, and a device that holds the published values answers so") {
    for (const auto& read : published_reads()) {
        INFO("section " << read.section);
        const std::string request = bytes_of(read.request);
        CHECK(read_in(ModbusWire::tcp, request) == read.block);
        CHECK(read_answer(ModbusWire::tcp, request, read.words) == bytes_of(read.answer));
        const std::string on_line = read_request({ModbusWire::serial, 0x11}, read.block);
        CHECK(answer_to(ModbusWire::serial, on_line, read_answer(ModbusWire::serial, on_line, read.words)) ==
              read.words);
    }
    CHECK_FALSE(read_in(ModbusWire::tcp, coil_request(published_head, 0xAC, true)));
    CHECK_FALSE(read_in(ModbusWire::tcp, ""));
}

TEST_CASE("writes are the published ones, and are confirmed by the published answers (6.5, 6.12)") {
    const auto coil = coil_request(published_head, 0xAC, true);
    CHECK(spaced_hex(coil) == spaced_hex(bytes_of("000100000006110500acff00")));
    CHECK(answer_to(ModbusWire::tcp, coil, bytes_of("000100000006110500acff00")));
    const std::vector<std::uint16_t> words{0x000A, 0x0102};
    const auto many = write_request(published_head, 1, words);
    CHECK(spaced_hex(many) == spaced_hex(bytes_of("00010000000b11100001000204000a0102")));
    CHECK(answer_to(ModbusWire::tcp, many, bytes_of("000100000006111000010002")));
    const auto other = answer_to(ModbusWire::tcp, many, bytes_of("000100000006111000010003"));
    REQUIRE_FALSE(other);
    CHECK(other.error().what == "the answer confirms another write than was asked for");
}

TEST_CASE("an exception of section 7 is named, with what to look at") {
    const auto request = read_request(published_head, {RegisterTable::coils, 0x04A1, 1});
    const auto refused = answer_to(ModbusWire::tcp, request, bytes_of("000100000003118102"));
    REQUIRE_FALSE(refused);
    CHECK(refused.error().what == "the device has no such registers (exception 2)");
    CHECK(refused.error().remedy.find("count from 0") != std::string::npos);
    for (const char* code : {"01", "03", "04", "05", "06", "08", "0a", "0b", "77"}) {
        const auto other =
            answer_to(ModbusWire::tcp, request, bytes_of("0001000000031181" + std::string(code)));
        REQUIRE_FALSE(other);
        CHECK(other.error().what.find(std::to_string(std::stoi(code, nullptr, 16))) != std::string::npos);
        CHECK_FALSE(other.error().remedy.empty());
    }
}

// Malformed frames after the rules of V1.0b, 3.1.3 and V1.1b3, 6.3.
TEST_CASE("an answer that does not fit its request all over is none") {
    const auto request = read_request(published_head, {RegisterTable::holding, 0, 1});
    struct Row {
        const char* answer;
        const char* what;
    };
    for (const Row& row : {
             Row{"000200000005110302000a", "the answer is to request 2, not to 1"},
             Row{"000100010005110302000a", "it answered, but not in Modbus"},
             Row{"485454502f312e3120343030", "it answered, but not in Modbus"},  // HTTP/1.1 400
             Row{"000100000005120302000a", "unit 18 answered instead of unit 17"},
             Row{"000100000005110402000a", "the answer is to function 4, not to 3"},
             Row{"000100000005110304000a", "the answer holds 2 bytes of values and says 4, asked for were 2"},
             Row{"000100000007110304000a000b",
                 "the answer holds 4 bytes of values and says 4, asked for were 2"},
             Row{"000100000005110302", "9 bytes came that are no whole answer"},
             Row{"00010000000011", "7 bytes came that are no whole answer"},
             Row{"", "no answer came in time"},
         }) {
        INFO(row.answer);
        const auto words = answer_to(ModbusWire::tcp, request, bytes_of(row.answer));
        REQUIRE_FALSE(words);
        CHECK(words.error().what == row.what);
    }
}

TEST_CASE("frames of a serial line have the published CRC, and one with another CRC is damaged") {
    CHECK(serial_crc("123456789") == 0x4B37);
    const RequestHead head{ModbusWire::serial, 0x11, 0};
    CHECK(spaced_hex(read_request(head, {RegisterTable::coils, 0x13, 0x13})) ==
          spaced_hex(bytes_of("1101001300138e92")));
    const auto request = read_request(head, {RegisterTable::discrete_inputs, 0xC4, 0x16});
    CHECK(spaced_hex(request) == spaced_hex(bytes_of("110200c40016baa9")));
    const auto answer = bytes_of("110203acdb352018");
    CHECK(answer_length(ModbusWire::serial, answer.substr(0, 3)) == answer.size());
    CHECK(answer_to(ModbusWire::serial, request, answer));
    auto damaged = answer;
    damaged[4] ^= 1;
    const auto refused = answer_to(ModbusWire::serial, request, damaged);
    REQUIRE_FALSE(refused);
    CHECK(refused.error().what.find("the answer is damaged: its CRC is 1820") == 0);
    CHECK(spaced_hex(coil_request({ModbusWire::serial, 1, 0}, 0xAC, true)) ==
          spaced_hex(bytes_of("010500acff004c1b")));
}
