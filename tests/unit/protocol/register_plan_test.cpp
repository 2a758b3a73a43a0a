#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/register_decode.hpp"
#include "protocol/register_plan.hpp"

using namespace tautgate::protocol;

namespace {

RegisterField one(std::uint16_t address, FieldType type = FieldType::uint16) {
    return {.address = address, .type = type};
}

RegisterProfile minimal() {
    RegisterProfile profile;
    profile.name = "minimal";
    profile.counter = CounterField{one(100), 0, 0xFFFF};
    profile.torque = TorqueField{one(101), TorqueUnit::newton_metre};
    profile.range = {Torque{1'000'000}, Angle{1'000'000}, Torque{100'000'000}, Angle{360'000'000}};
    return profile;
}

std::vector<std::string> faults_of(const RegisterProfile& profile) {
    std::vector<std::string> places;
    for (const ProfileFault& fault : check(profile))
        places.push_back(fault.place);
    return places;
}

}  // namespace

TEST_CASE("fields that lie together are read together, over gaps of up to 16 registers") {
    RegisterProfile profile = minimal();
    profile.angle = RegisterField{.address = 118, .type = FieldType::int32, .order = WordOrder::abcd};
    CHECK(reads_of(profile) == std::vector<BlockRange>{{RegisterTable::holding, 100, 20}});
    profile.angle->address = 119;
    CHECK(reads_of(profile) ==
          std::vector<BlockRange>{{RegisterTable::holding, 100, 2}, {RegisterTable::holding, 119, 2}});
}

TEST_CASE("a read never goes beyond the 125 registers or 2000 bits of the protocol") {
    RegisterProfile profile = minimal();
    profile.program_text = TextField{110, 114, WordOrder::abcd};
    profile.angle = one(224);
    CHECK(reads_of(profile) == std::vector<BlockRange>{{RegisterTable::holding, 100, 125}});
    profile.angle = one(225);
    CHECK(reads_of(profile) ==
          std::vector<BlockRange>{{RegisterTable::holding, 100, 124}, {RegisterTable::holding, 225, 1}});
}

TEST_CASE("each table has reads of its own, and a field is found in its table only") {
    RegisterProfile profile = minimal();
    profile.table = RegisterTable::input;
    profile.verdict = VerdictField{
        {.address = 3, .type = FieldType::bit, .table = RegisterTable::discrete_inputs}, 1, {1}, {0}, {}, {}};
    profile.position = RegisterField{.address = 101, .table = RegisterTable::holding};
    REQUIRE(check(profile).empty());
    const auto blocks = reads_of(profile);
    CHECK(blocks == std::vector<BlockRange>{{RegisterTable::holding, 101, 1},
                                            {RegisterTable::input, 100, 2},
                                            {RegisterTable::discrete_inputs, 3, 1}});
    CHECK(offset_in(blocks, {RegisterTable::input, 101, 1}) == 2U);
    CHECK(offset_in(blocks, {RegisterTable::discrete_inputs, 3, 1}) == 3U);
    CHECK_FALSE(offset_in(blocks, {RegisterTable::coils, 3, 1}));
    CHECK_FALSE(offset_in(blocks, {RegisterTable::input, 101, 2}));

    const std::vector<std::uint16_t> words{7, 42, 55, 1};
    const auto reading = decode(profile, words);
    REQUIRE(reading);
    CHECK(reading->counter == 42);
    CHECK(reading->position == 7U);
    CHECK(std::get<Torque>(reading->torque) == Torque{55'000'000});
    CHECK(reading->tool_verdict == ToolVerdict::ok);
    CHECK(decode(profile, std::vector<std::uint16_t>{7, 42, 55, 0})->tool_verdict == ToolVerdict::not_ok);
}

TEST_CASE("every field of any profile without a block of its own is read, whole, within the limits") {
    CHECK(rc::check("planned reads", [] {
        RegisterProfile profile = minimal();
        const auto field = [] {
            return RegisterField{
                .address = *rc::gen::inRange<std::uint16_t>(0, 600),
                .type = *rc::gen::element(FieldType::uint16, FieldType::float32, FieldType::uint64),
                .order = WordOrder::abcd,
                .table = *rc::gen::element(RegisterTable::holding, RegisterTable::input)};
        };
        profile.counter->field = field();
        profile.torque->field = field();
        profile.angle = field();
        profile.position = field();
        const auto blocks = reads_of(profile);
        for (const RegisterField& each :
             {profile.counter->field, profile.torque->field, *profile.angle, *profile.position})
            RC_ASSERT(offset_in(blocks, place_of(profile, each)).has_value());
        for (const BlockRange& block : blocks)
            RC_ASSERT(block.length <= registers_per_read);
    }));
}

