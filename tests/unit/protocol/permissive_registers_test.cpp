// The words about the registers of a permissive, against what encode() writes and what PERMISSIVE.md says.
#include <catch2/catch.hpp>

#include <algorithm>
#include <fstream>
#include <functional>
#include <map>
#include <set>
#include <string>
#include <vector>

#include <fmt/format.h>

#include "protocol/permissive_registers.hpp"

using namespace tautgate::protocol;

namespace {

std::set<std::size_t> places_of(const RegisterText& text) {
    std::set<std::size_t> places;
    for (std::size_t i = 0; i < text.registers; ++i)
        places.insert(text.offset + i);
    return places;
}

// Where two blocks differ, apart from the CRC-32, which must differ as well.
template <std::size_t Size>
std::set<std::size_t> changed(const std::array<std::uint16_t, Size>& before,
                              const std::array<std::uint16_t, Size>& after) {
    std::set<std::size_t> places;
    for (std::size_t i = 0; i < Size - 2; ++i)
        if (before[i] != after[i])
            places.insert(i);
    CHECK((before[Size - 2] != after[Size - 2] || before[Size - 1] != after[Size - 1]));
    return places;
}

// Changes one value at a time, named as in the table: only its registers may change, and all of them.
template <class Block>
void check_places(std::span<const RegisterText> table,
                  const std::map<std::string_view, std::function<void(Block&)>>& changes) {
    for (const RegisterText& text : table) {
        CAPTURE(std::string(text.name));
        if (text.name == "CRC-32" || text.name == "layout version") {
            CHECK_FALSE(changes.contains(text.name));
            continue;
        }
        REQUIRE(changes.contains(text.name));
        Block block;
        const auto before = encode(block);
        changes.at(text.name)(block);
        CHECK(changed(before, encode(block)) == places_of(text));
    }
    CHECK(changes.size() + 2 == table.size());
}

// The rows of the first table after a heading, without its head: "| 0 | layout version | 1 |".
std::vector<std::string> table_below(const std::string& heading, const std::string& head) {
    std::ifstream file(TAUTGATE_SOURCE_DIR "/protocol/PERMISSIVE.md");
    REQUIRE(file.good());
    std::string line;
    while (std::getline(file, line) && line != heading) {
    }
    REQUIRE(line == heading);
    while (std::getline(file, line) && line != head) {
    }
    REQUIRE(line == head);
    REQUIRE(std::getline(file, line));
    std::vector<std::string> rows;
    while (std::getline(file, line) && line.starts_with('|'))
        rows.push_back(line);
    return rows;
}

std::vector<std::string> rows_of(std::span<const RegisterText> table) {
    std::vector<std::string> rows;
    rows.reserve(table.size());
    for (const RegisterText& text : table)
        rows.push_back(fmt::format("| {} | {} | {} |",
                                   text.registers == 2 ? fmt::format("{}, {}", text.offset, text.offset + 1)
                                                       : fmt::format("{}", text.offset),
                                   text.name, text.meaning));
    return rows;
}

}  // namespace

TEST_CASE("the table of the permissive block says where encode() puts each value") {
    check_places<PermissiveBlock>(permissive_registers(),
                                  {{"station", [](auto& block) { ++block.address.station; }},
                                   {"bay", [](auto& block) { ++block.address.bay; }},
                                   {"permissive", [](auto& block) { ++block.address.permissive; }},
                                   {"token", [](auto& block) { block.token = 0x12345678; }},
                                   {"state code", [](auto& block) { block.code = Code::released; }},
                                   {"reason number", [](auto& block) { ++block.reason; }},
                                   {"moved", [](auto& block) { ++block.moved; }},
                                   {"beat", [](auto& block) { ++block.beat; }}});
    CHECK(encode(PermissiveBlock{})[0] == layout_version);
    CHECK(permissive_registers().front().meaning == fmt::format("{}", layout_version));
    CHECK(permissive_registers().back().meaning ==
          fmt::format("over registers 0 to {}", permissive_words - 3));
}

