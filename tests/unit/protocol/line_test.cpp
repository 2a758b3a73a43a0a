#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/line.hpp"

using namespace tautgate::protocol;

namespace {

constexpr MeasuringRange range{Torque{100'000}, Angle{100'000}, Torque{600'000'000}, Angle{720'000'000}};

LineResult result_of(std::string_view line) {
    const auto message = parse_line(line, range);
    if (!message)
        FAIL(message.error().what);
    REQUIRE(std::holds_alternative<LineResult>(*message));
    return std::get<LineResult>(*message);
}

std::string fault_of(std::string_view line) {
    const auto message = parse_line(line, range);
    REQUIRE_FALSE(message);
    CHECK(message.error().raw == line.substr(0, line_limit));
    CHECK_FALSE(message.error().remedy.empty());
    return message.error().what;
}

std::string with_torque(std::string_view torque) {
    return R"({"result":{"counter":"1","direction":"tighten","torque":)" + std::string(torque) + "}}";
}

Measured<Torque> torque_of(std::string_view torque) { return result_of(with_torque(torque)).reading.torque; }

constexpr std::string_view full_line =
    R"({"result":{"counter":"4212","program":"M20-final","direction":"tighten",)"
    R"("torque":{"value":402.55,"unit":"N.m"},"angle":{"value":48.1,"unit":"deg"},"verdict":"ok","reason":"",)"
    R"("limits":{"torque_min":{"value":280,"unit":"lbf.ft"},"angle_max":{"value":60,"unit":"deg"}},)"
    R"("position":3,"stamp":"2026-11-25T06:14:03.120Z"}})";

std::vector<std::string> all_of(LineSplitter& splitter) {
    std::vector<std::string> lines;
    while (auto line = splitter.next())
        lines.push_back(*line ? std::string(**line) : "! " + line->error().what);
    return lines;
}

}  // namespace

