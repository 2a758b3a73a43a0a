// The simulated tool in registers, read by a Modbus master through the station's own decoder.
#include <catch2/catch.hpp>

#include "config/reader.hpp"
#include "protocol/register_decode.hpp"
#include "protocol/result_watch.hpp"
#include "protocol/trace_registers.hpp"
#include "protocol/utc.hpp"
#include "tests/unit/tools/peers.hpp"
#include "tools/simulation/register_tool.hpp"

using namespace tautgate;
using namespace tautgate::simulation;
using namespace tautgate::simulation::testing;

namespace {

const protocol::RegisterProfile& larkmoor_profile() {
    static const auto station =
        config::read_station_file(TAUTGATE_SOURCE_DIR "/config/larkmoor.json").value();
    return std::get<protocol::RegisterProfile>(station.profiles.front().profile);
}

protocol::WrittenResult measured(const std::string& torque) {
    protocol::WrittenResult result;
    result.program = "M16-final";
    result.torque = protocol::WrittenValue{torque, "N.m"};
    result.angle = protocol::WrittenValue{"27.3", "deg"};
    result.torque_min = protocol::WrittenValue{"241", "N.m"};
    result.torque_max = protocol::WrittenValue{"271", "N.m"};
    result.angle_min = protocol::WrittenValue{"13", "deg"};
    result.angle_max = protocol::WrittenValue{"40", "deg"};
    result.verdict = protocol::ToolVerdict::ok;
    result.stamp = "2026-11-25T06:14:03.120Z";
    return result;
}

std::unique_ptr<RegisterTool> opened(const protocol::RegisterProfile& profile) {
    auto tool = RegisterTool::open("127.0.0.1", 0, profile);
    if (!tool)
        throw std::runtime_error(tool.error());
    return std::move(*tool);
}

struct TwoReads {
    std::vector<std::uint16_t> block;
    std::vector<std::uint16_t> again;
};

TwoReads two_reads(Master& master, const protocol::RegisterProfile& profile) {
    const auto block = master.read(profile.start, profile.length);
    const auto again =
        master.read(profile.counter->field.address, protocol::width(profile.counter->field.type));
    return {block.value(), again.value()};
}

// The tool writes its counter last, so that it is enough to read that again.
protocol::RegisterProfile counter_read_again() {
    protocol::RegisterProfile profile = larkmoor_profile();
    profile.second_read = protocol::SecondRead::counter;
    return profile;
}

}  // namespace

TEST_CASE("what the register tool lays out, the station's decoder reads back") {
    const auto& profile = larkmoor_profile();
    const auto tool = opened(profile);
    Master master{tool->port()};
    CHECK(tool->report(measured("256.1")) == 1);
    const auto reading = protocol::decode(profile, master.read(profile.start, profile.length).value());
    REQUIRE(reading);
    CHECK(reading->counter == 1);
    CHECK(reading->program == "M16-final");
    CHECK(reading->direction == protocol::Direction::tighten);
    CHECK(std::get<protocol::Torque>(reading->torque) == protocol::Torque{256'100'000});
    CHECK(std::get<protocol::Angle>(reading->angle) == protocol::Angle{27'300'000});
    CHECK(reading->tool_verdict == protocol::ToolVerdict::ok);
    CHECK(reading->tool_limits.torque_min == protocol::Torque{241'000'000});
    CHECK(reading->tool_limits.angle_max == protocol::Angle{40'000'000});
    CHECK(reading->stamp_utc_us == protocol::parse_utc("2026-11-25T06:14:03.120Z")->micros);
}

TEST_CASE("the next result shows only after the one before was acknowledged") {
    const auto& profile = larkmoor_profile();
    const auto tool = opened(profile);
    Master master{tool->port()};
    tool->report(measured("250"));
    tool->report(measured("260"));
    CHECK(tool->status().shown == 1);
    REQUIRE(master.write(*profile.acknowledge, protocol::acknowledge_words(profile, 1)));
    REQUIRE(tool->await([](const auto& status) { return status.shown == 2; }, deadline));
    const auto reading = protocol::decode(profile, master.read(profile.start, profile.length).value());
    CHECK(std::get<protocol::Torque>(reading.value().torque) == protocol::Torque{260'000'000});
    // Again for the first: an acknowledgement of what is not shown moves nothing.
    REQUIRE(master.write(*profile.acknowledge, protocol::acknowledge_words(profile, 1)));
    CHECK(tool->status().kept == 1);
}

