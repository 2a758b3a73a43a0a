#include "protocol/register_request.hpp"

#include <utility>

#include <boost/crc.hpp>
#include <fmt/format.h>

#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::size_t tcp_head = 6;  // transaction, protocol, length; the unit belongs to what is counted
constexpr std::size_t crc_length = 2;
constexpr std::size_t longest_pdu = 253;
constexpr std::uint8_t exception_bit = 0x80;

enum Function : std::uint8_t {
    read_coils_function = 0x01,
    read_discrete_function = 0x02,
    read_holding_function = 0x03,
    read_input_function = 0x04,
    write_coil_function = 0x05,
    write_registers_function = 0x10
};

std::uint8_t byte_at(std::string_view bytes, std::size_t at) { return static_cast<std::uint8_t>(bytes[at]); }
std::uint16_t big_endian_at(std::string_view bytes, std::size_t at) {
    return static_cast<std::uint16_t>(byte_at(bytes, at) << 8U | byte_at(bytes, at + 1));
}
void add_word(std::string& bytes, std::uint16_t word) {
    bytes += static_cast<char>(word >> 8U);
    bytes += static_cast<char>(word & 0xFFU);
}

// `body`: unit, function and what follows it.
std::string framed(const RequestHead& head, const std::string& body) {
    if (head.wire == ModbusWire::serial) {
        std::string frame = body;
        const std::uint16_t crc = serial_crc(body);  // low byte first, unlike all else
        frame += static_cast<char>(crc & 0xFFU);
        frame += static_cast<char>(crc >> 8U);
        return frame;
    }
    std::string frame;
    add_word(frame, head.transaction);
    add_word(frame, 0);
    add_word(frame, static_cast<std::uint16_t>(body.size()));
    return frame + body;
}
std::string begun(const RequestHead& head, std::uint8_t function, std::uint16_t address) {
    std::string body{static_cast<char>(head.unit), static_cast<char>(function)};
    add_word(body, address);
    return body;
}

std::uint8_t reading_function(RegisterTable table) {
    switch (table) {
    case RegisterTable::holding: return read_holding_function;
    case RegisterTable::input: return read_input_function;
    case RegisterTable::coils: return read_coils_function;
    case RegisterTable::discrete_inputs: return read_discrete_function;
    }
    std::unreachable();
}
bool reads_bits(std::uint8_t function) {
    return function == read_coils_function || function == read_discrete_function;
}
bool reads(std::uint8_t function) {
    return function >= read_coils_function && function <= read_input_function;
}

// V1.1b3, section 7.
AnswerFault exception(std::uint8_t code) {
    switch (code) {
    case 1:
        return {"the device does not know this function (exception 1)",
                "look in its manual in which table (holding, input, coils, discrete_inputs) the values lie"};
    case 2:
        return {"the device has no such registers (exception 2)",
                "check the addresses, which count from 0 here, and read no further than it has registers"};
    case 3:
        return {"the device does not take so many registers or this value (exception 3)",
                "let the profile read fewer at once, see start and length"};
    case 4: return {"the device failed at it (exception 4)", "look at the device itself"};
    case 5: return {"the device needs longer for it (exception 5)", "ask less often"};
    case 6: return {"the device is busy (exception 6)", "ask less often"};
    case 8: return {"the device found its memory damaged (exception 8)", "look at the device itself"};
    case 10:
        return {"the gateway has no way to this unit (exception 10)",
                "check the unit, and how the gateway is set up"};
    case 11:
        return {"the unit behind the gateway does not answer (exception 11)",
                "check the unit, and the serial line behind the gateway"};
    default: return {fmt::format("the device refuses (exception {})", code), "look in its manual"};
    }
}

// What begins so was not said in Modbus TCP, whose protocol has the number 0.
bool is_no_modbus(std::string_view begun) { return begun.size() >= 4 && big_endian_at(begun, 2) != 0; }
AnswerFault no_modbus() {
    return {"it answered, but not in Modbus", "check the port, and that a Modbus TCP device is there"};
}

