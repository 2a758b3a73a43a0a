#include <catch2/catch.hpp>

#include <set>

#include "service/journal/codec.hpp"
#include "tests/unit/journal/samples.hpp"

using namespace tautgate;
using namespace tautgate::journal;

namespace {

StoredEvent loosening_with_raw_bytes() {
    interlock::ResultReceived result;
    result.tool.text = "nut-runner-1";
    result.epoch = "7";
    result.reading.counter = 18446744073709551615ULL;
    result.reading.torque = protocol::Torque{12'500'000};
    result.reading.direction = protocol::Direction::loosen;
    result.reading.tool_reason = "\xff";
    result.reading.received.raw = "{}\n";
    StoredEvent stored;
    stored.program = "0.1.0";
    stored.event.number.value = 12;
    stored.event.payload = result;
    return stored;
}

// The text with one part replaced, which must be there.
std::string with(std::string text, std::string_view part, std::string_view other) {
    const auto at = text.find(part);
    REQUIRE(at != std::string::npos);
    return text.replace(at, part.size(), other);
}

}  // namespace

TEST_CASE("every kind of event comes back from its text as it was") {
    samples::Chance chance(11);
    std::set<std::string_view> kinds;
    samples::each_kind<interlock::Payload>(chance, 25, [&](interlock::Payload payload) {
        StoredEvent stored = samples::entry(chance, 1 + chance() % 1000).stored;
        stored.event.payload = std::move(payload);
        kinds.insert(kind_of(stored.event.payload));
        const std::string body = encode(stored);
        const auto back = decode(body);
        INFO(body);
        REQUIRE(back.has_value());
        REQUIRE(*back == stored);
        REQUIRE(encode(*back) == body);
    });
    CHECK(kinds.size() == std::variant_size_v<interlock::Payload>);
}

TEST_CASE("every kind of action, outcome and effect comes back from its text as it was") {
    samples::Chance chance(12);
    samples::each_kind<interlock::Action>(chance, 25, [&](interlock::Action action) {
        StoredEvent stored = samples::entry(chance, 5).stored;
        auto proposed = samples::value<interlock::Proposed>(chance);
        proposed.action = std::move(action);
        stored.event.payload = std::move(proposed);
        REQUIRE(decode(encode(stored)) == stored);
    });
    samples::each_kind<interlock::Outcome>(chance, 25, [&](interlock::Outcome outcome) {
        StoredEvent stored = samples::entry(chance, 5).stored;
        stored.record.outcome = std::move(outcome);
        REQUIRE(decode(encode(stored)) == stored);
    });
    samples::each_kind<interlock::Effect>(chance, 25, [&](interlock::Effect effect) {
        StoredEvent stored = samples::entry(chance, 5).stored;
        stored.record.effects = {std::move(effect)};
        REQUIRE(decode(encode(stored)) == stored);
    });
}

TEST_CASE("the text of an event is the one that the format states") {
    CHECK(encode(loosening_with_raw_bytes()) ==
          R"({"format":1,"program":"0.1.0","rules":"","event":{"number":"12",)"
          R"("at":{"utc_us":"0","monotonic_ns":"0"},"payload":{"ResultReceived":{"tool":"nut-runner-1",)"
          R"("epoch":"7","reading":{"counter":"18446744073709551615","direction":"loosen",)"
          R"("torque":{"Torque":{"micro_nm":"12500000"}},"angle":{"Absent":{}},)"
          R"("tool_verdict":"absent","tool_reason":{"base64":"/w=="},"tool_limits":{},)"
          R"("received":{"raw":"e30K"}},"made":{"from_ns":"0","to_ns":"0"},"digest":"0"}}},)"
          R"("record":{"outcome":{"Applied":{}}}})");
}

TEST_CASE("what says nothing is left out, and what is left out says nothing") {
    StoredEvent stored = loosening_with_raw_bytes();
    auto& result = std::get<interlock::ResultReceived>(stored.event.payload);
    result.reading.aborted = true;
    result.reading.position = 3;
    stored.record.changes.push_back({{"J1"}, {"lift"}, interlock::Withheld{}, {}, {}});
    stored.record.changes.back().came.push_back(
        {interlock::ReasonCode::joint_open, "caps", "", "", {{"open", "2"}, {"all", "8"}}});
    const std::string body = encode(stored);
    CHECK(body.find(R"("direction":"loosen","aborted":true,"torque")") != std::string::npos);
    CHECK(body.find(R"("position":3,"tool_verdict")") != std::string::npos);
    CHECK(
        body.find(R"("changes":[{"bay":"J1","permissive":"lift","now":{"Withheld":{}},)"
                  R"("came":[{"code":"joint_open","joint":"caps","facts":[["open","2"],["all","8"]]}]}])") !=
        std::string::npos);
    CHECK(decode(body) == stored);
    // Said where it would have been left out.
    CHECK_FALSE(decode(with(body, R"("aborted":true)", R"("aborted":false)")).has_value());
    CHECK_FALSE(decode(with(body, R"("position":3)", R"("position":null)")).has_value());
    CHECK(decode(with(body, R"("code":"joint_open",)", "")).error() ==
          "/record/changes/0/came/0 lacks the field code at its place");
    CHECK(decode(with(body, R"(["open","2"])", R"(["open"])")).error() ==
          "/record/changes/0/came/0/facts/0 is no pair of name and value");
}

