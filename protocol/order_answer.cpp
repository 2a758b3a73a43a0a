#include "protocol/order_answer.hpp"

#include <algorithm>
#include <utility>

#include <fmt/format.h>

namespace tautgate::protocol {

namespace {

std::string what_was_done(const OrderAction& action) {
    struct Words {
        std::string operator()(const AddOrder& add) const {
            return fmt::format("added, variant {}", add.content.variant);
        }
        std::string operator()(const ChangeOrder& change) const {
            return fmt::format("changed, variant {}", change.content.variant);
        }
        std::string operator()(const CancelOrder& /*cancel*/) const { return "cancelled"; }
    };
    return std::visit(Words{}, action);
}

std::string file_words(const OrderFileName& file) {
    const std::string name = file.name.empty() ? "the request" : fmt::format("the file {}", file.name);
    return file.sha256.empty() ? name : fmt::format("{} (SHA-256 {})", name, file.sha256);
}

}  // namespace

std::string_view outcome_of(const OrderAnswer& answer) {
    return std::holds_alternative<OrdersRejected>(answer) ? "rejected" : "accepted";
}

std::vector<AnswerRow> answer_rows(const OrderFileName& file, const OrderAnswer& answer) {
    std::vector<AnswerRow> rows;
    if (const auto* accepted = std::get_if<OrdersAccepted>(&answer)) {
        rows.push_back(
            {0, fmt::format("{} is accepted; orders: {}", file_words(file), accepted->orders.size())});
        const auto& unchanged = accepted->unchanged;
        for (const OrderEntry& entry : accepted->orders) {
            const bool is_known = std::ranges::find(unchanged, entry.order) != unchanged.end();
            rows.push_back({entry.line, fmt::format("order {} is {}", entry.order,
                                                    is_known ? "as it was" : what_was_done(entry.action))});
        }
    }
    if (const auto* known = std::get_if<OrdersKnown>(&answer)) {
        rows.push_back({0, fmt::format("{} was accepted before and changes nothing now; orders: {}",
                                       file_words(file), known->orders.size())});
        for (const OrderNow& now : known->orders)
            rows.push_back({now.line, fmt::format("order {} is {}", now.order, now.is)});
    }
    if (const auto* rejected = std::get_if<OrdersRejected>(&answer)) {
        rows.push_back({0, fmt::format("{} is rejected and changes nothing; correct it and send it again",
                                       file_words(file))});
        for (const RowFault& fault : rejected->faults)
            rows.push_back({fault.line, fmt::format("{}; {}", fault.what, fault.remedy)});
    }
    return rows;
}

std::string answer_csv(const OrderFileName& file, const OrderAnswer& answer, Separator separator) {
    std::string csv = csv_line({"line", "answer"}, separator);
    for (const AnswerRow& row : answer_rows(file, answer))
        csv += csv_line({fmt::to_string(row.line), row.answer}, separator);
    return csv;
}

}  // namespace tautgate::protocol
