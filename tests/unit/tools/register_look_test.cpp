// What a look at a polled tool asks for and says beside its result: whether the tool may run, and its curve.
// The device is a table of registers; its answers are made here after MODBUS Application Protocol V1.1b3, 6.3
// and Messaging on TCP/IP V1.0b, 3.1.
#include <catch2/catch.hpp>

#include <map>

#include "protocol/register_explain.hpp"
#include "tools/cli/line_look.hpp"
#include "tools/cli/look.hpp"
#include "tools/cli/register_look.hpp"

using namespace tautgate;
using namespace tautgate::protocol;

namespace {

RegisterProfile looked_at_profile() {
    RegisterProfile profile;
    profile.name = "looked at";
    profile.counter = CounterField{{.address = 10}, 1, 0xFFFF};
    profile.torque = TorqueField{{.address = 11, .scale = {1, -1}}, TorqueUnit::newton_metre};
    profile.verdict = VerdictField{{.address = 12}, 0xFFFFFFFF, {1}, {2}, {}, {}};
    profile.second_read = SecondRead::block;
    profile.range = {Torque{100'000}, Angle{100'000}, Torque{400'000'000}};
    profile.control = RegisterControl{.enable = {.address = 60},
                                      .enabled = {.address = 50},
                                      .program = 61,
                                      .selected = RegisterField{.address = 51},
                                      .programs = {{3, "M16-final"}}};
    TraceFields curve;
    curve.belongs_to = {.address = 70};
    curve.samples = 200;
    curve.count = RegisterField{.address = 71};
    curve.interval = RegisterField{.address = 72, .scale = {1, 3}};
    curve.torque = {{.address = 100, .type = FieldType::int16, .scale = {1, -1}}, 2};
    curve.torque_unit = TorqueUnit::newton_metre;
    curve.angle = SampleFields{{.address = 101, .type = FieldType::int16, .scale = {1, -1}}, 2};
    profile.trace = curve;
    return profile;
}

// Holding registers of one unit.
struct Device {
    std::map<std::uint32_t, std::uint16_t> registers;
    std::size_t asked = 0;
    bool refuses = false;  // every read, by exception 2: no such address

    std::string answer(const std::string& request) {
        ++asked;
        const auto word = [&](std::size_t at) {
            return static_cast<std::uint16_t>(static_cast<unsigned char>(request[at]) << 8U |
                                              static_cast<unsigned char>(request[at + 1]));
        };
        REQUIRE(request.size() == 12);
        REQUIRE(request[7] == 3);
        if (refuses)
            return request.substr(0, 4) + std::string("\x00\x03", 2) + request.substr(6, 1) + "\x83\x02";
        const std::uint16_t count = word(10);
        std::string answer = request.substr(0, 4);
        answer += static_cast<char>((3 + 2 * count) >> 8);
        answer += static_cast<char>((3 + 2 * count) & 0xFF);
        answer += request.substr(6, 2);
        answer += static_cast<char>(2 * count);
        for (std::uint32_t i = 0; i < count; ++i) {
            const std::uint16_t value = registers[word(8) + i];
            answer += static_cast<char>(value >> 8U);
            answer += static_cast<char>(value & 0xFFU);
        }
        return answer;
    }
};

// Three samples, 1 ms apart: 0.5, 20.0 and 19.5 N·m at 0, 4.5 and 4.6 degrees.
Device tightened() {
    Device device;
    device.registers = {{10, 7}, {11, 195}, {12, 1},  {50, 1},    {51, 3},   {70, 7},    {71, 3},
                        {72, 1}, {100, 5},  {101, 0}, {102, 200}, {103, 45}, {104, 195}, {105, 46}};
    return device;
}

cli::RegisterLooker looker_at(Device& device, RegisterProfile profile = looked_at_profile()) {
    REQUIRE(check(profile).empty());
    return {std::move(profile), ModbusWire::tcp, 1,
            [&device](const std::string& request) -> std::expected<std::string, cli::Unanswered> {
                return device.answer(request);
            }};
}

const ExplainedField& row_of(const cli::RegisterLook& look, std::string_view name) {
    for (const auto& part : look.parts)
        for (const auto& field : part.fields)
            if (field.name == name)
                return field;
    throw std::runtime_error("no such row");
}

}  // namespace

TEST_CASE("what is refused over and over is told once, under whichever number it was asked") {
    Device device = tightened();
    cli::RegisterLooker looker = looker_at(device);
    const cli::LookStyle changed{.style = {}, .orders = false, .only_changed = true};
    const auto good = looker.look();
    device.refuses = true;
    const auto first = looker.look();
    const auto second = looker.look();
    REQUIRE((good && first && second));
    CHECK(first->fault != second->fault);  // the number stands in the bytes
    CHECK(cli::look_text(*first, nullptr, changed).find(first->fault) != std::string::npos);
    CHECK(cli::look_text(*second, &*first, changed).empty());
    CHECK(cli::look_text(*second, &*second, changed).empty());
    // As the screen remembers it: what the tool last showed, and what went wrong since.
    cli::RegisterLook before = *good;
    CHECK_FALSE(cli::look_text(*first, &before, changed).empty());
    before.fault = first->fault;
    before.trouble = first->trouble;
    CHECK(cli::look_text(*second, &before, changed).empty());
    CHECK_FALSE(cli::look_text(*good, &before, changed).empty());
}

