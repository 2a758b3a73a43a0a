// The curve of a result on its way from a tool to the built daemon, its record and the command line.
#include <array>
#include <cstdio>
#include <cstdlib>
#include <memory>

#include <SQLiteCpp/SQLiteCpp.h>
#include <sys/wait.h>

#include "protocol/trace.hpp"
#include "tests/end_to_end/input_stand.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;

namespace {

Plant::Arrangement with_traces() {
    auto arrangement = with_short_plans();
    arrangement.traces = true;
    return arrangement;
}

// Plan MB1 begins with the joint of the polled tool, whose registers show the curve of its newest result.
Plant::Arrangement with_traces_in_registers() {
    Plant::Arrangement arrangement{.traces = true};
    arrangement.change = [](json& station) {
        json& stages = station["plans"][0]["stages"];
        stages = json::array({stages[0], stages[2], stages[4]});
        station["profiles"][0]["layout"]["trace"] = {
            {"belongs_to", {{"address", 400}, {"type", "uint16"}}},
            {"count", {{"address", 401}, {"type", "uint16"}}},
            {"samples", 500},
            {"torque", {{"field", {{"address", 410}, {"type", "int16"}, {"scale", 0.1}}}, {"apart", 2}}},
            {"torque_unit", "N.m"},
            {"angle", {{"field", {{"address", 411}, {"type", "uint16"}, {"scale", 0.1}}}, {"apart", 2}}}};
    };
    return arrangement;
}

struct Said {
    int code = -1;
    std::string words;
};

// The built command line.
Said tautgate_says(const std::string& arguments) {
    const char* folder = std::getenv("TAUTGATE_BIN");  // NOLINT(concurrency-mt-unsafe)
    REQUIRE(folder != nullptr);
    const std::string command = std::string(folder) + "/tautgate " + arguments + " 2>&1";
    FILE* pipe = ::popen(command.c_str(), "r");
    REQUIRE(pipe != nullptr);
    Said said;
    std::array<char, 4096> part{};
    while (std::fgets(part.data(), part.size(), pipe) != nullptr)
        said.words += part.data();
    const int status = ::pclose(pipe);
    said.code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
    return said;
}

// The trace that the station has of the newest result, once it has one.
json trace_of_newest(InputStand& stand) {
    json found;
    REQUIRE(stand.await([&] {
        const auto tightenings = stand.tightenings();
        if (tightenings.empty() || tightenings.back().at("traces") == 0)
            return false;
        const auto answer = stand.plant().crew().api().get(
            "/v1/traces/" + std::to_string(tightenings.back().at("event").get<std::uint64_t>()));
        if (!answer || !answer->good())
            return false;
        found = answer->body;
        return true;
    }));
    return found;
}

// A curve as the bolt gave it: torque rises to what the tool reported as its peak.
void is_the_curve_of(const json& stored, const simulation::Run& run) {
    REQUIRE(stored.at("traces").size() == 1);
    const json& trace = stored.at("traces").front();
    CHECK(trace.at("result").is_number());
    CHECK(trace.at("samples") == run.trace.size());
    const json& torque = stored.at("curve").at("torque_nm");
    const json& angle = stored.at("curve").at("angle_deg");
    REQUIRE(torque.size() == run.trace.size());
    REQUIRE(angle.size() == run.trace.size());
    for (std::size_t i = 0; i < run.trace.size(); ++i) {
        CHECK(torque[i].get<double>() == Approx(run.trace[i].torque).margin(0.051));
        CHECK(angle[i].get<double>() == Approx(run.trace[i].angle).margin(0.051));
    }
}

}  // namespace

