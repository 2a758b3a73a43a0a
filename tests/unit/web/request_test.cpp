#include <catch2/catch.hpp>

#include "service/web/body.hpp"
#include "service/web/target.hpp"
#include "service/web/views.hpp"

using namespace tautgate::web;

TEST_CASE("a target is split first and decoded then, so that a serial may hold a slash") {
    const auto target = read_target("/v1/units/LT26%2F0417%20A?from=1&x=a%26b");
    REQUIRE(target);
    CHECK(target->segments == std::vector<std::string>{"v1", "units", "LT26/0417 A"});
    CHECK(target->query.at("from") == "1");
    CHECK(target->query.at("x") == "a&b");
}

TEST_CASE("targets that cannot be read are refused") {
    const auto* text = GENERATE("", "v1", "http://x/v1", "*", "/%", "/%4", "/%zz", "/%00", "/a?x=1&x=2",
                                "/a?%4=1", "/1/2/3/4/5/6/7/8/9/10/11/12/13/14/15/16/17");
    CAPTURE(text);
    CHECK_FALSE(read_target(text));
}

TEST_CASE("numbers are whole, decimal and nothing else") {
    CHECK(number_from("0") == 0);
    CHECK(number_from("18446744073709551615") == 18446744073709551615U);
    const auto* text = GENERATE("", "-1", "+1", "1 ", " 1", "0x1", "1.0", "18446744073709551616");
    CAPTURE(text);
    CHECK_FALSE(number_from(text));
}

TEST_CASE("a member that nobody asked for is a fault, named with its place") {
    auto body = Body::parse(R"({"known":"x","by":3})");
    CHECK(body.text("known") == "x");
    REQUIRE(body.fault());
    CHECK(body.fault()->where == "/by");
    CHECK(body.optional_number("by") == 3);
    CHECK_FALSE(body.fault());
}

TEST_CASE("wiping a body leaves no text in it") {
    auto body = Body::parse(R"({"secret":"204816","inner":{"more":["905173"]}})");
    body.wipe();
    CHECK(body.optional_text("secret") == "");
    CHECK(body.object("inner").texts("more") == std::vector<std::string>{""});
}