TEST_CASE("a look with a value that the station could not use is not understood, and names it") {
    Device device = tightened();
    device.registers[11] = 5000;  // 500 N·m, beyond the sensor
    const auto look = looker_at(device).look();
    REQUIRE(look);
    CHECK(look->parts.front().understood);  // the rest is a result all the same
    CHECK_FALSE(look->understood());
    CHECK(cli::not_usable_in(*look) == std::vector<std::string>{"torque"});
    Device good = tightened();
    const auto all = looker_at(good).look();
    REQUIRE(all);
    CHECK(cli::not_usable_in(*all).empty());
}

TEST_CASE("a line with a torque that the station could not use is not understood, and marked") {
    cli::LineLooker looker({.tool = "NR-1", .range = looked_at_profile().range});
    const auto said = looker.hear("{\"hello\":{\"tool\":\"NR-1\",\"epoch\":\"1\",\"last\":\"0\"}}\n"
                                  "{\"result\":{\"counter\":\"1\",\"direction\":\"tighten\",\"torque\":{"
                                  "\"value\":9000,\"unit\":\"N.m\"}}}\n");
    REQUIRE(said.size() == 2);
    CHECK(said.front().understood());
    CHECK(said.back().fault.empty());
    CHECK_FALSE(said.back().understood());
    CHECK(said.back().not_usable == std::vector<std::string>{"torque"});
    CHECK(cli::said_text(said.back()).find("torque ? (it ") != std::string::npos);
}

TEST_CASE("the link errors that a profile detects are told before the first look") {
    CHECK(cli::link_errors_line(
              {LinkError::repetition, LinkError::loss, LinkError::wrong_sequence, LinkError::delay}) ==
          "Link errors (OPC 10000-15) that it detects: repetition, loss, wrong sequence, delay; that it does "
          "not: corruption, insertion, masquerade, addressing\n");
    CHECK(cli::link_errors_line({}).find("that it detects: none;") != std::string::npos);
}

TEST_CASE("a look shows whether the tool may run and with which program") {
    Device device = tightened();
    auto looker = looker_at(device);
    auto look = looker.look();
    REQUIRE(look);
    REQUIRE(look->parts.size() == 3);
    CHECK(look->understood());
    CHECK(look->parts[1].whole == "it may run, program M16-final is chosen");
    CHECK(row_of(*look, "control/enabled").meaning == "may run");
    CHECK(row_of(*look, "control/selected").meaning == "M16-final");

    device.registers[50] = 0;
    device.registers[51] = 9;
    look = looker.look();
    REQUIRE(look);
    CHECK(look->parts[1].whole == "it may not run");
    CHECK(row_of(*look, "control/selected").meaning == "without a name in the profile");
}

TEST_CASE("a look shows whose curve stands there, how long it is and how far it goes") {
    Device device = tightened();
    auto looker = looker_at(device);
    const auto look = looker.look();
    REQUIRE(look);
    REQUIRE(look->parts.size() == 3);
    CHECK(look->parts[2].whole ==
          "a curve of 3 samples belongs to result 7: 3 samples, up to 20 N·m, ends at 4.6 deg after 2 ms");
    CHECK(row_of(*look, "trace/belongs_to").value == "7");
    CHECK(row_of(*look, "trace/count").value == "3");
    CHECK(row_of(*look, "trace/interval").value == "1000");
    CHECK(row_of(*look, "trace/interval").unit == "us");
}

TEST_CASE("the samples of a curve are asked for once") {
    Device device = tightened();
    auto looker = looker_at(device);
    REQUIRE(looker.look());
    const std::size_t first = device.asked;
    device.asked = 0;
    const auto again = looker.look();
    REQUIRE(again);
    // Neither the second read of the result, nor the samples and the head after them.
    CHECK(device.asked + 3 == first);
    CHECK(again->parts[2].whole.ends_with("ends at 4.6 deg after 2 ms"));
    device.registers[70] = 8;
    device.registers[102] = 210;
    const auto other = looker.look();
    REQUIRE(other);
    CHECK(other->parts[2].whole.find("belongs to result 8: 3 samples, up to 21 N·m") != std::string::npos);
}

TEST_CASE("a curve that is none says why, and is not understood") {
    Device device = tightened();
    auto looker = looker_at(device);
    device.registers[104] = 20'000;
    auto look = looker.look();
    REQUIRE(look);
    CHECK_FALSE(look->understood());
    CHECK(look->parts[2].whole.find("not taken, ") != std::string::npos);

    device.registers[71] = 201;
    look = looker.look();
    REQUIRE(look);
    CHECK_FALSE(look->understood());
    CHECK(look->parts[2].whole ==
          "no curve would be taken: the tool says 201 samples, the profile at most 200");

    device.registers[71] = 0;
    look = looker.look();
    REQUIRE(look);
    CHECK(look->understood());
    CHECK(look->parts[2].whole == "result 7 has no curve");
}
