// What the sender of an order file is told about it: a file of rows again, with the line that each answer is
// about (0: the file as a whole) and one sentence. It names the file and its SHA-256, so that nobody has to
// guess which of two files of one name was meant. Pure functions that give the bytes; any thread.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "protocol/csv.hpp"
#include "protocol/describe.hpp"
#include "protocol/order_csv.hpp"

namespace tautgate::protocol {

// The file that is answered, or the request.
struct OrderFileName {
    std::string name;    // as the sender gave it; empty: it came in a request
    std::string sha256;  // of its bytes, in hex; empty: it was not read
    bool operator==(const OrderFileName&) const = default;
};
TAUTGATE_FIELDS(OrderFileName, name, sha256);

// Every order of the file is in force.
struct OrdersAccepted {
    std::vector<OrderEntry> orders;
    std::vector<std::string> unchanged = {};  // numbers of those that said so before
    bool operator==(const OrdersAccepted&) const = default;
};
TAUTGATE_FIELDS(OrdersAccepted, orders, unchanged);

// An order of a file that counted before: what is on record of it now.
struct OrderNow {
    std::size_t line = 0;
    std::string order;
    std::string is;  // "open, variant express"
    bool operator==(const OrderNow&) const = default;
};
TAUTGATE_FIELDS(OrderNow, line, order, is);

// The file counted before, and nothing is done anew.
struct OrdersKnown {
    std::vector<OrderNow> orders;
    bool operator==(const OrdersKnown&) const = default;
};
TAUTGATE_FIELDS(OrdersKnown, orders);

// None of them is.
struct OrdersRejected {
    std::vector<RowFault> faults;
    bool operator==(const OrdersRejected&) const = default;
};
TAUTGATE_FIELDS(OrdersRejected, faults);

using OrderAnswer = std::variant<OrdersAccepted, OrdersKnown, OrdersRejected>;

// "accepted" or "rejected", as it stands in the name of the answer's file.
[[nodiscard]] std::string_view outcome_of(const OrderAnswer& answer);

struct AnswerRow {
    std::size_t line = 0;  // 0: the whole
    std::string answer;    // one sentence
    bool operator==(const AnswerRow&) const = default;
};
TAUTGATE_FIELDS(AnswerRow, line, answer);

[[nodiscard]] std::vector<AnswerRow> answer_rows(const OrderFileName& file, const OrderAnswer& answer);
[[nodiscard]] std::string answer_csv(const OrderFileName& file, const OrderAnswer& answer,
                                     Separator separator);

}  // namespace tautgate::protocol
