// The curve of a polled tool, read one request at a time, from registers that a test writes.
#include <algorithm>
#include <array>
#include <span>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "service/links/polled_trace.hpp"

using namespace tautgate;
using namespace tautgate::links;
using namespace std::chrono_literals;

namespace {

// Ten thousand registers, and how often they were read.
class Registers final : public RegisterLine {
  public:
    Done read(const protocol::BlockRange& block, std::span<std::uint16_t> into) override {
        ++reads;
        widest = std::max(widest, block.length);
        if (broken)
            return std::unexpected(std::string("the device does not answer"));
        std::ranges::copy(std::span(words).subspan(block.start, block.length), into.begin());
        return {};
    }
    Done write(std::uint16_t /*address*/, std::span<const std::uint16_t> /*words*/) override { return {}; }
    Done write_coil(std::uint16_t /*address*/, bool /*on*/) override { return {}; }

    std::array<std::uint16_t, 10'000> words{};
    int reads = 0;
    std::uint16_t widest = 0;
    bool broken = false;
};

// Torque from register 1000 on, angle from 3000 on.
protocol::RegisterProfile profile() {
    protocol::RegisterProfile profile;
    profile.name = "curve";
    profile.counter = protocol::CounterField{.field = {.address = 0}, .lowest = 1, .highest = 60'000};
    profile.torque = protocol::TorqueField{{.address = 1}, protocol::TorqueUnit::newton_metre};
    profile.range = {protocol::Torque{1'000'000}, protocol::Angle{100'000}, protocol::Torque{600'000'000}};
    protocol::TraceFields& trace = profile.trace.emplace();
    trace.belongs_to = {.address = 100};
    trace.samples = 1000;
    trace.count = protocol::RegisterField{.address = 101};
    trace.torque = {{.address = 1000, .type = protocol::FieldType::int16, .scale = {1, -1}}};
    trace.torque_unit = protocol::TorqueUnit::newton_metre;
    trace.angle = protocol::SampleFields{{.address = 3000}};
    return profile;
}

struct TraceBench {
    TraceBench() { REQUIRE(protocol::check(profile()).empty()); }

    // The tool shows so many samples for the result with this count.
    void show(std::uint16_t counter, std::uint16_t samples, std::uint16_t rise = 1) {
        for (std::uint16_t i = 0; i < samples; ++i) {
            line.words[1000U + i] = static_cast<std::uint16_t>(rise * i);
            line.words[3000U + i] = i;
        }
        line.words[101] = samples;
        line.words[100] = counter;
    }
    PolledTrace::Step step() {
        now += 100ms;
        auto step = trace.step(line, now);
        REQUIRE(step.has_value());
        return *step;
    }
    // Steps until something comes of it.
    PolledTrace::Step outcome() {
        for (int i = 0; i < 1000; ++i)
            if (auto one = step(); one.found || !one.lost.empty() || !trace.wanted())
                return one;
        return {};
    }
    std::string expect(std::uint64_t counter) { return trace.expect({"17", counter}, now); }

    Registers line;
    PolledTrace trace{profile(), 1000ms};
    SteadyTime now{};
};

}  // namespace

TEST_CASE("a curve is read in blocks, one request at a time, and only when one is wanted") {
    TraceBench bench;
    bench.show(7, 300);
    static_cast<void>(bench.step());
    CHECK(bench.line.reads == 0);
    CHECK(bench.expect(7).empty());
    for (int i = 1; bench.trace.wanted(); ++i) {
        const auto step = bench.step();
        CHECK(bench.line.reads == i);
        if (!step.found)
            continue;
        CHECK(step.found->of == PolledTrace::Key{"17", 7});
        CHECK(step.found->trace.samples() == 300);
        CHECK(torque_at(step.found->trace, 299) == protocol::Torque{29'900'000});
        CHECK(angle_at(step.found->trace, 299) == protocol::Angle{299'000'000});
    }
    // The head before and after, and three blocks of each column.
    CHECK(bench.line.reads == 8);
    CHECK(bench.line.widest == protocol::registers_per_read);
    static_cast<void>(bench.step());
    CHECK(bench.line.reads == 8);
}

TEST_CASE("a count that began anew in its register still names the result") {
    TraceBench bench;
    bench.show(5, 3);
    CHECK(bench.expect(60'005).empty());
    CHECK(bench.outcome().found->of.counter == 60'005);
}

TEST_CASE("a tool that shows the curve after its result is waited for, but not for ever") {
    TraceBench bench;
    bench.show(6, 3);
    CHECK(bench.expect(7).empty());
    for (int i = 0; i < 5; ++i)
        CHECK(bench.step().lost.empty());
    bench.show(7, 3);
    CHECK(bench.outcome().found.has_value());

    CHECK(bench.expect(8).empty());
    CHECK(bench.outcome().lost == "the curve of result 8 is not kept: the tool shows that of count 7");
    CHECK_FALSE(bench.trace.wanted());
}

TEST_CASE("a curve that is written while it is read is read anew, three times at most") {
    TraceBench bench;
    bench.show(7, 200);
    CHECK(bench.expect(7).empty());
    static_cast<void>(bench.step());
    static_cast<void>(bench.step());
    bench.show(7, 150, 2);
    const auto read = bench.outcome();
    REQUIRE(read.found.has_value());
    CHECK(read.found->trace.samples() == 150);
    CHECK(torque_at(read.found->trace, 149) == protocol::Torque{29'800'000});

    CHECK(bench.expect(8).empty());
    bench.show(8, 10);
    std::string lost;
    for (std::uint16_t i = 0; i < 100 && lost.empty(); ++i) {
        lost = bench.step().lost;
        bench.line.words[101] = static_cast<std::uint16_t>(10 + i % 50);
    }
    CHECK(lost == "the curve of result 8 is not kept: it was written anew each time while it was read");
}

TEST_CASE("a curve that is no curve, or none at all, leaves the result alone") {
    TraceBench bench;
    bench.show(7, 3, 6001);
    CHECK(bench.expect(7).empty());
    CHECK(bench.outcome().lost ==
          "the curve of result 7 is not kept: sample 3 of torque is beyond 600 N·m, the "
          "most that the tool can measure");
    bench.show(8, 0);
    CHECK(bench.expect(8).empty());
    const auto none = bench.outcome();
    CHECK_FALSE(none.found.has_value());
    CHECK(none.lost.empty());
    CHECK_FALSE(bench.trace.wanted());
    bench.show(9, 1001);
    CHECK(bench.expect(9).empty());
    CHECK(bench.outcome().lost ==
          "the curve of result 9 is not kept: the tool says 1001 samples, the profile at most 1000");
}

TEST_CASE("the next result ends the reading of a curve, which is told") {
    TraceBench bench;
    bench.show(7, 300);
    CHECK(bench.expect(7).empty());
    static_cast<void>(bench.step());
    CHECK(bench.expect(8) == "the curve of result 7 is not kept: result 8 came before it was read");
    bench.show(8, 3);
    CHECK(bench.outcome().found->of.counter == 8);
}

TEST_CASE("on another line a curve is read from its beginning") {
    TraceBench bench;
    bench.show(7, 200);
    CHECK(bench.expect(7).empty());
    static_cast<void>(bench.step());
    static_cast<void>(bench.step());
    bench.line.broken = true;
    CHECK(bench.trace.step(bench.line, bench.now).error() == "the device does not answer");
    bench.trace.begin_again();
    bench.line.broken = false;
    bench.show(7, 150, 2);
    CHECK(bench.outcome().found->trace.samples() == 150);
}

TEST_CASE("where the profile names no curve none is wanted") {
    auto without = profile();
    without.trace.reset();
    PolledTrace trace{without};
    CHECK(trace.expect({"17", 7}, SteadyTime{}).empty());
    CHECK_FALSE(trace.wanted());
}
