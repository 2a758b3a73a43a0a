#include "service/journal/stored_event.hpp"

#include <algorithm>
#include <utility>

#include "service/interlock/lookup.hpp"
#include "service/journal/digest.hpp"

namespace tautgate::journal {
namespace {

using interlock::State;
using interlock::Stay;
using interlock::Ticket;

const Stay* stay_in(const interlock::BayState& bay) { return std::get_if<Stay>(&bay.occupant); }

const interlock::BayState* bay_of_stay(const State& state, EventNumber stay) {
    for (const auto& bay : state.bays)
        if (const Stay* here = stay_in(bay); here != nullptr && here->id == stay)
            return &bay;
    return nullptr;
}

interlock::Identified identity_of(const Stay& stay) {
    const auto* known = std::get_if<interlock::Identified>(&stay.identity);
    return known != nullptr ? *known : interlock::Identified{};
}

bool holds(const std::vector<Ticket>& tickets, const Ticket& wanted) {
    return std::ranges::find(tickets, wanted) != tickets.end();
}

void add_filed(EventNumber stay, const std::vector<Ticket>& before, const std::vector<Ticket>& now,
               bool accepted, std::vector<StayChange>& out) {
    for (const Ticket& ticket : now)
        if (!holds(before, ticket))
            out.emplace_back(TicketFiled{.stay = stay,
                                         .scanned = ticket.scanned,
                                         .kind = ticket.kind,
                                         .serial = ticket.serial,
                                         .order = ticket.order,
                                         .type = ticket.type,
                                         .accepted = accepted});
}

void add_withdrawn(EventNumber stay, const std::vector<Ticket>& before, const std::vector<Ticket>& now,
                   std::vector<StayChange>& out) {
    for (const Ticket& ticket : before)
        if (!holds(now, ticket))
            out.emplace_back(TicketWithdrawn{
                .stay = stay, .scanned = ticket.scanned, .kind = ticket.kind, .serial = ticket.serial});
}

// What became of the order of a stay that ended with this event.
void add_order(EventNumber stay, const std::string& number, const State& now, std::vector<StayChange>& out) {
    if (number.empty())
        return;
    const auto closed = std::ranges::find(now.closed_orders, number, &interlock::ClosedOrder::number);
    const bool is_built = closed != now.closed_orders.end() && closed->with == now.newest &&
                          closed->end == interlock::OrderEnd::built;
    if (is_built)
        out.emplace_back(OrderBuilt{stay, number, closed->unit});
    else if (const auto open = std::ranges::find(now.orders, number, &interlock::Order::number);
             open != now.orders.end() && !open->unit.text.empty())
        out.emplace_back(OrderBegun{stay, number, open->unit});
}

StayMovedOn moved_on(const Stay& stay, const domain::BayId& to, const State& now) {
    const interlock::MovedHere here = stay.moved_here.value_or(interlock::MovedHere{});
    const bool unproven =
        std::ranges::find(stay.moved_unproven, interlock::MovementSeen{here.permissive, now.newest}) !=
        stay.moved_unproven.end();
    return {
        .stay = stay.id, .from = here.from, .to = to, .permissive = here.permissive, .unproven = unproven};
}

// The bay at which the unit was when the result was made: where it is, unless it has moved on since.
std::optional<PersonNumber> signed_on_when(const State& state, EventNumber stay,
                                           const domain::Interval& made) {
    const auto* bay = bay_of_stay(state, stay);
    if (bay == nullptr)
        return std::nullopt;
    for (const interlock::EarlierPlace& place : std::get<Stay>(bay->occupant).earlier_places) {
        const bool there = place.until.boot == made.boot && made.to_ns <= place.until.monotonic_ns;
        const auto* then = there ? interlock::bay_of(state, place.bay) : nullptr;
        if (then != nullptr)
            return then->signed_on;
    }
    return bay->signed_on;
}

std::optional<PersonNumber> operator_of_unassigned(const State& state, EventNumber result) {
    const auto in =
        [&](const std::vector<interlock::UnassignedResult>& results) -> const interlock::UnassignedResult* {
        const auto at = std::ranges::find(results, result, &interlock::UnassignedResult::result);
        return at != results.end() ? &*at : nullptr;
    };
    if (const auto* found = in(state.unassigned))
        return found->operator_;
    for (const auto& bay : state.bays)
        if (const Stay* stay = stay_in(bay))
            if (const auto* found = in(stay->unassigned))
                return found->operator_;
    return std::nullopt;
}

// Who was signed on where the result was made.
std::optional<PersonNumber> operator_of(const interlock::Event& event, const State& after,
                                        const interlock::Outcome& outcome) {
    const auto* result = std::get_if<interlock::ResultReceived>(&event.payload);
    if (result == nullptr)
        return std::nullopt;
    if (const auto* counted = std::get_if<interlock::Attributed>(&outcome))
        return signed_on_when(after, counted->stay, result->made);
    if (const auto* rehit = std::get_if<interlock::Rehit>(&outcome))
        return signed_on_when(after, rehit->stay, result->made);
    if (const auto* loosened = std::get_if<interlock::Loosened>(&outcome))
        return signed_on_when(after, loosened->stay, result->made);
    return operator_of_unassigned(after, event.number);
}

// The rules that an event was decided under: those of the stay that it concerns, else those in force.
Revision rules_of(const State& after, const interlock::Outcome& outcome) {
    EventNumber stay;
    if (const auto* counted = std::get_if<interlock::Attributed>(&outcome))
        stay = counted->stay;
    if (const auto* judged = std::get_if<interlock::CurveJudged>(&outcome))
        stay = judged->stay;
    if (const auto* bay = bay_of_stay(after, stay))
        return std::get<Stay>(bay->occupant).rules;
    return after.rules.value_or(Revision{});
}

}  // namespace

std::vector<StayWatch::Seen> StayWatch::look(const State& state) {
    std::vector<Seen> seen;
    for (const auto& bay : state.bays)
        if (const Stay* stay = stay_in(bay))
            seen.push_back({.stay = stay->id,
                            .bay = bay.id,
                            .tickets = stay->tickets,
                            .refused = stay->refused_tickets,
                            .identity = identity_of(*stay),
                            .leaves_incomplete = stay->leaves_incomplete,
                            .reuses = stay->reuses,
                            .order = stay->order ? stay->order->number : std::string{},
                            .other_ways = stay->other_ways});
    return seen;
}

StayWatch::StayWatch(const State& now) : seen_(look(now)) {}

std::vector<StayChange> StayWatch::changes(const State& now) {
    std::vector<StayChange> out;
    std::vector<Seen> newest = look(now);
    for (const Seen& before : seen_) {
        if (std::ranges::find(newest, before.stay, &Seen::stay) != newest.end())
            continue;
        add_order(before.stay, before.order, now, out);
        out.emplace_back(StayEnded{before.stay});
    }
    for (const Seen& after : newest) {
        const auto known = std::ranges::find(seen_, after.stay, &Seen::stay);
        if (known == seen_.end()) {
            const auto* bay = bay_of_stay(now, after.stay);
            const Stay& stay = std::get<Stay>(bay->occupant);
            out.emplace_back(StayBegan{.stay = stay.id,
                                       .bay = bay->id,
                                       .token = stay.token,
                                       .utc_us = stay.began.utc_us,
                                       .rules = stay.rules});
        }
        const Seen before = known == seen_.end() ? Seen{} : *known;
        if (known != seen_.end() && after.bay != before.bay)
            out.emplace_back(
                moved_on(std::get<Stay>(bay_of_stay(now, after.stay)->occupant), after.bay, now));
        add_withdrawn(after.stay, before.tickets, after.tickets, out);
        add_withdrawn(after.stay, before.refused, after.refused, out);
        add_filed(after.stay, before.tickets, after.tickets, true, out);
        add_filed(after.stay, before.refused, after.refused, false, out);
        for (const interlock::ReuseAccepted& reuse : before.reuses)
            if (std::ranges::find(after.reuses, reuse) == after.reuses.end())
                out.emplace_back(SubassemblyLeftIn{after.stay, reuse.serial, reuse.from});
        for (const interlock::ReuseAccepted& reuse : after.reuses)
            if (std::ranges::find(before.reuses, reuse) == before.reuses.end())
                out.emplace_back(SubassemblyTakenOut{after.stay, reuse.serial, reuse.from});
        if (after.identity != before.identity)
            out.emplace_back(StayIdentified{.stay = after.stay,
                                            .unit = after.identity.unit,
                                            .variant = after.identity.variant,
                                            .plan = after.identity.plan,
                                            .plan_revision = after.identity.plan_revision});
        for (const interlock::OtherWay& way : after.other_ways)
            if (way.counted && std::ranges::find(before.other_ways, way) == before.other_ways.end())
                out.emplace_back(StayDoneOtherwise{after.stay, way.joint, way.alternate, way.bypass});
        if (after.leaves_incomplete && after.leaves_incomplete != before.leaves_incomplete)
            out.emplace_back(StayLeavesIncomplete{after.stay, *after.leaves_incomplete});
    }
    seen_ = std::move(newest);
    return out;
}

Entry entry_of(StayWatch& watch, interlock::Event event, const State& after, interlock::Record record,
               std::string program, std::vector<Attachment> attachments) {
    StoredEvent stored;
    stored.program = std::move(program);
    stored.rules = rules_of(after, record.outcome);
    stored.decision = decision_digest(after, record);
    stored.operator_ = operator_of(event, after, record.outcome);
    stored.stays = watch.changes(after);
    stored.record = std::move(record);
    stored.event = std::move(event);
    return {std::move(stored), std::move(attachments)};
}

}  // namespace tautgate::journal
