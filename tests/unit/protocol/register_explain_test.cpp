// What the rows say about registers of invented tools. Common practice, no source: nobody publishes how a
// person is shown a register.
#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/profile_text.hpp"
#include "protocol/register_explain.hpp"

using namespace tautgate::protocol;

namespace {

RegisterProfile explained_profile() {
    RegisterProfile profile;
    profile.name = "explained";
    profile.start = 100;
    profile.length = 8;
    profile.counter = CounterField{{.address = 100}, 1, 0xFFFF};
    profile.torque = TorqueField{{.address = 101, .type = FieldType::float32, .order = WordOrder::abcd},
                                 TorqueUnit::newton_metre};
    profile.angle = RegisterField{.address = 103, .scale = {1, -1}};
    profile.direction = DirectionField{{.address = 104}, 0xFFFFFFFF, {1}, {2}};
    profile.verdict = VerdictField{{.address = 105}, 0xFFFFFFFF, {1}, {2}, {}, {{2, "torque too low"}}};
    profile.range = {Torque{100'000}, Angle{100'000}, Torque{400'000'000}};
    return profile;
}

// 256.1 as binary32 is 43800CCD (recomputed from IEEE 754).
std::vector<std::uint16_t> good_words() { return {7, 0x4380, 0x0CCD, 273, 1, 1, 0xBEEF, 0xF00D}; }

const ExplainedField& field_of(const Explanation& explanation, std::string_view name) {
    for (const auto& field : explanation.fields)
        if (field.name == name)
            return field;
    throw std::runtime_error("no such field");
}

}  // namespace

TEST_CASE("every register that was read stands in one row, in the order of the addresses") {
    const auto explanation = explain(explained_profile(), good_words());
    std::vector<std::uint16_t> words;
    std::uint32_t next = 100;
    for (const auto& field : explanation.fields) {
        CHECK(field.place.address == next);
        next += field.place.count;
        words.insert(words.end(), field.words.begin(), field.words.end());
    }
    CHECK(words == good_words());
    CHECK(explanation.fields.back().name.empty());
    CHECK(explanation.fields.back().words == std::vector<std::uint16_t>{0xBEEF, 0xF00D});
}

TEST_CASE("a field says its value, its unit and what it means") {
    const auto explanation = explain(explained_profile(), good_words());
    CHECK(explanation.understood);
    CHECK(explanation.whole == "a tightening, the tool says OK");
    CHECK(field_of(explanation, "torque").value == "256.1");
    CHECK(field_of(explanation, "torque").unit == "N.m");
    CHECK(field_of(explanation, "torque").meaning == "taken as 256.1 N·m");
    CHECK(field_of(explanation, "angle").value == "27.3");
    CHECK(field_of(explanation, "direction").meaning == "tighten");
    CHECK(field_of(explanation, "verdict").meaning == "OK");
    CHECK(field_of(explanation, "counter").value == "7");
}

TEST_CASE("a number in two registers stands in every word order, and the one of the profile is named") {
    const auto explanation = explain(explained_profile(), good_words());
    const auto& torque = field_of(explanation, "torque");
    REQUIRE(torque.orders);
    CHECK(torque.orders->abcd == "256.1");
    CHECK(torque.order == WordOrder::abcd);
    const std::vector<std::uint16_t> pair{0x4380, 0x0CCD};
    CHECK(*torque.orders == in_every_order(FieldType::float32, pair).value());
    CHECK_FALSE(field_of(explanation, "angle").orders);
}

TEST_CASE("a torque in the wrong word order is a fault that says what to look at") {
    auto profile = explained_profile();
    profile.torque->field.order = WordOrder::dcba;
    auto words = good_words();
    words[1] = 0x0000;
    words[2] = 0x80C3;  // minus something
    const auto explanation = explain(profile, words);
    const auto& torque = field_of(explanation, "torque");
    CHECK_FALSE(torque.fault.empty());
    CHECK(torque.remedy.find("word order") != std::string::npos);
    CHECK(explanation.understood);  // one value is unreadable, the reading stands
}

// 0CCD4380 as binary32 is about 3.2e-31 (recomputed from IEEE 754).
TEST_CASE(
    "a float far below the step of the sensor is doubted, with the word order that gives a likely value") {
    auto profile = explained_profile();
    profile.torque->field.order = WordOrder::cdab;
    const auto explanation = explain(profile, good_words());
    const auto& torque = field_of(explanation, "torque");
    CHECK(torque.fault.find(" N.m is hardly a torque") != std::string::npos);
    CHECK(torque.remedy == "try another word order; abcd gives 256.1");
    CHECK(explanation.understood);
    auto nothing = good_words();
    nothing[1] = nothing[2] = 0;
    CHECK(field_of(explain(profile, nothing), "torque").fault.empty());
}

