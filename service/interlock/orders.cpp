#include "service/interlock/orders.hpp"

#include <algorithm>
#include <iterator>
#include <map>
#include <utility>

#include "protocol/utc.hpp"
#include "service/interlock/overloaded.hpp"

namespace tautgate::interlock {
namespace {

using protocol::ExpectedTicket;
using protocol::OrderContent;
using protocol::OrderEntry;
using protocol::RowFault;

// The journal has what closed before them.
constexpr std::size_t closed_orders_kept = 64;

// "2026-11-25 06:14 UTC"
std::string minute_of(std::int64_t utc_us) {
    std::string text = protocol::utc_text(utc_us);
    text.resize(std::min(text.size(), std::string_view("2026-11-25T06:14").size()));
    std::ranges::replace(text, 'T', ' ');
    return text + " UTC";
}

const ClosedOrder* closed_in(const std::vector<ClosedOrder>& closed, std::string_view number) {
    const auto known = std::ranges::find(closed, number, &ClosedOrder::number);
    return known == closed.end() ? nullptr : &*known;
}

void note_closed(State& state, ClosedOrder closed) {
    std::erase_if(state.closed_orders,
                  [&](const ClosedOrder& before) { return before.number == closed.number; });
    state.closed_orders.push_back(std::move(closed));
    if (state.closed_orders.size() > closed_orders_kept)
        state.closed_orders.erase(state.closed_orders.begin());
}

// What concerns the unit. When it is due, and in which place, does not.
bool asks_for_the_same(const OrderContent& one, const OrderContent& other) {
    return one.variant == other.variant && one.tickets == other.tickets;
}

}  // namespace

const Order* order_of(const State& state, std::string_view number) {
    const auto found = std::ranges::lower_bound(state.orders, number, {}, &Order::number);
    return found != state.orders.end() && found->number == number ? &*found : nullptr;
}

// ---- the unit in the bay ------------------------------------------------------------------------------

namespace {

// The other unit at the station that was known to be this order's before.
const Stay* elsewhere(const State& state, const Stay& here, std::string_view number, EventNumber before) {
    for (const BayState& bay : state.bays) {
        const Stay* stay = stay_at(bay);
        const bool is_its = stay != nullptr && stay->id != here.id && stay->order &&
                            stay->order->number == number && stay->order->taken < before;
        if (is_its && unit_of(*stay) != unit_of(here))
            return stay;
    }
    return nullptr;
}

StayOrder of_open(const Transition& t, const Stay& stay, const Order& order) {
    StayOrder now{.number = order.number, .taken = t.now(), .content = order.content, .since = order.since};
    if (!order.unit.text.empty() && order.unit != unit_of(stay)) {
        now.standing = OrderStanding::used;
        now.unit = order.unit;
    }
    return now;
}

StayOrder of_closed(const Transition& t, const Stay& stay, const ClosedOrder& order) {
    StayOrder now{.number = order.number, .taken = t.now(), .since = order.with, .utc_us = order.utc_us};
    // The unit that was built for it may come back.
    const bool is_own = order.end == OrderEnd::built && order.unit == unit_of(stay);
    if (order.end == OrderEnd::cancelled)
        now.standing = OrderStanding::cancelled;
    else if (!is_own)
        now.standing = OrderStanding::used;
    if (now.standing == OrderStanding::used)
        now.unit = order.unit;
    return now;
}

// The order as it would be taken now; nothing where the station does not know it.
std::optional<StayOrder> look_at_order(const Transition& t, const Stay& stay, const Ticket& ticket) {
    std::optional<StayOrder> now;
    if (const Order* open = order_of(t.state, ticket.order))
        now = of_open(t, stay, *open);
    else if (const ClosedOrder* closed = closed_in(t.state.closed_orders, ticket.order))
        now = of_closed(t, stay, *closed);
    else if (ticket.closed_order && ticket.closed_order->number == ticket.order)
        now = of_closed(t, stay, *ticket.closed_order);
    if (!now)
        return now;
    const bool same = stay.order && stay.order->number == ticket.order;
    const Stay* other = elsewhere(t.state, stay, ticket.order, same ? stay.order->taken : t.now());
    if (other != nullptr && now->standing == OrderStanding::as_taken) {
        now->standing = OrderStanding::used;
        now->unit = unit_of(*other);
        now->since = other->order->taken;
    }
    return now;
}

// What became of an order that was taken before. What people decided holds until something happens again.
StayOrder gone_on(const StayOrder& before, const StayOrder& now) {
    StayOrder after = before;
    after.standing = now.standing;
    after.since = now.since;
    after.unit = now.unit;
    after.utc_us = now.utc_us;
    if (!before.content)
        after.content = now.content;  // it was open no longer when the unit came, and is now
    else if (now.content && now.standing == OrderStanding::as_taken &&
             !asks_for_the_same(*before.content, *now.content))
        after.standing = OrderStanding::changed;
    if (after.standing == OrderStanding::as_taken)
        after.since = before.since;
    const bool same_user = after.standing == OrderStanding::used && after.unit == before.unit;
    after.settled =
        before.settled && after.standing == before.standing && (same_user || after.since == before.since);
    return after;
}

}  // namespace

void follow_order(const Transition& t, Stay& stay) {
    const config::Station* station = rules_of(t.rules, stay.rules);
    const bool wanted = station != nullptr && station->orders && std::get_if<Identified>(&stay.identity);
    const Ticket* ticket = wanted ? ticket_of(stay, station->pair.unit_kind) : nullptr;
    if (ticket == nullptr)
        return;
    auto now = look_at_order(t, stay, *ticket);
    const bool same = stay.order && stay.order->number == ticket->order;
    if (!same)
        stay.order = std::move(now);
    else if (now)
        stay.order = gone_on(*stay.order, *now);
}

void close_order(const Transition& t, const Stay& stay, Leaving how) {
    if (!stay.order || !std::holds_alternative<Identified>(stay.identity))
        return;
    const auto open = std::ranges::find(t.state.orders, stay.order->number, &Order::number);
    const bool is_open = open != t.state.orders.end();
    if (how == Leaving::proven) {
        if (is_open)
            t.state.orders.erase(open);
        note_closed(t.state, {.number = stay.order->number,
                              .end = OrderEnd::built,
                              .unit = unit_of(stay),
                              .with = t.now(),
                              .utc_us = t.event.at.utc_us});
    } else if (is_open && open->unit.text.empty()) {
        open->unit = unit_of(stay);
    }
}

namespace {

void add_reason(std::vector<Reason>& reasons, ReasonCode code, std::vector<Fact> facts) {
    reasons.push_back({code, "", "", "", std::move(facts)});
}

std::string change_of(const StayOrder& taken, const Order* now) {
    if (now == nullptr || !taken.content)
        return "it says something else";
    const std::string& before = taken.content->variant;
    return before == now->content.variant ? "it expects other tickets"
                                          : "variant " + before + " became " + now->content.variant;
}

// Each with what the ticket and what the order says.
std::vector<std::string> misfits(const config::Station& station, const Stay& stay,
                                 const OrderContent& content) {
    std::vector<std::string> found;
    const auto& identified = std::get<Identified>(stay.identity);
    const config::Variant* wanted = variant_of(station, content.variant);
    if (wanted == nullptr)
        found.push_back("the rules of this unit do not know its variant " + content.variant);
    else if (wanted->id != identified.variant)
        found.push_back("they say variant " + identified.variant + ", the order " + wanted->id);
    for (const ExpectedTicket& expected : content.tickets) {
        const Ticket* ticket = ticket_of(stay, expected.kind);
        if (ticket == nullptr)
            continue;
        const std::string beginning = "ticket " + expected.kind + " says ";
        if (!expected.type.empty() && ticket->type != expected.type)
            found.push_back(beginning + "type " + ticket->type + ", the order " + expected.type);
        if (!expected.serial.empty() && ticket->serial.text != expected.serial)
            found.push_back(beginning + "serial " + ticket->serial.text + ", the order " + expected.serial);
    }
    return found;
}

void standing_holds(const State& state, const StayOrder& order, std::vector<Reason>& reasons) {
    if (!order_waits(order))
        return;
    const std::string when = order.utc_us == 0 ? "" : minute_of(order.utc_us);
    switch (order.standing) {
    case OrderStanding::as_taken: break;
    case OrderStanding::cancelled:
        add_reason(reasons, ReasonCode::order_cancelled, {{"order", order.number}, {"when", when}});
        break;
    case OrderStanding::changed:
        add_reason(reasons, ReasonCode::order_changed,
                   {{"order", order.number}, {"what", change_of(order, order_of(state, order.number))}});
        break;
    case OrderStanding::used:
        add_reason(reasons, ReasonCode::order_used,
                   {{"order", order.number}, {"unit", order.unit.text}, {"when", when}});
        break;
    }
}

}  // namespace

void order_holds(const State& state, const config::Station& station, const Stay& stay,
                 std::vector<Reason>& reasons) {
    if (!station.orders || !std::holds_alternative<Identified>(stay.identity))
        return;
    if (!stay.order) {
        const Ticket* ticket = ticket_of(stay, station.pair.unit_kind);
        add_reason(reasons, ReasonCode::order_unknown, {{"order", ticket != nullptr ? ticket->order : ""}});
        return;
    }
    standing_holds(state, *stay.order, reasons);
    if (!stay.order->content)
        return;
    for (std::string& why : misfits(station, stay, *stay.order->content))
        add_reason(reasons, ReasonCode::order_differs,
                   {{"order", stay.order->number}, {"why", std::move(why)}});
}

namespace {

bool is_joined_from(const Stay& stay, const Ticket& part) {
    const Ticket* same = ticket_of(stay, part.kind);
    return same != nullptr && same->serial == part.serial;
}

JoinedBefore joined_into(const Stay& stay) { return {unit_of(stay), stay.id, stay.began.utc_us}; }

// Of another unit that stands at the station now with the same sub-assembly.
std::optional<JoinedBefore> joined_at_another_bay(const State& state, const Stay& stay, const Ticket& part) {
    for (const BayState& bay : state.bays) {
        const Stay* other = stay_at(bay);
        if (other == nullptr || other->id == stay.id || !is_joined_from(*other, part))
            continue;
        JoinedBefore joined = joined_into(*other);
        if (!joined.unit.text.empty())
            return joined;
    }
    return std::nullopt;
}

bool is_reuse_accepted(const Stay& stay, const Serial& part, const Serial& from) {
    return std::ranges::any_of(
        stay.reuses, [&](const ReuseAccepted& reuse) { return reuse.serial == part && reuse.from == from; });
}

}  // namespace

std::vector<Ticket> used_subassemblies(const State& state, const config::Station& station, const Stay& stay) {
    std::vector<Ticket> used;
    const Serial unit = unit_of(stay);
    for (const Ticket& ticket : stay.tickets) {
        if (ticket.kind == station.pair.unit_kind)
            continue;
        // One after the other: a decision is about one unit that has it.
        for (const auto& joined : {ticket.joined, joined_at_another_bay(state, stay, ticket)}) {
            if (!joined || joined->unit == unit || is_reuse_accepted(stay, ticket.serial, joined->unit))
                continue;
            used.push_back(ticket);
            used.back().joined = joined;
            break;
        }
    }
    return used;
}

void subassembly_holds(const State& state, const config::Station& station, const Stay& stay,
                       std::vector<Reason>& reasons) {
    // Which unit this is must be known before a sub-assembly can be in another.
    if (ticket_of(stay, station.pair.unit_kind) == nullptr)
        return;
    for (const Ticket& ticket : used_subassemblies(state, station, stay))
        add_reason(reasons, ReasonCode::subassembly_used,
                   {{"serial", ticket.serial.text},
                    {"unit", ticket.joined->unit.text},
                    {"when", minute_of(ticket.joined->utc_us)}});
}

void leaves_with_subassemblies(Transition& t, const Stay& stay) {
    const config::Station* station = rules_of(t.rules, stay.rules);
    const JoinedBefore joined = joined_into(stay);
    if (station == nullptr || joined.unit.text.empty())
        return;
    for (BayState& bay : t.state.bays) {
        Stay* other = stay_at(bay);
        if (other == nullptr || other->id == stay.id)
            continue;
        for (Ticket& ticket : other->tickets)
            if (ticket.kind != station->pair.unit_kind && is_joined_from(stay, ticket))
                ticket.joined = joined;
    }
}

// ---- decisions ----------------------------------------------------------------------------------------

bool order_waits(const StayOrder& order) {
    return order.standing != OrderStanding::as_taken && !order.settled;
}

bool can_be_taken_anew(const State& state, const StayOrder& order) {
    return order.standing == OrderStanding::changed && order_of(state, order.number) != nullptr;
}

void settle_order(const Transition& t, Stay& stay, OrderChoice choice) {
    switch (choice) {
    case OrderChoice::as_taken: stay.order->settled = true; break;
    case OrderChoice::as_now:
        stay.order->content = order_of(t.state, stay.order->number)->content;
        stay.order->standing = OrderStanding::as_taken;
        stay.order->since = t.now();
        break;
    }
}

void accept_reuse(const Transition& t, const config::Station& station, Stay& stay, const Serial& serial) {
    for (const Ticket& ticket : used_subassemblies(t.state, station, stay)) {
        if (ticket.serial == serial)
            stay.reuses.push_back({serial, ticket.joined->unit, t.now()});
    }
}

void forget_former_reuses(Stay& stay) {
    std::erase_if(stay.reuses, [&](const ReuseAccepted& reuse) {
        return std::ranges::find(stay.tickets, reuse.serial, &Ticket::serial) == stay.tickets.end();
    });
}

// ---- orders that arrive -------------------------------------------------------------------------------

namespace {

// What the station would know, while a file is read line by line.
class Intake {
  public:
    Intake(const State& state, const OrdersReceived& received, const config::Station& station,
           EventNumber now)
        : state_(state), received_(received), station_(station), now_(now) {
        for (const Order& order : state.orders)
            open_.emplace_hint(open_.end(), order.number, order);
    }

