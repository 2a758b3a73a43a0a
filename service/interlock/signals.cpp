#include "service/interlock/signals.hpp"

#include <variant>

#include "service/interlock/gate.hpp"

namespace tautgate::interlock {
namespace {

// An empty bay is neither good nor bad, and asks for nothing.
bool Signals::*lit_by(ReasonCode code) noexcept {
    switch (code) {
    case ReasonCode::no_rules_in_force:
    case ReasonCode::bay_not_in_rules:
    case ReasonCode::event_set_aside:
    case ReasonCode::decision_differs:
    case ReasonCode::moved_unproven:
    case ReasonCode::wrong_pair:
    case ReasonCode::order_cancelled:
    case ReasonCode::order_used:
    case ReasonCode::order_differs:
    case ReasonCode::subassembly_used:
    case ReasonCode::unknown_variant:
    case ReasonCode::controller_link_lost:
    case ReasonCode::controller_fault:
    case ReasonCode::tool_link_lost:
    case ReasonCode::result_gap:
    case ReasonCode::result_conflict:
    case ReasonCode::fastener_locked:
    case ReasonCode::joint_not_ok: return &Signals::wrong;
    case ReasonCode::unit_on_hold:
    case ReasonCode::source_on_hold:
    case ReasonCode::restart_unverified:
    case ReasonCode::witness_missing:
    case ReasonCode::tool_overdue:
    case ReasonCode::order_unknown:
    case ReasonCode::order_changed:
    case ReasonCode::ticket_repeated:
    case ReasonCode::serial_seen_before:
    case ReasonCode::presence_unconfirmed:
    case ReasonCode::unit_absent:
    case ReasonCode::token_not_taken:
    case ReasonCode::movement_used:
    case ReasonCode::next_bay_occupied:
    case ReasonCode::tool_not_asked:
    case ReasonCode::results_outstanding:
    case ReasonCode::result_unassigned:
    case ReasonCode::curve_awaited:
    case ReasonCode::check_waits:
    case ReasonCode::replacement_due: return &Signals::attention;
    case ReasonCode::ticket_missing:
    case ReasonCode::loosening_due:
    case ReasonCode::joint_open:
    case ReasonCode::check_open: return &Signals::action;
    case ReasonCode::no_unit: return nullptr;
    }
    return &Signals::wrong;
}

bool awaits_decision(const BayState& bay) {
    const auto* stay = std::get_if<Stay>(&bay.occupant);
    return stay != nullptr && !stay->proposals.empty();
}

}  // namespace

Signals signals_of(const BayState& bay, EventNumber durable, bool station_fails) {
    Signals signals;
    signals.wrong = station_fails;
    signals.attention = awaits_decision(bay);
    for (const PermissiveState& permissive : bay.permissives) {
        const auto* released = std::get_if<Released>(&permissive.output);
        signals.released = signals.released || (released != nullptr && may_go_out(released->by, durable));
        signals.attention = signals.attention || std::holds_alternative<LeavingIncomplete>(permissive.output);
        for (const Reason& reason : permissive.reasons)
            if (const auto lamp = lit_by(reason.code))
                signals.*lamp = true;
    }
    signals.released = signals.released && !signals.wrong;
    return signals;
}

}  // namespace tautgate::interlock
