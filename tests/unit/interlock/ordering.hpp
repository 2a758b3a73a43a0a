// The small station as one that takes orders, and what planning sends to it.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "tests/unit/interlock/story.hpp"

namespace tautgate::story {

inline protocol::OrderContent content(std::string variant,
                                      std::vector<protocol::ExpectedTicket> tickets = {}) {
    return {.variant = std::move(variant), .tickets = std::move(tickets), .sequence = {}, .due_utc_us = {}};
}
inline protocol::OrderEntry added(std::string order, std::string variant,
                                  std::vector<protocol::ExpectedTicket> tickets = {}) {
    return {2, std::move(order), protocol::AddOrder{content(std::move(variant), std::move(tickets))}};
}
inline protocol::OrderEntry changed(std::string order, std::string variant,
                                    std::vector<protocol::ExpectedTicket> tickets = {}) {
    return {3, std::move(order), protocol::ChangeOrder{content(std::move(variant), std::move(tickets))}};
}
inline protocol::OrderEntry cancelled(std::string order) {
    return {4, std::move(order), protocol::CancelOrder{}};
}

// Each file has a number of its own, as the folder gives it.
inline OrdersReceived from_folder(std::vector<protocol::OrderEntry> orders) {
    static std::uint64_t number = 0;
    return {.source = OrderSource::folder,
            .number = ++number,
            .name = "monday.csv",
            .sha256 = std::to_string(number),
            .by = {},
            .orders = std::move(orders),
            .closed = {}};
}
inline OrdersReceived typed(PersonNumber by, std::vector<protocol::OrderEntry> orders) {
    return {.source = OrderSource::request,
            .number = 0,
            .name = {},
            .sha256 = {},
            .by = by,
            .orders = std::move(orders),
            .closed = {}};
}

// A ticket whose sub-assembly left in another unit, as the journal has it.
inline TicketScanned in_unit(std::string serial, std::string unit) {
    TicketScanned scanned{BayId{"B1"}, "F", Serial{std::move(serial)}, "O1", "FV", "", 1};
    scanned.joined = JoinedBefore{Serial{std::move(unit)}, EventNumber{3}, 1'764'051'243'000'000};
    return scanned;
}

// From the next stay on, units are built for orders that the station knows.
inline void take_orders(Story& story) {
    auto station = small_station();
    station.orders.emplace();
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(std::move(station)));
    story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
}
inline void ordered(Story& story) {
    take_orders(story);
    story.happens(from_folder({added("O1", "V")}));
}

}  // namespace tautgate::story
