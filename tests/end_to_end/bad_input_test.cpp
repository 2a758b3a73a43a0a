// What no tool, scanner, controller or browser should send, sent to the built daemon: it is refused or kept
// with a sentence that names the thing and what helps, nothing comes to count by it, nothing that was
// recorded is lost, and the daemon goes on.
#include "protocol/line.hpp"
#include "tests/end_to_end/input_stand.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;

TEST_CASE("lines that no tool should send are refused in words, and the next good one counts") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified("MB2");
    auto* tool = stand.tool("NR-12").line();  // whose lines bear no seal
    struct Line {
        std::string bytes;
        std::string why;
    };
    const std::string too_long(5000, 'x');
    const std::vector<Line> lines{
        {"{\"beat\":\n", "the line is not JSON from byte"},
        {too_long + "\n", "longer than 4096 bytes"},
        {std::string("{\"beat\":{}\0}\n", 13), "NUL"},
        {"{\"beat\":\"\xff\"}\n", "UTF-8"},
        {"[1,2,3]\n", "the line holds no object"},
        {line_of({{"result", {{"counter", true}, {"direction", "tighten"}}}}),
         "the key 'counter' has a value of the wrong kind"},
        {line_of({{"result", {{"counter", "-1"}, {"direction", "tighten"}}}}),
         "the key 'counter' has a value of the wrong kind"},
        {line_of({{"result", {{"counter", "99999999999999999999"}, {"direction", "tighten"}}}}),
         "the key 'counter' has a value of the wrong kind"},
        {line_of({{"result", {{"counter", "1"}, {"direction", 7}}}}),
         "the key 'direction' has a value of the wrong kind"},
        {line_of({{"result", {{"counter", "1"}, {"direction", "sideways"}}}}), "direction"},
        {line_of({{"result", {{"direction", "tighten"}}}}), "counter"},
        {line_of({{"result", {{"counter", "1"}, {"direction", "tighten"}, {"colour", "red"}}}}),
         "unknown key 'colour'"},
        {line_of({{"reset", json::object()}}), "unknown key 'reset'"},
        {line_of({{"hello", {{"tool", "NR-12"}, {"epoch", "9"}, {"last", "0"}}}}),
         "hello was already said on this connection"},
    };
    std::uint64_t refusals = 0;
    for (const Line& line : lines) {
        tool->send_raw(line.bytes);
        ++refusals;
        const bool refused =
            tool->await([&](const auto& status) { return status.refusals >= refusals; }, patience);
        INFO(line.bytes.substr(0, 80) << " -> " << tool->status().refused);
        CHECK(refused);
        CHECK(says(tool->status().refused, line.why));
        if (!protocol::may_be_result(line.bytes))
            continue;
        // It may have been a result: the tool has to call again and say where its count stands.
        REQUIRE(tool->await([](const auto& status) { return !status.welcomed; }, patience));
        REQUIRE(tool->await([](const auto& status) { return status.welcomed; }, patience));
    }
    CHECK(stand.await_event("InputRefused", "NR-12"));
    stand.goes_on({"joint_open"});
    CHECK(stand.tightenings().empty());

    CHECK(stand.turns({"bracket-mirrored", 0, 0}).ok);
    stand.stored("NR-12");
    CHECK(stand.tightenings().size() == 1);
    CHECK(stand.tightenings().front().at("verdict") == "ok");
}

TEST_CASE("an unknown tool is turned away with the reason, and is on record") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    Stranger stranger{plant.station().tool_port->port};
    stranger.say(line_of({{"hello", {{"tool", "XX-1"}, {"epoch", "1"}, {"last", "0"}}}}));
    const auto told = stranger.hear("\n");
    CHECK(says(told, "no tool 'XX-1' with this protocol is known here"));
    CHECK(says(told, "say the tool's id of the station description"));
    CHECK(stranger.is_hung_up());
    CHECK(stand.await_event("InputRefused", "no tool 'XX-1' with this protocol is known here"));

    // Nor may a second one take the place of one that is there.
    Stranger twin{plant.station().tool_port->port};
    twin.say(line_of({{"hello", {{"tool", "NR-12"}, {"epoch", "1"}, {"last", "0"}}}}));
    CHECK(says(twin.hear("\n"), "tool NR-12 is connected already"));
    CHECK(twin.is_hung_up());

    // Nor one that has not the key of a tool that has one.
    Stranger unsealed{plant.station().tool_port->port};
    unsealed.say(line_of({{"hello", {{"tool", "NR-20"}, {"epoch", "1"}, {"last", "0"}}}}));
    CHECK(says(unsealed.hear("\n"), "tool NR-20 has a key, and its hello bears no nonce"));
    CHECK(unsealed.is_hung_up());
    stand.goes_on({"no_unit"});
    CHECK(plant.shift().wait_until_ready());
}

