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
    CHECK(
        encode(loosening_with_raw_bytes()) ==
        R"({"format":1,"program":"0.1.0","rules":"","event":{"number":"12",)"
        R"("at":{"utc_us":"0","monotonic_ns":"0","boot":""},"payload":{"ResultReceived":{"tool":"nut-runner-1",)"
        R"("epoch":"7","reading":{"counter":"18446744073709551615","program":"","direction":"loosen",)"
        R"("aborted":false,"torque":{"Torque":{"micro_nm":"12500000"}},"angle":{"Absent":{}},"position":null,)"
        R"("tool_verdict":"absent","tool_reason":{"base64":"/w=="},"tool_limits":{"torque_min":null,)"
        R"("torque_max":null,"angle_min":null,"angle_max":null},"stamp_utc_us":null,"received":{"torque":"",)"
        R"("torque_unit":"","angle":"","stamp":"","raw":"e30K"}},"made":{"from_ns":"0","to_ns":"0","boot":""},)"
        R"("digest":""}}},"record":{"outcome":{"Applied":{}},"changes":[],"effects":[]},"decision":"",)"
        R"("operator":null,"stays":[]})");
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
    CHECK(refusal(R"("epoch":"7",)", "") == "/event/payload/ResultReceived has 4 fields instead of 5");
    CHECK(refusal(R"("epoch":"7")", R"("epoch":7)") == "/event/payload/ResultReceived/epoch is no text");
    CHECK(refusal(R"("aborted":false)", R"("aborted":0)") ==
          "/event/payload/ResultReceived/reading/aborted is neither true nor false");
    CHECK(refusal(R"("18446744073709551615")", R"("18446744073709551616")") ==
          "/event/payload/ResultReceived/reading/counter is no whole number of its range");
    CHECK(refusal(R"("format":1)", R"("format":2)") == "/format is 2, this program reads 1");
    CHECK(refusal(R"("raw":"e30K")", R"("raw":"e30")") ==
          "/event/payload/ResultReceived/reading/received/raw is no base64");
    // Well-formed, but not our form: a key twice, white space, a number with a leading zero.
    CHECK_FALSE(decode(with(body, R"("boot":"")", R"("boot":"","boot":"")")).has_value());
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
