// Samples in a row of bytes, and in the registers of a polled tool.
#include <bit>
#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/register_decode.hpp"
#include "protocol/trace_layout.hpp"
#include "protocol/trace_registers.hpp"

using namespace tautgate::protocol;

namespace {

constexpr MeasuringRange layout_range{Torque{100'000}, Angle{100'000}, Torque{600'000'000}};

std::string layout_bytes(std::initializer_list<int> numbers) {
    std::string bytes;
    for (const int number : numbers)
        bytes += static_cast<char>(number);
    return bytes;
}

// Torque as int16 and nothing but an interval beside it.
TraceLayout plain_layout(std::uint32_t samples) {
    return {.samples = samples, .interval_us = 500, .torque = {.scale = {1, -1}}};
}

std::string layout_refusal(const TraceLayout& layout, std::string_view bytes) {
    REQUIRE_FALSE(fault_of(layout));
    const auto trace = decode_samples(layout, bytes, layout_range);
    return trace ? "it is one" : trace.error();
}

RegisterProfile profile_with_trace() {
    RegisterProfile profile;
    profile.name = "curve";
    profile.counter = CounterField{.field = {.address = 0}, .lowest = 1, .highest = 60'000};
    profile.torque = TorqueField{{.address = 1, .scale = {1, -1}}, TorqueUnit::newton_metre};
    profile.range = layout_range;
    TraceFields& trace = profile.trace.emplace();
    trace.belongs_to = {.address = 100};
    trace.samples = 400;
    trace.count = RegisterField{.address = 101};
    trace.interval = RegisterField{.address = 102, .scale = {1, 1}};
    trace.torque = {{.address = 200, .type = FieldType::int16, .scale = {1, -1}}, 2};
    trace.torque_unit = TorqueUnit::newton_metre;
    trace.angle = SampleFields{{.address = 201, .type = FieldType::uint16, .scale = {1, -1}}, 2};
    return profile;
}

// "place: finding", one a line.
std::string layout_faults(const RegisterProfile& profile) {
    std::string all;
    for (const ProfileFault& fault : check(profile)) {
        all += fault.place + ": " + fault.finding + "\n";
        CHECK_FALSE(fault.remedy.empty());
    }
    return all;
}

}  // namespace

TEST_CASE("whole numbers are kept as they came, with scale and offset beside") {
    TraceLayout layout{.samples = 3,
                       .interval = SampleField{.at = 0, .type = FieldType::uint16, .scale = {1, 1}},
                       .torque = {.at = 2, .apart = 4, .scale = {1, -1}, .offset = {5, -1}},
                       .torque_unit = TorqueUnit::centinewton_metre,
                       .angle = SampleField{.at = 4, .apart = 4, .type = FieldType::uint16}};
    const auto trace =
        decode_samples(layout, layout_bytes({0, 50, 0xff, 0xfe, 0, 1, 0, 0, 0, 2, 0x01, 0x00, 0xff, 0xff}),
                       {Torque{1}, Angle{1}, Torque{600'000'000}, Angle{70'000'000'000}});
    REQUIRE(trace.has_value());
    CHECK(*trace == Trace{.times = SampleInterval{500},
                          .torque_unit = TorqueUnit::centinewton_metre,
                          .torque = {{-2, 0, 256}, {1, -1}, {5, -1}},
                          .angle = TraceColumn{{1, 2, 65'535}}});
    CHECK(torque_at(*trace, 2) == Torque{261'000});
}

TEST_CASE("every type and order of bytes is read as it is meant") {
    const auto first_of = [](FieldType type, WordOrder order, std::string_view bytes) {
        TraceLayout layout{.samples = 1, .interval_us = 1, .torque = {.type = type, .order = order}};
        const auto trace = decode_samples(layout, bytes, layout_range);
        REQUIRE(trace.has_value());
        return torque_at(*trace, 0).micro_nm;
    };
    CHECK(first_of(FieldType::int16, WordOrder::abcd, layout_bytes({0xff, 0x38})) == -200'000'000);
    CHECK(first_of(FieldType::int16, WordOrder::dcba, layout_bytes({0x38, 0xff})) == -200'000'000);
    CHECK(first_of(FieldType::uint32, WordOrder::cdab, layout_bytes({1, 0x92, 0, 0})) == 402'000'000);
    CHECK(first_of(FieldType::int64, WordOrder::dcba, layout_bytes({0x92, 1, 0, 0, 0, 0, 0, 0})) ==
          402'000'000);
    CHECK(first_of(FieldType::bcd16, WordOrder::abcd, layout_bytes({0x04, 0x02})) == 402'000'000);
    // 402.5 is 0x43C94000 as binary32 (IEEE 754: sign 0, exponent 135, fraction 0x494000) and
    // 0x4079280000000000 as binary64.
    CHECK(first_of(FieldType::float32, WordOrder::abcd, layout_bytes({0x43, 0xc9, 0x40, 0})) == 402'500'000);
    CHECK(first_of(FieldType::float32, WordOrder::badc, layout_bytes({0xc9, 0x43, 0, 0x40})) == 402'500'000);
    CHECK(first_of(FieldType::float64, WordOrder::dcba, layout_bytes({0, 0, 0, 0, 0, 0x28, 0x79, 0x40})) ==
          402'500'000);
}

TEST_CASE("fractions are kept as decimals, and their scale moves the point") {
    const auto trace = decode_samples(
        TraceLayout{.samples = 2, .interval_us = 1, .torque = {.type = FieldType::float32, .scale = {1, -2}}},
        layout_bytes({0x43, 0xc9, 0x40, 0, 0x3f, 0x80, 0, 0}), layout_range);
    REQUIRE(trace.has_value());
    CHECK(trace->torque.counts == std::vector<std::int64_t>{4'025, 10});
    CHECK(trace->torque.step == Decimal{1, -3});
}

TEST_CASE("times are whole microseconds, rounded once") {
    const auto trace =
        decode_samples(TraceLayout{.samples = 3,
                                   .time = SampleField{.at = 6, .type = FieldType::uint16, .scale = {25, -1}},
                                   .torque = {}},
                       layout_bytes({0, 1, 0, 2, 0, 3, 0, 0, 0, 1, 0, 3}), layout_range);
    REQUIRE(trace.has_value());
    CHECK(trace->times == decltype(Trace::times){SampleTimes{{0, 3, 8}}});  // 0, 2.5 and 7.5
}

TEST_CASE("bytes that are too short, or hold what is no measurement, are told with their place") {
    CHECK(layout_refusal(plain_layout(2), layout_bytes({0, 1, 0, 2})) == "it is one");
    CHECK(layout_refusal(plain_layout(2), layout_bytes({0, 1, 0})) ==
          "the bytes end before sample 2 of torque (byte 2)");
    CHECK(layout_refusal(plain_layout(1), "") == "the bytes end before sample 1 of torque (byte 0)");
    TraceLayout fractions = plain_layout(2);
    fractions.torque = {.type = FieldType::float32};
    CHECK(layout_refusal(fractions, layout_bytes({0, 0, 0, 0, 0x7f, 0xc0, 0, 0})) ==
          "sample 2 of torque (byte 4) is no measurement");
    CHECK(layout_refusal(fractions, layout_bytes({0xff, 0x80, 0, 0, 0, 0, 0, 0})) ==
          "sample 1 of torque (byte 0) is no measurement");
    TraceLayout digits = plain_layout(1);
    digits.torque.type = FieldType::bcd16;
    CHECK(layout_refusal(digits, layout_bytes({0, 0x0a})) == "sample 1 of torque (byte 0) is no measurement");
    CHECK(layout_refusal(plain_layout(1), layout_bytes({0x17, 0x71})) ==
          "sample 1 of torque is beyond 600 N·m, the most that the tool can measure");
    TraceLayout counted = plain_layout(3);
    counted.count = SampleField{.at = 0, .type = FieldType::uint16};
    counted.torque.at = 2;
    CHECK(layout_refusal(counted, layout_bytes({0, 1, 0, 7})) == "it is one");
    CHECK(layout_refusal(counted, layout_bytes({0, 4, 0, 7, 0, 7, 0, 7, 0, 7})) ==
          "the count says 4 samples, of 1 to 3");
    CHECK(layout_refusal(counted, layout_bytes({0, 0, 0, 7})) == "the count says 0 samples, of 1 to 3");
    CHECK(layout_refusal(counted, layout_bytes({0})) == "the bytes end before the count (byte 0)");
}

TEST_CASE("a layout that cannot be used says why") {
    const auto why = [](const TraceLayout& layout) { return fault_of(layout).value_or("none"); };
    TraceLayout layout = plain_layout(3);
    CHECK(why(layout) == "none");
    layout.interval_us.reset();
    CHECK(why(layout) == "there is neither time nor angle beside the torque");
    layout.angle.emplace();
    CHECK(why(layout) == "none");
    layout.interval_us = 5;
    layout.time.emplace();
    CHECK(why(layout) == "the time of samples is said in two ways");
    CHECK(why(plain_layout(0)) == "a curve of 0 samples; use 1 to 20000");
    layout = plain_layout(3);
    layout.torque.apart = 1;
    CHECK(why(layout) == "the samples of torque overlap");
    layout = plain_layout(3);
    layout.torque = {.type = FieldType::float32, .scale = {5, -1}};
    CHECK(why(layout) == "a fraction as torque takes a power of ten as scale, and no offset");
    layout.torque = {.type = FieldType::bit};
    CHECK(why(layout) == "one bit is no sample of torque");
    layout.torque = {.scale = {}};
    CHECK(why(layout) == "a scale of 0 makes every sample of torque the same");
}

TEST_CASE("whatever bytes a layout is given, what is taken can be kept") {
    CHECK(rc::check([] {
        TraceLayout layout{.samples = *rc::gen::inRange<std::uint32_t>(1, 40), .interval_us = 1};
        layout.torque.type = *rc::gen::element(FieldType::int16, FieldType::uint32, FieldType::float32,
                                               FieldType::float64, FieldType::bcd32, FieldType::int64);
        layout.torque.order = *rc::gen::element(WordOrder::abcd, WordOrder::dcba);
        RC_ASSERT(!fault_of(layout).has_value());
        const auto bytes = *rc::gen::container<std::string>(160, rc::gen::arbitrary<char>());
        const auto trace = decode_samples(layout, bytes, layout_range);
        // Not within the macro, which would look at both sides.
        const bool kept = !trace || decode_trace(encode_trace(*trace)) == *trace;
        RC_ASSERT(kept);
    }));
}

TEST_CASE("the registers of a curve are read in as few blocks as the limits allow") {
    const RegisterProfile profile = profile_with_trace();
    REQUIRE(layout_faults(profile).empty());
    CHECK(trace_head(profile) == BlockRange{RegisterTable::holding, 100, 3});
    const TracePlan plan = plan_trace(profile, 130);
    CHECK(plan.blocks == std::vector<BlockRange>{{RegisterTable::holding, 200, 125},
                                                 {RegisterTable::holding, 325, 125},
                                                 {RegisterTable::holding, 450, 10}});
    // After six bytes of the head: torque first, the angle one register on.
    CHECK(plan.layout.interval->at == 4);
    CHECK(plan.layout.torque.at == 6);
    CHECK(plan.layout.torque.apart == 4);
    CHECK(plan.layout.angle->at == 8);
}

TEST_CASE("what the registers say of a curve is what the tool put there") {
    const RegisterProfile profile = profile_with_trace();
    const std::vector<std::uint16_t> head{7, 3, 50};
    CHECK(trace_head_in(profile, head).value() == TraceHead{.belongs_to = 7, .samples = 3});
    CHECK(trace_head_in(profile, std::vector<std::uint16_t>{7, 401, 50}).error() ==
          "the tool says 401 samples, the profile at most 400");
    std::vector<std::uint16_t> words = head;
    for (const int number : {10, 0, 4025, 205, 0xfff6, 300})
        words.push_back(static_cast<std::uint16_t>(number));
    const auto trace = decode_samples(plan_trace(profile, 3).layout, wire_bytes(words), profile.range);
    REQUIRE(trace.has_value());
    CHECK(trace->times == decltype(Trace::times){SampleInterval{500}});
    CHECK(torque_at(*trace, 1) == Torque{402'500'000});
    CHECK(torque_at(*trace, 2) == Torque{-1'000'000});
    CHECK(angle_at(*trace, 1) == Angle{20'500'000});
}

TEST_CASE("the mistakes of a curve in a profile are told one by one") {
    using Spoil = void (*)(RegisterProfile&);
    const std::vector<std::pair<const char*, Spoil>> mistakes{
        {"no unit", [](RegisterProfile& it) { it.trace->torque_unit.reset(); }},
        {"no counter",
         [](RegisterProfile& it) {
             it.counter.reset();
             it.toggle = RegisterField{.address = 0};
         }},
        {"no order", [](RegisterProfile& it) { it.trace->angle->field.type = FieldType::uint32; }},
        {"a count with a sign", [](RegisterProfile& it) { it.trace->count->type = FieldType::int16; }},
        {"bits", [](RegisterProfile& it) { it.trace->torque.field = {.address = 200, .bits = BitRange{}}; }},
        {"beyond the last register", [](RegisterProfile& it) { it.trace->torque.field.address = 65'000; }},
        {"nothing beside the torque",
         [](RegisterProfile& it) {
             it.trace->angle.reset();
             it.trace->interval.reset();
         }},
        {"too far apart", [](RegisterProfile& it) { it.trace->count->address = 300; }},
        {"an acknowledgement within", [](RegisterProfile& it) { it.acknowledge = 555; }}};
    for (const auto& [what, spoil] : mistakes) {
        RegisterProfile profile = profile_with_trace();
        spoil(profile);
        const std::string told = layout_faults(profile);
        INFO(what << ": " << told);
        CHECK(told.find('\n') == told.size() - 1);  // one
        CHECK((told.starts_with("/trace") || told.starts_with("/acknowledge")));
    }
}
