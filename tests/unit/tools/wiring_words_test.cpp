// What the command line says of a test of the wiring, from lines as the journal writes them.
#include <catch2/catch.hpp>

#include <nlohmann/json.hpp>

#include "service/journal/codec.hpp"
#include "tools/cli/wiring_test.hpp"

using namespace tautgate;
using nlohmann::json;

namespace {

// A line of GET /v1/events: the stored body beside its number and its hash.
json line_of(const std::vector<interlock::Effect>& effects) {
    journal::StoredEvent stored;
    stored.program = "0.1.0";
    stored.event.number.value = 12;
    stored.event.payload = interlock::WiringTestEnded{.bay = {"J1"}, .by = domain::PersonNumber{4}};
    stored.record.outcome = interlock::Applied{};
    stored.record.effects = effects;
    return {{"number", 12}, {"hash", "00"}, {"body", json::parse(journal::encode(stored))}};
}

}  // namespace

TEST_CASE("a stored event says why the wiring test of its bay ended") {
    using enum interlock::WiringTestEnd;
    CHECK(cli::wiring_test_end(line_of({interlock::WiringTestOver{{"J1"}, by_person}}), "J1") == "by_person");
    CHECK(
        cli::wiring_test_end(line_of({interlock::TakeSnapshot{}, interlock::WiringTestOver{{"J2"}, time_over},
                                      interlock::WiringTestOver{{"J1"}, equipment_moved}}),
                             "J1") == "equipment_moved");
}

TEST_CASE("an event that ended no wiring test of the bay says nothing about one") {
    using enum interlock::WiringTestEnd;
    CHECK(cli::wiring_test_end(line_of({interlock::WiringTestOver{{"J2"}, by_person}}), "J1").empty());
    CHECK(cli::wiring_test_end(line_of({}), "J1").empty());
    CHECK(cli::wiring_test_end(json{{"number", 12}, {"damaged_body", "{"}}, "J1").empty());
    CHECK(cli::wiring_test_end(json(nullptr), "J1").empty());
}