    void take(const OrderEntry& entry) {
        const auto before = faults_.size();
        std::visit(Overloaded{[&](const protocol::AddOrder& add) { take(entry, add); },
                              [&](const protocol::ChangeOrder& change) { take(entry, change); },
                              [&](const protocol::CancelOrder&) { cancel(entry); }},
                   entry.action);
        if (faults_.size() == before)
            lines_[entry.order] = entry.line;
    }

    // What only shows when all lines are read.
    void look_at_the_whole() {
        if (open_.size() > open_orders_most)
            faults_.push_back(
                {0,
                 std::to_string(open_.size()) + " orders would be open, more than " +
                     std::to_string(open_orders_most),
                 "send orders when they are about to be built, and cancel those that will not be"});
        std::map<std::pair<std::string_view, std::string_view>, std::string_view> first;
        for (const auto& [number, order] : open_) {
            for (const ExpectedTicket& ticket : order.content.tickets) {
                if (ticket.serial.empty())
                    continue;
                const auto [known, is_new] = first.try_emplace({ticket.kind, ticket.serial}, number);
                if (!is_new)
                    refuse_shared(ticket, known->second, number);
            }
        }
    }

    [[nodiscard]] std::vector<RowFault> take_faults() {
        std::ranges::stable_sort(faults_, {}, &RowFault::line);
        if (faults_.size() > protocol::order_limits.faults) {
            const auto more = faults_.size() - protocol::order_limits.faults;
            faults_.resize(protocol::order_limits.faults);
            faults_.push_back({faults_.back().line, "there are " + std::to_string(more) + " more mistakes",
                               "correct those first"});
        }
        return std::move(faults_);
    }
    [[nodiscard]] std::vector<Order> take_open() {
        std::vector<Order> orders;
        orders.reserve(open_.size());
        for (auto& [number, order] : open_)
            orders.push_back(std::move(order));
        return orders;
    }
    [[nodiscard]] const std::vector<std::string>& cancelled() const { return cancelled_; }
    [[nodiscard]] const std::vector<std::string>& unchanged() const { return unchanged_; }

