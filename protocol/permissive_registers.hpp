// The registers of a permissive in words: what stands where in the two blocks, and what each code, token and
// fault number means. One text for whoever wires a controller: the tables of PERMISSIVE.md and the lists of
// `tautgate registers` are these, and a test holds them against what encode() writes. Pure; any thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string_view>

#include "protocol/permissive_block.hpp"

namespace tautgate::protocol {

// What a permissive is not; stands at the head of everything that is printed about one.
[[nodiscard]] std::string_view caution_text() noexcept;

struct RegisterText {
    std::size_t offset = 0;     // from the start of the block, from zero
    std::size_t registers = 1;  // two: a number of 32 bits, high word first
    std::string_view name;
    std::string_view meaning;
};
// Every register of the block, in order.
[[nodiscard]] std::span<const RegisterText> permissive_registers() noexcept;
[[nodiscard]] std::span<const RegisterText> feedback_registers() noexcept;

struct StateCodeText {
    Code code = Code::withheld;
    std::string_view meaning;
};
[[nodiscard]] std::span<const StateCodeText> state_code_texts() noexcept;

// Tokens from the first to the last.
struct TokenText {
    std::uint32_t first = 0;
    std::uint32_t last = 0;
    std::string_view meaning;
};
[[nodiscard]] std::span<const TokenText> token_texts() noexcept;

struct FaultText {
    PlcFault fault = PlcFault::none;
    std::string_view meaning;
};
[[nodiscard]] std::span<const FaultText> fault_texts() noexcept;

}  // namespace tautgate::protocol
