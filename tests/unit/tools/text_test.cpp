// What reaches a person's screen: nothing from outside may act on it.
#include <catch2/catch.hpp>

#include "tools/cli/text.hpp"

using namespace tautgate::cli;

TEST_CASE("control characters are shown, never sent to the terminal") {
    CHECK(plain("a\x1b[31mb\r\n\x07") == "a\\x1B[31mb\\x0D\\x0A\\x07");
    CHECK(plain("\x7f") == "\\x7F");
    CHECK(plain("\xC2\x9B"
                "31m") == "\\xC2\\x9B31m");  // C1: CSI as one character
}

TEST_CASE("marks that turn the direction of writing or hide are shown as bytes") {
    CHECK(plain("D26\xE2\x80\xAE"
                "714") == "D26\\xE2\\x80\\xAE714");
    CHECK(plain("\xE2\x80\x8B") == "\\xE2\\x80\\x8B");
    CHECK(plain("\xEF\xBB\xBF") == "\\xEF\\xBB\\xBF");
}

TEST_CASE("bytes that are no UTF-8 are shown one by one and swallow nothing") {
    CHECK(plain("\xFFok") == "\\xFFok");
    CHECK(plain("\xC3") == "\\xC3");
    CHECK(plain("\xC3(") == "\\xC3(");
    CHECK(plain("\xED\xA0\x80") == "\\xED\\xA0\\x80");  // a surrogate
    CHECK(plain("\xC0\x80") == "\\xC0\\x80");           // overlong
}

TEST_CASE("letters of any language stay") {
    CHECK(plain("N·m Größe 東") == "N·m Größe 東");
    CHECK(is_plain("N·m Größe 東"));
    CHECK_FALSE(is_plain("N·m\n"));
}

TEST_CASE("columns are as wide as their widest cell, counted in characters") {
    Table table{{"joint", "torque", "note"}};
    table.row({{"motor-mounts"}, {"412 N·m"}, {"first"}});
    table.row({{"clamps"}, {"-"}, {""}});
    CHECK(table.text(false, 2) == "  joint         torque   note\n"
                                  "  motor-mounts  412 N·m  first\n"
                                  "  clamps        -\n");
}

TEST_CASE("a cell with control characters stays in its column") {
    Table table{{"a", "b"}};
    table.row({{"x\ty"}, {"z"}});
    CHECK(table.text(false) == "a       b\nx\\x09y  z\n");
}

TEST_CASE("colours change no character that is read, and can be left out") {
    CHECK(painted("withheld", Colour::red, false) == "withheld");
    CHECK(painted("withheld", Colour::red, true) == "\x1b[31mwithheld\x1b[0m");
    CHECK(painted("-", Colour::none, true) == "-");
}

TEST_CASE("names become plain words") { CHECK(words("leaving_incomplete") == "leaving incomplete"); }

TEST_CASE("a stamp is shortened to seconds, any other text is left alone") {
    CHECK(short_time("2026-11-25T06:14:03.120000Z") == "2026-11-25 06:14:03Z");
    CHECK(short_time("soon") == "soon");
    CHECK(short_time("").empty());
}

TEST_CASE("a table wider than the screen wraps its last column at words, below itself") {
    Table table{{"id", "note"}};
    table.row({{"mounts"}, {"overridden by Cy Marsh and Di Lund; confirmed"}});
    CHECK(table.text(false, 2, 30) == "  id      note\n"
                                      "  mounts  overridden by Cy\n"
                                      "          Marsh and Di Lund;\n"
                                      "          confirmed\n");
    CHECK(table.text(false, 2, 80) == table.text(false, 2));
}

TEST_CASE("a table that leaves its last column no room is written as blocks, and nothing of it is lost") {
    Table table{{"time", "event", "about", "reason"}};
    table.row({{"2026-11-25"}, {"8"}, {"-"}, {"tool-failed: checked with wrench"}});
    CHECK(table.text(false, 2, 30) == "  2026-11-25\n"
                                      "    event: 8\n"
                                      "    reason: tool-failed: checked\n"
                                      "            with wrench\n");
}

TEST_CASE("words are kept whole where they fit, and no line is longer than asked") {
    CHECK(wrapped("a bc def", 4) == std::vector<std::string>{"a bc", "def"});
    CHECK(wrapped("abcdefgh ij", 3) == std::vector<std::string>{"abc", "def", "gh", "ij"});
    CHECK(wrapped("Größe", 3) == std::vector<std::string>{"Grö", "ße"});
    CHECK(wrapped("", 3) == std::vector<std::string>{""});
    CHECK(wrapped("as it is", 0) == std::vector<std::string>{"as it is"});
}
