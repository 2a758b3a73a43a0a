// Reasons about the equipment's controller and what it says of the unit's presence.
#include "tests/end_to_end/reason_stand.hpp"

namespace tautgate::end_to_end {

using enum interlock::ReasonCode;
using nlohmann::json;

namespace {

const std::vector<std::string> out_of_sight{"presence_unconfirmed", "unit_absent", "controller_link_lost"};

Told restarted_told(Stand& stand) {
    stand.finished();
    stand.controller().restart();
    const std::string why = "the equipment's controller was restarted";
    return {.sentence = "It is not certain that the unit at the bay is still the same: " + why + ".",
            .remedy = "Scan a ticket of the unit at the bay.",
            .clears = "by_confirming_presence",
            .facts = {{"why", why}}};
}

Told absent_told(Stand& stand) {
    stand.finished();
    stand.controller().cut();
    return {.sentence = "The equipment does not see a unit at the bay.",
            .remedy = "Check the presence sensor and the unit's place.",
            .clears = "by_itself"};
}

Told link_told(const std::string& quality) {
    return {.sentence = "The link to the equipment's controller is " + quality + ".",
            .remedy = "Check the controller and its network cable.",
            .clears = "by_itself",
            .facts = {{"quality", quality}}};
}

Told cut_told(Stand& stand) {
    stand.finished();
    stand.controller().cut();
    return link_told("broken");
}

Told fault_told(Stand& stand) {
    stand.finished();
    stand.controller().set_equipment_fault(true);
    return {.sentence = "The equipment's controller reports a fault.",
            .remedy = "Clear the fault at the equipment.",
            .clears = "by_itself"};
}

// People say that the unit has left, and scan another one that the equipment did not see arrive.
Told token_told(Stand& stand) {
    stand.identified();
    const auto next = stand.plant().shift().next_papers("MB1");
    stand.scans(next.motor_label());
    stand.need(stand.await([&] { return stand.codes("lift-beam").front() == "ticket_repeated"; }),
               "the second ticket is not noticed");
    stand.decides({{"unit_has_left", json::object()}});
    stand.scans(next.motor_label());
    stand.scans(next.frame_label());
    return {.sentence = "The equipment has not taken this unit's token.",
            .remedy = "The unit must be set down anew so that the equipment sees it arrive.",
            .clears = "by_itself"};
}

void set_down_anew(Stand& stand) {
    stand.clear();
    stand.arrives();
}

}  // namespace

const std::vector<ReasonCase>& equipment_cases() {
    static const std::vector<ReasonCase> cases{
        {presence_unconfirmed,
         "after a restart of the controller a ticket of the unit is scanned",
         "lift-beam",
         {"presence_unconfirmed"},
         restarted_told,
         [](Stand& stand) { stand.scans(stand.papers().motor_label()); },
         true},
        {unit_absent, "a unit that nobody sees any more is held until it is seen", "lift-beam", out_of_sight,
         absent_told, [](Stand& stand) { stand.controller().mend(); }, true},
        {controller_link_lost, "a cut link to the controller is held until it is good again", "lift-beam",
         out_of_sight, cut_told, [](Stand& stand) { stand.controller().mend(); }, true},
        {controller_fault,
         "a fault of the equipment is held until it is cleared",
         "lift-beam",
         {"controller_fault"},
         fault_told,
         [](Stand& stand) { stand.controller().set_equipment_fault(false); },
         true},
        {token_not_taken,
         "a unit that the equipment did not see arrive is held until it is set down anew",
         "lift-beam",
         {"token_not_taken", "joint_open"},
         token_told,
         set_down_anew},
    };
    return cases;
}

}  // namespace tautgate::end_to_end
