// What frames say, and how it is shown to people.
#include <bit>
#include <string>

#include <catch2/catch.hpp>

#include "protocol/frame_compose.hpp"
#include "protocol/frame_decode.hpp"
#include "protocol/frame_splitter.hpp"
#include "protocol/utc.hpp"
#include "tests/unit/protocol/frame_profiles.hpp"

using namespace tautgate::protocol;
using namespace tautgate::protocol::testing;

namespace {

WholeFrame frame_of(std::string content) { return {content, "raw of " + content}; }

FrameResult result_in(const FrameProfile& profile, std::string content) {
    const auto heard = decode(profile, frame_of(std::move(content)));
    REQUIRE(heard.has_value());
    REQUIRE(std::holds_alternative<FrameResult>(*heard));
    return std::get<FrameResult>(*heard);
}

DecodeFault fault_in(const FrameProfile& profile, std::string content) {
    const auto heard = decode(profile, frame_of(std::move(content)));
    REQUIRE_FALSE(heard.has_value());
    return heard.error();
}

const std::string whole_frame_text =
    "MSG=RES;NO=12;UP=a7;PRG=1;TQ=82,5;UNIT=Nm;ANG=+045,2;DIR=R;ST=0;TMIN=80;TMAX=90;AMIN=30;AMAX=60;"
    "AT=26.11.2026 11:15:00;POS=3";

std::string put_into(std::string text, const std::string& from, const std::string& to) {
    const auto at = text.find(from);
    REQUIRE(at != std::string::npos);
    return text.replace(at, from.size(), to);
}

}  // namespace

TEST_CASE("a frame with everything becomes a reading with everything") {
    const auto heard = result_in(named_lines(), whole_frame_text);
    const Reading& reading = heard.reading;
    CHECK(heard.epoch == "a7");
    CHECK(heard.mark.empty());
    CHECK(reading.counter == 12);
    CHECK(reading.program == "M12-final");
    CHECK(std::get<Torque>(reading.torque) == Torque{82'500'000});
    CHECK(std::get<Angle>(reading.angle) == Angle{45'200'000});
    CHECK(reading.direction == Direction::tighten);
    CHECK(reading.tool_verdict == ToolVerdict::ok);
    CHECK(reading.tool_limits ==
          ToolLimits{Torque{80'000'000}, Torque{90'000'000}, Angle{30'000'000}, Angle{60'000'000}});
    CHECK(reading.position == 3U);
    CHECK(reading.stamp_utc_us == parse_utc("2026-11-26T10:15:00Z")->micros);
    // As the tool sent them.
    CHECK(reading.received ==
          AsReceived{"82,5", "Nm", "+045,2", "26.11.2026 11:15:00", "raw of " + whole_frame_text});
}

TEST_CASE("a value that is no measurement is unreadable, one that was not sent is absent") {
    const auto profile = named_lines();
    const auto torque = [&](const std::string& to) {
        return result_in(profile, put_into(whole_frame_text, "TQ=82,5;", to)).reading.torque;
    };
    const auto unreadable = [](Unusable why) { return Measured<Torque>(Unreadable{why}); };
    CHECK(torque("TQ=----;") == unreadable(Unusable::unreadable));
    CHECK(torque("TQ=;") == unreadable(Unusable::unreadable));
    CHECK(torque("TQ=NaN;") == unreadable(Unusable::not_a_number));
    CHECK(torque("TQ=-Inf;") == unreadable(Unusable::infinite));
    CHECK(torque("TQ=82.5;") == unreadable(Unusable::unreadable));  // its decimal sign is a comma
    CHECK(torque("TQ=1.082,5;") == unreadable(Unusable::unreadable));
    CHECK(torque("TQ=82,5 Nm;") == unreadable(Unusable::unreadable));
    CHECK(torque("TQ=-1;") == unreadable(Unusable::negative));
    CHECK(torque("TQ=250,1;") == unreadable(Unusable::out_of_sensor_range));
    CHECK(torque("TQ=1e12;") == unreadable(Unusable::too_large));
    CHECK(torque("") == Measured<Torque>(Absent{}));
    CHECK(torque("TQ=  0082,50 ;") == Measured<Torque>(Torque{82'500'000}));
    CHECK(torque("TQ=-0;") == Measured<Torque>(Torque{0}));
}

