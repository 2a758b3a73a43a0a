// A capture of registers asked by the profile that it was made with, and by others: whoever puts a profile
// right at the desk sees what the registers held then, and what was not recorded is named.
#include <catch2/catch.hpp>

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "tools/cli/recorded_answers.hpp"

using namespace tautgate;
using namespace tautgate::protocol;
using cli::RecordedAnswers;

namespace {

// What was asked and answered, ten milliseconds apart. No words: the device said that it has none there.
struct Question {
    BlockRange block;
    std::optional<std::vector<std::uint16_t>> words;
};

constexpr BlockRange holding(std::uint16_t start, std::uint16_t length) {
    return {RegisterTable::holding, start, length};
}

std::string request_for(const BlockRange& block, std::uint16_t transaction = 1) {
    return read_request({ModbusWire::tcp, 1, transaction}, block);
}
std::string no_such_registers(const std::string& request) {
    return request.substr(0, 4) + std::string("\x00\x03", 2) + request.substr(6, 1) + "\x83\x02";
}

Capture recorded(const std::vector<Question>& rounds) {
    Capture capture;
    capture.head.wire = CaptureWire::modbus_tcp;
    std::int64_t at_us = 0;
    std::uint16_t transaction = 0;
    for (const Question& asked : rounds) {
        const std::string request = request_for(asked.block, ++transaction);
        capture.parts.push_back({CaptureSide::station, at_us, request});
        capture.parts.push_back(
            {CaptureSide::tool, at_us + 1,
             asked.words ? read_answer(ModbusWire::tcp, request, *asked.words) : no_such_registers(request)});
        at_us += 10'000;
    }
    return capture;
}

// Two rounds of a profile that reads 100 to 102, then 60.
Capture two_rounds() {
    return recorded({{holding(100, 3), {{1, 2, 3}}},
                     {holding(60, 1), {{9}}},
                     {holding(100, 3), {{4, 5, 6}}},
                     {holding(60, 1), {{8}}}});
}

std::vector<std::uint16_t> read(RecordedAnswers& answers, const BlockRange& block) {
    const std::string request = request_for(block, 77);
    const auto answer = answers.answer(request);
    REQUIRE(answer);
    const auto words = answer_to(ModbusWire::tcp, request, *answer);
    REQUIRE(words);
    return *words;
}

using Words = std::vector<std::uint16_t>;

}  // namespace

TEST_CASE("the profile of a capture has its answers one after the other") {
    RecordedAnswers answers(two_rounds(), ModbusWire::tcp);
    answers.begin_look();
    CHECK(read(answers, holding(100, 3)) == Words{1, 2, 3});
    CHECK(read(answers, holding(60, 1)) == Words{9});
    CHECK(answers.at_us() == 20'000);
    answers.begin_look();
    CHECK(read(answers, holding(100, 3)) == Words{4, 5, 6});
    CHECK_FALSE(answers.over());
    CHECK(read(answers, holding(60, 1)) == Words{8});
    CHECK(answers.over());
    const auto beyond = answers.answer(request_for(holding(100, 3)));
    REQUIRE_FALSE(beyond);
    CHECK_FALSE(beyond.error().goes_on);
}

TEST_CASE("another profile has round by round what the registers held then") {
    RecordedAnswers answers(two_rounds(), ModbusWire::tcp);
    answers.begin_look();
    CHECK(read(answers, holding(101, 2)) == Words{2, 3});
    CHECK(read(answers, holding(60, 1)) == Words{9});
    CHECK(read(answers, holding(101, 2)) == Words{2, 3});  // as often as it likes
    CHECK_FALSE(answers.over());
    answers.begin_look();
    CHECK(read(answers, holding(101, 2)) == Words{5, 6});
    CHECK(read(answers, holding(60, 1)) == Words{8});
    CHECK(answers.over());
}

TEST_CASE("a profile that differs in its second question only is another one from there") {
    RecordedAnswers answers(two_rounds(), ModbusWire::tcp);
    answers.begin_look();
    CHECK(read(answers, holding(100, 3)) == Words{1, 2, 3});
    CHECK(read(answers, holding(102, 1)) == Words{3});
    answers.begin_look();
    CHECK(read(answers, holding(100, 3)) == Words{4, 5, 6});
}

TEST_CASE("what was not recorded is named with what was, and other questions are answered") {
    RecordedAnswers answers(two_rounds(), ModbusWire::tcp);
    answers.begin_look();
    const auto beyond = answers.answer(request_for(holding(100, 4)));
    REQUIRE_FALSE(beyond);
    CHECK(beyond.error().goes_on);
    CHECK(beyond.error().why ==
          "holding 100-103 was not recorded; recorded were holding 60, holding 100-102: put table and "
          "addresses right, or record again with this description");
    CHECK_FALSE(answers.answer(request_for({RegisterTable::input, 100, 1})));
    CHECK(read(answers, holding(100, 1)) == Words{1});
}

TEST_CASE("what the device refused then it refuses whoever asks for a part of it") {
    RecordedAnswers answers(recorded({{holding(100, 3), std::nullopt}, {holding(100, 3), {{1, 2, 3}}}}),
                            ModbusWire::tcp);
    answers.begin_look();
    const std::string request = request_for(holding(101, 1), 78);
    const auto answer = answers.answer(request);
    REQUIRE(answer);
    const auto refused = answer_to(ModbusWire::tcp, request, *answer);
    REQUIRE_FALSE(refused);
    CHECK(refused.error().what == "the device has no such registers (exception 2)");
    answers.begin_look();
    CHECK(read(answers, holding(101, 1)) == Words{2});
}

TEST_CASE("acknowledgements that were tried then are no answers") {
    Capture capture = two_rounds();
    const Words told{7};
    const CapturedBytes write{CaptureSide::station, 5, write_request({ModbusWire::tcp, 1, 50}, 200, told)};
    capture.parts.insert(capture.parts.begin() + 2, write);
    RecordedAnswers answers(capture, ModbusWire::tcp);
    CHECK(read(answers, holding(100, 3)) == Words{1, 2, 3});
    CHECK(read(answers, holding(60, 1)) == Words{9});
}
