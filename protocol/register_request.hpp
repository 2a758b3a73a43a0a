// One request for registers and its answer as they are on the wire, of Modbus TCP (MODBUS Messaging on TCP/IP
// V1.0b, 3.1) or of a serial line in RTU mode (MODBUS over Serial Line V1.02, 2.5.1); functions after MODBUS
// Application Protocol V1.1b3, 6.1 to 6.5 and 6.12. For those who show and keep the very bytes; the service
// itself asks with service/links. Pure; any thread.
//
// An answer is believed only where all of it fits the request; what does not fit is a fault that names it.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/register_plan.hpp"

namespace tautgate::protocol {

enum class ModbusWire : std::uint8_t { tcp, serial };
TAUTGATE_ENUM(ModbusWire, tcp, serial);

struct RequestHead {
    ModbusWire wire = ModbusWire::tcp;
    std::uint8_t unit = 1;
    std::uint16_t transaction = 0;  // a serial line has none
};

[[nodiscard]] std::string read_request(const RequestHead& head, const BlockRange& block);
[[nodiscard]] std::string write_request(const RequestHead& head, std::uint16_t address,
                                        std::span<const std::uint16_t> words);
[[nodiscard]] std::string coil_request(const RequestHead& head, std::uint16_t address, bool on);

// The checksum at the end of a frame on a serial line (V1.02, 6.2.2).
[[nodiscard]] std::uint16_t serial_crc(std::string_view bytes);

// Bytes of the whole answer that begins so; nothing while too little of it is there, or where no answer
// begins so.
[[nodiscard]] std::optional<std::size_t> answer_length(ModbusWire wire, std::string_view begun);

// What a request reads; nothing of one that writes, or of bytes that are no request.
[[nodiscard]] std::optional<BlockRange> read_in(ModbusWire wire, std::string_view request);
// What a device answers that holds `words`, as many as the request reads. A coil is on where its word is not
// 0.
[[nodiscard]] std::string read_answer(ModbusWire wire, std::string_view request,
                                      std::span<const std::uint16_t> words);

// A request without its transaction and checksum: unit, function and what is asked for. Nothing of bytes that
// are no frame.
[[nodiscard]] std::optional<std::string_view> asked_in(ModbusWire wire, std::string_view frame);

// Both are parts of a sentence: "<where>: <what>; <remedy>".
struct AnswerFault {
    std::string what;
    std::string remedy;
    bool operator==(const AnswerFault&) const = default;
};
TAUTGATE_FIELDS(AnswerFault, what, remedy);

// The registers in the answer, a coil or discrete input as a word of 0 or 1; none in the answer to a request
// that writes. `answer` may be a part of one, or nothing: then no whole answer came.
[[nodiscard]] std::expected<std::vector<std::uint16_t>, AnswerFault>
answer_to(ModbusWire wire, std::string_view request, std::string_view answer);

// An answer as the device would have given it to another request for the same: with the transaction of that
// one. Both must be frames of Modbus TCP.
[[nodiscard]] std::string with_transaction_of(std::string_view request, std::string answer);

// "00 6B 12", for a person.
[[nodiscard]] std::string spaced_hex(std::string_view bytes);

}  // namespace tautgate::protocol
