#include <string>

#include <catch2/catch.hpp>

#include "config/document.hpp"
#include "config/shape.hpp"

using namespace tautgate::config;

TEST_CASE("every value knows its line, whatever stands around it") {
    const std::string text =
        "// first\n{\n  \"a\": 1,\n  /* two\n lines */ \"b\": [true, null,\n 2.50\n,\"x\"],\n"
        "  \"c/d~e\": {\"f\": false}\n}";
    const auto root = parse_document(text);
    REQUIRE(root.has_value());
    CHECK(line_of(*root, "") == 2);
    CHECK(line_of(*root, "/a") == 3);
    CHECK(line_of(*root, "/b") == 5);
    CHECK(line_of(*root, "/b/1") == 5);
    CHECK(line_of(*root, "/b/2") == 6);
    CHECK(line_of(*root, "/b/3") == 7);
    CHECK(line_of(*root, "/c~1d~0e/f") == 8);
    CHECK(root->find("b")->items[2].text == "2.50");
}

TEST_CASE("the line of a value that is missing is that of its nearest parent") {
    const auto root = parse_document("{\n\"a\":\n{\"b\": []}}");
    REQUIRE(root.has_value());
    CHECK(line_of(*root, "/a/x/y") == 3);
    CHECK(line_of(*root, "/a/b/7") == 3);
    CHECK(line_of(*root, "/z") == 1);
}

TEST_CASE("a text that would exhaust the reader is refused") {
    SECTION("depth") {
        const auto deep = parse_document(std::string(100'000, '['));
        REQUIRE_FALSE(deep.has_value());
        CHECK(deep.error().what == "objects and lists nest deeper than 32");
        CHECK(parse_document(std::string(32, '[') + std::string(32, ']')).has_value());
    }
    SECTION("keys") {
        std::string text = "{";
        for (int key = 0; key < 300; ++key) {
            text += "\"k" + std::to_string(key) + "\": 0,";
        }
        const auto wide = parse_document(text + "\"end\": 0}");
        REQUIRE_FALSE(wide.has_value());
        CHECK(wide.error().what == "an object has more than 256 keys");
    }
    SECTION("size") {
        const auto large = parse_document(std::string((4U << 20U) + 1, ' '));
        REQUIRE_FALSE(large.has_value());
        CHECK(large.error().what == "the file has 4194305 bytes, more than the 4194304 that are read");
    }
}

TEST_CASE("what is shown of a value stays short and printable") {
    CHECK(shown(std::string_view("a\nb\x1b[31m")) == "\"a?b?[31m\"");
    CHECK(shown(std::string_view(std::string(60, 'x'))) == "\"" + std::string(48, 'x') + "...\"");
}

TEST_CASE("a comment in a text or behind a line comment opens none") {
    CHECK(parse_document("{\"a\": \"/* \\\" /*\"} // /*\n").has_value());
    const auto open = parse_document("{} // a\n/* b */ /* c");
    REQUIRE_FALSE(open.has_value());
    CHECK(open.error().place.line == 2);
    CHECK(open.error().place.column == 9);
}

TEST_CASE("of what was read last only the end is told") {
    const auto cut = parse_document("{\"a\": \"" + std::string(20'000, 'x') + "\x01\"}");
    REQUIRE_FALSE(cut.has_value());
    CHECK(cut.error().what.size() < 250);
    CHECK(cut.error().what.find("last read: '...xxx") != std::string::npos);
}
