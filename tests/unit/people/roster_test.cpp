#include "service/people/roster.hpp"

#include <catch2/catch.hpp>

using namespace tautgate;
using people::Roster;

namespace {

constexpr domain::PersonNumber one{1};
constexpr domain::PersonNumber two{2};

Roster roster_of_two() {
    return Roster({{.number = one, .name = "Ada Quill", .badge = "B-01", .credential = "$argon2id$..."},
                   {.number = two, .name = "Ben Marl"}});
}

interlock::State state_of(std::vector<domain::Person> people) {
    interlock::State state;
    state.people = std::move(people);
    return state;
}

}  // namespace

TEST_CASE("the roster joins what the rules know with the names beside the journal") {
    const auto known =
        roster_of_two().known(state_of({{.number = one, .roles = {domain::Role::administrator}},
                                        {.number = two, .roles = {}, .suspended = true}}));
    REQUIRE(known.size() == 2);
    CHECK(known[0] == people::KnownPerson{.number = one,
                                          .name = "Ada Quill",
                                          .badge = "B-01",
                                          .roles = {domain::Role::administrator},
                                          .can_sign_in = true});
    CHECK(known[1].suspended);
    CHECK_FALSE(known[1].can_sign_in);
}

TEST_CASE("a record without an enrolling event is nobody") {
    CHECK(roster_of_two().known(state_of({})).empty());
}

TEST_CASE("somebody whose name was taken out is shown by number") {
    CHECK(Roster().name_of(domain::PersonNumber{7}) == "person 7");
    CHECK(roster_of_two().name_of(one) == "Ada Quill");
}

TEST_CASE("a badge leads to its person; an empty badge leads to nobody") {
    CHECK(roster_of_two().by_badge("B-01") == one);
    CHECK_FALSE(roster_of_two().by_badge("B-02"));
    CHECK_FALSE(roster_of_two().by_badge(""));
}

TEST_CASE("a later record leaves what it does not name") {
    auto roster = roster_of_two();
    roster.put({.number = one, .credential = "$argon2id$new"});
    CHECK(roster.find(one)->name == "Ada Quill");
    CHECK(roster.find(one)->badge == "B-01");
    CHECK(roster.find(one)->credential == "$argon2id$new");
}

TEST_CASE("a promised number is new to state, records and earlier promises") {
    auto roster = roster_of_two();
    CHECK(roster.promise_number(state_of({})) == domain::PersonNumber{3});
    CHECK(roster.promise_number(state_of({})) == domain::PersonNumber{4});
    CHECK(roster.promise_number(state_of({{.number = {9}, .roles = {}}})) == domain::PersonNumber{10});
}