TEST_CASE("the curve of a result that came by the line protocol is stored with it") {
    Plant plant{with_traces()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    const auto run = stand.turns({"motor-mounts", 0, 0});
    stand.stored("NR-20");
    is_the_curve_of(trace_of_newest(stand), run);
    auto* tool = stand.tool("NR-20").line();
    CHECK(tool->await([](const auto& status) { return status.traces_stored == 1; }, patience));
}

TEST_CASE("the curve of a result that came by registers is stored with it, and so is that of the next one") {
    Plant plant{with_traces_in_registers()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    for (const std::size_t fastener : {std::size_t{0}, std::size_t{1}}) {
        const auto run = stand.turns({"axle-box-caps", fastener, 0});
        stand.stored("NR-16");
        is_the_curve_of(trace_of_newest(stand), run);
    }
    CHECK(stand.events("InputRefused").empty());
}

TEST_CASE("the unit's record says what a bad tightening and its curve look like, as the command line does") {
    Plant plant{with_traces()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    CHECK_FALSE(stand.turns({"motor-mounts", 0, 0}, simulation::Mishap::let_go_early).ok);
    stand.stored("NR-20");
    static_cast<void>(trace_of_newest(stand));
    const json line = stand.tightenings().back();
    CHECK(line.at("curve_fault").is_null());
    REQUIRE_FALSE(line.at("patterns").empty());
    const json& first = line.at("patterns").front();
    CHECK(first.at("pattern") == "stopped_early");
    CHECK_FALSE(first.at("advice").get<std::string>().empty());
    plant.stop();
    const Said unit =
        tautgate_says("unit " + stand.papers().motor + " --journal " + plant.journal().string());
    CHECK(unit.code == 0);
    CHECK(says(unit.words, first.at("sentence").get<std::string>()));
    CHECK(says(unit.words, first.at("evidence").get<std::string>()));
}

TEST_CASE("a bolt that is not the joint's is told by its curve beside those of its neighbours") {
    Plant plant{with_traces()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    for (std::size_t fastener = 0; fastener < 4; ++fastener) {
        static_cast<void>(stand.turns({"motor-mounts", fastener, 0}, fastener == 3
                                                                         ? simulation::Mishap::wrong_bolt
                                                                         : simulation::Mishap::none));
        stand.stored("NR-20");
        static_cast<void>(trace_of_newest(stand));
    }
    const json lines = stand.tightenings();
    REQUIRE(lines.size() == 4);
    for (std::size_t line = 0; line < 3; ++line)
        CHECK(lines.at(line).at("patterns").empty());
    bool told = false;
    for (const json& seen : lines.at(3).at("patterns"))
        told = told || seen.at("pattern") == "wrong_fastener";
    CHECK(told);
}

TEST_CASE(
    "where a pass limits curves, a tightening counts once the station has read its own from what came") {
    auto arrangement = limiting_curves(std::chrono::minutes(10));
    arrangement.traces = true;
    Plant plant{arrangement};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    CHECK(stand.turns({"motor-mounts", 0, 0}).ok);
    stand.stored("NR-20");
    REQUIRE(stand.await([&] { return stand.codes("lift-beam") == std::vector<std::string>{"joint_open"}; }));
    CHECK(stand.tightenings().back().at("verdict") == "ok");
    const auto received = stand.events("TraceReceived");
    REQUIRE(received.size() == 1);
    const json& body = received.front().at("body");
    CHECK(body.at("record").at("outcome").contains("CurveJudged"));
    CHECK(body.at("event").at("payload").at("TraceReceived").at("read").at("values").size() == 2);
    plant.stop();
    CHECK(tautgate_says("verify " + plant.journal().string()).code == 0);
}

TEST_CASE("where a pass limits curves and none comes in time, its tightening is not decidable") {
    Plant plant{limiting_curves(std::chrono::milliseconds(200))};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    CHECK(stand.turns({"motor-mounts", 0, 0}).ok);
    stand.stored("NR-20");
    CHECK(stand.await_event("CurveGivenUp", "none came within 200 ms"));
    const std::vector<std::string> held{"loosening_due", "joint_not_ok", "joint_open"};
    REQUIRE(stand.await([&] { return stand.codes("lift-beam") == held; }));
    CHECK(says(stand.reasons("lift-beam").dump(), "its curve did not come"));
    CHECK(stand.tightenings().back().at("verdict") == "not_decidable");
    plant.stop();
    CHECK(tautgate_says("verify " + plant.journal().string()).code == 0);
}

TEST_CASE("a curve that comes for no result is kept, one that cannot be one is refused, and both are told") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    auto* tool = stand.tool("NR-20").line();
    CHECK(stand.turns({"motor-mounts", 0, 0}).ok);
    stand.stored("NR-20");
    const std::uint64_t counter = tool->status().newest;

    protocol::Trace trace{.times = protocol::SampleInterval{500}, .torque = {{0, 100, 1500}, {1, -1}}};
    tool->send_raw(protocol::trace_lines(counter + 5, trace).front());
    REQUIRE(tool->await([](const auto& status) { return status.traces_stored == 1; }, patience));
    tool->send_raw(line_of({{"trace",
                             {{"counter", std::to_string(counter)},
                              {"torque_unit", "N.m"},
                              {"interval_us", 500},
                              {"torque", {1, "NaN"}}}}}));
    REQUIRE(tool->await([](const auto& status) { return status.refusals == 1; }, patience));
    CHECK(tool->status().refused == "sample 2 of torque in this part is 'NaN', which is no measurement");
    CHECK(stand.await_event("InputRefused", "which is no measurement"));
    CHECK(stand.tightenings().size() == 1);
    CHECK(stand.tightenings().front().at("verdict") == "ok");
    CHECK(stand.tightenings().front().at("traces") == 0);

    // Two that contradict each other, and the first one once more.
    tool->send_raw(protocol::trace_lines(counter, trace).front());
    trace.torque.counts.back() = 1501;
    tool->send_raw(protocol::trace_lines(counter, trace).front());
    trace.torque.counts.back() = 1500;
    tool->send_raw(protocol::trace_lines(counter, trace).front());
    REQUIRE(tool->await([](const auto& status) { return status.traces_stored == 4; }, patience));
    CHECK(stand.tightenings().front().at("traces") == 2);
    const auto event = std::to_string(stand.tightenings().front().at("event").get<std::uint64_t>());
    plant.stop();

    const std::string journal = " --journal " + plant.journal().string();
    const Said torn = tautgate_says("trace " + event + journal);
    CHECK(torn.code == 1);
    CHECK(says(torn.words, "these traces of one result contradict each other"));
    const Said strays = tautgate_says("trace --without-result" + journal);
    CHECK(strays.code == 1);
    CHECK(says(strays.words, "none came"));
    CHECK(tautgate_says("verify " + plant.journal().string()).code == 0);
}

TEST_CASE("the command line shows a curve, and verify names one of which a byte was flipped") {
    Plant plant{with_traces()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    const auto run = stand.turns({"motor-mounts", 0, 0});
    stand.stored("NR-20");
    const json stored = trace_of_newest(stand);
    const auto event = std::to_string(stored.at("traces").front().at("result").get<std::uint64_t>());
    const std::string api = " --api http://127.0.0.1:" + std::to_string(plant.station().api.port);

    const Said csv = tautgate_says("trace " + event + " --csv" + api);
    CHECK(csv.code == 0);
    CHECK(csv.words.starts_with("torque (N.m),angle (deg)\r\n"));
    CHECK(static_cast<std::size_t>(std::ranges::count(csv.words, '\n')) == run.trace.size() + 1);
    const Said picture = tautgate_says("trace " + event + api);
    CHECK(picture.code == 0);
    CHECK(says(picture.words, "N·m"));
    CHECK(says(picture.words, "deg"));
    const Said object = tautgate_says("trace " + event + " --json" + api);
    CHECK(json::parse(object.words) == stored);
    plant.stop();

    const std::string journal = " --journal " + plant.journal().string();
    CHECK(tautgate_says("trace " + event + " --csv" + journal).words == csv.words);
    CHECK(json::parse(tautgate_says("trace " + event + " --json" + journal).words) == stored);
    CHECK(tautgate_says("verify " + plant.journal().string()).code == 0);
    SQLite::Database(plant.journal().string(), SQLite::OPEN_READWRITE)
        .exec("UPDATE trace_samples SET frame = CAST(substr(frame, 1, length(frame) - 1) || x'00' AS BLOB)");
    const Said verdict = tautgate_says("verify " + plant.journal().string());
    CHECK(verdict.code == 1);
    CHECK(says(verdict.words, "the samples under the digest " +
                                  stored.at("traces").front().at("digest").get<std::string>() +
                                  " were changed"));
    CHECK(tautgate_says("trace " + event + journal).code == 1);
}
