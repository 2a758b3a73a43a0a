// Orders over HTTP: as rows of a file (text/csv), or the same rows as JSON objects. Both are read by the one
// reader of order files, and answered in the words of a file's answer.
#include <algorithm>
#include <string>
#include <utility>

#include <nlohmann/json.hpp>

#include "protocol/order_answer.hpp"
#include "protocol/order_csv.hpp"
#include "service/history/json_parts.hpp"
#include "service/interlock/order_reply.hpp"
#include "service/journal/digest.hpp"
#include "service/web/listing.hpp"
#include "service/web/views.hpp"
#include "service/web/work.hpp"

namespace tautgate::web {

using namespace interlock;

namespace {

using protocol::OrderEntry;
using protocol::OrderFormat;
using protocol::Separator;

// What a request's orders are read as, and how they are answered.
struct OrderRequest {
    std::string csv;
    OrderFormat format;
    bool in_csv = false;
    protocol::OrderFileName file;
};

constexpr unsigned status_rejected = 422;

Response order_response(const OrderRequest& asked, const protocol::OrderAnswer& answer,
                        std::optional<EventNumber> event) {
    const bool accepted = !std::holds_alternative<protocol::OrdersRejected>(answer);
    const unsigned status = accepted ? 200 : status_rejected;
    if (asked.in_csv)
        return {.status = status,
                .content_type = "text/csv",
                .body = answer_csv(asked.file, answer, asked.format.separator)};
    auto rows = nlohmann::json::array();
    for (const protocol::AnswerRow& row : answer_rows(asked.file, answer))
        rows.push_back({{"line", row.line}, {"answer", row.answer}});
    const nlohmann::json body{{"event", event ? nlohmann::json(event->value) : nlohmann::json(nullptr)},
                              {"outcome", std::string(outcome_of(answer))},
                              {"answers", std::move(rows)}};
    return {.status = status, .body = history::dump(body)};
}

std::vector<std::string> columns_of(const OrderFormat& format) {
    std::vector<std::string> columns{"action", "order", "variant", "sequence", "due"};
    for (const std::string& kind : format.ticket_kinds) {
        columns.push_back(protocol::type_column(kind));
        columns.push_back(protocol::serial_column(kind));
    }
    return columns;
}

// A column of a ticket that no unit of this station has.
void refuse_unknown_kinds(Body& order, const OrderFormat& format) {
    for (const std::string& key : order.keys()) {
        for (const std::string& of : {protocol::type_column(""), protocol::serial_column("")}) {
            const std::string kind = key.starts_with(of) ? key.substr(of.size()) : std::string();
            if (!kind.empty() && std::ranges::find(format.ticket_kinds, kind) == format.ticket_kinds.end())
                order.refuse(key, "this station has no ticket of kind " + kind,
                             "the kinds are " +
                                 listed(format.ticket_kinds, [](const std::string& known) { return known; }));
        }
    }
}

// The objects as the rows that they stand for: the first of them is line 2, after the names of the columns.
std::string rows_of(Body& body, const OrderFormat& format) {
    const auto columns = columns_of(format);
    std::string csv = protocol::csv_line(columns, format.separator);
    for (Body& order : body.objects("orders", protocol::order_limits.records - 1)) {
        std::vector<std::string> fields;
        fields.reserve(columns.size());
        refuse_unknown_kinds(order, format);
        for (const std::string& column : columns) {
            if (column == "sequence") {
                const auto number = order.optional_number(column);
                fields.push_back(number ? std::to_string(*number) : std::string());
            } else {
                fields.push_back(order.optional_text(column).value_or(std::string()));
            }
        }
        body.join(order);
        csv += protocol::csv_line(fields, format.separator);
    }
    return csv;
}

}  // namespace

void Api::Work::get_orders(Call& call) { call.answer(orders_view(station_)); }

void Api::Work::send_orders(Call& call) {
    const auto* rules = rules_in_force(station_);
    if (rules == nullptr || !rules->orders)
        return call.refuse({.status = 409,
                            .code = "takes_no_orders",
                            .what = "no order was taken",
                            .where = call.where(),
                            .why = "the rules in force take no orders",
                            .remedy = "let rules with \"orders\" be approved"});
    OrderRequest asked{.csv = {},
                       .format = {rules->orders->separator, rules->pair.ticket_kinds},
                       .in_csv = is_content(call.request.content_type, "text/csv"),
                       .file = {"", journal::hex(journal::sha256(call.request.body))}};
    if (asked.in_csv) {
        asked.csv = std::move(call.request.body);
    } else {
        auto body = Body::parse(call.request.body);
        asked.csv = rows_of(body, asked.format);
        if (const auto fault = body.fault())
            return call.refuse(*fault);
    }
    auto orders = protocol::read_orders(asked.csv, asked.format);
    if (!orders)
        return call.respond(order_response(asked, protocol::OrdersRejected{orders.error()}, std::nullopt));
    OrdersReceived received{.source = OrderSource::request,
                            .number = 0,
                            .name = {},
                            .sha256 = asked.file.sha256,
                            .by = call.person,
                            .orders = *orders,
                            .closed = {}};
    submit_for(
        std::move(received), std::nullopt, std::move(call), {},
        [&station = station_, asked = std::move(asked), orders = std::move(*orders)](const Recorded& done) {
            return order_response(asked, order_reply(done.outcome, orders, station.state()), done.event);
        });
}

}  // namespace tautgate::web