// What is wrong with the envelope around unit and function, TCP.
std::optional<AnswerFault> wrong_head(std::string_view request, std::string_view answer) {
    if (is_no_modbus(answer))
        return no_modbus();
    if (big_endian_at(answer, 0) != big_endian_at(request, 0))
        return AnswerFault{fmt::format("the answer is to request {}, not to {}", big_endian_at(answer, 0),
                                       big_endian_at(request, 0)),
                           "give the device or its gateway more time, and one client at a time"};
    return std::nullopt;
}
std::optional<AnswerFault> wrong_crc(std::string_view answer) {
    const std::string_view body = answer.substr(0, answer.size() - crc_length);
    const auto sent = static_cast<std::uint16_t>(byte_at(answer, answer.size() - 1) << 8U |
                                                 byte_at(answer, answer.size() - 2));
    if (sent == serial_crc(body))
        return std::nullopt;
    return AnswerFault{fmt::format("the answer is damaged: its CRC is {:04X}, its bytes give {:04X}", sent,
                                   serial_crc(body)),
                       "check cable, shield, termination, and that each unit is on the line once"};
}

AnswerFault no_whole_answer(ModbusWire wire, std::string_view answer) {
    const std::string_view remedy =
        wire == ModbusWire::tcp
            ? "check the unit, and that the device takes one more client"
            : "check unit, baud, parity and stop bits, and that both wires are not crossed";
    if (answer.empty())
        return {"no answer came in time", std::string(remedy)};
    return {fmt::format("{} came that are no whole answer", counted(answer.size(), "byte")),
            std::string(remedy)};
}

std::vector<std::uint16_t> words_of(std::uint8_t function, std::string_view data, std::uint16_t count) {
    std::vector<std::uint16_t> words;
    words.reserve(count);
    for (std::size_t i = 0; i < count; ++i)
        words.push_back(reads_bits(function)
                            ? static_cast<std::uint16_t>(byte_at(data, i / 8) >> (i % 8) & 1U)
                            : big_endian_at(data, 2 * i));
    return words;
}

// Both without envelope: unit, function, content.
std::expected<std::vector<std::uint16_t>, AnswerFault> content(std::string_view asked, std::string_view got) {
    if (got[0] != asked[0])
        return std::unexpected(AnswerFault{
            fmt::format("unit {} answered instead of unit {}", byte_at(got, 0), byte_at(asked, 0)),
            "check the unit in the link of the tool"});
    const std::uint8_t function = byte_at(asked, 1);
    if (byte_at(got, 1) == (function | exception_bit) && got.size() == 3)
        return std::unexpected(exception(byte_at(got, 2)));
    if (byte_at(got, 1) != function)
        return std::unexpected(
            AnswerFault{fmt::format("the answer is to function {}, not to {}", byte_at(got, 1), function),
                        "see that nobody else asks over the same connection"});
    if (!reads(function)) {
        if (got.substr(2, 4) != asked.substr(2, 4))
            return std::unexpected(AnswerFault{"the answer confirms another write than was asked for",
                                               "see that nobody else asks over the same connection"});
        return std::vector<std::uint16_t>{};
    }
    const std::uint16_t count = big_endian_at(asked, 4);
    const std::size_t wanted = reads_bits(function) ? (count + 7U) / 8U : std::size_t{2} * count;
    if (got.size() != 3 + wanted || byte_at(got, 2) != wanted)
        return std::unexpected(
            AnswerFault{fmt::format("the answer holds {} of values and says {}, asked for were {}",
                                    counted(got.size() - 3, "byte"), byte_at(got, 2), wanted),
                        "let the profile read fewer at once, see start and length"});
    return words_of(function, got.substr(3), count);
}

}  // namespace

std::uint16_t serial_crc(std::string_view bytes) {
    boost::crc_optimal<16, 0x8005, 0xFFFF, 0, true, true> crc;
    crc.process_bytes(bytes.data(), bytes.size());
    return crc.checksum();
}

std::string read_request(const RequestHead& head, const BlockRange& block) {
    std::string body = begun(head, reading_function(block.table), block.start);
    add_word(body, block.length);
    return framed(head, body);
}

std::string write_request(const RequestHead& head, std::uint16_t address,
                          std::span<const std::uint16_t> words) {
    std::string body = begun(head, write_registers_function, address);
    add_word(body, static_cast<std::uint16_t>(words.size()));
    body += static_cast<char>(2 * words.size());
    for (const std::uint16_t word : words)
        add_word(body, word);
    return framed(head, body);
}

