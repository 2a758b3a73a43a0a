// A curve in characters, and the answers of `tautgate trace`.
#include <string>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tools/cli/plot.hpp"
#include "tools/cli/text.hpp"
#include "tools/cli/trace.hpp"

using namespace tautgate::cli;
using nlohmann::json;

namespace {

json stored(const json& curve) {
    return {{"traces",
             {{{"event", 8},
               {"at", "2026-11-25T06:14:03.120000Z"},
               {"tool", "NR\u001b[2J"},
               {"epoch", "17"},
               {"counter", "4212"},
               {"result", nullptr},
               {"digest", std::string(64, 'd')},
               {"samples", 3},
               {"bytes", 30}}}},
            {"curve", curve}};
}

}  // namespace

TEST_CASE("a straight line rises from one corner to the other") {
    CHECK(plot({{0, 0}, {10, 100}},
               {.screen = 26, .lines = 4, .braille = false, .x_name = "deg", .y_name = "N·m"}) ==
          "N·m\n"
          "100 |                ****\n"
          "    |          ******\n"
          "    |    ******\n"
          "  0 |****\n"
          "    +--------------------\n"
          "     0             10 deg\n");
}

TEST_CASE("with eight dots in a character the same line is finer") {
    // U+2800 and the bits of the dots; from the tables of the Unicode Standard 15, block Braille Patterns.
    CHECK(plot({{0, 0}, {1, 1}}, {.screen = 14, .lines = 2, .x_name = "x", .y_name = "y"}) ==
          "y\n"
          "1 |     ⣀⡠⠔⠒⠉\n"
          "0 |⣀⠤⠔⠊⠉\n"
          "  +----------\n"
          "   0      1 x\n");
}

TEST_CASE("no line is wider than the screen, whatever the numbers, and both axes hold nought") {
    for (const std::size_t screen : {20U, 33U, 80U, 200U}) {
        const std::string text =
            plot({{-1234.5, -0.001}, {5, 7}, {5, 7}}, {.screen = screen, .x_name = "deg", .y_name = "N·m"});
        REQUIRE_FALSE(text.empty());
        std::size_t begin = 0;
        for (std::size_t end = text.find('\n'); end != std::string::npos; end = text.find('\n', begin)) {
            CHECK(width_of(text.substr(begin, end - begin)) <= screen);
            begin = end + 1;
        }
    }
    CHECK(plot({{5, 3}}, {.screen = 40, .x_name = "x", .y_name = "y"}).find("\n   0 ") != std::string::npos);
}

TEST_CASE("nothing is drawn of nothing, and where there is no room") {
    CHECK(plot({}, {}).empty());
    CHECK(plot({{0, 0}}, {.screen = 8}).empty());
    CHECK(plot({{0, 0}}, {.lines = 0}).empty());
}

TEST_CASE("comma-separated values have the columns that the curve has, with their units") {
    CHECK(trace_table(stored({{"torque_unit_received", "N.m"},
                              {"time_us", {0, 500}},
                              {"torque_nm", {-0.1, 402.5}},
                              {"angle_deg", nullptr}})) ==
          "time (us),torque (N.m)\r\n0,-0.1\r\n500,402.5\r\n");
}

TEST_CASE("what came from a tool cannot steer the terminal, and a trace without a result is told") {
    const std::string text = trace_text(stored(nullptr), {}, {});
    CHECK(text.find('\x1b') == std::string::npos);
    CHECK(text.find("[2J") != std::string::npos);
    CHECK(text.find("none came") != std::string::npos);
}

TEST_CASE("a curve is drawn over the angle, or over the time where it was asked for or is all there is") {
    const json both{{"time_us", {0, 500}}, {"torque_nm", {0, 5}}, {"angle_deg", {0, 3}}};
    CHECK(trace_text(stored(both), {}, {}).find("3 deg") != std::string::npos);
    CHECK(trace_text(stored(both), {}, {.over = Over::time}).find("0.5 ms") != std::string::npos);
    const json timed{{"time_us", {0, 500}}, {"torque_nm", {0, 5}}, {"angle_deg", nullptr}};
    CHECK(trace_text(stored(timed), {}, {}).find("0.5 ms") != std::string::npos);
}