TEST_CASE("a unit that nobody knows, or that is missing, makes the torque unreadable") {
    const auto profile = named_lines();
    for (const std::string unit : {"UNIT=kN;", "UNIT=;", ""}) {
        const auto reading = result_in(profile, put_into(whole_frame_text, "UNIT=Nm;", unit)).reading;
        CHECK(reading.torque == Measured<Torque>(Unreadable{Unusable::unreadable}));
        CHECK(std::holds_alternative<Angle>(reading.angle));
    }
    // 60 lbf.ft is 81.3 N.m (NIST SP 811, B.8: 1.355 818 N.m).
    const auto reading =
        result_in(profile, put_into(put_into(whole_frame_text, "UNIT=Nm", "UNIT=lbft"), "TQ=82,5", "TQ=60"))
            .reading;
    CHECK(std::get<Torque>(reading.torque) == Torque{81'300'000});
}

TEST_CASE("a limit that cannot be read makes the value unreadable, one that is not there is none") {
    const auto profile = named_lines();
    const auto bad = result_in(profile, put_into(whole_frame_text, "TMIN=80", "TMIN=--")).reading;
    CHECK(bad.torque == Measured<Torque>(Unreadable{Unusable::unreadable}));
    CHECK(std::holds_alternative<Angle>(bad.angle));
    const auto none = result_in(profile, put_into(whole_frame_text, ";AMAX=60", "")).reading;
    CHECK(std::holds_alternative<Angle>(none.angle));
    CHECK_FALSE(none.tool_limits.angle_max.has_value());
    CHECK(none.tool_limits.angle_min == Angle{30'000'000});
}

TEST_CASE("only a listed code is OK, and a direction that nobody knows is a fault") {
    const auto profile = named_lines();
    const auto verdict = [&](const std::string& code) {
        const auto reading = result_in(profile, put_into(whole_frame_text, "ST=0", code)).reading;
        return std::tuple(reading.tool_verdict, reading.aborted, reading.tool_reason);
    };
    CHECK(verdict("ST=1") == std::tuple(ToolVerdict::not_ok, false, std::string("torque low")));
    CHECK(verdict("ST=9") == std::tuple(ToolVerdict::not_ok, true, std::string("code '9'")));
    CHECK(verdict("ST=00") == std::tuple(ToolVerdict::not_ok, false, std::string("code '00'")));
    CHECK(verdict("ST=") == std::tuple(ToolVerdict::not_ok, false, std::string("code ''")));
    CHECK(verdict("XX=0") == std::tuple(ToolVerdict::absent, false, std::string()));
    CHECK(result_in(profile, put_into(whole_frame_text, "DIR=R", "DIR=L")).reading.direction ==
          Direction::loosen);
    CHECK(fault_in(profile, put_into(whole_frame_text, "DIR=R", "DIR=?")) ==
          DecodeFault{"direction", "code '?' means neither tightening nor loosening",
                      "list the code in the profile", 12});
    CHECK(fault_in(profile, put_into(whole_frame_text, "DIR=R;", "")).field == "direction");
}

