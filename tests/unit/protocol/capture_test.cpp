// Captures of invented exchanges. The format is ours, protocol/CAPTURE.md defines it.
#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/capture.hpp"

using namespace tautgate::protocol;

namespace {

CaptureHead head_of_capture() {
    return {.wire = CaptureWire::modbus_tcp,
            .tool = "NR-16",
            .connection = "127.0.0.1:8464, unit 1",
            .profile = "nutrunner-block",
            .profile_digest = std::string(64, 'a'),
            .began = "2026-11-26T14:05:00.000000Z"};
}

CaptureFault fault_in(const std::string& text) {
    const auto capture = read_capture(text);
    REQUIRE_FALSE(capture);
    return capture.error();
}

const std::string part_line = to_line(CapturedBytes{CaptureSide::station, 5, "\x01\xFF"});

}  // namespace

TEST_CASE("what was written is what is read, whatever the bytes") {
    CHECK(rc::check("a capture comes back whole", [] {
        Capture capture{.head = head_of_capture(), .parts = {}, .cut = false};
        std::string text = to_line(capture.head);
        std::int64_t at_us = 0;
        for (const auto& bytes : *rc::gen::arbitrary<std::vector<std::string>>()) {
            at_us += *rc::gen::inRange(0, 1000);
            capture.parts.push_back(
                {*rc::gen::element(CaptureSide::station, CaptureSide::tool), at_us, bytes});
            text += to_line(capture.parts.back());
        }
        RC_ASSERT(read_capture(text).value() == capture);
    }));
}

TEST_CASE("a line says what CAPTURE.md says that it says") {
    CHECK(part_line == "{\"at_us\":5,\"from\":\"station\",\"hex\":\"01ff\"}\n");
    CHECK(to_line(head_of_capture())
              .find("{\"capture_version\":1,\"wire\":\"modbus_tcp\",\"tool\":\"NR-16\"") == 0);
}

TEST_CASE("a file that was cut off anywhere is readable up to its last whole line") {
    const std::string head = to_line(head_of_capture());
    const std::string text = head + part_line + part_line;
    for (std::size_t length = head.size(); length <= text.size(); ++length) {
        INFO(length);
        const auto capture = read_capture(std::string_view(text).substr(0, length));
        REQUIRE(capture);
        CHECK(capture->parts.size() == (length - head.size()) / part_line.size());
        CHECK(capture->cut == ((length - head.size()) % part_line.size() != 0));
    }
    CHECK(fault_in(text.substr(0, head.size() - 1)).what == "there is no whole line");
}

TEST_CASE("a line in the middle that is not as it was recorded is a fault with its number") {
    const std::string head = to_line(head_of_capture());
    CHECK(fault_in(head + "rubbish\n" + part_line) ==
          CaptureFault{2, "it is no JSON object", "use the file as it was recorded, or record anew"});
    CHECK(fault_in(head + R"({"at_us":5,"from":"station","hex":"0g"})" + "\n").what ==
          "'hex' is not made of pairs of the digits 0 to 9 and a to f");
    CHECK(fault_in(head + R"({"at_us":-5,"from":"station","hex":""})" + "\n").what ==
          "'at_us' is missing or no whole number from 0 on");
    CHECK(fault_in(head + R"({"at_us":5,"from":"nobody","hex":""})" + "\n").what ==
          "'from' has a value that this version does not know");
    CHECK(fault_in(head + part_line + R"({"at_us":4,"from":"tool","hex":""})" + "\n").line == 3);
    CHECK(fault_in(part_line).line == 1);
}

TEST_CASE("another version of the format is refused, a key that is not known is left alone") {
    std::string head = to_line(head_of_capture());
    const auto with = [&](const std::string& what, const std::string& instead) {
        std::string changed = head;
        return changed.replace(changed.find(what), what.size(), instead);
    };
    CHECK(fault_in(with("\"capture_version\":1", "\"capture_version\":2")).what ==
          "it is a capture of version 2, known here is 1");
    CHECK(read_capture(with("\"capture_version\":1", "\"capture_version\":1,\"colour\":3")));
    CHECK(fault_in(with("2026-11-26T14:05:00.000000Z", "noon")).what == "'began' is no RFC 3339 time");
}

TEST_CASE("an answer belongs to the request before it, and silence to the one that got none") {
    const Capture capture{.head = head_of_capture(),
                          .parts = {{CaptureSide::tool, 0, "unasked"},
                                    {CaptureSide::station, 1, "one"},
                                    {CaptureSide::tool, 2, "ha"},
                                    {CaptureSide::tool, 3, "lf"},
                                    {CaptureSide::station, 4, "two"},
                                    {CaptureSide::station, 5, "three"},
                                    {CaptureSide::tool, 6, "all"}},
                          .cut = false};
    CHECK(exchanges_in(capture) ==
          std::vector<Exchange>{{1, "one", "half"}, {4, "two", ""}, {5, "three", "all"}});
}
