#include "service/interlock/order_reply.hpp"

#include <algorithm>
#include <utility>

#include "service/interlock/orders.hpp"

namespace tautgate::interlock {
namespace {

std::string_view remedy_for_sender(RefusalCode code) {
    switch (code) {
    case RefusalCode::not_entitled:
        return "let a person send them whom the rules entitle to (orders/entitled)";
    case RefusalCode::unknown_person:
    case RefusalCode::suspended: return "let somebody else send them";
    case RefusalCode::not_possible_now: return "let rules with \"orders\" be approved, then send them again";
    case RefusalCode::same_person_twice:
    case RefusalCode::tightened_it:
    case RefusalCode::no_stay:
    case RefusalCode::no_such_joint:
    case RefusalCode::no_such_thing:
    case RefusalCode::already_settled:
    case RefusalCode::reason_missing:
    case RefusalCode::value_missing:
    case RefusalCode::value_outside_audit_window:
    case RefusalCode::seen_too_old:
    case RefusalCode::needs_second_administrator: break;
    }
    return "send them again";
}

std::string without_stop(std::string text) {
    if (text.ends_with('.'))
        text.pop_back();
    return text;
}

std::string what_it_is(const State& now, const std::string& number) {
    if (const Order* open = order_of(now, number))
        return "open, variant " + open->content.variant;
    const auto closed = std::ranges::find(now.closed_orders, number, &ClosedOrder::number);
    if (closed == now.closed_orders.end())
        return "not open";
    switch (closed->end) {
    case OrderEnd::cancelled: return "cancelled";
    case OrderEnd::built: return "built, as unit " + closed->unit.text;
    }
    std::unreachable();
}

protocol::OrdersKnown known_before(const std::vector<protocol::OrderEntry>& orders, const State& now) {
    protocol::OrdersKnown known;
    for (const protocol::OrderEntry& entry : orders)
        known.orders.push_back({entry.line, entry.order, what_it_is(now, entry.order)});
    return known;
}

}  // namespace

protocol::OrderAnswer order_reply(const Outcome& outcome, std::vector<protocol::OrderEntry> orders,
                                  const State& now) {
    if (const auto* faults = std::get_if<OrdersRefused>(&outcome))
        return protocol::OrdersRejected{faults->faults};
    if (const auto* refused = std::get_if<Refused>(&outcome))
        return protocol::OrdersRejected{
            {{0, without_stop(sentence(*refused)), std::string(remedy_for_sender(refused->code))}}};
    if (std::holds_alternative<Repeated>(outcome))
        return known_before(orders, now);
    const auto* taken = std::get_if<OrdersTaken>(&outcome);
    return protocol::OrdersAccepted{std::move(orders),
                                    taken != nullptr ? taken->unchanged : std::vector<std::string>{}};
}

}  // namespace tautgate::interlock
