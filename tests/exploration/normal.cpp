#include "tests/exploration/normal.hpp"

#include <algorithm>
#include <limits>

#include "protocol/permissive_block.hpp"
#include "service/interlock/canonical.hpp"
#include "tests/exploration/ranks.hpp"

namespace tautgate::exploration {
namespace {

// What a rule compares event numbers for: a release with the disk, a signature with the joint, and where a
// number names something that may be decided about.
template <class Visit>
void each_event(State& state, const Visit& visit) {
    for (BayState& bay : state.bays) {
        each_event_of_outputs(bay, visit);
        for (EventNumber& event : bay.set_aside)
            visit(event);
        if (bay.wiring_test)
            visit(bay.wiring_test->began);
        auto* stay = std::get_if<Stay>(&bay.occupant);
        if (stay == nullptr)
            continue;
        for (UnassignedResult& result : stay->unassigned)
            visit(result.result);
        for (EventNumber& event : stay->set_aside)
            visit(event);
        for (Proposal& proposal : stay->proposals) {
            visit(proposal.number);
            visit(proposal.what.seen);
            if (auto* assign = std::get_if<AssignResult>(&proposal.what.action))
                visit(assign->result);
        }
        if (!stay->proposals.empty()) {
            for (JointState& joint : stay->joints)
                visit(joint.changed);
            for (Ticket& ticket : stay->tickets)
                visit(ticket.scanned);
        }
    }
}

constexpr EventNumber any_event{1};

// What a first signature had not seen yet matters to it; that it is not there at all is as good.
void forget_unless_after(EventNumber& number, EventNumber first_seen) {
    if (number <= first_seen)
        number = any_event;
}

EventNumber first_seen(const Stay& stay) {
    EventNumber first{std::numeric_limits<std::uint64_t>::max()};
    for (const Proposal& proposal : stay.proposals)
        first = std::min(first, proposal.what.seen);
    return first;
}

void forget_in_joint(JointState& joint, EventNumber first_seen) {
    for (FastenerState& fastener : joint.fasteners) {
        for (PassState& pass : fastener.passes) {
            pass.attempts = std::min(pass.attempts, 2U);  // more than allowed is more than allowed
            if (pass.proof)
                pass.proof->result = any_event;
            if (pass.not_ok)
                pass.not_ok->result = any_event;
            if (pass.awaited)
                pass.awaited->result = any_event;
        }
    }
    if (joint.confirmed)
        joint.confirmed = any_event;
    if (joint.witnessed)
        joint.witnessed = any_event;
    if (joint.wait) {
        joint.wait->began = any_event;
        joint.wait->since = {};
        if (joint.wait->over)
            joint.wait->over->monotonic_ns = 30;  // before whatever is made from here on
    }
    if (joint.override_)
        joint.override_->proposal = any_event;
    forget_unless_after(joint.changed, first_seen);
}

void forget_in_stay(Stay& stay) {
    stay.id = any_event;
    stay.began.utc_us = 0;
    stay.began.monotonic_ns = 30;
    for (Ticket& ticket : stay.refused_tickets)
        ticket.scanned = any_event;
    for (Ticket& ticket : stay.tickets)
        forget_unless_after(ticket.scanned, first_seen(stay));
    for (JointState& joint : stay.joints)
        forget_in_joint(joint, first_seen(stay));
    for (CheckDone& check : stay.checks)
        check.confirmed = any_event;
    for (MovementSeen& moved : stay.moved_unproven)
        moved.seen = any_event;
    for (MovementSeen& used : stay.used)
        used.seen = any_event;
    if (stay.leaves_incomplete)
        stay.leaves_incomplete = any_event;
    if (stay.order)
        stay.order->taken = stay.order->since = any_event;
    for (ReuseAccepted& reuse : stay.reuses)
        reuse.decided = any_event;
    if (stay.selection)
        stay.selection->at.monotonic_ns = 30;
}

// Reasons tell people about event numbers; no rule reads them.
void forget_in_reasons(BayState& bay) {
    for (PermissiveState& permissive : bay.permissives) {
        for (Reason& reason : permissive.reasons)
            reason.facts.clear();
    }
}

// What is made from here on is made by whoever is signed on.
void forget_sign_ons(BayState& bay) {
    if (bay.sign_ons.size() > 1)
        bay.sign_ons.erase(bay.sign_ons.begin(), bay.sign_ons.end() - 1);
    for (SignOn& each : bay.sign_ons)
        each.since.monotonic_ns = 0;
}

// Units without a ticket are on the hold list by the number of their stay.
void forget_nameless(State& state) {
    std::string here;
    if (const auto* stay = std::get_if<Stay>(&state.bays.front().occupant))
        here = "stay " + std::to_string(stay->id.value);
    for (UnitHold& hold : state.holds) {
        if (hold.nameless)
            hold.unit.text = hold.unit.text == here ? "stay " + std::to_string(any_event.value) : "stay 0";
    }
}

bool looks_at_curves(const State& state) {
    const auto* stay = std::get_if<Stay>(&state.bays.front().occupant);
    const Revision with_curves{"r3"};
    return state.rules == with_curves || (stay != nullptr && stay->rules == with_curves);
}

// Of a bypass it matters which ways it leads to, and that it ended. One that is not there any more led to the
// others.
void forget_bypasses(State& state) {
    const auto leads_to = [&](const OtherWay& way) {
        return std::ranges::any_of(state.bypasses,
                                   [&](const Bypass& bypass) { return bypass.since == way.bypass; });
    };
    for (BayState& bay : state.bays) {
        if (auto* stay = std::get_if<Stay>(&bay.occupant))
            for (OtherWay& way : stay->other_ways)
                way.bypass = leads_to(way) ? any_event : EventNumber{};
    }
    for (EndedStay& ended : state.ended)
        for (OtherWay& way : ended.other_ways)
            way.bypass = {};
    for (Bypass& bypass : state.bypasses) {
        bypass.since = any_event;
        bypass.why.clear();
        if (bypass.ended)
            bypass.ended = any_event;
    }
}

void forget(State& state) {
    // A curve is known by its result.
    const std::size_t results_kept = looks_at_curves(state) ? 3 : 1;
    forget_nameless(state);
    forget_bypasses(state);
    for (BayState& bay : state.bays) {
        forget_in_reasons(bay);
        forget_sign_ons(bay);
        if (bay.wiring_test)
            bay.wiring_test->since = {};
        bay.unused_scan.reset();  // told, and read by no rule
        if (auto* stay = std::get_if<Stay>(&bay.occupant))
            forget_in_stay(*stay);
    }
    for (UnitHold& hold : state.holds) {
        hold.since = any_event;
        hold.why.clear();
    }
    std::ranges::sort(state.holds, {}, &UnitHold::unit);
    const auto same = std::ranges::unique(state.holds, {}, &UnitHold::unit);
    state.holds.erase(same.begin(), same.end());
    for (Order& order : state.orders)
        order.since = any_event;
    for (ClosedOrder& order : state.closed_orders)
        order.with = any_event;
    if (state.ended.size() > 1)
        state.ended.erase(state.ended.begin(), state.ended.end() - 1);
    for (EndedStay& ended : state.ended) {
        ended.id = any_event;
        ended.began.monotonic_ns = 10;
        ended.ended.monotonic_ns = 20;
    }
    state.unassigned.clear();  // of no present stay: only looked at, never decided about
    for (ToolState& tool : state.tools) {
        if (tool.recent.size() > results_kept)
            tool.recent.erase(tool.recent.begin(),
                              tool.recent.end() - static_cast<std::ptrdiff_t>(results_kept));
        if (tool.arm.size() > 1)
            tool.arm.erase(tool.arm.begin(), tool.arm.end() - 1);
        tool.changed = any_event;  // nobody decides about it by an older screen
        tool.baseline.reset();     // nothing of before comes here
        if (tool.calibration.newest)
            tool.calibration.newest->recorded = any_event;
    }
}

void renumber_events(Situation& at) {
    Ranks<EventNumber> ranks;
    const auto note = [&](EventNumber& number) { ranks.note(number); };
    const auto apply = [&](EventNumber& number) { ranks.apply(number); };
    each_event(at.newest, note);
    if (at.durable) {
        each_event(*at.durable, note);
        ranks.note(at.durable->newest);
    }
    ranks.note(at.newest.newest);
    ranks.rank(2);
    each_event(at.newest, apply);
    ranks.apply(at.newest.newest);
    if (at.durable) {
        each_event(*at.durable, apply);
        ranks.apply(at.durable->newest);
    }
}

void renumber_tokens(Situation& at) {
    Ranks<Token> ranks;
    // The reserved ones are told apart from those of stays by what they are.
    const auto is_reserved = [](const Token& token) {
        return protocol::token_kind(token.value) == protocol::TokenKind::challenge;
    };
    const auto note = [&](Token& token) {
        if (!is_reserved(token))
            ranks.note(token);
    };
    const auto apply = [&](Token& token) {
        if (!is_reserved(token))
            ranks.apply(token);
    };
    note(at.equipment.echoed);
    note(at.equipment.units_own);
    each_token(at.newest, note);
    if (at.durable)
        each_token(*at.durable, note);
    ranks.rank(1);
    apply(at.equipment.echoed);
    apply(at.equipment.units_own);
    each_token(at.newest, apply);
    if (at.durable)
        each_token(*at.durable, apply);
}

// Only how far the station's count is behind matters.
void shift_counts(Situation& at) {
    const auto shift = [](std::uint16_t& count, std::uint16_t base) {
        count = static_cast<std::uint16_t>(count - base + 10);
    };
    const auto each = [&](ControllerCounts& counts, const ControllerCounts& base) {
        shift(counts.arrivals, base.arrivals);
        shift(counts.departures, base.departures);
        shift(counts.starts, base.starts);
        for (std::size_t i = 0; i < counts.moved.size() && i < base.moved.size(); ++i)
            shift(counts.moved[i].count, base.moved[i].count);
    };
    auto& controller = at.newest.bays.front().controller;
    ControllerCounts physical{at.equipment.arrivals, at.equipment.departures, at.equipment.starts,
                              at.equipment.moved};
    const ControllerCounts base = physical;
    each(physical, base);
    at.equipment.arrivals = physical.arrivals;
    at.equipment.departures = physical.departures;
    at.equipment.starts = physical.starts;
    at.equipment.moved = physical.moved;
    if (controller.counts)
        each(*controller.counts, base);
    if (at.durable && at.durable->bays.front().controller.counts)
        each(*at.durable->bays.front().controller.counts, base);
    for (State* state : {&at.newest, at.durable ? &*at.durable : nullptr})
        if (state != nullptr && state->bays.front().wiring_test)
            each(state->bays.front().wiring_test->counts, base);
}

// What no result of the state can name any more is forgotten.
void shift_curve(const State& state, CurveOfResult& of, const std::vector<ToolOnFloor>& real) {
    for (std::size_t i = 0; i < state.tools.size(); ++i) {
        if (state.tools[i].id != of.tool)
            continue;
        const bool known = std::ranges::any_of(state.tools[i].recent, [&](const SeenResult& seen) {
            return seen.epoch == of.epoch && seen.counter == of.counter;
        });
        of.counter = known ? of.counter + 10 - real[i].made : 0;
        of.digest = known ? 1 : 0;
    }
}

void shift_curves(State& state, const std::vector<ToolOnFloor>& real) {
    for (EndedStay& ended : state.ended) {
        for (CurveDue& due : ended.curves_due)
            shift_curve(state, due.of, real);
    }
    auto* stay = std::get_if<Stay>(&state.bays.front().occupant);
    if (stay == nullptr)
        return;
    for (JointState& joint : stay->joints) {
        for (FastenerState& fastener : joint.fasteners) {
            for (PassState& pass : fastener.passes) {
                if (pass.awaited)
                    shift_curve(state, pass.awaited->of, real);
                if (pass.proof && pass.proof->curve)
                    shift_curve(state, pass.proof->curve->of, real);
            }
        }
    }
}

void shift_tool(ToolState& tool, const ToolOnFloor& real) {
    const auto shift = [&](std::uint64_t& count) { count = count + 10 - real.made; };
    // What nobody has any more never comes.
    std::erase_if(tool.missing, [&](const MissingRange& range) {
        return range.accepted && std::ranges::none_of(real.kept, [&](const Kept& kept) {
                   return range.from <= kept.reading.counter && kept.reading.counter <= range.to;
               });
    });
    for (MissingRange& range : tool.missing) {
        shift(range.from);
        shift(range.to);
    }
    if (auto* following = std::get_if<Following>(&tool.count))
        shift(following->counter);
    if (auto* broken = std::get_if<Broken>(&tool.count)) {
        shift(broken->expected);
        shift(broken->got);
        if (broken->newest != 0)
            shift(broken->newest);
    }
    if (tool.outstanding_to)
        shift(*tool.outstanding_to);
    for (SeenResult& seen : tool.recent) {
        shift(seen.counter);
        seen.digest = 1;
    }
    for (EarlyCurve& early : tool.early_curves)
        shift(early.counter);
}

void shift_tools(Situation& at) {
    // Before the counts that they are compared with.
    shift_curves(at.newest, at.tools);
    if (at.durable)
        shift_curves(*at.durable, at.tools);
    for (std::size_t i = 0; i < at.tools.size(); ++i) {
        ToolOnFloor& real = at.tools[i];
        shift_tool(at.newest.tools[i], real);
        if (at.durable)
            shift_tool(at.durable->tools[i], real);
        for (Kept& kept : real.kept)
            kept.reading.counter = kept.reading.counter + 10 - real.made;
        real.made = 10;
    }
    for (State* state : {&at.newest, at.durable ? &*at.durable : nullptr}) {
        if (state == nullptr)
            continue;
        auto* stay = std::get_if<Stay>(&state->bays.front().occupant);
        if (stay == nullptr)
            continue;
        for (UnassignedResult& result : stay->unassigned)
            result.reading.counter = 0;
    }
}

}  // namespace

void normalise(Situation& at) {
    if (!at.equipment.unit_there)
        at.relaxed = false;  // there is nothing that could be
    for (State* state : {&at.newest, at.durable ? &*at.durable : nullptr}) {
        if (state == nullptr)
            continue;
        forget(*state);
        for (Deputy& deputy : state->deputies)
            deputy.named = any_event;  // no rule reads it
    }
    renumber_events(at);
    renumber_tokens(at);
    shift_counts(at);
    shift_tools(at);
}

std::string key_of(const Situation& at) {
    std::string key;
    canonical(at.equipment, key);
    canonical(at.tools, key);
    canonical(at.mishaps_left, key);
    canonical(at.undurable, key);
    canonical(at.relaxed, key);
    canonical(at.arm_at, key);
    canonical(at.durable, key);
    canonical(at.newest, key);
    return key;
}

}  // namespace tautgate::exploration