TEST_CASE("a result without its count, its epoch or its own form is refused") {
    const auto profile = named_lines();
    CHECK(fault_in(profile, put_into(whole_frame_text, "NO=12;", "")).field == "counter");
    CHECK(fault_in(profile, put_into(whole_frame_text, "NO=12;", "NO=1x;")).what == "'1x' is no count");
    CHECK(fault_in(profile, put_into(whole_frame_text, "NO=12;", "NO=-1;")).field == "counter");
    CHECK(fault_in(profile, put_into(whole_frame_text, "UP=a7;", "")).field == "epoch");
    CHECK(fault_in(profile, put_into(whole_frame_text, "UP=a7;", "UP=;")).field == "epoch");
    CHECK(fault_in(profile, put_into(whole_frame_text, "PRG=1;", "PRG=\x01;")).field == "program");
    CHECK(fault_in(profile, whole_frame_text + ";TQ=1").what == "the key 'TQ' stands twice");
    CHECK(fault_in(profile, "MSG=ELSE").what == "no message of the profile is like 'MSG=ELSE'");
    // A position that the tool does not know is none; one that is no number is a fault.
    CHECK_FALSE(
        result_in(profile, put_into(whole_frame_text, "POS=3", "POS=0")).reading.position.has_value());
    CHECK_FALSE(result_in(profile, put_into(whole_frame_text, "POS=3", "POS=")).reading.position.has_value());
    CHECK(fault_in(profile, put_into(whole_frame_text, "POS=3", "POS=A")).field == "position");
    CHECK(fault_in(profile, put_into(whole_frame_text, "POS=3", "POS=4294967296")).field == "position");
}

TEST_CASE("a stamp that is no instant of the pattern is kept as it came, and no instant") {
    const auto profile = named_lines();
    const auto stamp = [&](const std::string& text) {
        return result_in(profile, put_into(whole_frame_text, "26.11.2026 11:15:00", text)).reading;
    };
    for (const std::string text : {"31.02.2026 11:15:00", "26-11-2026 11:15:00", "26.11.2026 11:15",
                                   "26.11.2026 24:15:00", "2a.11.2026 11:15:00", "30.06.2026 23:59:60", ""}) {
        CAPTURE(text);
        CHECK_FALSE(stamp(text).stamp_utc_us.has_value());
        CHECK(stamp(text).received.stamp == text);
    }
    FrameProfile seconds = binary_by_length();
    std::get<ResultMessage>(seconds.messages[0].what).stamp =
        FrameStamp{.place = NumberAt{19, FieldType::uint32, false, WordOrder::abcd, {}},
                   .kind = FrameStampKind::unix_seconds,
                   .pattern = {}};
    const std::string before("\x01\x00\x07\x00\x00\x00\x00\x00\xA5\x42\xC2\x01\x01M12\x00  ", 19);
    CHECK(result_in(seconds, before + std::string("\x00\x00\x00\x01", 4)).reading.stamp_utc_us == 1'000'000);
    CHECK_FALSE(result_in(seconds, before + std::string(4, '\0')).reading.stamp_utc_us.has_value());
}

TEST_CASE("numbers of a binary frame are read in their order, with their bits") {
    const std::string content("\x01\x00\x07\x00\x00\x00\x00\x00\xA5\x42\xC2\x01\xFDM12\x00  ", 19);
    const auto heard = result_in(binary_by_length(), content);
    CHECK(heard.reading.counter == 7);
    CHECK(std::get<Torque>(heard.reading.torque) == Torque{82'500'000});  // 42 A5 00 00 is 82.5 in binary32
    CHECK(std::get<Angle>(heard.reading.angle) == Angle{45'000'000});     // 01 C2 is 450
    CHECK(heard.reading.tool_verdict == ToolVerdict::ok);                 // the lowest two bits of FD
    CHECK(heard.reading.program == "M12");
    CHECK(heard.reading.received.torque == "82.5");
    CHECK(fault_in(binary_by_length(), content.substr(0, 18)).field == "program");
    CHECK(fault_in(binary_by_length(), content.substr(0, 8)) ==
          DecodeFault{"torque", "the frame ends before it, after 8 bytes",
                      "check byte and type in the profile, and what the tool sends", 7});
    std::string nan = content;
    nan.replace(6, 4, std::string("\x00\x00\xC0\x7F", 4));
    CHECK(result_in(binary_by_length(), nan).reading.torque ==
          Measured<Torque>(Unreadable{Unusable::not_a_number}));
}

