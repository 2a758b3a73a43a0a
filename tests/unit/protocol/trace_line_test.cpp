// Traces on the line protocol: parts that make a curve, and what ends one.
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/line.hpp"

using namespace tautgate::protocol;

namespace {

constexpr MeasuringRange line_range{Torque{100'000}, Angle{100'000}, Torque{600'000'000}};

TracePart part_in(const std::string& line) {
    const auto message = parse_line(line, line_range);
    if (!message)
        FAIL(message.error().what);
    return std::get<TracePart>(*message);
}

std::string line_refusal(const std::string& line) {
    const auto message = parse_line(line, line_range);
    if (message)
        return "it is taken";
    CHECK(message.error().raw == line);
    CHECK_FALSE(message.error().remedy.empty());
    return message.error().what;
}

// `members` of a trace of one sample.
std::string with(const std::string& members) {
    return R"({"trace":{"counter":"4","torque_unit":"N.m","torque":[1.5],)" + members + "}}";
}

TracePart part_of(std::uint64_t counter, std::uint32_t part, std::uint32_t parts) {
    return {.counter = counter, .part = part, .parts = parts, .interval_us = 500, .torque = {{15, -1}}};
}

// What became of parts, one after the other: "" (more to come), "4" (the trace of 4), or why it was lost.
std::vector<std::string> taken(std::vector<TracePart> parts) {
    TraceParts all;
    std::vector<std::string> words;
    for (TracePart& part : parts) {
        const auto step = all.take(std::move(part), line_range);
        std::string said = step.complete ? std::to_string(step.complete->counter) : std::string();
        for (const TraceFault& fault : step.faults)
            said += (said.empty() ? "" : "; ") + fault.what;
        words.push_back(said);
    }
    return words;
}

}  // namespace

TEST_CASE("a part says everything that LINE.md names") {
    const TracePart part =
        part_in(R"({"trace":{"counter":"4212","part":1,"parts":2,"torque_unit":"lbf.in","interval_us":500,)"
                R"("torque":[0,0.80,-1.5e0,3],"angle":[0,2.5,5.5,9]}})");
    CHECK(part == TracePart{.counter = 4212,
                            .part = 1,
                            .parts = 2,
                            .torque_unit = TorqueUnit::pound_force_inch,
                            .interval_us = 500,
                            .torque = {{0, 0}, {8, -1}, {-15, -1}, {3, 0}},
                            .angle = std::vector<Decimal>{{0, 0}, {25, -1}, {55, -1}, {9, 0}}});
    CHECK(part_in(R"({"trace":{"counter":4,"torque_unit":"N.m","torque":[7],"time_us":[0]}})") ==
          TracePart{.counter = 4, .time_us = std::vector<std::int64_t>{0}, .torque = {{7, 0}}});
}

TEST_CASE("a trace with a sample that is no measurement is refused with its place, also as a bare word") {
    CHECK(line_refusal(
              R"({"trace":{"counter":"4","torque_unit":"N.m","interval_us":500,"torque":[1,NaN,2]}})") ==
          "sample 2 of torque in this part is 'NaN', which is no measurement");
    CHECK(line_refusal(
              R"({"trace":{"counter":"4","torque_unit":"N.m","interval_us":500,"torque":[1,-Infinity]}})") ==
          "sample 2 of torque in this part is '-Infinity', which is no measurement");
    CHECK(
        line_refusal(R"({"trace":{"counter":"4","torque_unit":"N.m","interval_us":500,"torque":[null]}})") ==
        "sample 1 of torque in this part is 'null', which is no measurement");
    CHECK(line_refusal(R"({"trace":{"counter":"4","torque_unit":"N.m","torque":[1],"angle":["2"]}})") ==
          "sample 1 of angle in this part is '2', which is no measurement");
}

TEST_CASE("a part that cannot be understood is refused in words") {
    CHECK(line_refusal(R"({"trace":[]})") == "the key 'trace' has a value of the wrong kind");
    CHECK(line_refusal(R"({"trace":{"torque_unit":"N.m","torque":[1],"interval_us":1}})") ==
          "the trace has no counter");
    CHECK(line_refusal(R"({"trace":{"counter":"0","torque_unit":"N.m","torque":[1],"interval_us":1}})") ==
          "the trace has no counter");
    CHECK(line_refusal(R"({"trace":{"counter":"4","torque":[1],"interval_us":1}})") ==
          "the torque of the trace has no unit");
    CHECK(line_refusal(R"({"trace":{"counter":"4","torque_unit":"Nm","torque":[1],"interval_us":1}})") ==
          "the torque of the trace has the unknown unit 'Nm'");
    CHECK(line_refusal(R"({"trace":{"counter":"4","torque_unit":"N.m","torque":[],"interval_us":1}})") ==
          "the trace has no sample of torque");
    CHECK(line_refusal(with(R"("angle":[1,2])")) ==
          "a part of the trace has 1 samples of torque and 2 of the angle");
    CHECK(line_refusal(with(R"("time_us":[])")) ==
          "a part of the trace has 1 samples of torque and 0 of time");
    CHECK(line_refusal(with(R"("time_us":[0],"interval_us":1)")) ==
          "the trace has both an interval and times");
    CHECK(line_refusal(with(R"("interval_us":0)")) == "the trace's interval is '0'");
    CHECK(line_refusal(with(R"("time_us":[0.5])")) == "time 1 of this part is '0.5'");
    CHECK(line_refusal(with(R"("time_us":[-1])")) == "time 1 of this part is '-1'");
    CHECK(line_refusal(with(R"("interval_us":1,"part":2)")) == "the trace says part 2 of 1");
    CHECK(line_refusal(with(R"("interval_us":1,"parts":1001)")) == "the trace's parts is '1001'");
    CHECK(line_refusal(with(R"("interval_us":1,"colour":1)")) == "unknown key 'colour'");
    CHECK(line_refusal(with(R"("interval_us":1,"torque":[2])")) == "the key 'torque' stands twice");
    CHECK(line_refusal(with(R"("interval_us":[1])")) ==
          "the key 'interval_us' has a value of the wrong kind");
    CHECK(line_refusal(with(R"("angle":1)")) == "the key 'angle' has a value of the wrong kind");
    CHECK(line_refusal(with(R"("angle":[[1]])")) == "the key 'angle' has a value of the wrong kind");
    CHECK(line_refusal(R"({"trace":{"counter":"4","torque_unit":"N.m","torque":[1]},"beat":{}})") ==
          "the line holds two messages");
}

