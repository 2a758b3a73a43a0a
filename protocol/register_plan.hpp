// What is read from a polled tool for its profile, and where in it a field lies: the blocks of a poll, and
// the slot of a result in a ring. Pure; any thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

// Most coils or discrete inputs that one Modbus read returns (MODBUS Application Protocol V1.1b3, 6.1
// and 6.2).
inline constexpr std::uint16_t bits_per_read = 2000;
[[nodiscard]] constexpr std::uint16_t most_per_read(RegisterTable table) noexcept {
    return is_bit_table(table) ? bits_per_read : registers_per_read;
}

// What one request reads.
struct BlockRange {
    RegisterTable table = RegisterTable::holding;
    std::uint16_t start = 0;
    std::uint16_t length = 0;
    bool operator==(const BlockRange&) const = default;
};
TAUTGATE_FIELDS(BlockRange, table, start, length);

// Where a field lies, and how many registers (or bits) it takes up.
struct FieldPlace {
    RegisterTable table = RegisterTable::holding;
    std::uint16_t address = 0;
    std::uint32_t count = 1;
    bool operator==(const FieldPlace&) const = default;
};
TAUTGATE_FIELDS(FieldPlace, table, address, count);

// As few blocks as the protocol's limits allow, without reading over a gap of more than 16 registers. What
// lies beyond the last register of a table is left to the check of the description.
[[nodiscard]] std::vector<BlockRange> cover(std::vector<FieldPlace> places);

[[nodiscard]] FieldPlace place_of(const RegisterProfile& profile, const RegisterField& field) noexcept;

// The blocks in which a result lies: the one that the profile names, or as few as the protocol's limits allow
// for its fields, without reading over a gap of more than 16 registers. Of a ring: its first slot.
[[nodiscard]] std::vector<BlockRange> result_blocks(const RegisterProfile& profile);

// The fields that a result has for itself, but for those by which it shows (toggle, ready of a handshake).
[[nodiscard]] std::vector<RegisterField> result_fields(const RegisterProfile& profile);

// What each poll reads, in this order: the result's blocks, or of a ring the count of its newest result (and
// the epoch).
[[nodiscard]] std::vector<BlockRange> reads_of(const RegisterProfile& profile);

// The block of a ring that holds the result with this counter, as ResultWatch gives it. The profile must have
// a ring in which check() finds no fault.
[[nodiscard]] BlockRange slot_of(const RegisterProfile& profile, std::uint64_t counter);

// Registers (or bits) of all the blocks.
[[nodiscard]] std::size_t words_in(std::span<const BlockRange> blocks) noexcept;

// Where in the blocks, laid in a row, a place begins; nothing if it is not wholly in one of them.
[[nodiscard]] std::optional<std::size_t> offset_in(std::span<const BlockRange> blocks,
                                                   const FieldPlace& place) noexcept;

}  // namespace tautgate::protocol
