// What a trial of proposed rules looks like on the screen and in a table, and what is no question.
#include <catch2/catch.hpp>

#include <nlohmann/json.hpp>

#include "protocol/csv.hpp"
#include "tools/cli/try_rules.hpp"

using namespace tautgate::cli;
using nlohmann::json;

namespace {

bool has(const std::string& text, const std::string& part) { return text.find(part) != std::string::npos; }

json view(const std::string& taken, const json& findings = json::array()) {
    return {{"taken", taken},
            {"joint", "caps"},
            {"fastener", "left 4"},
            {"findings", findings},
            {"why", nullptr}};
}

json trial() {
    const json reasons = {{{"code", "joint_not_ok"},
                           {"sentence", "Caps, left 4: not OK, the torque is above the window."},
                           {"remedy", "Loosen it."}}};
    const json high = {{{"code", "torque_high"},
                        {"sentence", "the torque is above the window"},
                        {"found", "257.7 N·m"},
                        {"allowed", "241 N·m to 257.5 N·m"}}};
    const json unit = {
        {"stay", 54},
        {"unit", "TM=1+1"},
        {"variant", "MB1"},
        {"bay", "J1"},
        {"began", "2026-11-27T04:52:13.054090Z"},
        {"last_event", 88},
        {"rules", "2d0c"},
        {"tightenings",
         {{{"event", 76},
           {"at", "2026-11-27T04:52:15.0Z"},
           {"tool", "NR-16"},
           {"was", view("ok")},
           {"would_be", view("not_ok", high)}}}},
        {"releases",
         {{{"permissive", "lift"},
           {"change", "would_not_have_come"},
           {"was", 86},
           {"would_be", nullptr},
           {"reasons", reasons}},
          {{"permissive", "carrier"},
           {"change", "would_not_have_come"},
           {"was", 88},
           {"would_be", nullptr},
           {"reasons", reasons}}}},
        {"decisions",
         {{{"event", 80},
           {"at", "2026-11-27T04:52:15.5Z"},
           {"change", "not_needed"},
           {"what", "override_joint"},
           {"says", "There is nothing to decide any more: the joint is proven or overridden."}}}},
        {"without_curve", {77}},
        {"not_followed", nullptr},
        {"stored_otherwise", nullptr}};
    return {{"stays", 3},
            {"results", 89},
            {"stays_with_differences", 1},
            {"still_open", 2},
            {"joints",
             {{{"joint", "caps"},
               {"name", "Axle-box caps"},
               {"tightenings", 48},
               {"ok_to_not_ok", 1},
               {"not_ok_to_ok", 0},
               {"otherwise", 0},
               {"not_told", 1},
               {"units", 1}}}},
            {"units", {unit}},
            {"cannot_be_told", {{{"about", "joint brace"}, {"why", "it was not tightened then"}}}},
            {"stored_otherwise", {17}}};
}

Asked<Exit> tried(TrialAsked asked, bool as_json = false) {
    const Desk desk{Http{parse_api("http://127.0.0.1:1").value()}, Style{}, as_json};
    asked.file = "none.json";
    asked.journal = "none.db";
    return try_rules(desk, asked);
}

}  // namespace

TEST_CASE("a person reads how many differ, which, why, and what cannot be told") {
    const auto text = trial_text(trial(), {});
    CHECK(has(text, "3 stays with 89 results tried: 1 would have gone otherwise"));
    CHECK(has(text, "2 stays not ended and passed over"));
    CHECK(has(text, "event 76, caps, left 4: OK; by the proposal not OK (the torque is above the window: "
                    "257.7 N·m, allowed 241 N·m to 257.5 N·m)"));
    CHECK(has(text, "event 80, decision not needed: override joint. There is nothing to decide any more"));
    CHECK(has(text, "lift: the release would not have come; it came with event 86. Caps, left 4: not OK"));
    CHECK(has(text, "carrier: the release would not have come; it came with event 88; for the same reasons"));
    CHECK(has(text, "event 77: by the proposal it waits for its curve, and none is stored"));
    CHECK(has(text, "joint brace: it was not tightened then"));
    CHECK(has(text, "Stay 17: this program decides it otherwise than is stored"));
    CHECK(has(text, "people acted on what they saw then"));
}

TEST_CASE("the table has one line for each difference, and every line all columns") {
    using namespace tautgate::protocol;
    const auto table = read_csv(trial_table(trial()), Separator::comma, {100'000, 100, 20, 1000, 10});
    REQUIRE(table.faults.empty());
    REQUIRE(table.records.size() == 6);
    for (const auto& record : table.records)
        CHECK(record.fields.size() == 13);
    CHECK(table.records[1].fields[3] == "tightening");
    CHECK(table.records[1].fields[10] == "ok");
    CHECK(table.records[1].fields[11] == "not_ok");
    CHECK(table.records[3].fields[9] == "lift");
}

TEST_CASE("a question that says its units twice, or no time, is not asked") {
    TrialAsked asked;
    asked.serials = {"A"};
    asked.newest = 3;
    const auto twice = tried(asked);
    REQUIRE_FALSE(twice);
    CHECK(twice.error().exit == Exit::wrong_usage);
    asked = {};
    asked.from = "yesterday";
    const auto no_time = tried(asked);
    REQUIRE_FALSE(no_time);
    CHECK(has(no_time.error().message, "--from yesterday: it is no time"));
    asked = {};
    asked.csv = true;
    const auto two_forms = tried(asked, true);
    REQUIRE_FALSE(two_forms);
    CHECK(two_forms.error().exit == Exit::wrong_usage);
    const auto no_file = tried({});
    REQUIRE_FALSE(no_file);
    CHECK(no_file.error().exit == Exit::could_not_ask);
    CHECK(has(no_file.error().message, "none.json: "));
}
