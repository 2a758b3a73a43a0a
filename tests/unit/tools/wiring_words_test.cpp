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

TEST_CASE("a wiring test that is under way is told with who began it and how it ends") {
    json bay{{"id", "J1"},
             {"wiring_test",
              {{"began", 31},
               {"permissive", nullptr},
               {"by", {{"number", 4}, {"name", "Mo Finch"}}},
               {"token", 7}}}};
    CHECK(cli::wiring_test_runs(bay) ==
          "the wiring of bay J1 is being tried already: every permissive is shown as released by Mo Finch, "
          "since "
          "event 31; wait until it is over, or end it: tautgate wiring-test J1 --end");
    bay["wiring_test"]["permissive"] = "lift";
    bay["wiring_test"]["by"] = nullptr;
    CHECK(cli::wiring_test_runs(bay).find("lift is shown as released, since event 31") != std::string::npos);
    bay["wiring_test"] = nullptr;
    CHECK(cli::wiring_test_runs(bay).empty());
}

TEST_CASE("before an answer can have come nothing is said against the controller") {
    json bay{
        {"id", "J1"},
        {"wiring_test", {{"began", 31}, {"permissive", nullptr}, {"by", nullptr}, {"token", 7}}},
        {"controller",
         {{"link", "good"}, {"present", "absent"}, {"fault", 0}, {"echoed_token", 3}, {"counts", nullptr}}}};
    const json health{{"inputs", json::array()}};
    CHECK(cli::wiring_text(bay, health, true).find("no word from the controller yet") != std::string::npos);
    CHECK(cli::wiring_text(bay, health, true).find("has not received it") == std::string::npos);
    CHECK(cli::wiring_text(bay, health, false).find("the controller has not received it") !=
          std::string::npos);
    bay["controller"]["echoed_token"] = 7;
    CHECK(cli::wiring_text(bay, health, true).find("shows what it received") != std::string::npos);
}
