// The simulated tool on the line protocol, against a station that the test plays by hand.
#include <catch2/catch.hpp>

#include "tests/unit/tools/peers.hpp"
#include "tools/simulation/line_tool.hpp"

using namespace tautgate;
using namespace tautgate::simulation;
using namespace tautgate::simulation::testing;

namespace {

protocol::WrittenResult result_of(const std::string& torque) {
    protocol::WrittenResult result;
    result.program = "M12-bracket";
    result.torque = protocol::WrittenValue{torque, "N.m"};
    result.angle = protocol::WrittenValue{"17.5", "deg"};
    result.verdict = protocol::ToolVerdict::ok;
    return result;
}

LineToolSettings settings_for(const ScriptedStation& station) {
    return {.id = "NR-12",
            .port = station.port(),
            .beat_interval = std::chrono::milliseconds(20),
            .redial_after = std::chrono::milliseconds(20)};
}

}  // namespace

TEST_CASE("a line tool says hello first and sends its result once it was welcomed") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    station.answer_call();
    CHECK(station.hear_hello() == protocol::Hello{"NR-12", "1", 0});
    station.say(protocol::to_line(protocol::Welcome{1}));
    REQUIRE(tool.await([](const auto& status) { return status.welcomed; }, deadline));
    CHECK(tool.report(result_of("71.2")) == 1);
    const auto heard = std::get<protocol::LineResult>(station.hear().value());
    CHECK(heard.reading.counter == 1);
    CHECK(std::get<protocol::Torque>(heard.reading.torque) == protocol::Torque{71'200'000});
    CHECK(heard.notes.empty());
}

TEST_CASE("a line tool keeps a result until it is acknowledged") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    station.answer_call();
    (void)station.hear_hello();
    station.say(protocol::to_line(protocol::Welcome{1}));
    tool.report(result_of("71"));
    tool.report(result_of("72"));
    CHECK(station.hear_counter() == 1);
    CHECK(station.hear_counter() == 2);
    CHECK(tool.status().kept == 2);
    station.say(protocol::to_line(protocol::Acknowledge{1}));
    REQUIRE(tool.await([](const auto& status) { return status.acknowledged == 1; }, deadline));
    CHECK(tool.status().kept == 1);

    // After the link was lost it says where its count stands and sends what is still open.
    station.answer_call();
    CHECK(station.hear_hello() == protocol::Hello{"NR-12", "1", 2});
    station.say(protocol::to_line(protocol::Welcome{2}));
    CHECK(station.hear_counter() == 2);
}

TEST_CASE("what the station does not ask for on welcome, it has: the tool neither sends nor keeps it") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    station.answer_call();
    (void)station.hear_hello();
    tool.report(result_of("71"));
    tool.report(result_of("72"));
    station.say(protocol::to_line(protocol::Welcome{2}));
    CHECK(station.hear_counter() == 2);
    CHECK(tool.status().kept == 1);
    CHECK(tool.status().acknowledged == 1);
}

TEST_CASE("results made while the link is cut are sent when it is mended, in their order") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    station.answer_call();
    (void)station.hear_hello();
    tool.cut();
    tool.report(result_of("70"));
    tool.report(result_of("71"));
    CHECK_FALSE(station.hear().has_value());  // the old connection ended without a result
    tool.mend();
    station.answer_call();
    CHECK(station.hear_hello().last == 2);
    station.say(protocol::to_line(protocol::Welcome{1}));
    CHECK(station.hear_counter() == 1);
    CHECK(station.hear_counter() == 2);
}

TEST_CASE("held back results come late, and a result asked to be sent twice comes twice") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    station.answer_call();
    (void)station.hear_hello();
    station.say(protocol::to_line(protocol::Welcome{1}));
    REQUIRE(tool.await([](const auto& status) { return status.welcomed; }, deadline));
    tool.hold_back(true);
    tool.send_twice(1);
    tool.report(result_of("70"));
    CHECK(tool.status().sent == 0);
    tool.hold_back(false);
    CHECK(station.hear_counter() == 1);
    CHECK(station.hear_counter() == 1);
    CHECK(tool.status().sent == 2);
}

TEST_CASE("a restarted line tool counts from one in a new epoch and has lost what was not acknowledged") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    station.answer_call();
    (void)station.hear_hello();
    tool.report(result_of("70"));
    tool.restart("2");
    station.answer_call();
    CHECK(station.hear_hello() == protocol::Hello{"NR-12", "2", 0});
    CHECK(tool.report(result_of("71")) == 1);
    CHECK(tool.status().kept == 1);
}

TEST_CASE("a result that the tool lost leaves a hole in its count") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    station.answer_call();
    (void)station.hear_hello();
    station.say(protocol::to_line(protocol::Welcome{1}));
    tool.report(result_of("70"));
    tool.lose_one();
    tool.report(result_of("71"));
    CHECK(station.hear_counter() == 1);
    CHECK(station.hear_counter() == 3);
}

TEST_CASE("the tool keeps the words of a refusal") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    station.answer_call();
    (void)station.hear_hello();
    station.say(protocol::to_line(protocol::Refused{"no tool NR-12 is known", "check the name"}));
    REQUIRE(tool.await([](const auto& status) { return status.refusals == 1; }, deadline));
    CHECK(tool.status().refused == "no tool NR-12 is known");
}

TEST_CASE("a tool with a key believes nobody who has not shown to have it") {
    ScriptedStation station;
    auto settings = settings_for(station);
    settings.key = protocol::SharedKey{1, 2, 3};
    LineTool tool{settings};
    station.answer_call();
    CHECK(protocol::is_nonce(station.hear_hello().nonce));
    station.say(protocol::to_line(protocol::Welcome{1}));
    station.say(protocol::to_line(protocol::Enable{7, "M12"}));
    REQUIRE(tool.await([](const auto& status) { return status.misread == 2; }, deadline));
    tool.report(result_of("71"));
    CHECK_FALSE(tool.status().welcomed);
    CHECK_FALSE(tool.status().may_run);
    CHECK(tool.status().sent == 0);
}

TEST_CASE("a line tool sends the curve after its result, and again until the station has stored it") {
    ScriptedStation station;
    LineTool tool{settings_for(station)};
    const protocol::Trace trace{.times = protocol::SampleInterval{500}, .torque = {{0, 356, 712}, {1, -1}}};
    const auto heard_part = [&] { return std::get<protocol::TracePart>(station.hear().value()); };
    station.answer_call();
    (void)station.hear_hello();
    station.say(protocol::to_line(protocol::Welcome{1}));
    REQUIRE(tool.await([](const auto& status) { return status.welcomed; }, deadline));
    tool.report(result_of("71.2"), trace);
    CHECK(station.hear_counter() == 1);
    CHECK(heard_part().counter == 1);
    station.say(protocol::to_line(protocol::Acknowledge{1}));
    REQUIRE(tool.await([](const auto& status) { return status.acknowledged == 1; }, deadline));

    tool.cut();
    tool.mend();
    station.answer_call();
    (void)station.hear_hello();
    station.say(protocol::to_line(protocol::Welcome{2}));
    CHECK(heard_part().torque.size() == 3);
    station.say(protocol::to_line(protocol::TraceStored{1}));
    REQUIRE(tool.await([](const auto& status) { return status.traces_stored == 1; }, deadline));

    tool.cut();
    tool.mend();
    station.answer_call();
    (void)station.hear_hello();
    station.say(protocol::to_line(protocol::Welcome{2}));
    tool.report(result_of("70"));
    CHECK(station.hear_counter() == 2);
}
