#include <array>
#include <bit>

#include <catch2/catch.hpp>

#include "protocol/result_watch.hpp"

using namespace tautgate::protocol;

namespace {

RegisterField at(std::uint16_t address, FieldType type) { return {.address = address, .type = type}; }

// A tool of the kind that most profiles describe: everything in one block of 24 registers from 100 on.
RegisterProfile full_profile() {
    RegisterProfile profile;
    profile.name = "all fields";
    profile.start = 100;
    profile.length = 24;
    profile.counter = CounterField{at(100, FieldType::uint16), 1, 0xFFFF};
    profile.epoch = at(101, FieldType::uint16);
    profile.program = ProgramField{at(102, FieldType::uint16), {{7, "M20-final"}}};
    profile.torque = TorqueField{{.address = 103, .type = FieldType::float32, .order = WordOrder::cdab},
                                 TorqueUnit::newton_metre};
    profile.angle = RegisterField{
        .address = 105, .type = FieldType::int16, .scale = Decimal{1, -1}, .offset = Decimal{0, 0}};
    profile.direction = DirectionField{at(106, FieldType::uint16), 0x8000, {0}, {0x8000}};
    profile.verdict = VerdictField{at(106, FieldType::uint16), 0x00FF, {1}, {2}, {4}, {{2, "low torque"}}};
    profile.limits.torque_min =
        RegisterField{.address = 107, .type = FieldType::uint16, .scale = Decimal{1, -1}};
    profile.limits.torque_max =
        RegisterField{.address = 108, .type = FieldType::uint16, .scale = Decimal{1, -1}};
    profile.limits.angle_min = at(109, FieldType::uint16);
    profile.limits.angle_max = at(110, FieldType::uint16);
    profile.stamp = StampField{at(111, FieldType::uint16), StampKind::calendar, 60};
    profile.position = at(117, FieldType::uint16);
    profile.acknowledge = std::uint16_t{200};
    profile.range = {Torque{100'000}, Angle{100'000}, Torque{600'000'000}, Angle{720'000'000}};
    return profile;
}

using Block = std::array<std::uint16_t, 24>;

// 402.55 N·m (float32 cdab), 48.1 deg, OK, limits 380.0 to 420.5 N·m and 30 to 60 deg.
Block good_block() {
    Block block{};
    const auto torque = std::bit_cast<std::uint32_t>(402.55F);
    block[0] = 4212;
    block[1] = 17;
    block[2] = 7;
    block[3] = static_cast<std::uint16_t>(torque & 0xFFFFU);
    block[4] = static_cast<std::uint16_t>(torque >> 16U);
    block[5] = 481;
    block[6] = 0x0101;
    block[7] = 3800;
    block[8] = 4205;
    block[9] = 30;
    block[10] = 60;
    const std::array<std::uint16_t, 6> stamp{2026, 11, 25, 7, 14, 3};
    std::copy(stamp.begin(), stamp.end(), block.begin() + 11);
    block[17] = 3;
    return block;
}

Reading reading_of(const RegisterProfile& profile, const Block& block) {
    const auto reading = decode(profile, block);
    REQUIRE(reading);
    return *reading;
}

// The places of all faults, in order.
std::vector<std::string> places(const RegisterProfile& profile) {
    std::vector<std::string> found;
    for (const ProfileFault& fault : check(profile)) {
        CHECK_FALSE(fault.finding.empty());
        CHECK_FALSE(fault.remedy.empty());
        found.push_back(fault.place);
    }
    return found;
}

}  // namespace

