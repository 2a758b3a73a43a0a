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
