#include "service/interlock/decide.hpp"

#include <algorithm>
#include <iterator>

#include "service/interlock/bypass.hpp"
#include "service/interlock/calibration.hpp"
#include "service/interlock/lookup.hpp"
#include "service/interlock/moves.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/interlock/tool_orders.hpp"
#include "service/interlock/transition.hpp"

namespace tautgate::interlock {
namespace {

// What still holds a unit back that two people let leave unproven: doubt about the equipment and about which
// unit stands there. Doubt about its joints is what they decided about.
bool holds_leaving(ReasonCode code) noexcept {
    switch (code) {
    case ReasonCode::no_rules_in_force:
    case ReasonCode::bay_not_in_rules:
    case ReasonCode::ticket_repeated:
    case ReasonCode::no_unit:
    case ReasonCode::presence_unconfirmed:
    case ReasonCode::unit_absent:
    case ReasonCode::controller_link_lost:
    case ReasonCode::controller_fault:
    case ReasonCode::token_not_taken:
    case ReasonCode::movement_used:
    case ReasonCode::next_bay_occupied: return true;
    case ReasonCode::event_set_aside:
    case ReasonCode::decision_differs:
    case ReasonCode::moved_unproven:
    case ReasonCode::unit_on_hold:
    case ReasonCode::wrong_pair:
    case ReasonCode::unknown_variant:
    case ReasonCode::serial_seen_before:
    case ReasonCode::ticket_missing:
    case ReasonCode::order_unknown:
    case ReasonCode::order_cancelled:
    case ReasonCode::order_changed:
    case ReasonCode::order_used:
    case ReasonCode::order_differs:
    case ReasonCode::subassembly_used:
    case ReasonCode::tool_link_lost:
    case ReasonCode::tool_not_asked:
    case ReasonCode::result_gap:
    case ReasonCode::results_outstanding:
    case ReasonCode::result_conflict:
    case ReasonCode::result_unassigned:
    case ReasonCode::tool_overdue:
    case ReasonCode::source_on_hold:
    case ReasonCode::restart_unverified:
    case ReasonCode::fastener_locked:
    case ReasonCode::replacement_due:
    case ReasonCode::loosening_due:
    case ReasonCode::joint_not_ok:
    case ReasonCode::joint_open:
    case ReasonCode::check_open:
    case ReasonCode::curve_awaited:
    case ReasonCode::check_waits:
    case ReasonCode::witness_missing: return false;
    }
    return true;
}

bool names(const config::Plan& plan, const PermissiveId& id) {
    return std::ranges::find(plan.leaving_incomplete.permissives, id.text) !=
           plan.leaving_incomplete.permissives.end();
}

// The plan's own ways out; for a unit without a plan, every way that some plan names.
bool is_way_out(const config::Station& station, const Stay& stay, const PermissiveId& id) {
    if (const config::Plan* plan = plan_of(station, stay))
        return names(*plan, id);
    return std::ranges::any_of(station.plans, [&](const config::Plan& plan) { return names(plan, id); });
}

Output leaving_output(const Stay& stay) { return LeavingIncomplete{*stay.leaves_incomplete, stay.token}; }

// A release that still stands keeps its number: it is the same release.
Output release(const PermissiveState& before, const Stay& stay, EventNumber now) {
    const auto* standing = std::get_if<Released>(&before.output);
    const bool same = standing != nullptr && standing->token == stay.token;
    return same ? before.output : Output{Released{now, stay.token}};
}

PermissiveState settled(const RuleBook& rules, const State& state, const BayState& bay,
                        const PermissiveState& before, EventNumber now) {
    std::vector<Reason> reasons = holds_of(rules, state, bay, before.id);
    const Stay* stay = stay_at(bay);
    if (reasons.empty() && stay != nullptr)
        return {before.id, release(before, *stay, now), {}};
    const config::Station* station = rules_at(rules, state, bay);
    if (stay != nullptr && stay->leaves_incomplete && station != nullptr &&
        is_way_out(*station, *stay, before.id)) {
        const bool held =
            std::ranges::any_of(reasons, [](const Reason& reason) { return holds_leaving(reason.code); });
        if (!held)
            return {before.id, leaving_output(*stay), {}};
    }
    return {before.id, Withheld{}, std::move(reasons)};
}

// A leaving that was interrupted by doubt is a new release when the doubt is gone: it must wait for the disk
// like any other, so it bears the number of the event that cleared it.
void number_anew(const PermissiveState& before, PermissiveState& after, EventNumber now) {
    auto* leaving = std::get_if<LeavingIncomplete>(&after.output);
    if (leaving == nullptr)
        return;
    const auto* standing = std::get_if<LeavingIncomplete>(&before.output);
    leaving->by = standing != nullptr && standing->token == leaving->token ? standing->by : now;
}

std::vector<Reason> without(const std::vector<Reason>& reasons, const std::vector<Reason>& those) {
    std::vector<Reason> left;
    std::ranges::copy_if(reasons, std::back_inserter(left), [&](const Reason& reason) {
        return std::ranges::find(those, reason) == those.end();
    });
    return left;
}

PermissiveChange change_of(const BayId& bay, const PermissiveState& before, const PermissiveState& after) {
    PermissiveChange change{bay, after.id, after.output, without(after.reasons, before.reasons), {}};
    if (std::holds_alternative<Withheld>(after.output))
        change.gone = without(before.reasons, after.reasons);
    return change;
}

// True: a bay expects another unit than before.
bool settle_each(const RuleBook& rules, State& state, EventNumber now,
                 std::vector<PermissiveChange>& changes) {
    bool expects_another = false;
    for (BayState& bay : state.bays) {
        for (PermissiveState& permissive : bay.permissives) {
            PermissiveState after = settled(rules, state, bay, permissive, now);
            number_anew(permissive, after, now);
            if (after == permissive)
                continue;
            changes.push_back(change_of(bay.id, permissive, after));
            permissive = std::move(after);
        }
        expects_another = expect_from(rules, state, bay) || expects_another;
    }
    return expects_another;
}

// Whom a bay expects holds back everybody else who would move there, and is expected no longer than that
// movement is free. When it changes, the outputs are looked at once more; at most every bay loses one unit
// that it expected and gets another.
void settle_outputs(const RuleBook& rules, State& state, EventNumber now,
                    std::vector<PermissiveChange>& changes) {
    for (std::size_t round = 0; round <= 2 * state.bays.size(); ++round) {
        const bool expects_another = settle_each(rules, state, now, changes);
        const bool expects_none = drop_expected(state);
        if (!expects_another && !expects_none)
            return;
    }
}

std::vector<OverrideEnded> overrides_of(const State& state) {
    std::vector<OverrideEnded> all;
    for (const BayState& bay : state.bays) {
        const Stay* stay = stay_at(bay);
        if (stay == nullptr)
            continue;
        for (const JointState& joint : stay->joints) {
            if (joint.override_)
                all.push_back({bay.id, joint.id, joint.override_->proposal});
        }
    }
    return all;
}

// With the stay they end by themselves.
std::vector<OverrideEnded> ended_since(std::vector<OverrideEnded> before, const State& now) {
    if (before.empty())
        return before;
    const std::vector<OverrideEnded> standing = overrides_of(now);
    std::erase_if(before, [&](const OverrideEnded& each) {
        const BayState* bay = bay_of(now, each.bay);
        const bool gone = bay == nullptr || stay_at(*bay) == nullptr;
        return gone || std::ranges::find(standing, each) != standing.end();
    });
    return before;
}

// A curve that nobody waits for is evidence and no more; where an arm stands matters to the next result only.
bool changes_outputs(const Payload& payload, const Outcome& outcome) {
    const bool never =
        std::holds_alternative<SnapshotTaken>(payload) || std::holds_alternative<InputRefused>(payload) ||
        std::holds_alternative<SignInRefused>(payload) || std::holds_alternative<PersonUnlocked>(payload) ||
        std::holds_alternative<NameErased>(payload) || std::holds_alternative<SecretRenewed>(payload) ||
        std::holds_alternative<LabelMisread>(payload) || std::holds_alternative<ArmMoved>(payload) ||
        (std::holds_alternative<TraceReceived>(payload) && std::holds_alternative<Applied>(outcome));
    return !never;
}

// A date that was reached stays reached: what is over is gone, whatever a clock says later.
void end_what_is_over(State& state, std::int64_t utc_us) {
    std::erase_if(state.deputies, [&](const Deputy& deputy) { return utc_us >= deputy.until_utc_us; });
    std::erase_if(state.locks, [&](const SignInLock& lock) { return utc_us >= lock.until_utc_us; });
}

}  // namespace

Decision decide(const RuleBook& rules, State state, const Event& event) {
    Decision decision{std::move(state), {}};
    decision.state.newest = event.number;
    end_what_is_over(decision.state, event.at.utc_us);
    settle_calibrations(rules, decision.state, event.at.utc_us);
    const bool bypass_ended = settle_bypasses(rules, decision.state, event);
    std::vector<OverrideEnded> overrides = overrides_of(decision.state);
    Transition transition{rules, decision.state, event, {}};
    decision.record.outcome =
        std::visit([&](const auto& payload) { return apply(transition, payload); }, event.payload);
    end_wiring_tests(transition);
    settle_checks(transition);
    drop_selections(transition);
    decision.record.effects = std::move(transition.effects);
    decision.record.ended = ended_since(std::move(overrides), decision.state);
    if (bypass_ended || changes_outputs(event.payload, decision.record.outcome)) {
        settle_outputs(rules, decision.state, event.number, decision.record.changes);
        settle_tools(rules, decision.state, event);
    }
    return decision;
}

std::string sentence(const Questioned& scanned) {
    return "The ticket does not count: " + scanned.detail + ".";
}

std::string sentence(const InsideAudit& inside) {
    return inside.check.found + " is inside the audit limits (" + inside.check.allowed + ").";
}

std::string sentence(const OutsideAudit& outside) {
    return outside.check.found + " is outside the audit limits (" + outside.check.allowed +
           "): the fastener is not proven any more, and a supervisor decides.";
}

std::string sentence(const Refused& refused) {
    const std::string detail = refused.detail.empty() ? "." : ": " + refused.detail + ".";
    switch (refused.code) {
    case RefusalCode::unknown_person: return "This person is not enrolled at the station" + detail;
    case RefusalCode::suspended: return "This person is suspended" + detail;
    case RefusalCode::not_entitled: return "This person's roles do not allow it" + detail;
    case RefusalCode::same_person_twice: return "The second person must be another one" + detail;
    case RefusalCode::tightened_it: return "Whoever tightened the joint cannot decide about it" + detail;
    case RefusalCode::no_stay: return "No unit is at the bay" + detail;
    case RefusalCode::no_such_joint: return "This unit has no such joint" + detail;
    case RefusalCode::no_such_thing: return "There is nothing by that name" + detail;
    case RefusalCode::already_settled: return "There is nothing to decide any more" + detail;
    case RefusalCode::reason_missing: return "A reason is needed" + detail;
    case RefusalCode::value_missing: return "Something that must be verified is missing" + detail;
    case RefusalCode::value_outside_audit_window:
        return "The hand-checked value is outside the audit window" + detail;
    case RefusalCode::seen_too_old:
        return "What you saw is no longer so; look again and decide anew" + detail;
    case RefusalCode::not_possible_now: return "This is not possible now" + detail;
    case RefusalCode::needs_second_administrator: return "A second person must agree" + detail;
    }
    return "This is not possible now" + detail;
}

}  // namespace tautgate::interlock