TEST_CASE("a torn write is seen as torn, and the read after it is whole") {
    const auto profile = counter_read_again();
    const auto tool = opened(profile);
    Master master{tool->port()};
    protocol::ResultWatch watch{protocol::KnownResult{0, 1}};
    tool->tear(1);
    tool->report(measured("256.1"));
    const auto torn = two_reads(master, profile);
    CHECK(std::holds_alternative<protocol::Torn>(watch.observe(profile, torn.block, torn.again).value()));
    const auto whole = two_reads(master, profile);
    const auto outcome = watch.observe(profile, whole.block, whole.again).value();
    REQUIRE(std::holds_alternative<protocol::NewResult>(outcome));
    CHECK(std::get<protocol::NewResult>(outcome).counter == 1);
}

TEST_CASE("a lost result is a jump of the counter, and a restart shows in the epoch") {
    const auto profile = counter_read_again();
    const auto tool = opened(profile);
    Master master{tool->port()};
    protocol::ResultWatch watch{protocol::KnownResult{0, 1}};
    tool->lose_one();
    tool->report(measured("256.1"));
    const auto gap = two_reads(master, profile);
    const auto jump = watch.observe(profile, gap.block, gap.again).value();
    REQUIRE(std::holds_alternative<protocol::Jump>(jump));
    CHECK(std::get<protocol::Jump>(jump).lost == 1U);

    tool->restart(2);
    const auto fresh = two_reads(master, profile);
    CHECK(std::holds_alternative<protocol::Restarted>(
        watch.observe(profile, fresh.block, fresh.again).value()));
}

TEST_CASE("a cut tool refuses, a mute one is silent, and both come back") {
    const auto& profile = larkmoor_profile();
    const auto tool = opened(profile);
    {
        Master master{tool->port()};
        REQUIRE(master.read(profile.start, profile.length));
        tool->cut();
        CHECK_FALSE(master.read(profile.start, profile.length));
    }
    tool->mend();
    tool->mute(true);
    Master master{tool->port()};
    CHECK_FALSE(master.read(profile.start, profile.length));
    tool->mute(false);
    Master after{tool->port()};
    CHECK(after.read(profile.start, profile.length));
}

TEST_CASE(
    "the curve that the register tool shows is read back sample by sample, by the count of its result") {
    auto profile = larkmoor_profile();
    protocol::TraceFields& fields = profile.trace.emplace();
    fields.belongs_to = {.address = 400};
    fields.samples = 300;
    fields.count = protocol::RegisterField{.address = 401};
    fields.interval = protocol::RegisterField{.address = 402};
    fields.torque = {
        {.address = 500, .type = protocol::FieldType::float32, .order = protocol::WordOrder::cdab}};
    fields.torque_unit = protocol::TorqueUnit::newton_metre;
    fields.angle = protocol::SampleFields{{.address = 1200, .scale = {1, -1}}};
    const auto tool = opened(profile);
    Master master{tool->port()};
    protocol::Trace trace{.times = protocol::SampleInterval{750}, .torque = {{}, {1, -1}}};
    trace.angle = protocol::TraceColumn{{}, {1, -1}};
    for (std::int64_t i = 0; i < 200; ++i) {
        trace.torque.counts.push_back(i * i / 16);
        trace.angle->counts.push_back(i * 5);
    }
    REQUIRE(tool->report(measured("255.0"), trace) == 1);
    const auto head = protocol::trace_head(profile);
    auto words = master.read(head.start, head.length).value();
    REQUIRE(protocol::trace_head_in(profile, words).value() ==
            protocol::TraceHead{.belongs_to = 1, .samples = 200});
    const auto plan = protocol::plan_trace(profile, 200);
    for (const auto& block : plan.blocks) {
        const auto more = master.read(block.start, block.length).value();
        words.insert(words.end(), more.begin(), more.end());
    }
    const auto back = protocol::decode_samples(plan.layout, protocol::wire_bytes(words), profile.range);
    REQUIRE(back.has_value());
    CHECK(back->times == trace.times);
    for (std::size_t i = 0; i < 200; ++i) {
        CHECK(torque_at(*back, i) == torque_at(trace, i));
        CHECK(angle_at(*back, i) == angle_at(trace, i));
    }
}
