// Why a permissive is withheld. A reason is a record with a stable code; one table says what people are told
// about it, what helps, how it clears and whether it may be overridden. Screen, log, journal, API and tests
// all read that table; nothing else explains. Pure; any thread.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "service/interlock/event.hpp"

namespace tautgate::interlock {

// The value is the number shown on a panel and sent on the wire: never renumber, never reuse.
// Listed worst first; the table in reason.cpp keeps that order.
enum class ReasonCode : std::uint16_t {
    // the service itself
    no_rules_in_force = 10,
    bay_not_in_rules = 11,
    event_set_aside = 12,
    decision_differs = 13,
    // the unit and its tie to the equipment
    moved_unproven = 20,
    unit_on_hold = 21,
    wrong_pair = 22,
    unknown_variant = 23,
    ticket_repeated = 24,
    serial_seen_before = 25,
    no_unit = 26,
    ticket_missing = 27,
    presence_unconfirmed = 28,
    unit_absent = 29,
    // the unit's order and what it is joined from
    order_unknown = 30,
    order_cancelled = 31,
    order_changed = 32,
    order_used = 33,
    order_differs = 34,
    subassembly_used = 35,
    // the equipment's controller
    controller_link_lost = 40,
    controller_fault = 41,
    token_not_taken = 42,
    movement_used = 43,
    next_bay_occupied = 44,
    // tools
    tool_link_lost = 50,
    tool_not_asked = 51,
    result_gap = 52,
    results_outstanding = 53,
    result_conflict = 54,
    result_unassigned = 55,
    tool_overdue = 56,
    // quality
    source_on_hold = 60,
    restart_unverified = 61,
    // joints and steps
    fastener_locked = 70,
    replacement_due = 71,
    loosening_due = 72,
    joint_not_ok = 73,
    joint_open = 74,
    check_open = 75,
    curve_awaited = 76,
    check_waits = 77,
    witness_missing = 78
};
TAUTGATE_ENUM(ReasonCode, no_rules_in_force, bay_not_in_rules, event_set_aside, decision_differs,
              moved_unproven, unit_on_hold, wrong_pair, unknown_variant, ticket_repeated, serial_seen_before,
              no_unit, ticket_missing, presence_unconfirmed, unit_absent, order_unknown, order_cancelled,
              order_changed, order_used, order_differs, subassembly_used, controller_link_lost,
              controller_fault, token_not_taken, movement_used, next_bay_occupied, tool_link_lost,
              tool_not_asked, result_gap, results_outstanding, result_conflict, result_unassigned,
              tool_overdue, source_on_hold, restart_unverified, fastener_locked, replacement_due,
              loosening_due, joint_not_ok, joint_open, check_open, curve_awaited, check_waits,
              witness_missing);

enum class Clears : std::uint8_t {
    by_itself,               // the moment the fact is gone
    by_confirming_presence,  // a ticket of the unit is scanned at the bay
    by_decision,             // an entitled person decides
    not_in_this_stay
};
TAUTGATE_ENUM(Clears, by_itself, by_confirming_presence, by_decision, not_in_this_stay);

struct Fact {
    std::string name;
    std::string value;
    bool operator==(const Fact&) const = default;
};
TAUTGATE_FIELDS(Fact, name, value);

// What the reason is about. Empty texts where it is not about such a thing.
struct Reason {
    ReasonCode code = ReasonCode::no_rules_in_force;
    std::string joint;
    std::string fastener;
    std::string tool;
    std::vector<Fact> facts;  // limits, values, event numbers
    bool operator==(const Reason&) const = default;
};
TAUTGATE_FIELDS(Reason, code, joint, fastener, tool, facts);

struct ReasonText {
    ReasonCode code;
    // {joint}, {fastener}, {tool} and {<fact>} stand for the reason's own; a part in [] is left out unless
    // each of its facts is there, and of [a|b] b then stands in its place.
    std::string_view sentence;
    std::string_view remedy;
    Clears clears;
    bool overridable;  // an override of the joint lifts it
};

// Every code once, worst first.
[[nodiscard]] std::span<const ReasonText> reason_table() noexcept;
[[nodiscard]] const ReasonText& text_of(ReasonCode code) noexcept;

// The sentence (or remedy) with the reason's facts filled in.
[[nodiscard]] std::string sentence(const Reason& reason);
[[nodiscard]] std::string remedy(const Reason& reason);

// Sorts worst first and drops repetitions.
void order_worst_first(std::vector<Reason>& reasons);

}  // namespace tautgate::interlock