TEST_CASE("a block becomes a reading, rounded once to the declared resolution") {
    const auto profile = full_profile();
    CHECK(places(profile).empty());
    const Reading reading = reading_of(profile, good_block());
    CHECK(reading.counter == 4212);
    CHECK(reading.program == "M20-final");
    CHECK(reading.direction == Direction::tighten);
    CHECK_FALSE(reading.aborted);
    CHECK(reading.torque == Measured<Torque>(Torque{402'600'000}));
    CHECK(reading.angle == Measured<Angle>(Angle{48'100'000}));
    CHECK(reading.tool_verdict == ToolVerdict::ok);
    CHECK(reading.tool_reason.empty());
    CHECK(reading.tool_limits ==
          ToolLimits{Torque{380'000'000}, Torque{420'500'000}, Angle{30'000'000}, Angle{60'000'000}});
    CHECK(reading.position == 3U);
    CHECK(reading.stamp_utc_us == 1'795'587'243'000'000);  // 06:14:03 UTC: the tool's clock is an hour ahead
}

TEST_CASE("what was received is kept beside the converted values") {
    const Reading reading = reading_of(full_profile(), good_block());
    CHECK(reading.received.torque == "402.55");
    CHECK(reading.received.torque_unit == "N.m");
    CHECK(reading.received.angle == "48.1");
    CHECK(reading.received.stamp == "2026-11-25T07:14:03");
    REQUIRE(reading.received.raw.size() == 48);
    CHECK(reading.received.raw.substr(0, 4) == std::string("\x10\x74\x00\x11", 4));
}

TEST_CASE("a value that is no measurement is unreadable and nothing else changes") {
    Block block = good_block();
    block[4] = 0x7FC0;
    block[5] = 0xFFFF;
    const Reading reading = reading_of(full_profile(), block);
    CHECK(reading.torque == Measured<Torque>(Unreadable{Unusable::not_a_number}));
    CHECK(reading.angle == Measured<Angle>(Unreadable{Unusable::negative}));
    CHECK(reading.counter == 4212);
    CHECK(reading.tool_verdict == ToolVerdict::ok);
}

TEST_CASE("a value above what the sensor can measure is out of its range, the maximum itself is not") {
    Block block = good_block();
    block[5] = 7201;
    CHECK(reading_of(full_profile(), block).angle ==
          Measured<Angle>(Unreadable{Unusable::out_of_sensor_range}));
    block[5] = 7200;
    CHECK(reading_of(full_profile(), block).angle == Measured<Angle>(Angle{720'000'000}));
}

TEST_CASE("a value that the profile does not name is absent") {
    auto profile = full_profile();
    profile.angle.reset();
    profile.limits.angle_min.reset();
    profile.limits.angle_max.reset();
    CHECK(reading_of(profile, good_block()).angle == Measured<Angle>(Absent{}));
}

TEST_CASE("a limit of the tool that cannot be read makes its value unusable") {
    auto profile = full_profile();
    profile.limits.torque_min->type = FieldType::int16;
    Block block = good_block();
    block[7] = 0x8000;
    const Reading reading = reading_of(profile, block);
    CHECK(reading.torque == Measured<Torque>(Unreadable{Unusable::negative}));
    CHECK_FALSE(reading.tool_limits.torque_min);
    CHECK(reading.angle == Measured<Angle>(Angle{48'100'000}));
}

TEST_CASE("only a verdict code listed as OK is OK") {
    struct Row {
        std::uint16_t word;
        ToolVerdict verdict;
        bool aborted;
        const char* reason;
    };
    for (const Row& row :
         {Row{0x0001, ToolVerdict::ok, false, ""}, Row{0x0002, ToolVerdict::not_ok, false, "low torque"},
          Row{0x0004, ToolVerdict::not_ok, true, "code 4"}, Row{0x0007, ToolVerdict::not_ok, false, "code 7"},
          Row{0x0000, ToolVerdict::not_ok, false, "code 0"}}) {
        CAPTURE(row.word);
        Block block = good_block();
        block[6] = row.word;
        const Reading reading = reading_of(full_profile(), block);
        CHECK(reading.tool_verdict == row.verdict);
        CHECK(reading.aborted == row.aborted);
        CHECK(reading.tool_reason == row.reason);
    }
}

TEST_CASE("a loosening is told from a tightening, and an unknown direction is no reading") {
    Block block = good_block();
    block[6] = 0x8001;
    CHECK(reading_of(full_profile(), block).direction == Direction::loosen);
    auto profile = full_profile();
    profile.direction->mask = 0xC000;
    block[6] = 0x4001;
    const auto reading = decode(profile, block);
    REQUIRE_FALSE(reading);
    CHECK(reading.error().field == "direction");
    CHECK(reading.error().counter == 4212U);
}

TEST_CASE("a program without a name is its number") {
    Block block = good_block();
    block[2] = 8;
    CHECK(reading_of(full_profile(), block).program == "8");
}

TEST_CASE("a stamp that is no time is dropped and its text kept") {
    Block block = good_block();
    block[12] = 13;
    const Reading reading = reading_of(full_profile(), block);
    CHECK_FALSE(reading.stamp_utc_us);
    CHECK(reading.received.stamp == "2026-13-25T07:14:03");

    auto profile = full_profile();
    profile.stamp = StampField{
        {.address = 111, .type = FieldType::uint32, .order = WordOrder::abcd}, StampKind::unix_seconds, 0};
    block[11] = 0;
    block[12] = 0;
    CHECK_FALSE(reading_of(profile, block).stamp_utc_us);  // a clock that was never set
    block[11] = 0xFFFF;
    block[12] = 0xFFFF;
    CHECK(reading_of(profile, block).stamp_utc_us == 4'294'967'295'000'000);
}

TEST_CASE("scale and offset are decimal and exact") {
    auto profile = full_profile();
    profile.torque = TorqueField{{.address = 103,
                                  .type = FieldType::int32,
                                  .order = WordOrder::abcd,
                                  .scale = Decimal{5, -2},
                                  .offset = Decimal{-1, -1}},
                                 TorqueUnit::newton_metre};
    CHECK(places(profile).empty());
    Block block = good_block();
    block[3] = 0;
    block[4] = 9;  // 9 * 0.05 - 0.1 = 0.35, half way between 0.3 and 0.4
    const Reading reading = reading_of(profile, block);
    CHECK(reading.received.torque == "0.35");
    CHECK(reading.torque == Measured<Torque>(Torque{400'000}));
}

TEST_CASE("decimal digits of four bits each are a number, and no number where one is above nine") {
    auto profile = full_profile();
    profile.torque = TorqueField{
        {.address = 103, .type = FieldType::bcd32, .order = WordOrder::abcd, .scale = Decimal{1, -2}},
        TorqueUnit::newton_metre};
    profile.counter = CounterField{at(100, FieldType::bcd16), 1, 9999};
    CHECK(places(profile).empty());
    Block block = good_block();
    block[0] = 0x4212;
    block[3] = 0x0004;
    block[4] = 0x0255;  // 40255 hundredths
    const Reading reading = reading_of(profile, block);
    CHECK(reading.counter == 4212);
    CHECK(reading.received.torque == "402.55");
    CHECK(reading.torque == Measured<Torque>(Torque{402'600'000}));
    CHECK(acknowledge_words(profile, 4212) == std::vector<std::uint16_t>{0x4212});

    block[4] = 0x02A5;
    CHECK(reading_of(profile, block).torque == Measured<Torque>(Unreadable{Unusable::not_a_number}));
    block[0] = 0x421F;  // without its count it is no result at all
    REQUIRE_FALSE(decode(profile, block));
    CHECK(decode(profile, block).error().field == "counter");
    ResultWatch watch;
    CHECK_FALSE(watch.observe(profile, block, block));
}

TEST_CASE("a float64 and 64-bit whole numbers are measurements like others") {
    auto profile = full_profile();
    profile.limits = {};
    profile.angle.reset();
    profile.direction.reset();
    profile.verdict.reset();
    const auto torque_of = [&](FieldType type, std::uint64_t bits, Decimal scale) {
        profile.torque = TorqueField{{.address = 103, .type = type, .order = WordOrder::abcd, .scale = scale},
                                     TorqueUnit::newton_metre};
        CHECK(places(profile).empty());
        Block block = good_block();
        for (std::size_t i = 0; i < 4; ++i)
            block[3 + i] = static_cast<std::uint16_t>(bits >> (48 - 16 * i));
        return reading_of(profile, block).torque;
    };
    CHECK(torque_of(FieldType::float64, std::bit_cast<std::uint64_t>(402.55), {1, 0}) ==
          Measured<Torque>(Torque{402'600'000}));
    CHECK(torque_of(FieldType::float64, std::bit_cast<std::uint64_t>(40255.0), {1, -2}) ==
          Measured<Torque>(Torque{402'600'000}));
    CHECK(torque_of(FieldType::int64, 402'550'000, {1, -6}) == Measured<Torque>(Torque{402'600'000}));
    CHECK(torque_of(FieldType::int64, ~0ULL, {1, 0}) == Measured<Torque>(Unreadable{Unusable::negative}));
    CHECK(torque_of(FieldType::uint64, ~0ULL, {1, 0}) == Measured<Torque>(Unreadable{Unusable::too_large}));
}

TEST_CASE("some bits of a word are a number of their own, and others may lie beside them") {
    auto profile = full_profile();
    profile.position = RegisterField{.address = 117, .type = FieldType::uint16, .bits = BitRange{8, 8}};
    profile.program->field = RegisterField{.address = 117, .type = FieldType::uint16, .bits = BitRange{0, 4}};
    CHECK(places(profile).empty());
    Block block = good_block();
    block[17] = 0x0537;
    const Reading reading = reading_of(profile, block);
    CHECK(reading.position == 5u);
    CHECK(reading.program == "M20-final");  // the name of 7

    SECTION("but not the same bits for two things") {
        profile.program->field.bits = BitRange{4, 5};
        CHECK(places(profile) == std::vector<std::string>{"/position/address"});
        profile.program->field.bits = profile.position->bits;
        CHECK(places(profile) == std::vector<std::string>{"/position/address"});
    }
    SECTION("nor a whole word over one of which only bits are meant") {
        profile.program->field.bits.reset();
        CHECK(places(profile) == std::vector<std::string>{"/position/address"});
    }
    SECTION("beside a status word of which a mask keeps some") {
        profile.position = RegisterField{.address = 106, .type = FieldType::uint16, .bits = BitRange{8, 7}};
        CHECK(places(profile).empty());
        CHECK(reading_of(profile, good_block()).position == 1u);
    }
    SECTION("and a count of a few bits goes round at its end") {
        profile.counter = CounterField{
            RegisterField{.address = 100, .type = FieldType::uint16, .bits = BitRange{4, 4}}, 0, 15};
        CHECK(places(profile).empty());
        profile.counter->highest = 16;
        CHECK(places(profile) == std::vector<std::string>{"/counter/highest"});
    }
}

TEST_CASE("the program's name is read as text, and none where it is no text") {
    auto profile = full_profile();
    profile.program.reset();
    profile.program_text = TextField{.address = 118, .registers = 3, .order = WordOrder::abcd};
    CHECK(places(profile).empty());
    Block block = good_block();
    const auto named = [&](std::uint16_t a, std::uint16_t b, std::uint16_t c) {
        block[18] = a;
        block[19] = b;
        block[20] = c;
        return decode(profile, block);
    };
    CHECK(named(0x4D32, 0x3020, 0x2020)->program == "M20");
    CHECK(named(0x4D00, 0xFFFF, 0x0101)->program == "M");  // what lies behind the end is not looked at
    CHECK(named(0x2020, 0x2020, 0x2020)->program.empty());
    CHECK(named(0x4142, 0x4344, 0x4546)->program == "ABCDEF");
    REQUIRE_FALSE(named(0x4D32, 0x30C4, 0x0000));
    CHECK(named(0x4D32, 0x300A, 0x0000).error().field == "program_text");
}

TEST_CASE("a block of the wrong length is no reading") {
    const auto profile = full_profile();
    const Block block = good_block();
    for (const std::size_t length : {std::size_t{0}, std::size_t{1}, std::size_t{23}}) {
        const auto reading = decode(profile, std::span(block).first(length));
        REQUIRE_FALSE(reading);
        CHECK(reading.error().field.empty());
        CHECK_FALSE(reading.error().counter);
    }
}

TEST_CASE("a profile that points outside of its block is refused, and reads nothing when used all the same") {
    auto profile = full_profile();
    profile.torque->field.address = 123;
    CHECK(places(profile) == std::vector<std::string>{"/torque/field/address"});
    const auto reading = decode(profile, good_block());
    REQUIRE_FALSE(reading);
    CHECK(reading.error().field == "torque");
    profile = full_profile();
    profile.counter->field.address = 99;
    CHECK(places(profile) == std::vector<std::string>{"/counter/field/address"});
    CHECK_FALSE(decode(profile, good_block()));
}

TEST_CASE("each mistake in a profile is found once, at its place") {
    struct Row {
        const char* place;
        void (*spoil)(RegisterProfile&);
    };
    const Row rows[] = {
        {"/name", [](RegisterProfile& p) { p.name.clear(); }},
        {"/length", [](RegisterProfile& p) { p.length = 126; }},
        {"/counter/lowest", [](RegisterProfile& p) { p.counter->lowest = 2; }},
        {"/counter/highest", [](RegisterProfile& p) { p.counter->highest = 0x10000; }},
        {"/counter/highest", [](RegisterProfile& p) { p.counter->highest = 1; }},
        {"/counter/field/type", [](RegisterProfile& p) { p.counter->field.type = FieldType::int16; }},
        {"/counter/field/scale",
         [](RegisterProfile& p) {
             p.counter->field.scale = Decimal{1, 1};
         }},
        {"/epoch/offset",
         [](RegisterProfile& p) {
             p.epoch->offset = Decimal{1, 0};
         }},
        {"/program/names/1",
         [](RegisterProfile& p) {
             p.program->names.push_back({7, "again"});
         }},
        {"/program/names/1",
         [](RegisterProfile& p) {
             p.program->names.push_back({8, ""});
         }},
        {"/torque/field/order", [](RegisterProfile& p) { p.torque->field.order.reset(); }},
        {"/torque/field/scale",
         [](RegisterProfile& p) {
             p.torque->field.scale = Decimal{0, 0};
         }},
        {"/torque/field/scale",
         [](RegisterProfile& p) {
             p.torque->field.scale = Decimal{1, -10};
         }},
        {"/torque/field/offset",
         [](RegisterProfile& p) {
             p.torque->field.offset = Decimal{1, 0};
         }},
        {"/torque/unit", [](RegisterProfile& p) { p.torque->unit.reset(); }},
        {"/angle/address", [](RegisterProfile& p) { p.angle->address = 104; }},
        {"/direction/mask",
         [](RegisterProfile& p) {
             p.direction->mask = 0;
             p.direction->loosen = {1};
         }},
        {"/direction/tighten", [](RegisterProfile& p) { p.direction->tighten.clear(); }},
        {"/direction/loosen", [](RegisterProfile& p) { p.direction->loosen.clear(); }},
        {"/direction/loosen", [](RegisterProfile& p) { p.direction->loosen = {0x4000}; }},
        {"/verdict/ok", [](RegisterProfile& p) { p.verdict->ok.clear(); }},
        {"/verdict/not_ok", [](RegisterProfile& p) { p.verdict->not_ok = {1}; }},
        {"/verdict/field/address", [](RegisterProfile& p) { p.verdict->field.address = 105; }},
        {"/stamp/field/type", [](RegisterProfile& p) { p.stamp->field.type = FieldType::int16; }},
        {"/stamp/field/address", [](RegisterProfile& p) { p.stamp->field.address = 119; }},
        {"/stamp/utc_offset_minutes", [](RegisterProfile& p) { p.stamp->utc_offset_minutes = 1440; }},
        {"/position/bits",
         [](RegisterProfile& p) {
             p.position->bits = BitRange{10, 7};
         }},
        {"/position/bits",
         [](RegisterProfile& p) {
             p.position->type = FieldType::int16;
             p.position->bits = BitRange{0, 4};
         }},
        {"/program_text",
         [](RegisterProfile& p) {
             p.program_text = TextField{.address = 118, .registers = 2, .order = WordOrder::abcd};
         }},
        {"/program_text/order",
         [](RegisterProfile& p) {
             p.program.reset();
             p.program_text = TextField{.address = 118, .registers = 2, .order = WordOrder::cdab};
         }},
        {"/program_text/order",
         [](RegisterProfile& p) {
             p.program.reset();
             p.program_text = TextField{.address = 118, .registers = 2};
         }},
        {"/program_text/address",
         [](RegisterProfile& p) {
             p.program.reset();
             p.program_text = TextField{.address = 122, .registers = 3, .order = WordOrder::abcd};
         }},
        {"/counter/highest",
         [](RegisterProfile& p) {
             p.counter->field.type = FieldType::bcd16;
             p.counter->highest = 10'000;
         }},
        {"/position/type",
         [](RegisterProfile& p) {
             p.position->type = FieldType::uint64;
             p.position->order = WordOrder::abcd;
         }},
        {"/limits/angle_max/scale",
         [](RegisterProfile& p) {
             p.limits.angle_max->scale = Decimal{0, 0};
         }},
        {"/acknowledge", [](RegisterProfile& p) { p.acknowledge = p.start; }},
        {"/acknowledge",
         [](RegisterProfile& p) { p.acknowledge = static_cast<std::uint16_t>(p.start + p.length - 1); }},
        {"/range/torque_resolution", [](RegisterProfile& p) { p.range.torque_resolution = Torque{0}; }},
        {"/range/torque_max", [](RegisterProfile& p) { p.range.torque_max = Torque{0}; }},
        {"/range/angle_resolution", [](RegisterProfile& p) { p.range.angle_resolution = Angle{-1}; }},
        {"/range/angle_max", [](RegisterProfile& p) { p.range.angle_max = Angle{0}; }},
    };
    for (const Row& row : rows) {
        auto profile = full_profile();
        row.spoil(profile);
        const auto found = places(profile);
        CAPTURE(row.place, found);
        CHECK(std::ranges::count(found, row.place) == 1);
        if (std::string_view(row.place) != "/direction/mask")
            CHECK(found.size() == 1);
    }
}

TEST_CASE("a limit of a value that is not named, and a profile that measures nothing, are refused") {
    auto profile = full_profile();
    profile.angle.reset();
    CHECK(places(profile) == std::vector<std::string>{"/limits/angle_min", "/limits/angle_max"});
    profile.torque.reset();
    profile.limits = {};
    CHECK(places(profile) == std::vector<std::string>{""});
}

TEST_CASE("all mistakes of a profile come together") {
    auto profile = full_profile();
    profile.torque->unit.reset();
    profile.angle->address = 500;
    profile.verdict->ok.clear();
    CHECK(places(profile).size() == 3);
}

TEST_CASE("an acknowledge just beside the block, or beside a block of input registers, is allowed") {
    auto profile = full_profile();
    profile.acknowledge = static_cast<std::uint16_t>(profile.start + profile.length);
    CHECK(places(profile).empty());
    profile.acknowledge = profile.start;
    profile.table = RegisterTable::input;
    CHECK(places(profile).empty());
}