TEST_CASE("the slots of a ring follow each other, and the turn of the count goes on in the next one") {
    RegisterProfile profile = minimal();
    profile.counter->lowest = 1;
    profile.counter->highest = 60'000;
    profile.ring = ResultRing{one(50), 20, 10};
    REQUIRE(check(profile).empty());
    CHECK(slot_of(profile, 1) == BlockRange{RegisterTable::holding, 100, 2});
    CHECK(slot_of(profile, 2).start == 110);
    CHECK(slot_of(profile, 20).start == 290);
    CHECK(slot_of(profile, 21).start == 100);
    CHECK(slot_of(profile, 60'000).start == 290);
    CHECK(slot_of(profile, 60'001).start == 100);
    CHECK(raw_count(*profile.counter, 60'001) == 1);
}

TEST_CASE("each mistake in how results are recognised, kept and acknowledged is found at its place") {
    struct Row {
        const char* place;
        void (*spoil)(RegisterProfile&);
    };
    const Row rows[] = {
        {"/counter", [](RegisterProfile& p) { p.counter.reset(); }},
        {"/toggle", [](RegisterProfile& p) { p.toggle = one(103); }},
        {"/stamp/marks_result",
         [](RegisterProfile& p) {
             p.stamp = StampField{one(103), StampKind::unix_seconds, 0, true};
         }},
        {"/epoch",
         [](RegisterProfile& p) {
             p.counter.reset();
             p.toggle = one(103);
             p.epoch = one(104);
         }},
        {"/second_read",
         [](RegisterProfile& p) {
             p.counter.reset();
             p.toggle = one(103);
             p.second_read = SecondRead::counter;
         }},
        {"/length", [](RegisterProfile& p) { p.start = 100; }},
        {"/acknowledge",
         [](RegisterProfile& p) {
             p.counter.reset();
             p.toggle = one(103);
             p.acknowledge = std::uint16_t{300};
         }},
        {"/torque/field/type", [](RegisterProfile& p) { p.torque->field.table = RegisterTable::coils; }},
        {"/position/type",
         [](RegisterProfile& p) { p.position = RegisterField{.address = 110, .type = FieldType::bit}; }},
        {"/handshake",
         [](RegisterProfile& p) {
             p.acknowledge = std::uint16_t{300};
             p.handshake = Handshake{.ready = one(103), .address = 301};
         }},
        {"/handshake/address",
         [](RegisterProfile& p) { p.handshake = Handshake{.ready = one(103), .address = 101}; }},
        {"/handshake/table",
         [](RegisterProfile& p) {
             p.handshake = Handshake{.ready = one(103), .address = 301, .table = RegisterTable::input};
         }},
        {"/handshake/value",
         [](RegisterProfile& p) {
             p.handshake =
                 Handshake{.ready = one(103), .address = 1, .table = RegisterTable::coils, .value = 2};
         }},
        {"/handshake/cleared",
         [](RegisterProfile& p) {
             p.handshake = Handshake{.ready = one(103), .address = 301, .cleared = 1};
         }},
        {"/ring/slots",
         [](RegisterProfile& p) {
             p.ring = ResultRing{one(50), 1, 10};
         }},
        {"/ring/slots",
         [](RegisterProfile& p) {
             p.ring = ResultRing{one(50), 7, 10};
         }},
        {"/ring/slots",
         [](RegisterProfile& p) {
             p.ring = ResultRing{one(50), 0x8000, 10};
         }},
        {"/ring/stride",
         [](RegisterProfile& p) {
             p.ring = ResultRing{one(50), 8, 1};
         }},
        {"/ring/newest/address",
         [](RegisterProfile& p) {
             p.ring = ResultRing{one(115), 8, 10};
         }},
        {"/ring/newest/type",
         [](RegisterProfile& p) {
             p.ring = ResultRing{{.address = 50, .bits = BitRange{0, 8}}, 8, 10};
         }},
        {"/ring/newest/order",
         [](RegisterProfile& p) {
             p.counter->field.type = FieldType::uint32;
             p.counter->field.order = WordOrder::abcd;
             p.torque->field.address = 102;
             p.ring = ResultRing{{.address = 50, .type = FieldType::uint32, .order = WordOrder::cdab}, 8, 10};
         }},
        {"/ring",
         [](RegisterProfile& p) {
             p.ring = ResultRing{one(50), 8, 100};
             p.position = one(180);
         }},
        {"/epoch/address",
         [](RegisterProfile& p) {
             p.ring = ResultRing{one(50), 8, 10};
             p.epoch = one(1000);
         }},
        {"",
         [](RegisterProfile& p) {
             p.length = 0;
             p.angle = one(200);
             p.position = one(300);
             p.limits = {one(400), one(500), one(600), one(700)};
             p.direction = DirectionField{one(800), 0xFFFFFFFF, {0}, {1}};
             p.verdict = VerdictField{one(900), 0xFFFFFFFF, {1}, {0}, {}, {}};
         }},
    };
    REQUIRE(faults_of(minimal()).empty());
    for (const Row& row : rows) {
        RegisterProfile profile = minimal();
        row.spoil(profile);
        INFO(row.place);
        CHECK(faults_of(profile) == std::vector<std::string>{row.place});
    }
}
