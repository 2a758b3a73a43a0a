// Checksums of frames, and numbers in bytes, against values of others.
#include <array>
#include <string>
#include <string_view>

#include <catch2/catch.hpp>

#include "protocol/field_number.hpp"
#include "protocol/frame_splitter.hpp"

using namespace tautgate::protocol;

namespace {

constexpr std::string_view nine = "123456789";

}  // namespace

TEST_CASE("the CRCs give their customary check values over the nine digits") {
    // Computed with binascii.crc_hqx of CPython 3.11, start values 0 and 0xFFFF.
    CHECK(checksum_of(ChecksumKind::crc16_xmodem, nine) == 0x31C3);
    CHECK(checksum_of(ChecksumKind::crc16_ccitt_false, nine) == 0x29B1);
    // From memory: the check values by which these parameters are commonly listed.
    CHECK(checksum_of(ChecksumKind::crc16_modbus, nine) == 0x4B37);
    CHECK(checksum_of(ChecksumKind::crc16_arc, nine) == 0xBB3D);
    CHECK(checksum_of(ChecksumKind::crc16_kermit, nine) == 0x2189);
    CHECK(checksum_of(ChecksumKind::crc16_x25, nine) == 0x906E);
}

TEST_CASE("crc16_modbus is the CRC of MODBUS over Serial Line") {
    // MODBUS over Serial Line V1.02, appendix B (from memory): for 02 07 the CRC is 0x1241, and 41 is sent
    // first.
    CHECK(checksum_of(ChecksumKind::crc16_modbus, "\x02\x07") == 0x1241);
}

TEST_CASE("lrc8 is the LRC of MODBUS over Serial Line: the bytes and it add up to nothing") {
    // V1.02, 6.2.1: all bytes are added, carries are dropped, and the two's complement is taken. The values
    // are computed by that definition.
    CHECK(checksum_of(ChecksumKind::lrc8, "\x02\x07") == 0xF7);
    CHECK(checksum_of(ChecksumKind::lrc8, std::string_view("\x11\x03\x00\x6B\x00\x03", 6)) == 0x7E);
    CHECK(checksum_of(ChecksumKind::lrc8, "") == 0);
    CHECK(checksum_of(ChecksumKind::sum8, "\xFF\x02") == 0x01);
    CHECK(checksum_of(ChecksumKind::xor8, "\x0F\xF0\x01") == 0xFE);
}

TEST_CASE("numbers of IEEE 754 stand in bytes in every order") {
    // IEEE 754-2019, 3.4: 1.0 is 3F800000, -2.5 is C0200000 in binary32; 0.1 is 3FB999999999999A in binary64.
    const auto text = [](std::string_view bytes, FieldType type, WordOrder order) {
        const auto bits = bits_in(bytes, 0, type, order);
        REQUIRE(bits.has_value());
        return number_of(*bits, {.type = type}).text;
    };
    using enum WordOrder;
    CHECK(text(std::string_view("\x3F\x80\x00\x00", 4), FieldType::float32, abcd) == "1");
    CHECK(text(std::string_view("\x00\x00\x3F\x80", 4), FieldType::float32, cdab) == "1");
    CHECK(text(std::string_view("\x80\x3F\x00\x00", 4), FieldType::float32, badc) == "1");
    CHECK(text(std::string_view("\x00\x00\x80\x3F", 4), FieldType::float32, dcba) == "1");
    CHECK(text(std::string_view("\x00\x00\x20\xC0", 4), FieldType::float32, dcba) == "-2.5");
    CHECK(text("\x3F\xB9\x99\x99\x99\x99\x99\x9A", FieldType::float64, abcd) == "0.1");
    CHECK(text("\x9A\x99\x99\x99\x99\x99\xB9\x3F", FieldType::float64, dcba) == "0.1");
}