TEST_CASE("the table of the feedback block says where encode() puts each value") {
    check_places<FeedbackBlock>(feedback_registers(),
                                {{"station", [](auto& block) { ++block.address.station; }},
                                 {"bay", [](auto& block) { ++block.address.bay; }},
                                 {"permissive", [](auto& block) { ++block.address.permissive; }},
                                 {"token", [](auto& block) { block.token = 0x12345678; }},
                                 {"state code", [](auto& block) { block.acting = Feedback::released; }},
                                 {"beat", [](auto& block) { ++block.beat; }},
                                 {"unit present", [](auto& block) { block.presence = Presence::present; }},
                                 {"arrivals", [](auto& block) { ++block.arrivals; }},
                                 {"departures", [](auto& block) { ++block.departures; }},
                                 {"PLC starts", [](auto& block) { ++block.plc_starts; }},
                                 {"moved", [](auto& block) { ++block.moved; }},
                                 {"fault", [](auto& block) { ++block.fault; }}});
    CHECK(encode(FeedbackBlock{})[0] == layout_version);
    CHECK(feedback_registers().back().meaning == fmt::format("over registers 0 to {}", feedback_words - 3));
}

TEST_CASE("the moved count of the permissive block is where its text says the feedback has it") {
    const auto moved = std::ranges::find(feedback_registers(), "moved", &RegisterText::name);
    const auto echoed = std::ranges::find(permissive_registers(), "moved", &RegisterText::name);
    CHECK(std::string(echoed->meaning).find(fmt::format("(feedback, offset {})", moved->offset)) !=
          std::string::npos);
}

TEST_CASE("PERMISSIVE.md says the same of every register") {
    constexpr auto head = "| offset | content | meaning |";
    CHECK(table_below(fmt::format("## Permissive block (station to PLC), {} registers", permissive_words),
                      head) == rows_of(permissive_registers()));
    CHECK(table_below(fmt::format("## Feedback block (PLC to station), {} registers", feedback_words),
                      head) == rows_of(feedback_registers()));
}

TEST_CASE("PERMISSIVE.md says the same of every code, token and fault") {
    std::vector<std::string> codes;
    for (const StateCodeText& text : state_code_texts())
        codes.push_back(fmt::format("| 0x{:04X} | {} |", static_cast<unsigned>(text.code), text.meaning));
    codes.emplace_back("| any other | withheld |");
    CHECK(table_below("## State codes", "| code | meaning |") == codes);

    std::vector<std::string> tokens;
    for (const TokenText& text : token_texts())
        tokens.push_back(text.first == text.last ? fmt::format("| 0x{:08X} | {} |", text.first, text.meaning)
                                                 : fmt::format("| 0x{:08X} to 0x{:08X} | {} |", text.first,
                                                               text.last, text.meaning));
    CHECK(table_below("## Tokens", "| token | meaning |") == tokens);

    std::vector<std::string> faults;
    for (const FaultText& text : fault_texts())
        faults.push_back(fmt::format("| {} | {} |", static_cast<unsigned>(text.fault), text.meaning));
    CHECK(table_below(fmt::format("## Feedback block (PLC to station), {} registers", feedback_words),
                      "| fault | meaning |") == faults);
}

TEST_CASE("whatever tells people how to wire a permissive opens with the caution") {
    for (const char* page :
         {"/protocol/PERMISSIVE.md", "/deploy/plc/README.md", "/deploy/guides/equipment-controller.md"}) {
        CAPTURE(page);
        std::ifstream file(std::string(TAUTGATE_SOURCE_DIR) + page);
        std::string text;
        for (std::string word; file >> word && !word.starts_with("##");)
            if (word != ">")
                text += (text.empty() ? "" : " ") + word;
        std::erase(text, '*');
        CHECK(text.find(caution_text()) != std::string::npos);
    }
}

TEST_CASE("the ranges of tokens lie side by side and say what token_kind() decides") {
    std::uint64_t next = 0;
    for (const TokenText& text : token_texts()) {
        CHECK(text.first == next);
        next = std::uint64_t{text.last} + 1;
        CHECK(token_kind(text.first) == token_kind(text.last));
        CHECK((token_kind(text.first) == TokenKind::none) == (text.meaning == "no token"));
        CHECK((token_kind(text.first) == TokenKind::stay) == (text.meaning == "a stay"));
    }
    CHECK(next == 0x1'0000'0000);
}
