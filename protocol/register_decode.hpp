// What the registers read from a polled tool say. Pure; any thread.
//
// In doubt nothing is made up: one value that is no measurement becomes Unreadable in an otherwise whole
// reading; registers that cannot be understood are a DecodeFault. Both ask for a profile in which check()
// finds nothing; a profile with faults is still never read beyond the words given: such a read is a
// DecodeFault.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/describe.hpp"
#include "protocol/reading.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

// Why a block as a whole is no reading. Its counter, where it could be read, tells which result is missing.
struct DecodeFault {
    std::string field;  // "direction"; empty: the block itself
    std::string what;
    std::string remedy;
    std::optional<std::uint64_t> counter;
    bool operator==(const DecodeFault&) const = default;
};
TAUTGATE_FIELDS(DecodeFault, field, what, remedy, counter);

// `words` are the blocks of reads_of(profile) in a row, as read; a coil or discrete input is a word of 0
// or 1. The reading's counter is the number in the register, or 0 without one; use the one that ResultWatch
// gives instead.
[[nodiscard]] std::expected<Reading, DecodeFault> decode(const RegisterProfile& profile,
                                                         std::span<const std::uint16_t> words);

// The registers of an acknowledgement of the result with this counter (as ResultWatch gave it), in wire
// order: the number as the type of the counter's field has it, without its bits. None without a counter.
[[nodiscard]] std::vector<std::uint16_t> acknowledge_words(const RegisterProfile& profile,
                                                           std::uint64_t counter);

// The bytes of registers as they come over the wire.
[[nodiscard]] std::string wire_bytes(std::span<const std::uint16_t> words);

// The number that stands in the registers for the result with this counter (as ResultWatch gave it).
[[nodiscard]] std::uint64_t raw_count(const CounterField& field, std::uint64_t counter) noexcept;

// The counter of a result, by itself; nothing if it cannot be read.
[[nodiscard]] std::optional<std::uint64_t> counter_in(const RegisterProfile& profile,
                                                      std::span<const std::uint16_t> words);

// The registers (and bits) that the profile names, those of one result, in a row: what else lies between them
// or in the same word does not matter. Without what only says that there is a result. Empty: they cannot be
// read.
[[nodiscard]] std::vector<std::uint16_t> content_of(const RegisterProfile& profile,
                                                    std::span<const std::uint16_t> words);

// Whether the tool of a handshake waits with a result. What cannot be read waits: nothing is cleared on
// doubt.
[[nodiscard]] bool is_ready(const RegisterProfile& profile, std::span<const std::uint16_t> words);

// The number in `words` (as many as the type is wide) in every order, for a person who is looking for the
// right one.
struct EveryOrder {
    std::string abcd;
    std::string cdab;
    std::string badc;
    std::string dcba;
    bool operator==(const EveryOrder&) const = default;
};
TAUTGATE_FIELDS(EveryOrder, abcd, cdab, badc, dcba);
[[nodiscard]] std::expected<EveryOrder, DecodeFault> in_every_order(FieldType type,
                                                                    std::span<const std::uint16_t> words);

}  // namespace tautgate::protocol
