#include "service/interlock/reason.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <optional>

namespace tautgate::interlock {
namespace {

using enum ReasonCode;

constexpr std::array table{
    ReasonText{no_rules_in_force, "No rules are in force at this station.",
               "Let an administrator and a second person approve the configuration.", Clears::by_decision,
               false},
    ReasonText{bay_not_in_rules, "The rules in force do not know this bay or permissive.",
               "Let the configuration be corrected and approved.", Clears::by_decision, false},
    ReasonText{
        event_set_aside,
        "[{count} more results without a fastener came than are kept one by one, with events {first} to "
        "{event}|Something that happened at this bay could not be digested and was set aside].",
        "A supervisor looks at the set-aside record and decides about the unit.", Clears::by_decision, false},
    ReasonText{decision_differs, "This program version would have decided an earlier event differently.",
               "A supervisor looks at the difference and decides about the unit.", Clears::by_decision,
               false},
    ReasonText{moved_unproven, "{permissive}: the movement was made although it was withheld.",
               "Stop, check the unit, then acknowledge the movement.", Clears::by_decision, false},
    ReasonText{unit_on_hold, "{serial} is on the hold list: {why}.", "Quality decides and lifts the hold.",
               Clears::by_decision, false},
    ReasonText{wrong_pair, "The two tickets do not belong together: {why}.",
               "Scan the right ticket, or let a supervisor decide.", Clears::by_decision, false},
    ReasonText{unknown_variant, "No plan is known for type {type}.",
               "Check the ticket; a plan for this type must be approved first.", Clears::by_decision, false},
    ReasonText{ticket_repeated, "A second ticket of kind {kind} was scanned ({serial}): has the unit left?",
               "A supervisor answers: the unit is still here, or it has left.", Clears::by_decision, false},
    ReasonText{serial_seen_before, "{serial} was at this station before.",
               "A supervisor decides: rework, wrong scan or duplicate label.", Clears::by_decision, false},
    ReasonText{no_unit, "[{finding}|No unit is at the bay].", "[{advice}|Bring a unit and scan its tickets].",
               Clears::by_itself, false},
    ReasonText{ticket_missing, "Ticket {kind} has not been scanned.", "Scan ticket {kind}.",
               Clears::by_itself, false},
    ReasonText{presence_unconfirmed, "It is not certain that the unit at the bay is still the same: {why}.",
               "Scan a ticket of the unit at the bay.", Clears::by_confirming_presence, false},
    ReasonText{unit_absent, "[{finding}|The equipment does not see a unit at the bay].",
               "[{advice}|Check the presence sensor and the unit's place].", Clears::by_itself, false},
    ReasonText{order_unknown, "[Order {order} is not known at this station|The ticket names no order].",
               "Let planning send the order, or let an entitled person type it.", Clears::by_itself, false},
    ReasonText{order_cancelled, "Order {order} was cancelled[ ({when})].",
               "A supervisor decides: build the unit all the same, or let it leave incomplete.",
               Clears::by_decision, false},
    ReasonText{
        order_changed, "Order {order} was changed while the unit is here: {what}.",
        "A supervisor decides: by the order as it was, by the order as it is now, or leave incomplete.",
        Clears::by_decision, false},
    ReasonText{order_used, "Order {order} is taken by unit {unit}[ ({when})].",
               "Check the ticket; a supervisor decides whether another unit is built for it.",
               Clears::by_decision, false},
    ReasonText{order_differs, "The tickets do not fit order {order}: {why}.",
               "Correct the ticket, or let planning correct the order.", Clears::by_decision, false},
    ReasonText{subassembly_used, "{serial} is in unit {unit} ({when}).",
               "Use another one; if it was taken out of that unit, a supervisor decides.",
               Clears::by_decision, false},
    ReasonText{controller_link_lost, "The link to the equipment's controller[ of bay {bay}] is {quality}.",
               "Check the controller and its network cable.", Clears::by_itself, false},
    ReasonText{controller_fault, "The equipment's controller reports a fault.",
               "Clear the fault at the equipment.", Clears::by_itself, false},
    ReasonText{token_not_taken, "The equipment has not taken this unit's token.",
               "The unit must be set down anew so that the equipment sees it arrive.", Clears::by_itself,
               false},
    ReasonText{movement_used, "{permissive}: the movement was already made for this unit.",
               "If it was interrupted, a supervisor allows it once more.", Clears::by_decision, false},
    ReasonText{next_bay_occupied, "The unit cannot move to bay {bay}: {why}.",
               "Wait until bay {bay} is free; if it is, check its presence sensor and let its unit be ended.",
               Clears::by_itself, false},
    ReasonText{tool_link_lost, "The link to tool {tool} is {quality}.",
               "Check the tool, its battery and its network.", Clears::by_itself, false},
    ReasonText{tool_not_asked, "Tool {tool} has not yet said what it did while the station was down.",
               "Switch the tool on; if it cannot tell, a supervisor decides.", Clears::by_itself, false},
    ReasonText{result_gap, "Results of tool {tool} are missing: expected {expected}, got {got}.",
               "Let the tool send them; if it cannot, a supervisor decides.", Clears::by_decision, false},
    ReasonText{results_outstanding, "Tool {tool} still holds results up to {until}.",
               "Wait until the tool has sent them; if they do not come, a supervisor decides.",
               Clears::by_itself, false},
    ReasonText{result_conflict, "Tool {tool} sent two different results under the same number.",
               "Have the tool checked; a supervisor decides about its results.", Clears::by_decision, false},
    ReasonText{result_unassigned, "Result {result} of tool {tool} belongs to no fastener yet: {why}.",
               "A supervisor files it to its fastener or sets it aside.", Clears::by_decision, false},
    ReasonText{tool_overdue, "Tool {tool} proves nothing: its calibration {calibration}.",
               "Use a calibrated tool, or have this one calibrated and record its certificate.",
               Clears::by_decision, false},
    ReasonText{source_on_hold, "{joint}: {what} {name} is on quality hold: {why}.",
               "Quality decides and lifts the hold; or verify the joint by hand and have it overridden.",
               Clears::by_decision, true},
    ReasonText{restart_unverified,
               "{joint}: it was done as {way} until event {ended}, and nobody has verified that it can be "
               "done as planned again.",
               "Try what was out of order, then let an entitled person record how; or bypass it again.",
               Clears::by_decision, false},
    ReasonText{fastener_locked, "{joint}, {fastener}: the allowed attempts are used up[; {loosened}].",
               "A supervisor decides: one more attempt, override or rework.", Clears::by_decision, true},
    ReasonText{replacement_due, "{joint}, {fastener}: the fastener must be replaced.",
               "Replace it; a supervisor confirms that.", Clears::by_decision, true},
    ReasonText{loosening_due, "{joint}, {fastener}: must be loosened before it is tightened again.",
               "Loosen it with the tool, then tighten again.", Clears::by_itself, true},
    ReasonText{joint_not_ok, "{joint}, {fastener}: not OK, {finding}[ ({found}[; allowed {allowed}])].",
               "{advice}.", Clears::by_itself, true},
    ReasonText{joint_open,
               "{joint}: {open} of {all} still to do in {pass}, next {next}[, after {after}][; {loosened}].",
               "Tighten {next}[, once {after} is done].", Clears::by_itself, true},
    ReasonText{check_open, "Not confirmed yet: {step}[, after {after}].",
               "Do it and confirm it[, once {after} is done].", Clears::by_itself, false},
    ReasonText{curve_awaited, "{joint}, {fastener}: waiting for the curve of attempt {attempt} in {pass}.",
               "Wait until tool {tool} has sent it; if it does not come, the attempt may not count.",
               Clears::by_itself, true},
    ReasonText{check_waits, "{joint}: relaxes for {wait} before {pass} may be made.",
               "Wait; do not touch its fasteners until {pass} is asked for.", Clears::by_itself, true},
    ReasonText{witness_missing, "{joint}: done as {way}, and nobody has witnessed it.",
               "Somebody who did not do it looks at it and records that.", Clears::by_decision, true},
};

constexpr bool is_ordered() { return std::ranges::is_sorted(table, {}, &ReasonText::code); }
static_assert(is_ordered(), "the table follows the codes, worst first");
static_assert(table.size() == boost::mp11::mp_size<boost::describe::describe_enumerators<ReasonCode>>::value,
              "every reason has its text");

std::optional<std::string_view> value_of(const Reason& reason, std::string_view name) {
    if (name == "joint")
        return reason.joint;
    if (name == "fastener")
        return reason.fastener;
    if (name == "tool")
        return reason.tool;
    for (const Fact& fact : reason.facts) {
        if (fact.name == name)
            return fact.value;
    }
    return std::nullopt;
}

struct Filled {
    std::string text;
    bool whole = true;  // every fact that it asks for is there and not empty
};

// Where the part that begins with this bracket ends.
std::size_t end_of_part(std::string_view pattern, std::size_t open) {
    std::size_t depth = 0;
    for (std::size_t at = open; at < pattern.size(); ++at) {
        depth += pattern[at] == '[' ? 1 : 0;
        depth -= pattern[at] == ']' ? 1 : 0;
        if (depth == 0)
            return at;
    }
    assert(false && "every bracket of the table is closed");
    return pattern.size();
}

Filled filled(std::string_view pattern, const Reason& reason);

// What a bracket holds: "a" if a is whole, else nothing; of "a|b" b where a is not whole.
Filled filled_part(std::string_view part, const Reason& reason) {
    const auto bar = part.find('|');
    auto first = filled(part.substr(0, bar), reason);
    if (first.whole)
        return first;
    return bar == std::string_view::npos ? Filled{} : filled(part.substr(bar + 1), reason);
}

Filled filled(std::string_view pattern, const Reason& reason) {
    Filled out;
    while (!pattern.empty()) {
        const auto open = pattern.find_first_of("{[");
        out.text += pattern.substr(0, open);
        if (open == std::string_view::npos)
            break;
        if (pattern[open] == '[') {
            const auto close = end_of_part(pattern, open);
            out.text += filled_part(pattern.substr(open + 1, close - open - 1), reason).text;
            pattern.remove_prefix(close + 1);
            continue;
        }
        const auto close = pattern.find('}', open);
        const auto value = value_of(reason, pattern.substr(open + 1, close - open - 1));
        out.whole = out.whole && value && !value->empty();
        out.text += value.value_or("?");
        pattern.remove_prefix(close + 1);
    }
    return out;
}

}  // namespace

std::span<const ReasonText> reason_table() noexcept { return table; }

const ReasonText& text_of(ReasonCode code) noexcept {
    // Every code is in the table (static_assert above), so the search always ends.
    return *std::ranges::find(table, code, &ReasonText::code);
}

std::string sentence(const Reason& reason) { return filled(text_of(reason.code).sentence, reason).text; }

std::string remedy(const Reason& reason) { return filled(text_of(reason.code).remedy, reason).text; }

void order_worst_first(std::vector<Reason>& reasons) {
    // Mostly they are already, and sorting would take memory for that.
    if (!std::ranges::is_sorted(reasons, {}, &Reason::code))
        std::ranges::stable_sort(reasons, {}, &Reason::code);
    const auto [first, last] = std::ranges::unique(reasons);
    reasons.erase(first, last);
}

}  // namespace tautgate::interlock
