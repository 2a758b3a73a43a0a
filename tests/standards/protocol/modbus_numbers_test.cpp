// Numbers in two registers, after the encoding of MODBUS Application Protocol V1.1b3 (4.2: high byte first in
// each register) and the four orders in use for 32-bit values; binary32 patterns are those of IEEE 754-2019.
// All rows were recomputed from the definition of the formats.
#include <array>
#include <cmath>
#include <cstdlib>

#include <catch2/catch.hpp>

#include "protocol/register_decode.hpp"

using namespace tautgate::protocol;

namespace {

using TwoWords = std::array<std::uint16_t, 2>;

struct FloatRow {
    const char* nearest_float32;
    std::uint32_t ieee754;
    TwoWords abcd;
    TwoWords cdab;
    TwoWords badc;
    TwoWords dcba;
};

constexpr FloatRow float_rows[] = {
    {"0.0", 0x00000000, {0x0000, 0x0000}, {0x0000, 0x0000}, {0x0000, 0x0000}, {0x0000, 0x0000}},
    {"1.0", 0x3f800000, {0x3f80, 0x0000}, {0x0000, 0x3f80}, {0x803f, 0x0000}, {0x0000, 0x803f}},
    {"-1.0", 0xbf800000, {0xbf80, 0x0000}, {0x0000, 0xbf80}, {0x80bf, 0x0000}, {0x0000, 0x80bf}},
    {"0.10000000149011612",
     0x3dcccccd,
     {0x3dcc, 0xcccd},
     {0xcccd, 0x3dcc},
     {0xcc3d, 0xcdcc},
     {0xcdcc, 0xcc3d}},
    {"12.5", 0x41480000, {0x4148, 0x0000}, {0x0000, 0x4148}, {0x4841, 0x0000}, {0x0000, 0x4841}},
    {"25.0", 0x41c80000, {0x41c8, 0x0000}, {0x0000, 0x41c8}, {0xc841, 0x0000}, {0x0000, 0xc841}},
    {"48.34000015258789", 0x42415c29, {0x4241, 0x5c29}, {0x5c29, 0x4241}, {0x4142, 0x295c}, {0x295c, 0x4142}},
    {"100.0", 0x42c80000, {0x42c8, 0x0000}, {0x0000, 0x42c8}, {0xc842, 0x0000}, {0x0000, 0xc842}},
    {"123.45600128173828",
     0x42f6e979,
     {0x42f6, 0xe979},
     {0xe979, 0x42f6},
     {0xf642, 0x79e9},
     {0x79e9, 0xf642}},
    {"-273.1499938964844",
     0xc3889333,
     {0xc388, 0x9333},
     {0x9333, 0xc388},
     {0x88c3, 0x3393},
     {0x3393, 0x88c3}},
    {"0.0010000000474974513",
     0x3a83126f,
     {0x3a83, 0x126f},
     {0x126f, 0x3a83},
     {0x833a, 0x6f12},
     {0x6f12, 0x833a}},
    {"3.4028234663852886e+38",
     0x7f7fffff,
     {0x7f7f, 0xffff},
     {0xffff, 0x7f7f},
     {0x7f7f, 0xffff},
     {0xffff, 0x7f7f}},
    {"1.401298464324817e-45",
     0x00000001,
     {0x0000, 0x0001},
     {0x0001, 0x0000},
     {0x0000, 0x0100},
     {0x0100, 0x0000}},
    {"16777216.0", 0x4b800000, {0x4b80, 0x0000}, {0x0000, 0x4b80}, {0x804b, 0x0000}, {0x0000, 0x804b}},
    {"16777216.0", 0x4b800000, {0x4b80, 0x0000}, {0x0000, 0x4b80}, {0x804b, 0x0000}, {0x0000, 0x804b}},
    {"-0.0", 0x80000000, {0x8000, 0x0000}, {0x0000, 0x8000}, {0x0080, 0x0000}, {0x0000, 0x0080}},
    {"inf", 0x7f800000, {0x7f80, 0x0000}, {0x0000, 0x7f80}, {0x807f, 0x0000}, {0x0000, 0x807f}},
    {"-inf", 0xff800000, {0xff80, 0x0000}, {0x0000, 0xff80}, {0x80ff, 0x0000}, {0x0000, 0x80ff}},
    {"nan", 0x7fc00000, {0x7fc0, 0x0000}, {0x0000, 0x7fc0}, {0xc07f, 0x0000}, {0x0000, 0xc07f}},
};

struct IntRow {
    FieldType type;
    const char* value;
    TwoWords high_word_first;
    TwoWords low_word_first;
};

constexpr IntRow int_rows[] = {
    {FieldType::uint32, "1", {0x0000, 0x0001}, {0x0001, 0x0000}},
    {FieldType::uint32, "70000", {0x0001, 0x1170}, {0x1170, 0x0001}},
    {FieldType::uint32, "4294967295", {0xffff, 0xffff}, {0xffff, 0xffff}},
    {FieldType::int32, "-1", {0xffff, 0xffff}, {0xffff, 0xffff}},
    {FieldType::int32, "-123456", {0xfffe, 0x1dc0}, {0x1dc0, 0xfffe}},
    {FieldType::uint32, "305419896", {0x1234, 0x5678}, {0x5678, 0x1234}},
};

// A profile whose block is nothing but one value of torque behind a counter.
RegisterProfile torque_only(FieldType type, WordOrder order) {
    RegisterProfile profile;
    profile.name = "two registers";
    profile.length = 3;
    profile.counter = CounterField{{.address = 0, .type = FieldType::uint16}, 0, 0xFFFF};
    profile.torque = TorqueField{{.address = 1, .type = type, .order = order}, TorqueUnit::newton_metre};
    profile.range = {Torque{1}, Angle{1}, Torque{1'000'000'000'000'000}};
    return profile;
}

Measured<Torque> torque_in(const RegisterProfile& profile, TwoWords words) {
    const std::array<std::uint16_t, 3> block{1, words[0], words[1]};
    const auto reading = decode(profile, block);
    REQUIRE(reading);
    return reading->torque;
}

}  // namespace

TEST_CASE("float32 registers give the same number in every order of their bytes") {
    for (const FloatRow& row : float_rows) {
        CAPTURE(row.nearest_float32);
        const float wanted = std::strtof(row.nearest_float32, nullptr);
        const std::array texts{in_every_order(FieldType::float32, row.abcd)->abcd,
                               in_every_order(FieldType::float32, row.cdab)->cdab,
                               in_every_order(FieldType::float32, row.badc)->badc,
                               in_every_order(FieldType::float32, row.dcba)->dcba};
        for (const std::string& text : texts) {
            const float found = std::strtof(text.c_str(), nullptr);
            if (std::isnan(wanted))
                CHECK(std::isnan(found));
            else
                CHECK(found == wanted);
        }
    }
}

TEST_CASE("float32 registers that hold no measurement are refused as one, and the others converted") {
    const std::array orders{WordOrder::abcd, WordOrder::cdab, WordOrder::badc, WordOrder::dcba};
    for (const FloatRow& row : float_rows) {
        const std::array words{row.abcd, row.cdab, row.badc, row.dcba};
        const double value = std::strtof(row.nearest_float32, nullptr);
        Measured<Torque> wanted;
        if (std::isnan(value))
            wanted = Unreadable{Unusable::not_a_number};
        else if (std::isinf(value))
            wanted = Unreadable{Unusable::infinite};
        else if (value < 0)
            wanted = Unreadable{Unusable::negative};
        else if (value > 1e9)
            wanted = Unreadable{Unusable::too_large};
        else  // the shortest decimal of a float32 lies within its last digit
            wanted = *torque_from(*shortest_decimal(static_cast<float>(value)), TorqueUnit::newton_metre,
                                  Torque{1});
        for (std::size_t i = 0; i < orders.size(); ++i) {
            CAPTURE(row.nearest_float32, i);
            CHECK(torque_in(torque_only(FieldType::float32, orders[i]), words[i]) == wanted);
        }
    }
    CHECK(torque_in(torque_only(FieldType::float32, WordOrder::cdab), {0x5c29, 0x4241}) ==
          Measured<Torque>(Torque{48'340'000}));
}

TEST_CASE("32-bit whole numbers read with either word first") {
    for (const IntRow& row : int_rows) {
        CAPTURE(row.value);
        CHECK(in_every_order(row.type, row.high_word_first)->abcd == row.value);
        CHECK(in_every_order(row.type, row.low_word_first)->cdab == row.value);
    }
}

TEST_CASE("16-bit numbers read as signed two's complement") {
    struct Row {
        std::uint16_t word;
        const char* value;
    };
    for (const Row& row :
         {Row{0x0000, "0"}, Row{0x0001, "1"}, Row{0xffff, "-1"}, Row{0x7fff, "32767"}, Row{0x8000, "-32768"}})
        CHECK(in_every_order(FieldType::int16, std::array{row.word})->abcd == row.value);
}

TEST_CASE("float64 registers give the same number in every order of their bytes") {
    // binary64 patterns of IEEE 754-2019, recomputed from the definition of the format; 1/3 and pi as in many
    // textbooks.
    struct Row {
        std::uint64_t ieee754;
        const char* text;
    };
    const Row rows[] = {{0x3FF0000000000000, "1"},
                        {0xC000000000000000, "-2"},
                        {0x3FB999999999999A, "0.1"},
                        {0x3FD5555555555555, "0.3333333333333333"},
                        {0x400921FB54442D18, "3.141592653589793"},
                        {0x40792A3D70A3D70A, "402.64"},
                        {0x7FF0000000000000, "Infinity"},
                        {0xFFF0000000000000, "-Infinity"},
                        {0x7FF8000000000000, "NaN"}};
    for (const Row& row : rows) {
        CAPTURE(row.text);
        std::array<std::uint16_t, 4> abcd{};
        std::array<std::uint16_t, 4> badc{};
        for (std::size_t i = 0; i < 4; ++i) {
            abcd[i] = static_cast<std::uint16_t>(row.ieee754 >> (48 - 16 * i));
            badc[i] = static_cast<std::uint16_t>((abcd[i] << 8U) | (abcd[i] >> 8U));
        }
        const std::array<std::uint16_t, 4> cdab{abcd[3], abcd[2], abcd[1], abcd[0]};
        const std::array<std::uint16_t, 4> dcba{badc[3], badc[2], badc[1], badc[0]};
        CHECK(in_every_order(FieldType::float64, abcd)->abcd == row.text);
        CHECK(in_every_order(FieldType::float64, cdab)->cdab == row.text);
        CHECK(in_every_order(FieldType::float64, badc)->badc == row.text);
        CHECK(in_every_order(FieldType::float64, dcba)->dcba == row.text);
    }
}

TEST_CASE("64-bit whole numbers read as two's complement") {
    using Words = std::array<std::uint16_t, 4>;
    CHECK(in_every_order(FieldType::int64, Words{0xffff, 0xffff, 0xffff, 0xffff})->abcd == "-1");
    CHECK(in_every_order(FieldType::int64, Words{0x8000, 0, 0, 0})->abcd == "-9223372036854775808");
    CHECK(in_every_order(FieldType::int64, Words{0x0002, 0x0001, 0, 0})->cdab == "65538");
    CHECK(in_every_order(FieldType::uint64, Words{0xffff, 0xffff, 0xffff, 0xffff})->abcd ==
          "18446744073709551615");
}

TEST_CASE("a text in registers reads with either byte first") {
    // "SN-00042" in registers: recomputed from V1.1b3, 4.2 (the first of two bytes is the high one) and
    // ASCII.
    RegisterProfile profile = torque_only(FieldType::uint16, WordOrder::abcd);
    profile.range = {Torque{1'000'000}, Angle{1}, Torque{65'535'000'000}};
    profile.length = 6;
    const auto program_in = [&](std::array<std::uint16_t, 4> text, WordOrder order) {
        profile.program_text = TextField{.address = 2, .registers = 4, .order = order};
        REQUIRE(check(profile).empty());
        const auto reading =
            decode(profile, std::array<std::uint16_t, 6>{1, 7, text[0], text[1], text[2], text[3]});
        REQUIRE(reading);
        return reading->program;
    };
    CHECK(program_in({0x534e, 0x2d30, 0x3030, 0x3432}, WordOrder::abcd) == "SN-00042");
    CHECK(program_in({0x4e53, 0x302d, 0x3030, 0x3234}, WordOrder::badc) == "SN-00042");
}

TEST_CASE("no more registers than one Modbus read returns are asked for") {
    // MODBUS Application Protocol V1.1b3, 6.3: quantity of registers 1 to 125 (0x7D).
    CHECK(registers_per_read == 0x7D);
    RegisterProfile profile = torque_only(FieldType::uint32, WordOrder::abcd);
    profile.range.torque_resolution = Torque{1'000'000};
    CHECK(check(profile).empty());
    profile.length = 126;
    REQUIRE(check(profile).size() == 1);
    CHECK(check(profile)[0].place == "/length");
}
