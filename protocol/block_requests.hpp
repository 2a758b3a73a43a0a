// How many permissives one Modbus request carries: MODBUS Application Protocol V1.1b3, 6.3, 6.4 and 6.12.
#pragma once

#include <cstddef>

#include "protocol/permissive_block.hpp"
#include "protocol/register_profile.hpp"

namespace tautgate::protocol {

inline constexpr std::size_t registers_per_write = 123;

// Most whole blocks in one request.
inline constexpr std::size_t blocks_per_write = registers_per_write / permissive_words;
inline constexpr std::size_t blocks_per_read = registers_per_read / feedback_words;

}  // namespace tautgate::protocol