TEST_CASE("a text that this program would not have written is refused with its place") {
    const std::string body = encode(loosening_with_raw_bytes());
    REQUIRE(decode(body).has_value());
    const auto refusal = [&](std::string_view part, std::string_view other) {
        return decode(with(body, part, other)).error();
    };
    CHECK(refusal(R"("direction":"loosen")", R"("direction":"turn")") ==
          "/event/payload/ResultReceived/reading/direction has the unknown word turn");
    CHECK(refusal(R"({"ResultReceived":)", R"({"ResultReceive":)") ==
          "/event/payload is of the unknown kind ResultReceive");
    CHECK(refusal(R"("made":{)", R"("mode":{)") ==
          "/event/payload/ResultReceived lacks the field made at its place");
    CHECK(refusal(R"("format":1,)", R"("form":1,"format":1,)") == "lacks the field format at its place");
    CHECK(refusal(R"("number":"12",)", R"("number":"12","more":"",)") ==
          "/event lacks the field at at its place");
    CHECK(refusal(R"({"Absent":{}})", R"({"Absent":{"why":""}})") ==
          "/event/payload/ResultReceived/reading/angle/Absent has the field why where none such belongs");
    CHECK(refusal(R"("epoch":"7")", R"("epoch":7)") == "/event/payload/ResultReceived/epoch is no text");
    CHECK(refusal(R"("direction":"loosen",)", R"("direction":"loosen","aborted":0,)") ==
          "/event/payload/ResultReceived/reading/aborted is neither true nor false");
    CHECK(refusal(R"("18446744073709551615")", R"("18446744073709551616")") ==
          "/event/payload/ResultReceived/reading/counter is no whole number of its range");
    CHECK(refusal(R"("format":1)", R"("format":2)") == "/format is 2, this program reads 1");
    CHECK(refusal(R"("raw":"e30K")", R"("raw":"e30")") ==
          "/event/payload/ResultReceived/reading/received/raw is no base64");
    // Well-formed, but not our form: a key twice, white space, a number with a leading zero.
    CHECK_FALSE(decode(with(body, R"("epoch":"7")", R"("epoch":"7","epoch":"7")")).has_value());
    CHECK_FALSE(decode(with(body, R"("format":1)", R"("format": 1)")).has_value());
    CHECK_FALSE(decode(with(body, R"("number":"12")", R"("number":"012")")).has_value());
    CHECK_FALSE(decode(body.substr(0, body.size() - 1)).has_value());
    CHECK_FALSE(decode("").has_value());
}

TEST_CASE("the stored names of kinds stay what journals already hold") {
    CHECK(kind_of(interlock::Payload{interlock::StationStarted{}}) == "StationStarted");
    CHECK(kind_of(interlock::Action{interlock::LeaveIncomplete{}}) == "LeaveIncomplete");
    CHECK(kind_of(interlock::Outcome{interlock::FiledLate{}}) == "FiledLate");
    CHECK(kind_of(interlock::Output{interlock::LeavingIncomplete{}}) == "LeavingIncomplete");
}

TEST_CASE("what was written before curves decided is read as it was, and written the same") {
    StoredEvent stored;
    stored.program = "0.1.0";
    stored.event.number.value = 3;
    stored.event.payload = interlock::TraceReceived{{"NR-1"}, "17", 4, "digest", 2, 3};
    stored.record.outcome = interlock::Attributed{
        .stay = {1}, .joint = {"mount"}, .attempt = 1, .judgement = {evaluation::Verdict::ok, {}}};
    const std::string body = encode(stored);
    CHECK(body.find("\"read\"") == std::string::npos);
    CHECK(body.find("awaits_curve") == std::string::npos);
    const std::string trace =
        R"({"TraceReceived":{"tool":"NR-1","epoch":"17","counter":"4","digest":"digest","samples":2,"bytes":3}})";
    CHECK(body.find(trace) != std::string::npos);
    CHECK(decode(body).value() == stored);
}

TEST_CASE("a refused sign-in from before locks were recorded is read as it was, and written the same") {
    StoredEvent stored;
    stored.event.payload = interlock::SignInRefused{{7}, "wrong secret; now locked", {}};
    const std::string body = encode(stored);
    CHECK(body.find(R"({"SignInRefused":{"person":7,"why":"wrong secret; now locked"}})") !=
          std::string::npos);
    CHECK(decode(body).value() == stored);
}

TEST_CASE("what was read from a curve stands in its event, each value beside its measure") {
    interlock::TraceReceived trace{{"NR-1"}, "17", 4, "digest", 2, 3};
    const protocol::CurveOrigin from = protocol::FromThreshold{protocol::Torque{20'000'000}};
    trace.read = protocol::CurveReport{
        {}, {{protocol::TorqueAtAngle{from, protocol::Angle{5'000'000}}, protocol::Torque{12'500'000}}}};
    StoredEvent stored;
    stored.event.payload = trace;
    const std::string body = encode(stored);
    CHECK(body.find(R"("read":{"values":[{"measure":{"TorqueAtAngle":{"origin":{"FromThreshold":{"torque":)"
                    R"({"micro_nm":"20000000"}}},"at":{"micro_deg":"5000000"}}},)"
                    R"("value":{"Torque":{"micro_nm":"12500000"}}}]})") != std::string::npos);
    CHECK(decode(body).value() == stored);
}