TEST_CASE("a tool without a result says so, whatever stands in its other registers") {
    auto profile = explained_profile();
    auto words = good_words();
    words[0] = 0;
    words[4] = 9;  // no direction
    constexpr std::string_view none = "no result yet; what stands in the other registers means nothing";
    CHECK(explain(profile, words).whole == none);
    const std::vector<std::uint16_t> zeros(words.size());
    CHECK(explain(profile, zeros).whole ==
          "no result yet, or none of the tool's registers: every one that was read is 0; where the tool "
          "displays a result, check table, addresses, unit and port");
    profile.counter->lowest = 0;
    CHECK(explain(profile, words).whole != none);
}

TEST_CASE("a code that the profile does not list is told in its row and for the whole") {
    auto words = good_words();
    words[4] = 9;
    const auto explanation = explain(explained_profile(), words);
    CHECK_FALSE(explanation.understood);
    CHECK(explanation.whole == "no result would be taken from it: direction: code 9 means neither tightening "
                               "nor loosening; list the "
                               "code in the profile");
    CHECK(field_of(explanation, "direction").fault == "code 9 means neither tightening nor loosening");
    CHECK(field_of(explanation, "torque").fault.empty());
}

TEST_CASE("a fault in one field leaves the other rows their own") {
    CHECK(rc::check("rows say of each field what the decoder says, whatever the registers hold", [] {
        const auto words =
            *rc::gen::container<std::vector<std::uint16_t>>(8, rc::gen::arbitrary<std::uint16_t>());
        const auto profile = explained_profile();
        const auto explanation = explain(profile, words);
        const auto reading = decode(profile, words);
        RC_ASSERT(explanation.understood == reading.has_value());
        if (!reading)
            return;
        // One that is all but nothing is decoded, as nothing, and doubted.
        const auto& fault = field_of(explanation, "torque").fault;
        const bool doubted = fault.ends_with("is hardly a torque");
        RC_ASSERT((fault.empty() || doubted) == std::holds_alternative<Torque>(reading->torque));
        RC_ASSERT(!doubted || std::get<Torque>(reading->torque) == Torque{});
        RC_ASSERT(field_of(explanation, "angle").fault.empty() ==
                  std::holds_alternative<Angle>(reading->angle));
        RC_ASSERT((field_of(explanation, "verdict").meaning == "OK") ==
                  (reading->tool_verdict == ToolVerdict::ok));
    }));
}

TEST_CASE("too few registers explain nothing but that") {
    const auto explanation = explain(explained_profile(), std::vector<std::uint16_t>{1, 2});
    CHECK(explanation.fields.empty());
    CHECK(explanation.whole.find("2 registers were read, the profile says 8") != std::string::npos);
}

TEST_CASE("of a ring the slot of the newest result is explained at its own addresses") {
    auto profile = explained_profile();
    profile.start = 0;
    profile.length = 0;
    profile.counter->highest = 60'000;
    profile.ring = ResultRing{{.address = 90}, 4, 10};
    profile.second_read = SecondRead::block;
    const std::vector<std::uint16_t> head{7};
    const auto slot = newest_slot(profile, head);
    REQUIRE(slot);
    CHECK(slot->start == 120);  // (7 - 1) mod 4 = 2 slots of 10 registers further
    const std::vector<std::uint16_t> words{7, 0x4380, 0x0CCD, 273, 1, 1};
    const auto explanation = explain_slot(profile, *slot, words);
    CHECK(field_of(explanation, "counter").place.address == 120);
    CHECK(field_of(explanation, "torque").place.address == 121);
    CHECK_FALSE(newest_slot(profile, std::vector<std::uint16_t>{0}));
    CHECK(field_of(explain(profile, head), "ring/newest").value == "7");
    CHECK(field_of(explain(profile, head), "ring/newest").fault.empty());
    const auto beyond = field_of(explain(profile, std::vector<std::uint16_t>{60'001}), "ring/newest");
    CHECK(beyond.fault == "60001 lies outside of 1 to 60000");
    CHECK(beyond.remedy == "check address, type and order of newest, then lowest and highest of counter");
    CHECK(field_of(explain(profile, std::vector<std::uint16_t>{0}), "ring/newest").fault.empty());
    CHECK(
        explain(profile, std::vector<std::uint16_t>{0}).whole.starts_with("no result yet, or none of the "));
}

TEST_CASE("profiles that read alike have the same text, and any other field another one") {
    auto profile = explained_profile();
    CHECK(profile_text(profile) == profile_text(explained_profile()));
    profile.verdict->reasons.front().text = "torque too high";
    CHECK(profile_text(profile) != profile_text(explained_profile()));
    profile = explained_profile();
    profile.torque->field.order = WordOrder::cdab;
    CHECK(profile_text(profile) != profile_text(explained_profile()));
}