TEST_CASE("a curve in any number of lines is the same curve, and no line is too long") {
    const bool holds = rc::check([] {
        const auto samples = *rc::gen::inRange<std::size_t>(1, 1500);
        Trace trace{.times = SampleInterval{500}, .torque = {{}, {25, -3}, {-4, 0}}};
        for (std::size_t i = 0; i < samples; ++i)
            trace.torque.counts.push_back(*rc::gen::inRange<std::int64_t>(-20'000, 20'000));
        if (*rc::gen::arbitrary<bool>())
            trace.angle = TraceColumn{trace.torque.counts, {1, -2}};
        TraceParts parts;
        TraceParts::Step last;
        for (std::string line : trace_lines(77, trace)) {
            RC_ASSERT(!last.complete.has_value());
            RC_ASSERT(line.back() == '\n');
            line.pop_back();
            RC_ASSERT(line.size() <= line_limit);
            const auto message = parse_line(line, line_range);
            RC_ASSERT(message.has_value());
            last = parts.take(std::get<TracePart>(*message), line_range);
            RC_ASSERT(last.faults.empty());
        }
        RC_ASSERT(last.complete.has_value());
        RC_ASSERT(last.complete->counter == 77U);
        const Trace& back = last.complete->trace;
        RC_ASSERT(back.samples() == samples);
        RC_ASSERT(back.angle.has_value() == trace.angle.has_value());
        for (std::size_t i = 0; i < samples; ++i) {
            RC_ASSERT(torque_at(back, i) == torque_at(trace, i));
            RC_ASSERT(angle_at(back, i) == angle_at(trace, i));
        }
        RC_ASSERT(parts.held() == 0U);
    });
    CHECK(holds);
}

TEST_CASE("parts out of turn lose the trace, and the next one is taken") {
    CHECK(taken({part_of(4, 1, 2), part_of(4, 2, 2), part_of(5, 1, 1)}) ==
          std::vector<std::string>{"", "4", "5"});
    CHECK(
        taken({part_of(4, 2, 2), part_of(5, 1, 1)}) ==
        std::vector<std::string>{"part 2 of the trace of result 4 does not continue what came before", "5"});
    CHECK(taken({part_of(4, 1, 3), part_of(4, 3, 3), part_of(4, 2, 3)}) ==
          std::vector<std::string>{"", "part 3 of the trace of result 4 does not continue what came before",
                                   "part 2 of the trace of result 4 does not continue what came before"});
    CHECK(taken({part_of(4, 1, 3), part_of(5, 1, 1)}) ==
          std::vector<std::string>{"", "5; the trace of result 4 ended after part 1 of 3"});
    TracePart other_unit = part_of(4, 2, 2);
    other_unit.torque_unit = TorqueUnit::pound_force_foot;
    CHECK(taken({part_of(4, 1, 2), other_unit}).back().starts_with("part 2 of the trace of result 4"));
}

TEST_CASE("a trace that is no curve, or too long, or beyond the tool, is lost with its last part") {
    TracePart nothing_beside = part_of(4, 1, 1);
    nothing_beside.interval_us.reset();
    CHECK(taken({nothing_beside}) ==
          std::vector<std::string>{"the trace of result 4 is not kept: it has neither "
                                   "times nor angles beside the torque"});
    TracePart beyond = part_of(4, 1, 1);
    beyond.torque = {{601, 0}};
    CHECK(taken({beyond}).front() ==
          "the trace of result 4 is not kept: sample 1 of torque is beyond 600 N·m, "
          "the most that the tool can measure");
    TracePart backwards = part_of(4, 2, 2);
    backwards.interval_us.reset();
    backwards.time_us = {499};
    TracePart before = backwards;
    before.part = 1;
    before.time_us = {500};
    CHECK(taken({before, backwards}).back() ==
          "the trace of result 4 is not kept: the time runs backwards at sample 2");
    TracePart long_one = part_of(4, 1, 2);
    long_one.torque.assign(trace_samples_limit, Decimal{});
    CHECK(taken({long_one, part_of(4, 2, 2)}).back() == "the trace of result 4 has more than 20000 samples");
}

TEST_CASE("what the station says of a trace can be read by the tool") {
    std::string line = to_line(TraceStored{4212});
    CHECK(line == "{\"trace_stored\":{\"counter\":\"4212\"}}\n");
    line.pop_back();
    CHECK(parse_station_line(line) == StationMessage(TraceStored{4212}));
    CHECK_FALSE(parse_station_line(R"({"trace_stored":{}})"));
}