TEST_CASE("a number that holds the separator is no shorter number: the frame is refused") {
    FrameProfile pairs = named_lines();
    pairs.content.separator = ",";
    pairs.content.decimal = ".";
    CHECK(fault_in(pairs, "MSG=RES,NO=12,UP=a7,TQ=75,9,UNIT=Nm,ANG=45.2,DIR=R,ST=0").what ==
          "'9' stands between separators and is no value of a key");
    CHECK(result_in(pairs, "MSG=RES,NO=12,UP=a7,TQ=75.9,UNIT=Nm,ANG=45.2,DIR=R,ST=0,END").reading.counter ==
          12);

    // Of a separator that stands in no number bare digits are a name like any other.
    CHECK(result_in(named_lines(), "0041;" + whole_frame_text).reading.counter == 12);

    FrameProfile rows = rows_between();
    rows.content.separator = ",";
    CHECK(result_in(rows, "R,7,759,45,OK").reading.counter == 7);
    // The last value may be blank, and then another one that is a number in two would not show.
    CHECK(fault_in(rows, "R,7,75,9,45,").what == "it has 6 values, and 5 are described");
    CHECK(fault_in(rows, "R,7,75,9,45,OK").what == "it has 6 values, and 5 are described");
    std::get<ResultMessage>(rows.messages.front().what).fields = 6;
    CHECK(result_in(rows, "R,7,759,45,OK,more").reading.counter == 7);
    CHECK(fault_in(rows, "R,7,75,9,45,OK,more").what == "it has 7 values, and 6 are described");
    // A bar stands in no number.
    CHECK(result_in(rows_between(), "R|7|759|45|OK|more").reading.counter == 7);
}

TEST_CASE("a status, a curve and a sign of life are told apart") {
    const auto lines = named_lines();
    const auto state = decode(lines, frame_of("MSG=STATE;NO=12;UP=a7;RUN=1;PRG=2"));
    CHECK(std::get<FrameStatus>(*state) == FrameStatus{12, "a7", true, "2"});
    const auto stopped = decode(lines, frame_of("MSG=STATE;RUN=x"));
    CHECK(std::get<FrameStatus>(*stopped) == FrameStatus{std::nullopt, std::nullopt, false, ""});
    CHECK(std::get<FrameOther>(*decode(lines, frame_of("MSG=ALIVE"))) == FrameOther{"alive"});
    const auto numbers = binary_by_length();
    const std::string curve("\x02\x00\x07\x00\x00\x00\x00\x00\x0A\x00\x14\x00\x1E\x00", 14);
    const auto heard = decode(numbers, frame_of(curve));
    REQUIRE(heard.has_value());
    const auto& trace = std::get<FrameTrace>(*heard);
    CHECK(trace.belongs_to == 7);
    REQUIRE(trace.trace.torque.counts.size() == 4);
    CHECK(trace.trace.torque.counts == std::vector<std::int64_t>{0, 10, 20, 30});
    CHECK(fault_in(numbers, curve.substr(0, 13)).field == "trace");
}

TEST_CASE("a result by its columns is known by its stamp") {
    const auto heard = result_in(columns(), "R0082.50045.0OK20261126101500");
    CHECK(heard.mark == "20261126101500");
    CHECK(heard.reading.counter == 0);
    CHECK(std::get<Torque>(heard.reading.torque) == Torque{82'500'000});
    CHECK(std::get<Angle>(heard.reading.angle) == Angle{45'000'000});
    CHECK(fault_in(columns(), "R0082.50045.0OK2026112610150").field == "stamp");
    CHECK(fault_in(columns(), "R0082.50045.0OK              ").field == "stamp");
    CHECK(std::holds_alternative<FrameOther>(*decode(columns(), frame_of("A"))));
}

