// Curves: what is one, what its samples are worth, and the bytes in which it is kept.
#include <cstdint>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/trace.hpp"

using namespace tautgate::protocol;

namespace {

constexpr MeasuringRange up_to_600{Torque{100'000}, Angle{100'000}, Torque{600'000'000}};

// The example of TRACE.md.
Trace example() {
    return {.times = SampleInterval{500},
            .torque_unit = TorqueUnit::newton_metre,
            .torque = {{0, 150, 1225}, {1, -2}},
            .angle = TraceColumn{{0, 10, 25}}};
}

std::string bytes_of(std::initializer_list<int> numbers) {
    std::string bytes;
    for (const int number : numbers)
        bytes += static_cast<char>(number);
    return bytes;
}

std::string why_not(const Trace& trace) { return fault_of(trace).value_or("it is one"); }

std::string why_not(std::string_view bytes) {
    const auto trace = decode_trace(bytes);
    return trace ? "it is one" : trace.error();
}

Decimal arbitrary_decimal(std::int64_t most, bool nought_allowed) {
    const auto mantissa = *rc::gen::suchThat(rc::gen::inRange<std::int64_t>(-most, most + 1), [&](auto it) {
        return it == 0 ? nought_allowed : it % 10 != 0;
    });
    return {mantissa, mantissa == 0 ? 0 : *rc::gen::inRange(-9, 1)};
}

TraceColumn arbitrary_column(std::size_t samples) {
    return {
        *rc::gen::container<std::vector<std::int64_t>>(samples, rc::gen::inRange<std::int64_t>(-900, 901)),
        arbitrary_decimal(999, false), arbitrary_decimal(99'999, true)};
}

Trace arbitrary_trace() {
    const auto samples = *rc::gen::inRange<std::size_t>(1, 60);
    Trace trace{.torque = arbitrary_column(samples)};
    trace.torque_unit = *rc::gen::element(TorqueUnit::newton_metre, TorqueUnit::pound_force_inch,
                                          TorqueUnit::kilogram_force_metre);
    switch (*rc::gen::inRange(0, 3)) {
    case 0: trace.times = NoTimes{}; break;
    case 1: trace.times = SampleInterval{*rc::gen::inRange<std::int64_t>(1, 60'000'000)}; break;
    default: {
        SampleTimes times;
        std::int64_t at = 0;
        for (std::size_t i = 0; i < samples; ++i)
            times.us.push_back(at += *rc::gen::inRange<std::int64_t>(0, 1000));
        trace.times = std::move(times);
    }
    }
    if (std::holds_alternative<NoTimes>(trace.times) || *rc::gen::arbitrary<bool>())
        trace.angle = arbitrary_column(samples);
    return trace;
}

}  // namespace

TEST_CASE("a curve has the bytes that its description gives as an example") {
    const std::string bytes =
        bytes_of({0x54, 0x47, 0x54, 0x43, 0x01, 0x06, 0x00, 0x03, 0xf4, 0x03, 0x02, 0x03, 0x00,
                  0x00, 0x02, 0x00, 0x00, 0x00, 0x00, 0xac, 0x02, 0xe6, 0x10, 0x00, 0x14, 0x1e});
    CHECK(encode_trace(example()) == bytes);
    CHECK(decode_trace(bytes) == example());
}

TEST_CASE("any curve that can be kept comes back as it was") {
    CHECK(rc::check([] {
        const Trace trace = arbitrary_trace();
        RC_ASSERT(!fault_of(trace).has_value());
        const std::string bytes = encode_trace(trace);
        const auto back = decode_trace(bytes);
        RC_ASSERT(back.has_value());
        RC_ASSERT(*back == trace);
        RC_ASSERT(encode_trace(*back) == bytes);
    }));
}

TEST_CASE("a curve that was cut off, or that something follows, is none") {
    CHECK(rc::check([] {
        const std::string bytes = encode_trace(arbitrary_trace());
        const auto kept = *rc::gen::inRange<std::size_t>(0, bytes.size());
        RC_ASSERT(!decode_trace(std::string_view(bytes).substr(0, kept)));
        RC_ASSERT(!decode_trace(bytes + '\0'));
    }));
}

TEST_CASE("the longest curve of the widest numbers stays within the limit of bytes") {
    Trace trace;
    SampleTimes times;
    TraceColumn wide{.counts = {}, .step = {1, -9}};
    for (std::size_t i = 0; i < trace_samples_limit; ++i) {
        times.us.push_back(static_cast<std::int64_t>(i) * 180'000);
        wide.counts.push_back(i % 2 == 0 ? 1'000'000'000'000'000 : -1'000'000'000'000'000);
    }
    trace.times = std::move(times);
    trace.torque = wide;
    trace.angle = wide;
    REQUIRE(why_not(trace) == "it is one");
    const std::string bytes = encode_trace(trace);
    CHECK(bytes.size() <= trace_bytes_limit);
    CHECK(decode_trace(bytes) == trace);
}

TEST_CASE("what is no curve is told with its place") {
    Trace trace = example();
    SECTION("no sample") {
        trace.torque.counts.clear();
        CHECK(why_not(trace) == "it has no sample of torque");
    }
    SECTION("one sample too many") {
        trace.torque.counts.assign(trace_samples_limit + 1, 0);
        CHECK(why_not(trace) == "it has 20001 samples, and no more than 20000 are kept");
    }
    SECTION("torque over nothing") {
        trace.times = NoTimes{};
        trace.angle.reset();
        CHECK(why_not(trace) == "it has neither times nor angles beside the torque");
    }
    SECTION("columns of different lengths") {
        trace.angle->counts.pop_back();
        CHECK(why_not(trace) == "there are 3 samples of torque and 2 of the angle");
        trace.angle.reset();
        trace.times = SampleTimes{{0, 1, 2, 3}};
        CHECK(why_not(trace) == "there are 3 samples of torque and 4 of time");
    }
    SECTION("time that does not go on") {
        trace.times = SampleTimes{{0, 500, 500}};
        CHECK(why_not(trace) == "it is one");
        trace.times = SampleTimes{{0, 500, 499}};
        CHECK(why_not(trace) == "the time runs backwards at sample 3");
        trace.times = SampleTimes{{-1, 0, 1}};
        CHECK(why_not(trace) == "the first sample lies before the start");
        trace.times = SampleTimes{{0, 1, trace_time_limit_us + 1}};
        CHECK(why_not(trace) == "the last sample lies more than 3600 s after the start");
        trace.times = SampleInterval{0};
        CHECK(why_not(trace) == "the interval between samples is not positive");
    }
    SECTION("numbers that cannot be kept") {
        trace.torque.counts[2] = 100'000'001;
        CHECK(why_not(trace) == "sample 3 of torque is too large");
        trace = example();
        trace.angle->step = {0, 0};
        CHECK(why_not(trace) == "the step of the angle cannot be kept");
        trace.angle->step = {10, -1};
        CHECK(why_not(trace) == "the step of the angle cannot be kept");
        trace = example();
        trace.torque.offset = {1, -10};
        CHECK(why_not(trace) == "the offset of torque cannot be kept");
    }
}

TEST_CASE("a sample beyond what the tool can measure refuses the curve, in either direction") {
    Trace trace = example();
    trace.torque.counts = {-60'000, 0, 60'000};
    CHECK_FALSE(fault_of(trace, up_to_600));
    trace.torque.counts = {-60'001, 0, 60'000};
    CHECK(fault_of(trace, up_to_600) ==
          "sample 1 of torque is beyond 600 N·m, the most that the tool can measure");
    trace.torque.counts = {0, 60'001, 0};
    CHECK(fault_of(trace, up_to_600) ==
          "sample 2 of torque is beyond 600 N·m, the most that the tool can measure");
    trace = example();
    trace.angle->counts = {0, 36'001, 0};
    CHECK(fault_of(trace, up_to_600) ==
          "sample 2 of the angle is beyond 36000 deg, the most that the tool can measure");
}

TEST_CASE("a sample is worth its count times the step, and the offset, in its unit") {
    const Trace trace{.times = SampleInterval{250},
                      .torque_unit = TorqueUnit::centinewton_metre,
                      .torque = {{-3, 0, 7}, {5, -1}, {25, 0}},
                      .angle = TraceColumn{{0, -1, 2}, {125, -3}}};
    CHECK(torque_at(trace, 0) == Torque{235'000});  // (-1.5 + 25) cN·m
    CHECK(torque_at(trace, 2) == Torque{285'000});
    CHECK(angle_at(trace, 1) == Angle{-125'000});
    CHECK(time_us_at(trace, 2) == 500);
}

TEST_CASE("numbers are brought to one step, and nothing of them is lost above a billionth") {
    const std::vector<Decimal> numbers{{4025, -1}, {12, 0}, {0, 0}, {-125, -3}, {3, 2}};
    CHECK(column_of(numbers, "torque") == TraceColumn{{402'500, 12'000, 0, -125, 300'000}, {1, -3}});
    const std::vector<Decimal> fine{{37'252'903, -16}, {-15, -10}, {49, -11}};
    CHECK(column_of(fine, "torque") == TraceColumn{{4, -2, 0}, {1, -9}});
    const std::vector<Decimal> large{{1, 0}, {1, 300}};
    CHECK(column_of(large, "torque").error() == "sample 2 of torque is too large");
}

TEST_CASE("bytes that writing would not give are refused with their place") {
    const std::string good = encode_trace(example());
    const auto with = [&](std::size_t at, int value) {
        std::string bytes = good;
        bytes[at] = static_cast<char>(value);
        return bytes;
    };
    CHECK(why_not("") == "the bytes end too early at byte 0");
    CHECK(why_not(with(0, 'X')) == "this is no curve at byte 1");
    CHECK(why_not(with(4, 2)) == "this is another version of the form at byte 5");
    CHECK(why_not(with(5, 7)) == "what there is cannot be told at byte 6");
    CHECK(why_not(with(6, 5)) == "the unit of torque is unknown at byte 7");
    CHECK(why_not(with(7, 0)) == "the number of samples is out of bounds at byte 8");
    CHECK(why_not(with(9, 0)) == "a number is longer than it need be at byte 10");
    CHECK(why_not(with(11, 0x14)) == "an exponent is out of bounds at byte 12");
    CHECK(why_not(with(13, 1)) == "the offset of torque cannot be kept");
    CHECK(why_not(good.substr(0, 18) + bytes_of({0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 2})) ==
          "a number has more than 64 bits at byte 28");
}
