// The control of a polled tool: what is read back, what is written, and the mistakes in its description.
#include <array>

#include <catch2/catch.hpp>

#include "protocol/register_control.hpp"

using namespace tautgate::protocol;

namespace {

RegisterField single(std::uint16_t address) { return {.address = address, .type = FieldType::uint16}; }

// The invented tool of these tests: results in registers 100 to 103, control from 200 on.
RegisterProfile obedient() {
    RegisterProfile profile;
    profile.name = "obeys";
    profile.counter = CounterField{single(100), 0, 0xFFFF};
    profile.torque = TorqueField{single(103), TorqueUnit::newton_metre};
    profile.range = {Torque{1'000'000}, Angle{1}, Torque{100'000'000}};
    profile.control = RegisterControl{.enable = {.address = 200},
                                      .enabled = single(210),
                                      .program = 201,
                                      .selected = single(211),
                                      .programs = {{3, "small"}, {7, "large"}}};
    return profile;
}

}  // namespace

TEST_CASE("neighbours are read back in one request, others in two") {
    auto profile = obedient();
    CHECK(control_reads(profile) == std::vector<BlockRange>{{RegisterTable::holding, 210, 2}});
    profile.control->enabled.table = RegisterTable::discrete_inputs;
    profile.control->enabled.type = FieldType::bit;
    CHECK(check(profile).empty());
    CHECK(control_reads(profile) == std::vector<BlockRange>{{RegisterTable::discrete_inputs, 210, 1},
                                                            {RegisterTable::holding, 211, 1}});
    profile.control->selected.reset();
    profile.control->program.reset();
    CHECK(control_reads(profile).size() == 1);
}

TEST_CASE("the tool says whether it may run and which program is set, by the profile's names") {
    const auto profile = obedient();
    const auto seen = [&](std::uint16_t enabled, std::uint16_t selected) {
        return decode_control(profile, std::array{enabled, selected}).value();
    };
    CHECK(seen(1, 7) == ControlSeen{true, "large"});
    CHECK(seen(0, 3) == ControlSeen{false, "small"});
    CHECK(seen(2, 9) == ControlSeen{true, ""});
    CHECK_FALSE(decode_control(profile, std::array<std::uint16_t, 1>{1}));
    CHECK(program_number(*profile.control, "large") == std::uint16_t{7});
    CHECK_FALSE(program_number(*profile.control, "medium"));
}

TEST_CASE("a bit of a status word tells whether it may run") {
    auto profile = obedient();
    profile.control->enabled.bits = BitRange{4, 1};
    REQUIRE(check(profile).empty());
    CHECK(decode_control(profile, std::array<std::uint16_t, 2>{0x0010, 3})->enabled);
    CHECK_FALSE(decode_control(profile, std::array<std::uint16_t, 2>{0xFFEF, 3})->enabled);
}