TEST_CASE("numbers of JSON count in their own digits, and JSON that is doubtful is refused") {
    const auto profile = json_lines();
    const auto heard = result_in(
        profile, R"({"type":"result","result":{"number":7,"torque":0.35e2,"angle":"45.0","good":true}})");
    CHECK(heard.reading.counter == 7);
    CHECK(std::get<Torque>(heard.reading.torque) == Torque{35'000'000});
    CHECK(heard.reading.received.torque == "0.35e2");
    CHECK(std::get<Angle>(heard.reading.angle) == Angle{45'000'000});
    CHECK(heard.reading.tool_verdict == ToolVerdict::ok);
    // 0.05 lies exactly between two steps and is rounded up; the binary fraction next to it lies above or
    // below.
    const auto half = [&](const std::string& torque) {
        return std::get<Torque>(
            result_in(profile, R"({"type":"result","result":{"number":7,"torque":)" + torque + "}}")
                .reading.torque);
    };
    CHECK(half("1.15") == Torque{1'200'000});
    CHECK(half("1.1499999999999999") == Torque{1'100'000});
    const auto null =
        result_in(profile, R"({"type":"result","result":{"number":7,"torque":null,"angle":true}})");
    CHECK(null.reading.torque == Measured<Torque>(Absent{}));
    CHECK(null.reading.angle == Measured<Angle>(Unreadable{Unusable::unreadable}));
    CHECK(fault_in(profile, R"({"type":"result","result":{"number":7,"number":8}})")
              .what.find("stands twice") != std::string::npos);
    CHECK(fault_in(profile, R"({"type":"result","result":{"number":[7]}})").field == "counter");
    CHECK(fault_in(profile, R"({"type":"result","result":{"number":7.5}})").field == "counter");
    CHECK(fault_in(profile, R"({"type":"result")").what.find("not JSON") != std::string::npos);
    CHECK(fault_in(profile, "[]").what == "it is no JSON object");
    CHECK(fault_in(profile, "{} {}").what.find("not JSON") != std::string::npos);
    CHECK(fault_in(profile, "{\"a\":\"\xFF\"}").what == "it is no text in UTF-8");
    CHECK(
        fault_in(profile, "{\"a\":" + std::string(16, '[') + std::string(16, ']') + "}").what.find("deep") !=
        std::string::npos);
    std::string many = "{\"a\":[0";
    for (int i = 0; i < 5000; ++i)
        many += ",0";
    CHECK(fault_in(profile, many + "]}").what == "the object holds more than 4096 values");
    CHECK(fault_in(profile, "{\"" + std::string(101, 'k') + "\":1}").what.find("longer than 100") !=
          std::string::npos);
    // A key with a slash or a tilde is escaped in a pointer.
    auto escaped = profile;
    escaped.messages[0].when = {{AtPointer{"/a~1b~0/1"}, "x"}};
    std::get<ResultMessage>(escaped.messages[0].what) = ResultMessage{};
    CHECK(std::holds_alternative<FrameResult>(*decode(escaped, frame_of(R"({"a/b~":["w","x"]})"))));
}

TEST_CASE("the content of a result is the same for the same values, and differs with any of them") {
    const auto profile = named_lines();
    const auto content = [&](const std::string& text) { return result_in(profile, text).content; };
    CHECK(content(whole_frame_text) == content(whole_frame_text + ";MORE=1"));
    CHECK(content(whole_frame_text) == content(put_into(whole_frame_text, "TQ=82,5", "TQ= 82,5 ")));
    for (const auto& [from, to] : {std::pair{"NO=12", "NO=13"},
                                   {"UP=a7", "UP=a8"},
                                   {"PRG=1", "PRG=2"},
                                   {"TQ=82,5", "TQ=82,6"},
                                   {"UNIT=Nm", "UNIT=lbft"},
                                   {"ANG=+045,2", "ANG="},
                                   {"DIR=R", "DIR=L"},
                                   {"ST=0", "ST=1"},
                                   {"TMIN=80", "TMIN=81"},
                                   {"TMAX=90", "TMAX=91"},
                                   {"AMIN=30", "AMIN=31"},
                                   {"AMAX=60", "AMAX=61"},
                                   {"11:15:00", "11:15:01"},
                                   {"POS=3", "POS=4"},
                                   {"ANG=+045,2;", ""}}) {
        CAPTURE(from, to);
        CHECK(content(whole_frame_text) != content(put_into(whole_frame_text, from, to)));
    }
}

