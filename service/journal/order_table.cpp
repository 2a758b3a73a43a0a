#include "service/journal/order_table.hpp"

#include <algorithm>
#include <string>
#include <string_view>

#include <nlohmann/json.hpp>

#include "service/journal/binding.hpp"

namespace tautgate::journal {
namespace {

// The row of an order that is in question is the newest of its number: it may have been cancelled and added
// anew.
#define TAUTGATE_NEWEST_OF_ORDER                                                                             \
    "WHERE order_number = ?1 AND added = (SELECT max(added) FROM works_order WHERE order_number = ?1)"

// As JSON: [{"kind":"D","type":"DV","serial":"1"}], an empty text where the order leaves it open.
std::string tickets_text(const std::vector<protocol::ExpectedTicket>& tickets) {
    auto list = nlohmann::ordered_json::array();
    for (const protocol::ExpectedTicket& ticket : tickets)
        list.push_back({{"kind", ticket.kind}, {"type", ticket.type}, {"serial", ticket.serial}});
    return list.dump(-1, ' ', false, nlohmann::ordered_json::error_handler_t::replace);
}

constexpr std::string_view as_built = "built";
constexpr std::string_view as_cancelled = "cancelled";

}  // namespace

OrderTable::OrderTable(SQLite::Database& db)
    : add_(db, "INSERT OR REPLACE INTO works_order(order_number, added, changed, variant, sequence, "
               "due_utc_us, tickets) VALUES(?1, ?2, ?2, ?3, ?4, ?5, ?6)"),
      change_(db, "UPDATE works_order SET changed = ?2, variant = ?3, sequence = ?4, due_utc_us = ?5, "
                  "tickets = ?6 " TAUTGATE_NEWEST_OF_ORDER),
      end_(db, "UPDATE works_order SET ended = ?2, ended_utc_us = ?3, ended_as = ?4, "
               "unit = ?5 " TAUTGATE_NEWEST_OF_ORDER),
      begin_(db, "UPDATE works_order SET unit = ?2 " TAUTGATE_NEWEST_OF_ORDER) {}

void OrderTable::take(const StoredEvent& stored, const protocol::OrderEntry& entry) {
    const EventNumber now = stored.event.number;
    const auto put = [&](SQLite::Statement& to, const protocol::OrderContent& content) {
        run(to, entry.order, now, content.variant, content.sequence, content.due_utc_us,
            tickets_text(content.tickets));
    };
    if (const auto* add = std::get_if<protocol::AddOrder>(&entry.action))
        put(add_, add->content);
    else if (const auto* change = std::get_if<protocol::ChangeOrder>(&entry.action))
        put(change_, change->content);
    else
        run(end_, entry.order, now, stored.event.at.utc_us, as_cancelled, std::string_view());
}

void OrderTable::add(const StoredEvent& stored) {
    const auto* received = std::get_if<interlock::OrdersReceived>(&stored.event.payload);
    const auto* taken = std::get_if<interlock::OrdersTaken>(&stored.record.outcome);
    if (received != nullptr && taken != nullptr)
        for (const protocol::OrderEntry& entry : received->orders)
            if (std::ranges::find(taken->unchanged, entry.order) == taken->unchanged.end())
                take(stored, entry);
    for (const StayChange& change : stored.stays) {
        if (const auto* built = std::get_if<OrderBuilt>(&change))
            run(end_, built->order, stored.event.number, stored.event.at.utc_us, as_built, built->unit.text);
        else if (const auto* begun = std::get_if<OrderBegun>(&change))
            run(begin_, begun->order, begun->unit.text);
    }
}

}  // namespace tautgate::journal