std::string coil_request(const RequestHead& head, std::uint16_t address, bool on) {
    std::string body = begun(head, write_coil_function, address);
    add_word(body, on ? 0xFF00 : 0x0000);
    return framed(head, body);
}

std::optional<std::size_t> answer_length(ModbusWire wire, std::string_view begun) {
    if (wire == ModbusWire::tcp) {
        if (begun.size() < tcp_head)
            return std::nullopt;
        const std::size_t length = big_endian_at(begun, 4);
        return length >= 2 && length <= longest_pdu + 1 ? std::optional(tcp_head + length) : std::nullopt;
    }
    if (begun.size() < 3)
        return std::nullopt;
    const std::uint8_t function = byte_at(begun, 1);
    if ((function & exception_bit) != 0)
        return 3 + crc_length;
    if (reads(function))
        return 3 + std::size_t{byte_at(begun, 2)} + crc_length;
    if (function == write_coil_function || function == write_registers_function)
        return 6 + crc_length;
    return std::nullopt;
}

std::optional<std::string_view> asked_in(ModbusWire wire, std::string_view frame) {
    const std::size_t around = wire == ModbusWire::tcp ? tcp_head : crc_length;
    if (frame.size() < around + 6)  // unit, function, and two words of whatever is asked for
        return std::nullopt;
    return wire == ModbusWire::tcp ? frame.substr(tcp_head) : frame.substr(0, frame.size() - crc_length);
}

std::optional<BlockRange> read_in(ModbusWire wire, std::string_view request) {
    const auto asked = asked_in(wire, request);
    if (!asked)
        return std::nullopt;
    for (const RegisterTable table :
         {RegisterTable::holding, RegisterTable::input, RegisterTable::coils, RegisterTable::discrete_inputs})
        if (reading_function(table) == byte_at(*asked, 1))
            return BlockRange{table, big_endian_at(*asked, 2), big_endian_at(*asked, 4)};
    return std::nullopt;
}

std::string read_answer(ModbusWire wire, std::string_view request, std::span<const std::uint16_t> words) {
    const std::string_view asked = asked_in(wire, request).value();
    std::string data;
    if (reads_bits(byte_at(asked, 1))) {
        data.resize((words.size() + 7) / 8);
        for (std::size_t i = 0; i < words.size(); ++i)
            if (words[i] != 0)
                data[i / 8] = static_cast<char>(byte_at(data, i / 8) | 1U << (i % 8));
    } else {
        for (const std::uint16_t word : words)
            add_word(data, word);
    }
    const std::string body = std::string(asked.substr(0, 2)) + static_cast<char>(data.size()) + data;
    const std::uint16_t transaction = wire == ModbusWire::tcp ? big_endian_at(request, 0) : std::uint16_t{0};
    return framed({.wire = wire, .transaction = transaction}, body);
}

std::expected<std::vector<std::uint16_t>, AnswerFault> answer_to(ModbusWire wire, std::string_view request,
                                                                 std::string_view answer) {
    const auto asked = asked_in(wire, request);
    if (!asked)
        return std::unexpected(AnswerFault{"the request is no frame", "make the capture anew"});
    if (wire == ModbusWire::tcp && is_no_modbus(answer))
        return std::unexpected(no_modbus());
    const auto length = answer_length(wire, answer);
    if (!length || *length != answer.size())
        return std::unexpected(no_whole_answer(wire, answer));
    if (wire == ModbusWire::serial) {
        if (auto wrong = wrong_crc(answer))
            return std::unexpected(std::move(*wrong));
        return content(*asked, answer.substr(0, answer.size() - crc_length));
    }
    if (auto wrong = wrong_head(request, answer))
        return std::unexpected(std::move(*wrong));
    if (answer.size() < tcp_head + 3)
        return std::unexpected(no_whole_answer(wire, answer));
    return content(*asked, answer.substr(tcp_head));
}

std::string with_transaction_of(std::string_view request, std::string answer) {
    answer.replace(0, 2, request.substr(0, 2));
    return answer;
}

std::string spaced_hex(std::string_view bytes) {
    std::string hex;
    hex.reserve(bytes.size() * 3);
    for (const char byte : bytes)
        hex += fmt::format("{}{:02X}", hex.empty() ? "" : " ", static_cast<std::uint8_t>(byte));
    return hex;
}

}  // namespace tautgate::protocol
