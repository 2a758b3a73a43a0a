#include "protocol/order_answer.hpp"

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

class AnswerRows {
  public:
    explicit AnswerRows(Separator separator)
        : separator_(separator), csv_(csv_line({"line", "answer"}, separator)) {}

    void add(std::size_t line, std::string sentence) {
        csv_ += csv_line({fmt::to_string(line), std::move(sentence)}, separator_);
    }
    [[nodiscard]] std::string take() { return std::move(csv_); }

  private:
    Separator separator_;
    std::string csv_;
};

std::string file_words(const OrderFileName& file) {
    return file.sha256.empty() ? fmt::format("the file {}", file.name)
                               : fmt::format("the file {} (SHA-256 {})", file.name, file.sha256);
}

}  // namespace

std::string_view outcome_of(const OrderAnswer& answer) {
    return std::holds_alternative<OrdersAccepted>(answer) ? "accepted" : "rejected";
}

std::string answer_csv(const OrderFileName& file, const OrderAnswer& answer, Separator separator) {
    AnswerRows rows(separator);
    if (const auto* accepted = std::get_if<OrdersAccepted>(&answer)) {
        rows.add(0, fmt::format("{} is accepted; orders: {}", file_words(file), accepted->orders.size()));
        for (const OrderEntry& entry : accepted->orders)
            rows.add(entry.line, fmt::format("order {} is {}", entry.order, what_was_done(entry.action)));
    }
    if (const auto* rejected = std::get_if<OrdersRejected>(&answer)) {
        rows.add(0, fmt::format("{} is rejected and changes nothing; correct it and send it again",
                                file_words(file)));
        for (const RowFault& fault : rejected->faults)
            rows.add(fault.line, fmt::format("{}; {}", fault.what, fault.remedy));
    }
    return rows.take();
}

}  // namespace tautgate::protocol