TEST_CASE("a person sees each value with its place, what it means, or why it means nothing") {
    const auto rows_of = [](const FrameProfile& profile, const std::string& content) {
        std::string all;
        const auto explained = explain(profile, frame_of(content));
        for (const FrameRow& row : explained.rows)
            all +=
                row.field + " | " + row.place + " | " + row.raw + " | " + row.value + " | " + row.why + "\n";
        return explained.message + ": " + explained.why + "\n" + all;
    };
    CHECK(
        rows_of(named_lines(), put_into(put_into(whole_frame_text, "TQ=82,5", "TQ=--"), "DIR=R", "DIR=?")) ==
        "result: code '?' means neither tightening nor loosening\n"
        "when | key MSG | RES | RES | \n"
        "counter | key NO | 12 | 12 | \n"
        "epoch | key UP | a7 | a7 | \n"
        "program | key PRG | 1 | M12-final | \n"
        "torque | key TQ | -- |  | it cannot be read\n"
        "torque | key UNIT | Nm | Nm | \n"
        "angle | key ANG | +045,2 | 45.2 deg | \n"
        "direction | key DIR | ? |  | code '?' means neither tightening nor loosening\n"
        "verdict | key ST | 0 | OK | \n"
        "limits/torque_min | key TMIN | 80 | 80 N·m | \n"
        "limits/torque_max | key TMAX | 90 | 90 N·m | \n"
        "limits/angle_min | key AMIN | 30 | 30 deg | \n"
        "limits/angle_max | key AMAX | 60 | 60 deg | \n"
        "stamp | key AT | 26.11.2026 11:15:00 | 2026-11-26T10:15:00.000000Z | \n"
        "position | key POS | 3 | 3 | \n");
    const auto row_of_count = [&](const std::string& content) {
        const auto all = rows_of(named_lines(), content);
        const auto from =
            all.find("\ncounter |") != std::string::npos ? all.find("\ncounter |") : all.find("\nnewest |");
        return all.substr(from + 1, all.find('\n', from + 1) - from - 1);
    };
    CHECK(row_of_count(put_into(whole_frame_text, "NO=12", "NO=10000")) ==
          "counter | key NO | 10000 |  | 10000 lies outside of 1 to 9999; check the place of the count, then "
          "lowest and highest of counter");
    CHECK(row_of_count(put_into(whole_frame_text, "NO=12", "NO=0")).find("| 0 lies outside of 1") !=
          std::string::npos);
    CHECK(row_of_count("MSG=STATE;NO=0;UP=a7;RUN=1;PRG=1") == "newest | key NO | 0 | 0 | ");
    CHECK(row_of_count("MSG=STATE;NO=10000;UP=a7;RUN=1;PRG=1").find("lies outside of 1 to 9999") !=
          std::string::npos);
    CHECK(rows_of(binary_by_length(), std::string("\x03\x00\x07\x00\x00\x00", 6)) ==
          "state: \n"
          "when | byte 0, uint8 | 03 | 3 | \n"
          "newest | byte 2, uint32 dcba | 07000000 | 7 | \n");
    // 82.5 in binary32, the other way round.
    const std::string reversed("\x01\x00\x07\x00\x00\x00\x42\xA5\x00\x00\xC2\x01\xFDM12\x00  ", 19);
    CHECK_THAT(rows_of(binary_by_length(), reversed),
               Catch::Contains("torque | byte 6, float32 dcba | 42A50000 |  | ") &&
                   Catch::Contains(" is hardly a torque; try another order, or look at place and type\n"));
    CHECK(rows_of(json_lines(), "[") == ": it is no JSON object\n");
    CHECK(rows_of(columns(), "R0082.50045.0OK20261126101500")
              .find("torque | column 1 to 6 | 0082.5 | 82.5 N·m | \n") != std::string::npos);
}
