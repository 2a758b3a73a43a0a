// Orders as the works' planning hands them to a station: a file of rows, one order a row, each to be added,
// changed or cancelled. ORDERS.md beside this file is its definition, complete enough to write one.
//
// A file is read as a whole or not at all, and every mistake of its form is told at once. What an order says
// is only read here; whether the station knows the variant, and whether the order may still be changed, is
// for whoever takes the orders. Pure functions; any thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/csv.hpp"
#include "protocol/describe.hpp"
#include "protocol/ticket.hpp"
#include "protocol/utc.hpp"

namespace tautgate::protocol {

// A field is never longer than the label that it is compared with. A file is recorded and decided as one
// event.
inline constexpr CsvLimits order_limits{.bytes = std::size_t{1} << 20U,
                                        .records = 2'001,  // the header is one of them
                                        .fields = 64,
                                        .field_bytes = label_limit,
                                        .faults = 100};

// What both sides agreed upon beforehand.
struct OrderFormat {
    Separator separator = Separator::comma;
    std::vector<std::string> ticket_kinds;  // of the tickets that an order may name: "D", "F"
};

// What the ticket of one kind has to say. At least one of the two is not empty.
struct ExpectedTicket {
    std::string kind;
    std::string type;    // empty: any type that goes with the variant
    std::string serial;  // empty: any serial number
    bool operator==(const ExpectedTicket&) const = default;
};
TAUTGATE_FIELDS(ExpectedTicket, kind, type, serial);

struct OrderContent {
    std::string variant;                    // never empty
    std::vector<ExpectedTicket> tickets;    // in the order of OrderFormat::ticket_kinds
    std::optional<std::uint32_t> sequence;  // place in the row of orders, from 1
    std::optional<std::int64_t> due_utc_us;
    bool operator==(const OrderContent&) const = default;
};
TAUTGATE_FIELDS(OrderContent, variant, tickets, sequence, due_utc_us);

struct AddOrder {
    OrderContent content;
    bool operator==(const AddOrder&) const = default;
};
TAUTGATE_FIELDS(AddOrder, content);

// Replaces all that the order said before.
struct ChangeOrder {
    OrderContent content;
    bool operator==(const ChangeOrder&) const = default;
};
TAUTGATE_FIELDS(ChangeOrder, content);

struct CancelOrder {
    bool operator==(const CancelOrder&) const = default;
};
TAUTGATE_NO_FIELDS(CancelOrder);

using OrderAction = std::variant<AddOrder, ChangeOrder, CancelOrder>;

struct OrderEntry {
    std::size_t line = 0;  // where its row begins in the file
    std::string order;     // its number; never empty, once in a file
    OrderAction action;
    bool operator==(const OrderEntry&) const = default;
};
TAUTGATE_FIELDS(OrderEntry, line, order, action);

// The column that says which type, or which serial number, the ticket of the kind has to bear.
[[nodiscard]] std::string type_column(std::string_view ticket_kind);
[[nodiscard]] std::string serial_column(std::string_view ticket_kind);

// All mistakes by line, at most order_limits.faults and one that says that there are more; or the orders, of
// which there is at least one. Of a file that is no table of orders only that is told.
[[nodiscard]] std::expected<std::vector<OrderEntry>, std::vector<RowFault>>
read_orders(std::string_view bytes, const OrderFormat& format);

}  // namespace tautgate::protocol