TEST_CASE("what is no build ticket of the station is recorded as misread and identifies nothing") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.arrives();
    struct Scan {
        std::string bytes;
        std::string why;
    };
    const std::vector<Scan> scans{
        {"D LT26-0417 MB1\r\n", "is no build ticket of this station: it fits kind D except that it ends "
                                "after 'D LT26-0417 MB1', where "
                                "' ' is expected; scan again"},
        {std::string(2000, 'D') + "\r\n", "; scan the build ticket, not another label"},
        {"D LT26-0417 \x01MB1 TM000001\r\n", "holds control characters; scan again"},
        {"D LT26-0417 \xff\xfe\r\n", "is not UTF-8; scan again"},
        {"D LT26-04", "only part of a label came"},
    };
    for (const Scan& scan : scans) {
        INFO(scan.bytes.substr(0, 60));
        stand.need(stand.floor().scanner().send_raw(scan.bytes));
        CHECK(stand.await_event("LabelMisread", scan.why));
    }
    // The end of the half comes late, so that what is scanned next is not taken for it.
    stand.need(stand.floor().scanner().send_raw("\r\n"));
    stand.goes_on({"ticket_missing"});
    stand.scans(stand.papers().motor_label());
    stand.scans(stand.papers().frame_label());
    stand.goes_on({"joint_open"});
}

TEST_CASE("requests that no browser should send are answered with what is wrong") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    InputStand stand{plant};
    stand.identified();
    const auto port = plant.station().api.port;
    struct Request {
        std::string text;
        std::string status;
        std::string why;
    };
    const auto post = [&](const std::string& body) {
        return "POST /v1/sign-in HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(port) +
               "\r\nContent-Type: application/json\r\nContent-Length: " + std::to_string(body.size()) +
               "\r\n\r\n" + body;
    };
    const std::vector<Request> requests{
        {"no HTTP at all\r\n\r\n", " 400 ", "remedy"},
        {"GET /" + std::string(100'000, 'x') + " HTTP/1.1\r\n", " 431 ", "its header has more than"},
        {"POST /v1/sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99999999\r\n\r\n", " 413 ",
         "its body has more than"},
        {post("{\"badge\":"), " 400 ", "JSON"},
        {post("[1]"), " 400 ", "object"},
        {post(R"({"badge":12,"secret":"x"})"), " 400 ", "/badge"},
        {post(R"({"person":-1,"secret":"x"})"), " 400 ", "/person"},
        {post(R"({"person":1e99,"secret":"x"})"), " 400 ", "/person"},
        {post(R"({"badge":"LT-1001","secret":"x","colour":"red"})"), " 400 ", "colour"},
    };
    for (const Request& request : requests) {
        Stranger browser{port};
        browser.say(request.text);
        const auto answer = browser.hear("\"remedy\"");
        INFO(request.text.substr(0, 80) << " -> " << answer);
        CHECK(says(answer.substr(0, answer.find('\r')), request.status));
        CHECK(says(answer, request.why));
    }
    {
        Stranger half{port};
        half.say("POST /v1/sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 50\r\n\r\n{\"bad");
    }
    stand.goes_on({"joint_open"});
}

TEST_CASE("frames that no controller should send close that connection, and the right one is served on") {
    auto arrangement = with_short_plans();
    arrangement.change = [](json& station) {
        shorten_plans(station);
        station["bays"][0]["controller"]["role"] = "server";
    };
    Plant plant{arrangement};
    plant.open_for_work();
    InputStand stand{plant};
    stand.finished();
    const auto port = plant.station().bays.front().controller.port;
    // Modbus application header: transaction, protocol, length, unit; then the function. From memory.
    const std::vector<std::string> frames{
        "0001",                            // half a header
        "00010000000601",                  // a header without a function
        "0001000000060103000000",          // half a request
        "00010000ffff0103000000010000",    // a length beyond any frame
        "0001beef0006010300000001",        // another protocol
        "00010000000601030000ffff",        // more registers than there are in any answer
        "000100000006010300ff0001",        // registers that are not there
        "0001000000060190000000010000ff",  // a function that nobody knows
    };
    for (const std::string& frame : frames) {
        INFO(frame);
        Stranger master{port};
        const auto bytes = tests::from_hex(frame);
        master.say({bytes.begin(), bytes.end()});
    }
    CHECK(plant.daemon().running());
    CHECK(stand.await_released("lift-beam"));
    CHECK(stand.codes("lift-beam").empty());
    CHECK(stand.controller().violations().empty());
}