  private:
    void refuse(const OrderEntry& entry, std::string what, std::string remedy) {
        faults_.push_back({entry.line, "order " + entry.order + " " + std::move(what), std::move(remedy)});
    }

    [[nodiscard]] const ClosedOrder* closed(const std::string& number) const {
        const ClosedOrder* lately = closed_in(state_.closed_orders, number);
        return lately != nullptr ? lately : closed_in(received_.closed, number);
    }

    // Whatever is to become of it: a unit was built for it.
    [[nodiscard]] bool is_built(const OrderEntry& entry) {
        const ClosedOrder* known = closed(entry.order);
        if (open_.contains(entry.order) || known == nullptr || known->end != OrderEnd::built)
            return false;
        refuse(entry, "is built already, as unit " + known->unit.text + " (" + minute_of(known->utc_us) + ")",
               "leave it out, or give the next unit an order of its own");
        return true;
    }

    // Whether the station could build what it says.
    [[nodiscard]] bool can_be_built(const OrderEntry& entry, const OrderContent& content) {
        const config::Variant* variant = variant_of(station_, content.variant);
        if (variant == nullptr) {
            refuse(entry, "is for variant " + content.variant + ", which the rules in force do not know",
                   "correct it, or let rules with that variant be approved first");
            return false;
        }
        for (const config::TypesOfKind& types : variant->types) {
            const auto expected =
                std::ranges::find(content.tickets, types.ticket_kind, &ExpectedTicket::kind);
            const bool fits = expected == content.tickets.end() || expected->type.empty() ||
                              std::ranges::find(types.types, expected->type) != types.types.end();
            if (!fits) {
                refuse(entry,
                       "expects type " + expected->type + " on ticket " + expected->kind +
                           ", which does not go with variant " + variant->name,
                       "correct the type or the variant");
                return false;
            }
        }
        return true;
    }

