// CRC-32 of IEEE 802.3 (clause 3.2.9), also ISO/IEC/IEEE 8802-3 and ITU-T V.42. The check value of the nine
// ASCII digits is the customary one for this polynomial, from memory, and recomputed bit by bit below.
#include <array>
#include <string_view>

#include <catch2/catch.hpp>

#include "protocol/permissive_block.hpp"

using namespace tautgate::protocol;

namespace {

// The definition, bit by bit: polynomial 0x04C11DB7 reflected, start and final XOR all ones.
std::uint32_t by_definition(std::string_view bytes) {
    std::uint32_t crc = 0xFFFFFFFF;
    for (const char byte : bytes) {
        crc ^= static_cast<unsigned char>(byte);
        for (int bit = 0; bit < 8; ++bit)
            crc = (crc >> 1U) ^ ((crc & 1U) != 0 ? 0xEDB88320U : 0U);
    }
    return ~crc;
}

}  // namespace

TEST_CASE("the block's check value is the CRC-32 of IEEE 802.3 over the registers, high byte first") {
    CHECK(by_definition("123456789") == 0xCBF43926);
    const std::array<std::uint16_t, 4> words{0x3132, 0x3334, 0x3536, 0x3738};  // "12345678"
    CHECK(block_crc(words) == by_definition("12345678"));
    CHECK(block_crc(std::span(words).first(0)) == by_definition(""));
}