TEST_CASE("every mistake in a control is found at its place") {
    REQUIRE(check(obedient()).empty());
    const auto fault_at = [](auto change) {
        auto profile = obedient();
        change(profile, *profile.control);
        const auto faults = check(profile);
        REQUIRE(faults.size() == 1);
        CHECK_FALSE(faults.front().finding.empty());
        CHECK_FALSE(faults.front().remedy.empty());
        return faults.front().place;
    };
    using P = RegisterProfile;
    using C = RegisterControl;
    CHECK(fault_at([](P&, C& c) { c.enable.table = RegisterTable::input; }) == "/control/enable/table");
    CHECK(fault_at([](P&, C& c) {
              c.enable.table = RegisterTable::coils;
              c.enable.on = 5;
          }) == "/control/enable/on");
    CHECK(fault_at([](P&, C& c) { c.enable.off = 1; }) == "/control/enable/off");
    CHECK(fault_at([](P&, C& c) { c.enabled.type = FieldType::uint32; }) == "/control/enabled/type");
    CHECK(fault_at([](P&, C& c) { c.enabled.bits = BitRange{12, 8}; }) == "/control/enabled/bits");
    CHECK(fault_at([](P&, C& c) { c.selected->scale = Decimal{2, 0}; }) == "/control/selected/scale");
    CHECK(fault_at([](P&, C& c) { c.selected.reset(); }) == "/control/selected");
    CHECK(fault_at([](P&, C& c) { c.program.reset(); }) == "/control/program");
    CHECK(fault_at([](P&, C& c) { c.programs.clear(); }) == "/control/programs");
    CHECK(fault_at([](P&, C& c) { c.programs[1].code = 3; }) == "/control/programs/1/code");
    CHECK(fault_at([](P&, C& c) { c.programs[1].text = "small"; }) == "/control/programs/1/text");
    CHECK(fault_at([](P&, C& c) { c.programs[0].code = 70'000; }) == "/control/programs/0/code");
    // What is written lies where the tool writes, or where something else is written.
    CHECK(fault_at([](P&, C& c) { c.enable.address = 103; }) == "/control/enable/address");
    CHECK(fault_at([](P&, C& c) { c.program = 211; }) == "/control/program");
    CHECK(fault_at([](P&, C& c) { c.program = 200; }) == "/control/program");
    CHECK(fault_at([](P& p, C&) { p.acknowledge = 200; }) == "/control/enable/address");
}

TEST_CASE("what the station writes lies in nothing that the tool writes, in whatever slot a result may lie") {
    // Results of six registers in ten slots from 200 on, newest and epoch beside them.
    const auto in_a_ring = [] {
        auto profile = obedient();
        profile.counter = CounterField{single(300), 0, 9999};
        profile.torque->field = single(303);
        profile.ring = ResultRing{.newest = single(291), .slots = 10, .stride = 8};
        profile.epoch = single(290);
        profile.control->enable.address = 250;
        profile.control->program = 251;
        return profile;
    };
    REQUIRE(check(in_a_ring()).empty());
    const auto found = [&](auto change) {
        auto profile = in_a_ring();
        change(profile);
        std::vector<std::string> places;
        for (const auto& fault : check(profile))
            places.push_back(fault.place);
        return places;
    };
    using P = RegisterProfile;
    using Places = std::vector<std::string>;
    for (const std::uint16_t kept : std::vector<std::uint16_t>{300, 308, 311, 372, 375, 290, 291, 210, 211}) {
        CAPTURE(kept);
        CHECK(found([&](P& p) { p.acknowledge = kept; }) == Places{"/acknowledge"});
        CHECK(found([&](P& p) { p.control->enable.address = kept; }) == Places{"/control/enable/address"});
        CHECK(found([&](P& p) { p.control->program = kept; }) == Places{"/control/program"});
    }
    for (const std::uint16_t free : std::vector<std::uint16_t>{289, 292, 299, 376, 212}) {
        CAPTURE(free);
        CHECK(found([&](P& p) { p.acknowledge = free; }).empty());
        CHECK(found([&](P& p) { p.control->enable.address = free; }).empty());
    }
    // Coils are registers of their own.
    CHECK(found([](P& p) {
              p.control->enable.table = RegisterTable::coils;
              p.control->enable.address = 311;
          }).empty());
}

TEST_CASE(
    "an acknowledgement as wide as its counter, and a curve, are kept apart from what lets a tool run") {
    auto profile = obedient();
    profile.counter->field = {.address = 100, .type = FieldType::uint32, .order = WordOrder::abcd};
    profile.acknowledge = 199;  // and 200, which lets the tool run
    REQUIRE(check(profile).size() == 1);
    CHECK(check(profile).front().place == "/control/enable/address");
    profile = obedient();
    TraceFields curve;
    curve.belongs_to = single(150);
    curve.samples = 60;
    curve.interval_us = 1000;
    curve.torque = {single(151), 0};
    curve.torque_unit = TorqueUnit::newton_metre;
    profile.trace = curve;
    CHECK(check(profile).size() == 2);  // 200 and 201 are its samples 50 and 51
    profile.trace->samples = 49;
    CHECK(check(profile).empty());
}