    void take(const OrderEntry& entry, const protocol::AddOrder& add) {
        if (is_built(entry) || !can_be_built(entry, add.content))
            return;
        const auto known = open_.find(entry.order);
        if (known == open_.end())
            open_.emplace(entry.order, Order{entry.order, add.content, now_, {}});
        else if (known->second.content == add.content)
            unchanged_.push_back(entry.order);
        else
            refuse(entry, "is known already and says something else",
                   "change it instead, or give the new one another number");
    }

    void take(const OrderEntry& entry, const protocol::ChangeOrder& change) {
        if (is_built(entry) || !can_be_built(entry, change.content))
            return;
        const auto known = open_.find(entry.order);
        if (known == open_.end()) {
            refuse_missing(entry);
            return;
        }
        if (known->second.content == change.content) {
            unchanged_.push_back(entry.order);
            return;
        }
        known->second.content = change.content;
        known->second.since = now_;
    }

    void cancel(const OrderEntry& entry) {
        if (is_built(entry))
            return;
        const ClosedOrder* before = closed(entry.order);
        if (open_.erase(entry.order) > 0)
            cancelled_.push_back(entry.order);
        else if (before != nullptr)
            unchanged_.push_back(entry.order);
        else
            refuse_missing(entry);
    }

    void refuse_missing(const OrderEntry& entry) {
        if (closed(entry.order) != nullptr)
            refuse(entry, "is cancelled", "add it anew");
        else
            refuse(entry, "is not known", "add it first, or correct its number");
    }

