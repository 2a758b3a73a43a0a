// Reasons about the unit in the bay and its tie to the equipment.
#include "tests/end_to_end/reason_stand.hpp"

namespace tautgate::end_to_end {

using enum interlock::ReasonCode;
using nlohmann::json;
using protocol::Movement;
using simulation::UnitPapers;

namespace {

Told moved_unproven_told(Stand& stand) {
    stand.identified();
    stand.controller().force_move("lift-beam");
    return {.sentence = "lift-beam: the movement was made although it was withheld.",
            .remedy = "Stop, check the unit, then acknowledge the movement.",
            .clears = "by_decision",
            .facts = {{"permissive", "lift-beam"}}};
}

Told on_hold_told(Stand& stand) {
    stand.finished();
    stand.decides({{"place_hold", {{"serial", stand.papers().motor}}}});
    const std::string why = "Looked at with the team leader, all is well";
    return {.sentence = stand.papers().motor + " is on the hold list: " + why + ".",
            .remedy = "Quality decides and lifts the hold.",
            .clears = "by_decision",
            .facts = {{"serial", stand.papers().motor}, {"why", why}}};
}

Told source_on_hold_told(Stand& stand) {
    stand.finished();
    stand.decides({{"place_hold_on", {{"what", "tool"}, {"name", "NR-20"}}}});
    const std::string why = "Looked at with the team leader, all is well";
    return {.sentence = "Motor mounts: tool NR-20 is on quality hold: " + why + ".",
            .remedy =
                "Quality decides and lifts the hold; or verify the joint by hand and have it overridden.",
            .clears = "by_decision",
            .override_ = {{"people", 2},
                          {"roles", {"production_supervisor", "quality_engineer"}},
                          {"hand_checked_value", true}},
            .joint = "Motor mounts",
            .facts = {{"what", "tool"}, {"name", "NR-20"}, {"why", why}}};
}

Told wrong_pair_told(Stand& stand) {
    stand.arrives();
    stand.scans(stand.papers().motor_label());
    UnitPapers stranger = stand.papers();
    stranger.order = "LT26-9001";
    stand.scans(stranger.frame_label());
    const std::string why = "order " + stand.papers().order + " and order LT26-9001";
    return {.sentence = "The two tickets do not belong together: " + why + ".",
            .remedy = "Scan the right ticket, or let a supervisor decide.",
            .clears = "by_decision",
            .facts = {{"why", why}}};
}

void scan_right_frame(Stand& stand) {
    UnitPapers right = stand.papers();
    right.frame = "BF900001";
    stand.scans(right.frame_label());
}

Told unknown_variant_told(Stand& stand) {
    stand.arrives();
    UnitPapers odd = stand.papers();
    odd.variant = "MB9";
    stand.scans(odd.motor_label());
    stand.scans(odd.frame_label());
    return {.sentence = "No plan is known for type MB9.",
            .remedy = "Check the ticket; a plan for this type must be approved first.",
            .clears = "by_decision",
            .facts = {{"type", "MB9"}}};
}

Told ticket_repeated_told(Stand& stand) {
    stand.finished();
    stand.scans("D LT26-0417 MB1 TM990001");
    return {.sentence = "A second ticket of kind D was scanned (TM990001): has the unit left?",
            .remedy = "A supervisor answers: the unit is still here, or it has left.",
            .clears = "by_decision",
            .facts = {{"kind", "D"}, {"serial", "TM990001"}}};
}

// A good unit leaves by the carrier.
UnitPapers gone_by_the_carrier(Stand& stand) {
    stand.finished();
    UnitPapers papers = stand.papers();
    stand.need(stand.plant().shift().lift(papers) && stand.plant().shift().leave(papers),
               "the good unit does not leave");
    return papers;
}

Told seen_before(const UnitPapers& papers) {
    return {.sentence = papers.motor + " was at this station before.",
            .remedy = "A supervisor decides: rework, wrong scan or duplicate label.",
            .clears = "by_decision",
            .facts = {{"serial", papers.motor}}};
}

// It is set down once more.
Told seen_before_told(Stand& stand) {
    const UnitPapers papers = gone_by_the_carrier(stand);
    stand.arrives(papers);
    stand.scans(papers.motor_label());
    return seen_before(papers);
}
Told seen_before_by_hand_told(Stand& stand) {
    const UnitPapers papers = gone_by_the_carrier(stand);
    stand.arrives(papers);
    stand.types(papers.motor_label());
    return seen_before(papers);
}
// The next unit's ticket is corrected to the number of the one that left.
Told seen_before_by_correction_told(Stand& stand) {
    const UnitPapers papers = gone_by_the_carrier(stand);
    stand.arrives();
    stand.scans(stand.papers().motor_label());
    stand.need(stand.await([&] { return !stand.bay().at("occupant").at("tickets").empty(); }),
               "the ticket is not seen");
    stand.decides({{"correct_ticket", {{"text", papers.motor_label()}}}});
    return seen_before(papers);
}

Told no_unit_told(Stand&) {
    return {.sentence = "No unit is at the bay.",
            .remedy = "Bring a unit and scan its tickets.",
            .clears = "by_itself"};
}

Told ticket_missing_told(Stand& stand) {
    stand.arrives();
    stand.scans(stand.papers().motor_label());
    // Before the scan is taken the same reason names the other ticket.
    stand.need(stand.await([&] {
        return stand.reasons("lift-beam").dump().find("Ticket F has not been scanned.") != std::string::npos;
    }),
               "the first scan is not taken");
    return {.sentence = "Ticket F has not been scanned.",
            .remedy = "Scan ticket F.",
            .clears = "by_itself",
            .facts = {{"kind", "F"}}};
}

Told movement_used_told(Stand& stand) {
    stand.finished();
    stand.need(stand.controller().try_move("lift-beam") == Movement::allowed, "the beam does not move");
    return {.sentence = "lift-beam: the movement was already made for this unit.",
            .remedy = "If it was interrupted, a supervisor allows it once more.",
            .clears = "by_decision",
            .facts = {{"permissive", "lift-beam"}}};
}

void return_accepted(Stand& stand) { stand.decides({{"accept_return", json::object()}}); }

}  // namespace

const std::vector<ReasonCase>& unit_cases() {
    static const std::vector<ReasonCase> cases{
        {no_unit,
         "an empty bay is held until a unit comes",
         "lift-beam",
         {"no_unit"},
         no_unit_told,
         [](Stand& stand) { stand.arrives(); }},
        {ticket_missing,
         "a unit with one ticket is held until the other is scanned",
         "lift-beam",
         {"ticket_missing"},
         ticket_missing_told,
         [](Stand& stand) { stand.scans(stand.papers().frame_label()); }},
        {wrong_pair,
         "a frame of another order is held until the right one is scanned",
         "lift-beam",
         {"wrong_pair"},
         wrong_pair_told,
         scan_right_frame},
        {unknown_variant,
         "a type without a plan is held until the ticket is corrected",
         "lift-beam",
         {"unknown_variant"},
         unknown_variant_told,
         [](Stand& stand) {
             stand.decides({{"correct_ticket", {{"text", stand.papers().motor_label()}}}});
         }},
        {ticket_repeated,
         "a second ticket of a kind is held until people say what it means",
         "lift-beam",
         {"ticket_repeated"},
         ticket_repeated_told,
         [](Stand& stand) {
             stand.decides({{"unit_still_here", json::object()}});
         },
         true},
        {unit_on_hold,
         "a unit on the hold list is held until quality lifts that",
         "lift-beam",
         {"unit_on_hold"},
         on_hold_told,
         [](Stand& stand) {
             stand.decides_as("quality_engineer", {{"lift_hold", {{"serial", stand.papers().motor}}}});
         },
         true},
        {source_on_hold,
         "what a tool on quality hold has tightened is held until quality lifts that",
         "lift-beam",
         {"source_on_hold"},
         source_on_hold_told,
         [](Stand& stand) {
             stand.decides_as("quality_engineer",
                              {{"lift_hold_from", {{"what", "tool"}, {"name", "NR-20"}}}});
         },
         true},
        {moved_unproven,
         "a movement against the permissive is held until it is acknowledged",
         "lift-beam",
         {"moved_unproven", "unit_on_hold", "movement_used", "joint_open"},
         moved_unproven_told,
         [](Stand& stand) {
             stand.decides({{"acknowledge_move", {{"permissive", "lift-beam"}}}});
         }},
        {movement_used,
         "a movement that was made is held until it is allowed once more",
         "lift-beam",
         {"movement_used"},
         movement_used_told,
         [](Stand& stand) {
             stand.decides({{"rearm_permissive", {{"permissive", "lift-beam"}}}});
         },
         true},
        {serial_seen_before,
         "a serial number that was here before is held until people say why",
         "lift-beam",
         {"serial_seen_before", "ticket_missing"},
         seen_before_told,
         return_accepted},
        {serial_seen_before,
         "also when its label is typed by hand",
         "lift-beam",
         {"serial_seen_before", "ticket_missing"},
         seen_before_by_hand_told,
         return_accepted},
        {serial_seen_before,
         "also when a ticket is corrected to it",
         "lift-beam",
         {"serial_seen_before", "ticket_missing"},
         seen_before_by_correction_told,
         return_accepted},
    };
    return cases;
}

}  // namespace tautgate::end_to_end
