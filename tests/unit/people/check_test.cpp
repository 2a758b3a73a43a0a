#include "service/people/check.hpp"

#include <algorithm>

#include <catch2/catch.hpp>

using namespace tautgate;
using namespace std::chrono_literals;
using config::Role;

namespace {

config::Station sound() {
    config::Station station;
    station.people.overrides = {
        {.risk = config::RiskClass::a, .people = 2, .roles = {Role::production_supervisor}},
        {.risk = config::RiskClass::b, .people = 1, .roles = {Role::production_supervisor}}};
    station.people.leaving_incomplete = {Role::quality_engineer};
    station.people.decisions = {Role::production_supervisor, Role::line_operator};
    return station;
}

std::vector<std::string> pointers(const config::Station& station) {
    std::vector<std::string> out;
    for (const auto& finding : people::check(station)) {
        CHECK_FALSE(finding.what.empty());
        CHECK_FALSE(finding.remedy.empty());
        out.push_back(finding.pointer);
    }
    return out;
}

}  // namespace

TEST_CASE("sound people rules give no finding") { CHECK(people::check(sound()).empty()); }

TEST_CASE("operators alone can neither override, nor decide, nor let a unit leave unproven") {
    auto station = sound();
    station.people.overrides[1].roles = {Role::line_operator};
    station.people.leaving_incomplete = {Role::line_operator};
    station.people.decisions = {Role::line_operator};
    CHECK(pointers(station) == std::vector<std::string>{"/people/overrides/1/roles",
                                                        "/people/leaving_incomplete", "/people/decisions"});
}

TEST_CASE("a class A override by one person is an error") {
    auto station = sound();
    station.people.overrides[0].people = 1;
    CHECK(pointers(station) == std::vector<std::string>{"/people/overrides/0/people"});
}

TEST_CASE("a sign-in that ends before the second person comes is an error, one of a whole shift a warning") {
    auto station = sound();
    station.people.sign_in_lasts = 29s;
    CHECK(people::check(station).at(0).severity == config::Severity::error);
    station.people.sign_in_lasts = 30s;
    CHECK(people::check(station).empty());
    station.people.sign_in_lasts = 8h;
    CHECK(people::check(station).empty());
    station.people.sign_in_lasts = 8h + 1s;
    CHECK(people::check(station).at(0).severity == config::Severity::warning);
}
