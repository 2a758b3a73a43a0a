// Reasons about the way from one bay to the next.
#include "tests/end_to_end/reason_stand.hpp"

namespace tautgate::end_to_end {

using nlohmann::json;

namespace {

void add_next_bay(json& station) {
    shorten_plans(station);
    json bay = station["bays"].front();
    bay["id"] = bay["name"] = "J2";
    bay["number"] = 2;
    bay["controller"].erase("port");  // it gets one of its own
    station["bays"].push_back(bay);
    station["permissives"].push_back({{"id", "shift"},
                                      {"number", 4},
                                      {"bay", "J1"},
                                      {"name", "Shift"},
                                      {"movement", "the table passes the unit on to J2"},
                                      {"scope", "classes"},
                                      {"classes", {"A", "B"}},
                                      {"moves_to", "J2"}});
    station["permissives"].push_back({{"id", "exit"},
                                      {"number", 5},
                                      {"bay", "J2"},
                                      {"name", "Exit"},
                                      {"movement", "the unit leaves J2"},
                                      {"leaving", true}});
    for (json& plan : station["plans"])
        plan["leaving_incomplete"]["permissives"].push_back("exit");
}

Told occupied_told(Stand& stand) {
    stand.finished();
    stand.need(stand.await_released("shift"), "the way to J2 is not released");
    stand.floor().controller("J2").set_present(true);
    const std::string why = "its equipment sees something there";
    return {.sentence = "The unit cannot move to bay J2: " + why + ".",
            .remedy = "Wait until bay J2 is free; if it is, check its presence sensor and let its unit be "
                      "ended.",
            .clears = "by_itself",
            .facts = {{"bay", "J2"}, {"why", why}}};
}

}  // namespace

Plant::Arrangement with_next_bay() {
    Plant::Arrangement arrangement;
    arrangement.change = add_next_bay;
    return arrangement;
}

const std::vector<ReasonCase>& move_cases() {
    static const std::vector<ReasonCase> cases{
        {interlock::ReasonCode::next_bay_occupied,
         "the way to the next bay is held while something is there",
         "shift",
         {"next_bay_occupied"},
         occupied_told,
         [](Stand& stand) { stand.floor().controller("J2").set_present(false); },
         true},
    };
    return cases;
}

}  // namespace tautgate::end_to_end
