#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "protocol/text.hpp"

using namespace tautgate::protocol;

TEST_CASE("a word is suggested only where it comes near") {
    const std::vector<std::string> known{"poll_interval_ms", "port", "host", "unit", "A"};
    struct Row {
        std::string word;
        std::string nearest;
    };
    for (const auto& row : std::vector<Row>{{"pol_interval_ms", "poll_interval_ms"},
                                            {"prot", "port"},  // neighbours swapped: one edit
                                            {"pollinterval", "poll_interval_ms"},
                                            {"hosts", "host"},
                                            {"colour", ""},
                                            {"HOST", "host"},  // only the case differs
                                            {"D", ""},
                                            {"", ""},
                                            {std::string(5000, 'p'), ""}}) {
        INFO(row.word);
        CHECK(nearest_word(row.word, known) == row.nearest);
    }
}

TEST_CASE("one thing has no s, and any other number has") {
    CHECK(counted(1, "stay") == "1 stay");
    CHECK(counted(0, "stay") == "0 stays");
    CHECK(counted("12", "result") == "12 results");
    CHECK(counted("-", "result") == "- results");
}

TEST_CASE("names of kinds become names of interfaces") {
    CHECK(snake_case("OverrideJoint") == "override_joint");
    CHECK(snake_case("Applied") == "applied");
    CHECK(snake_case("withheld") == "withheld");
}