    // Told at the line that brings it about; it may be the one or the other.
    void refuse_shared(const ExpectedTicket& ticket, std::string_view one, std::string_view other) {
        const auto line = lines_.find(std::string(other));
        const bool is_others = line != lines_.end();
        const auto at = is_others ? line : lines_.find(std::string(one));
        const std::string_view told = is_others ? other : one;
        faults_.push_back({at == lines_.end() ? 0 : at->second,
                           "order " + std::string(told) + " expects serial " + ticket.serial + " on ticket " +
                               ticket.kind + ", as order " + std::string(is_others ? one : other) + " does",
                           "a sub-assembly belongs to one order; correct one of the two"});
    }

    const State& state_;
    const OrdersReceived& received_;
    const config::Station& station_;
    EventNumber now_;
    std::map<std::string, Order, std::less<>> open_;
    std::map<std::string, std::size_t> lines_;  // of the orders that were taken
    std::vector<std::string> cancelled_;
    std::vector<std::string> unchanged_;
    std::vector<RowFault> faults_;
};

std::optional<Refused> sender_fault(const State& state, const config::OrderFeed& feed,
                                    const OrdersReceived& received) {
    if (received.source == OrderSource::folder)
        return std::nullopt;
    const Person* person = received.by ? person_of(state, *received.by) : nullptr;
    if (person == nullptr)
        return Refused{RefusalCode::unknown_person, ""};
    if (person->suspended)
        return Refused{RefusalCode::suspended, ""};
    if (!may_act_as(state, *person, feed.entitled))
        return Refused{RefusalCode::not_entitled, ""};
    return std::nullopt;
}

}  // namespace

Outcome apply(Transition& t, const OrdersReceived& received) {
    const config::Station* station = rules_of(t.rules, t.state.rules);
    if (station == nullptr || !station->orders)
        return Refused{RefusalCode::not_possible_now, "the rules in force take no orders"};
    if (auto fault = sender_fault(t.state, *station->orders, received))
        return *fault;
    const OrderFileSeen file{received.number, received.sha256};
    if (received.source == OrderSource::folder && t.state.order_file == file)
        return Repeated{};
    Intake intake(t.state, received, *station, t.now());
    for (const OrderEntry& entry : received.orders)
        intake.take(entry);
    intake.look_at_the_whole();
    if (auto faults = intake.take_faults(); !faults.empty())
        return OrdersRefused{std::move(faults)};
    OrdersTaken taken{intake.unchanged()};
    for (const std::string& number : intake.cancelled())
        note_closed(t.state, {.number = number,
                              .end = OrderEnd::cancelled,
                              .unit = {},
                              .with = t.now(),
                              .utc_us = t.event.at.utc_us});
    t.state.orders = intake.take_open();
    if (received.source == OrderSource::folder)
        t.state.order_file = file;
    for (BayState& bay : t.state.bays) {
        if (Stay* stay = stay_at(bay))
            follow_order(t, *stay);
    }
    return taken;
}

}  // namespace tautgate::interlock