TEST_CASE("a result line becomes a reading, rounded once to the tool's resolution") {
    const LineResult result = result_of(full_line);
    const Reading& reading = result.reading;
    CHECK(result.notes.empty());
    CHECK(reading.counter == 4212);
    CHECK(reading.program == "M20-final");
    CHECK(reading.direction == Direction::tighten);
    CHECK(reading.torque == Measured<Torque>(Torque{402'600'000}));
    CHECK(reading.angle == Measured<Angle>(Angle{48'100'000}));
    CHECK(reading.tool_verdict == ToolVerdict::ok);
    CHECK(reading.tool_limits == ToolLimits{Torque{379'600'000}, {}, {}, Angle{60'000'000}});
    CHECK(reading.position == 3U);
    CHECK(reading.stamp_utc_us == 1'795'587'243'120'000);
}

TEST_CASE("a result line is kept as received, number texts included") {
    const Reading reading = result_of(full_line).reading;
    CHECK(reading.received ==
          AsReceived{"402.55", "N.m", "48.1", "2026-11-25T06:14:03.120Z", std::string(full_line)});
    CHECK(result_of(with_torque(R"({"value":402.500,"unit":"N.m"})")).reading.received.torque == "402.500");
    CHECK(result_of(with_torque(R"({"value":4.025e2,"unit":"N.m"})")).reading.received.torque == "4.025e2");
    CHECK(result_of(with_torque(R"({"value":-0,"unit":"N.m"})")).reading.received.torque == "-0");
}

TEST_CASE("a number's own text decides a half step, not its binary neighbour") {
    CHECK(torque_of(R"({"value":0.35,"unit":"N.m"})") == Measured<Torque>(Torque{400'000}));
    CHECK(torque_of(R"({"value":35,"unit":"cN.m"})") == Measured<Torque>(Torque{400'000}));
    CHECK(torque_of(R"({"value":0.34999999999999999999,"unit":"N.m"})") == Measured<Torque>(Torque{300'000}));
}

TEST_CASE(
    "one bad value becomes unreadable by its own name, with a note, and the rest of the result stands") {
    struct Row {
        const char* torque;
        Unusable why;
        const char* note;
    };
    for (const Row& row : {
             Row{R"({"value":NaN,"unit":"N.m"})", Unusable::not_a_number, "torque 'NaN' is not a number"},
             Row{R"({"value":"NaN","unit":"N.m"})", Unusable::not_a_number, "torque 'NaN' is not a number"},
             Row{R"({"value":Infinity,"unit":"N.m"})", Unusable::infinite, "torque 'Infinity' is infinite"},
             Row{R"({"value":-Infinity,"unit":"N.m"})", Unusable::infinite, "torque '-Infinity' is infinite"},
             Row{R"({"value":-3,"unit":"N.m"})", Unusable::negative, "torque '-3' is negative"},
             Row{R"({"value":-0.001,"unit":"N.m"})", Unusable::negative, "torque '-0.001' is negative"},
             Row{R"({"value":1e400,"unit":"N.m"})", Unusable::too_large, "torque '1e400' is too large"},
             Row{R"({"value":1e12,"unit":"N.m"})", Unusable::too_large, "torque '1e12' is too large"},
             Row{R"({"value":99999999999999999999,"unit":"N.m"})", Unusable::too_large,
                 "torque '99999999999999999999' is too large"},
             Row{R"({"value":600.1,"unit":"N.m"})", Unusable::out_of_sensor_range,
                 "torque '600.1' is above 600 N·m, the most that the tool can measure"},
             Row{R"({"value":"402.5","unit":"N.m"})", Unusable::unreadable,
                 "torque '402.5' is not sent as a number"},
             Row{R"({"value":0402.5,"unit":"N.m"})", Unusable::unreadable, "torque '0402.5' cannot be read"},
             Row{R"({"value":true,"unit":"N.m"})", Unusable::unreadable, "torque 'true' cannot be read"},
             Row{R"({"value":null,"unit":"N.m"})", Unusable::unreadable, "torque 'null' cannot be read"},
             Row{R"({"value":[402.5],"unit":"N.m"})", Unusable::unreadable, "torque '' cannot be read"},
             Row{R"({"value":{"a":{"b":[1]}},"unit":"N.m"})", Unusable::unreadable,
                 "torque '' cannot be read"},
             Row{R"({"unit":"N.m"})", Unusable::unreadable, "torque '' cannot be read"},
             Row{R"({"value":402.5})", Unusable::unreadable,
                 "torque '402.5' has no unit; send one of N.m, cN.m, lbf.ft, lbf.in, kgf.m"},
             Row{R"({"value":402.5,"unit":7})", Unusable::unreadable,
                 "torque '402.5' has no unit; send one of N.m, cN.m, lbf.ft, lbf.in, kgf.m"},
             Row{R"({"value":402.5,"unit":"Nm"})", Unusable::unreadable,
                 "torque '402.5' has the unknown unit 'Nm'; use N.m, cN.m, lbf.ft, lbf.in, kgf.m"},
             Row{"402.5", Unusable::unreadable,
                 "torque '402.5' has no unit; send one of N.m, cN.m, lbf.ft, lbf.in, kgf.m"},
             Row{"[402.5]", Unusable::unreadable,
                 "torque '' has no unit; send one of N.m, cN.m, lbf.ft, lbf.in, kgf.m"},
         }) {
        CAPTURE(row.torque);
        const LineResult result = result_of(with_torque(row.torque));
        CHECK(result.reading.torque == Measured<Torque>(Unreadable{row.why}));
        CHECK(result.reading.counter == 1);
        CHECK(result.notes == std::vector<std::string>{row.note});
        CHECK(result.reading.received.raw == with_torque(row.torque));
    }
}

TEST_CASE("a quantity that the tool does not send is absent, not zero") {
    const Reading reading =
        result_of(R"({"result":{"counter":"1","direction":"loosen","torque":null}})").reading;
    CHECK(reading.torque == Measured<Torque>(Absent{}));
    CHECK(reading.angle == Measured<Angle>(Absent{}));
    CHECK(reading.direction == Direction::loosen);
    CHECK(reading.tool_verdict == ToolVerdict::absent);
}

TEST_CASE("a tool limit in a line that cannot be read makes its value unusable") {
    const LineResult result =
        result_of(R"({"result":{"counter":"1","direction":"tighten","torque":{"value":1,"unit":"N.m"},)"
                  R"("limits":{"torque_max":{"value":-1,"unit":"N.m"}}}})");
    CHECK(result.reading.torque == Measured<Torque>(Unreadable{Unusable::negative}));
    CHECK(result.notes == std::vector<std::string>{"torque_max '-1' is negative"});
}

TEST_CASE("a stamp in a line that is no time is dropped with a note and its text kept") {
    const LineResult result =
        result_of(R"({"result":{"counter":"1","direction":"tighten","stamp":"yesterday"}})");
    CHECK_FALSE(result.reading.stamp_utc_us);
    CHECK(result.reading.received.stamp == "yesterday");
    CHECK(result.notes.size() == 1);
}

TEST_CASE("counters are whole numbers of 64 bits, as text or as a number") {
    const auto counter = [](std::string_view text) {
        return result_of(R"({"result":{"direction":"tighten","counter":)" + std::string(text) + "}}")
            .reading.counter;
    };
    CHECK(counter(R"("18446744073709551614")") == 18'446'744'073'709'551'614U);
    CHECK(counter("18446744073709551614") == 18'446'744'073'709'551'614U);
    for (const char* bad : {R"("18446744073709551615")", "18446744073709551615", R"("18446744073709551616")",
                            "18446744073709551616", R"("-1")", "-1", "1.0", R"("1 ")", R"("01")", R"("")",
                            "null", "NaN", "[1]", "{}"}) {
        CAPTURE(bad);
        CHECK(fault_of(R"({"result":{"direction":"tighten","counter":)" + std::string(bad) + "}}") ==
              "the key 'counter' has a value of the wrong kind");
    }
    CHECK(fault_of(R"({"result":{"direction":"tighten","counter":"0"}})") == "the result has no counter");
}

TEST_CASE("a line that cannot be understood is a fault that names the thing") {
    struct Row {
        const char* line;
        const char* what;
    };
    for (const Row& row : {
             Row{R"({"result":{"counter":"1","direction":"tighten","colour":"red"}})",
                 "unknown key 'colour'"},
             Row{R"({"results":{}})", "unknown key 'results'"},
             Row{R"({"beat":{"x":1}})", "unknown key 'x'"},
             Row{R"({"result":{"counter":"1","counter":"2","direction":"tighten"}})",
                 "the key 'counter' stands twice"},
             Row{R"({"result":{"counter":"1"}})", "the result's direction is ''"},
             Row{R"({"result":{"counter":"1","direction":"left"}})", "the result's direction is 'left'"},
             Row{R"({"result":{"direction":"tighten"}})", "the result has no counter"},
             Row{R"({"result":{"counter":"1","direction":"tighten","verdict":"good"}})",
                 "the result's verdict is 'good'"},
             Row{R"({"result":{"counter":"1","direction":"tighten","verdict":true}})",
                 "the key 'verdict' has a value of the wrong kind"},
             Row{R"({"result":{"counter":"1","direction":"tighten","aborted":1}})",
                 "the key 'aborted' has a value of the wrong kind"},
             Row{R"({"result":{"counter":"1","direction":"tighten","position":0}})",
                 "the key 'position' has a value of the wrong kind"},
             Row{R"({"result":{"counter":"1","direction":"tighten","limits":3}})",
                 "the key 'limits' has a value of the wrong kind"},
             Row{R"({"result":[]})", "the key 'result' has a value of the wrong kind"},
             Row{R"({"hello":{"tool":"NR-1","epoch":"17"}})", "hello names no last result"},
             Row{R"({"hello":{"tool":"","epoch":"17","last":"0"}})", "hello names no tool"},
             Row{R"({"hello":{"tool":"NR-1","last":"0"}})", "hello names no epoch"},
             Row{R"({"hello":{"tool":17,"epoch":"17","last":"0"}})",
                 "the key 'tool' has a value of the wrong kind"},
             Row{R"({"hello":{"tool":{},"epoch":"17","last":"0"}})",
                 "the key 'tool' has a value of the wrong kind"},
             Row{R"({"beat":{},"hello":{}})", "the line holds two messages"},
             Row{"{}", "the line holds no message"},
             Row{"[]", "the line holds no object"},
             Row{"7", "the line holds no object"},
             Row{"", "the line is not JSON from byte 1 on"},
             Row{R"({"beat":{}} {"beat":{}})", "the line is not JSON from byte 13 on"},
             Row{R"({"beat":{)", "the line is not JSON from byte 10 on"},
             Row{R"({"beat":oops})", "the key 'beat' has a value of the wrong kind"},
             Row{"\xff\xfe", "the line is not JSON from byte 1 on"},
         }) {
        CAPTURE(row.line);
        CHECK(fault_of(row.line) == row.what);
    }
    CHECK(fault_of(std::string(5000, '[')) == "the line is longer than 4096 bytes");
    CHECK(fault_of(std::string(4000, '[')) == "the line holds no object");
    CHECK_FALSE(parse_line(R"({"hello":{"tool":")"
                           "\xc3\x28"
                           R"(","epoch":"1","last":"0"}})",
                           range));
}

TEST_CASE("an unknown key is answered with those that are allowed there") {
    const auto message = parse_line(R"({"hello":{"tol":"NR-1"}})", range);
    REQUIRE_FALSE(message);
    CHECK(message.error().remedy == "allowed here: tool, epoch, last, nonce");
}

TEST_CASE("hello and beat are read") {
    CHECK(parse_line(R"({"hello":{"tool":"NR-1","epoch":"17","last":"4211"}})", range) ==
          LineMessage(Hello{"NR-1", "17", 4211}));
    CHECK(parse_line(R"( { "beat" : { } } )", range) == LineMessage(Beat{}));
    CHECK(parse_line(R"({"beat":{"number":"17"}})", range) == LineMessage(Beat{17}));
    CHECK_FALSE(parse_line(R"({"beat":{"number":"x"}})", range));
}

TEST_CASE("what the station writes, a tool reads") {
    const auto back = [](const auto& message) {
        std::string line = to_line(message);
        REQUIRE(line.ends_with('\n'));
        CHECK(line.find('\n') == line.size() - 1);
        line.pop_back();
        return parse_station_line(line);
    };
    CHECK(back(Welcome{4212}) == StationMessage(Welcome{4212}));
    CHECK(back(Acknowledge{18'446'744'073'709'551'614U}) ==
          StationMessage(Acknowledge{18'446'744'073'709'551'614U}));
    CHECK(back(Refused{"unknown key 'a\"b'\n", "send \\ less"}) ==
          StationMessage(Refused{"unknown key 'a\"b'\n", "send \\ less"}));
    CHECK(back(Beat{}) == StationMessage(Beat{}));
    CHECK(to_line(Beat{17}) == "{\"beat\":{\"number\":\"17\"}}\n");
    CHECK(back(Beat{17}) == StationMessage(Beat{17}));
    CHECK_FALSE(parse_station_line(R"({"welcome":{}})"));
    CHECK_FALSE(parse_station_line(R"({"result":{}})"));
}

TEST_CASE("a refusal about bytes that are not UTF-8 is itself UTF-8") {
    std::string line = to_line(Refused{"\xff", ""});
    line.pop_back();
    CHECK(parse_station_line(line) == StationMessage(Refused{"\xef\xbf\xbd", ""}));
}

TEST_CASE("what a tool writes, the station reads") {
    WrittenResult written{.counter = 9,
                          .program = "M8 \"clamp\"",
                          .direction = Direction::loosen,
                          .aborted = true,
                          .torque = WrittenValue{"12.5", "N.m"},
                          .angle = WrittenValue{"90", "deg"},
                          .verdict = ToolVerdict::not_ok,
                          .reason = "stopped early",
                          .torque_min = WrittenValue{"10", "N.m"},
                          .torque_max = std::nullopt,
                          .angle_min = std::nullopt,
                          .angle_max = WrittenValue{"120", "deg"},
                          .position = 2,
                          .stamp = "1970-01-01T00:00:01Z"};
    std::string line = to_line(written);
    line.pop_back();
    const Reading reading = result_of(line).reading;
    CHECK(reading.counter == 9);
    CHECK(reading.program == "M8 \"clamp\"");
    CHECK(reading.direction == Direction::loosen);
    CHECK(reading.aborted);
    CHECK(reading.torque == Measured<Torque>(Torque{12'500'000}));
    CHECK(reading.angle == Measured<Angle>(Angle{90'000'000}));
    CHECK(reading.tool_verdict == ToolVerdict::not_ok);
    CHECK(reading.tool_reason == "stopped early");
    CHECK(reading.tool_limits == ToolLimits{Torque{10'000'000}, {}, {}, Angle{120'000'000}});
    CHECK(reading.position == 2U);
    CHECK(reading.stamp_utc_us == 1'000'000);

    std::string hello = to_line(Hello{"NR-1", "a b", 3});
    hello.pop_back();
    CHECK(parse_line(hello, range) == LineMessage(Hello{"NR-1", "a b", 3}));
}

TEST_CASE("a stream gives the same lines wherever it is cut") {
    CHECK(rc::check("cuts do not matter", [] {
        const std::string stream = "{\"beat\":{}}\r\n\nfirst\nsec\xc3\xa9ond\r\n\r\nthird\n";
        LineSplitter splitter;
        std::vector<std::string> lines;
        std::size_t at = 0;
        while (at < stream.size()) {
            const auto step = *rc::gen::inRange<std::size_t>(1, 9);
            splitter.feed(std::string_view(stream).substr(at, step));
            for (auto& line : all_of(splitter))
                lines.push_back(line);
            at += step;
        }
        RC_ASSERT((lines == std::vector<std::string>({"{\"beat\":{}}", "first", "sec\xc3\xa9ond", "third"})));
        RC_ASSERT((splitter.pending() == 0U));
    }));
}

TEST_CASE("a line of just the limit passes, one byte more is refused, and the next line is read") {
    for (const char* end : {"\n", "\r\n"}) {
        LineSplitter splitter;
        splitter.feed(std::string(line_limit, 'x') + end + std::string(line_limit + 1, 'y') + end + "good" +
                      end);
        CHECK(all_of(splitter) == std::vector<std::string>{std::string(line_limit, 'x'),
                                                           "! a line is longer than 4096 bytes", "good"});
    }
    LineSplitter splitter;  // the limit with its CR LF still on the way
    splitter.feed(std::string(line_limit, 'x'));
    CHECK(all_of(splitter).empty());
    splitter.feed("\r");
    CHECK(all_of(splitter).empty());
    splitter.feed("\n");
    CHECK(all_of(splitter) == std::vector<std::string>{std::string(line_limit, 'x')});
}

TEST_CASE("an endless line is reported once, takes no memory, and ends at the next newline") {
    LineSplitter splitter;
    std::size_t faults = 0;
    for (int i = 0; i < 1000; ++i) {
        splitter.feed(std::string(1000, 'z'));
        faults += all_of(splitter).size();
        CHECK(splitter.pending() <= line_limit + 1);
    }
    CHECK(faults == 1);
    splitter.feed("zzz\ngood\n");
    CHECK(all_of(splitter) == std::vector<std::string>{"good"});
}

TEST_CASE("a line with a NUL or with bytes that are not UTF-8 is refused and the next one is read") {
    LineSplitter splitter;
    splitter.feed(
        std::string_view("a\0b\n\xc0\xaf\n\xed\xa0\x80\n\xf4\x90\x80\x80\n\xe2\x82\n\xe2\x82\xac\n", 23));
    CHECK(all_of(splitter) == std::vector<std::string>{"! a line holds a NUL byte", "! a line is not UTF-8",
                                                       "! a line is not UTF-8", "! a line is not UTF-8",
                                                       "! a line is not UTF-8", "\xe2\x82\xac"});
}
