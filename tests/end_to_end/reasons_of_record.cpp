// Reasons about the service itself: its rules and its record. Each case arranges its own start.
#include "tests/end_to_end/reason_stand.hpp"

#include <fstream>

#include "service/interlock/overloaded.hpp"
#include "tests/end_to_end/former_run.hpp"

namespace tautgate::end_to_end {

using enum interlock::ReasonCode;
using nlohmann::json;

namespace {

Told no_rules_told(Stand& stand) {
    stand.plant().start();
    stand.need(stand.plant().crew().await_station(patience));
    stand.need(stand.plant().crew().enrol(stand.plant().state_folder() / "enrol.code"));
    return {.sentence = "No rules are in force at this station.",
            .remedy = "Let an administrator and a second person approve the configuration.",
            .clears = "by_decision"};
}

json without_side_track(const json& station) {
    json other = station;
    std::erase_if(other["permissives"].get_ref<json::array_t&>(),
                  [](const json& permissive) { return permissive.at("id") == "side-track"; });
    for (auto& plan : other["plans"])
        plan["leaving_incomplete"] = {{"unguarded_way", "pushed by hand to the side track"}};
    return other;
}

void approve(Stand& stand, const json& station) {
    stand.plant().stop();
    std::ofstream{stand.plant().config_file()} << station.dump(2);
    stand.starts_again();
    stand.need(stand.plant().crew().approve_rules());
    stand.links_are_good();
}

json described(Stand& stand) {
    std::ifstream file{stand.plant().config_file()};
    return json::parse(file);
}

// The newest rules have no side track any more, the equipment still has.
Told not_in_rules_told(Stand& stand) {
    stand.plant().open_for_work();
    approve(stand, without_side_track(described(stand)));
    return {.sentence = "The rules in force do not know this bay or permissive.",
            .remedy = "Let the configuration be corrected and approved.",
            .clears = "by_decision"};
}

void approve_side_track(Stand& stand) {
    json station = described(stand);
    station["permissives"].push_back({{"id", "side-track"},
                                      {"number", 3},
                                      {"bay", "J1"},
                                      {"name", "Side track"},
                                      {"movement", "the unit is pushed to the side track, incomplete"},
                                      {"leaving", true}});
    approve(stand, station);
}

// The last run died while it decided about a label.
Told set_aside_told(Stand& stand) {
    stand.plant().open_for_work();
    stand.finished();
    stand.plant().kill();
    const auto number = died_deciding(journal_of(stand.plant()),
                                      interlock::LabelMisread{{"J1"}, "\x01\x02", "it is no label of ours"});
    stand.starts_again();
    return {.sentence = "Something that happened at this bay could not be digested and was set aside.",
            .remedy = "A supervisor looks at the set-aside record and decides about the unit.",
            .clears = "by_decision",
            .facts = {{"event", std::to_string(number)}}};
}

void dispose(Stand& stand) {
    const auto reasons = stand.reasons("lift-beam");
    const std::string event = reasons.front().at("facts").front().at("value");
    stand.decides({{"dispose_set_aside", {{"event", std::stoull(event)}}}});
}

// The program before came to another decision about the same event.
Told differs_told(Stand& stand) {
    stand.plant().open_for_work();
    stand.finished();
    stand.plant().kill();
    decided_otherwise(journal_of(stand.plant()), interlock::LabelMisread{{"J1"}, "?", "it is no label"});
    stand.starts_again();
    return {.sentence = "This program version would have decided an earlier event differently.",
            .remedy = "A supervisor looks at the difference and decides about the unit.",
            .clears = "by_decision"};
}

}  // namespace

const std::vector<ReasonCase>& record_cases() {
    static const std::vector<ReasonCase> cases{
        {no_rules_in_force,
         "a station without approved rules is held until two people approve them",
         "lift-beam",
         {"no_rules_in_force", "no_unit", "controller_link_lost"},
         no_rules_told,
         [](Stand& stand) { stand.need(stand.plant().crew().approve_rules()); }},
        {bay_not_in_rules,
         "a permissive that the rules do not know is held until they know it again",
         "side-track",
         {"bay_not_in_rules", "no_unit"},
         not_in_rules_told,
         approve_side_track},
        {event_set_aside,
         "an event that the last run died of is held until a supervisor disposes of it",
         "lift-beam",
         {"event_set_aside"},
         set_aside_told,
         dispose,
         true},
        {decision_differs,
         "another decision of the program before is held until people accept it",
         "lift-beam",
         {"decision_differs"},
         differs_told,
         [](Stand& stand) {
             stand.decides({{"accept_difference", json::object()}});
         },
         true},
    };
    return cases;
}

}  // namespace tautgate::end_to_end
