#include <catch2/catch.hpp>

#include "tests/end_to_end/reason_stand.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using protocol::Movement;

TEST_CASE("reasons about the way to the next bay hold, are explained and clear") {
    each_held_and_explained(move_cases(), with_next_bay());
}

TEST_CASE("a unit goes to the next bay with its token, is finished there, and its record tells the way") {
    Plant plant{with_next_bay()};
    plant.open_for_work();
    Stand stand{plant};
    stand.finished();
    simulation::Controller& first = stand.controller();
    simulation::Controller& second = plant.floor().controller("J2");
    REQUIRE(stand.await_released("shift"));
    const auto token = first.state("shift").token;
    // Its token is shown there before it comes.
    CHECK(second.await(
        "exit", [&](const protocol::PlcState& plc) { return plc.code_token == token; }, patience));

    REQUIRE(first.try_move("shift") == Movement::allowed);
    first.set_present(false);
    // The way takes longer than the news of the movement.
    REQUIRE(stand.await([&] {
        const auto next = plant.crew().bay("J2");
        return next && next->at("occupant").is_object();
    }));
    second.set_present(true);
    REQUIRE(second.await(
        "exit", [&](const protocol::PlcState& plc) { return plc.token == token; }, patience));
    CHECK(first.await(
        "shift", [&](const protocol::PlcState& plc) { return plc.code_token != token; }, patience));
    CHECK(second.try_move("exit") == Movement::refused);  // the clamps are not confirmed
    for (const std::string& check : plant.floor().checks_to_confirm()) {
        plant.floor().account().confirmed(check);
        std::string refused;
        const bool confirmed = stand.await([&] {
            const auto done = plant.crew().confirm("J2", check);
            refused = done ? "" : done.error();
            return done.has_value();
        });
        INFO(check << ": " << refused);
        REQUIRE(confirmed);
    }
    REQUIRE(second.await_movement("exit", Movement::allowed, patience));
    CHECK(second.try_move("exit") == Movement::allowed);

    const auto stays = plant.await_record(stand.papers().motor,
                                          [](const auto& stay) { return !stay.at("ended").is_null(); });
    REQUIRE(stays.is_array());
    REQUIRE(stays.size() == 1);
    const auto& stay = stays.front();
    CHECK(stay.at("bay") == "J2");
    CHECK(stay.at("token") == token);
    REQUIRE(stay.at("moves").size() == 1);
    CHECK(stay.at("moves").front().at("from") == "J1");
    CHECK(stay.at("moves").front().at("to") == "J2");
    CHECK(stay.at("moves").front().at("permissive") == "shift");
    CHECK(stay.at("moves").front().at("unproven") == false);
    CHECK(first.violations().empty());
    CHECK(second.violations().empty());
}
