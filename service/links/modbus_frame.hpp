// The parts of a Modbus TCP frame that both roles here read: where its words stand and how much one request
// may carry. MODBUS Application Protocol V1.1b3, sections 6.3, 6.4 and 6.12; MODBUS Messaging on TCP/IP
// V1.0b, section 3.1.3. Pure.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

#include "protocol/block_requests.hpp"

namespace tautgate::links {

inline constexpr std::uint8_t read_coils = 0x01;
inline constexpr std::uint8_t read_discrete_inputs = 0x02;
inline constexpr std::uint8_t read_holding = 0x03;
inline constexpr std::uint8_t read_input = 0x04;
inline constexpr std::uint8_t write_coil = 0x05;
inline constexpr std::uint8_t write_multiple = 0x10;
inline constexpr std::size_t frame_header = 7;  // transaction, protocol, length, unit
using protocol::blocks_per_read;
using protocol::blocks_per_write;
using protocol::registers_per_write;

// The word of two bytes that begins at `at`; both must be there.
[[nodiscard]] constexpr std::uint16_t word_at(std::span<const std::uint8_t> bytes, std::size_t at) noexcept {
    return static_cast<std::uint16_t>(bytes[at] << 8U | bytes[at + 1]);
}

}  // namespace tautgate::links
