#include "protocol/order_csv.hpp"

#include <algorithm>
#include <charconv>
#include <map>
#include <span>
#include <utility>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "protocol/text.hpp"

namespace tautgate::protocol {

namespace {

constexpr std::string_view action_column = "action";
constexpr std::string_view order_column = "order";
constexpr std::string_view variant_column = "variant";
constexpr std::string_view sequence_column = "sequence";
constexpr std::string_view due_column = "due";

struct OrderColumns {
    std::vector<std::string> known;
    std::vector<std::string> needed;
};

OrderColumns columns_of(const OrderFormat& format) {
    OrderColumns columns;
    columns.needed = {std::string(action_column), std::string(order_column), std::string(variant_column)};
    columns.known = columns.needed;
    columns.known.emplace_back(sequence_column);
    columns.known.emplace_back(due_column);
    for (const std::string& kind : format.ticket_kinds) {
        columns.known.push_back(type_column(kind));
        columns.known.push_back(serial_column(kind));
    }
    return columns;
}

using ColumnPlaces = std::map<std::string, std::size_t, std::less<>>;

// One row under the names of its columns.
class OrderRow {
  public:
    OrderRow(const ColumnPlaces& places, const CsvRecord& record, std::vector<RowFault>& faults)
        : places_(places), record_(record), faults_(faults), before_(faults.size()) {}

    [[nodiscard]] std::size_t line() const { return record_.line; }
    [[nodiscard]] bool is_good() const { return faults_.size() == before_; }
    void refuse(std::string what, std::string remedy) {
        faults_.push_back({line(), std::move(what), std::move(remedy)});
    }
    // As it stands in the file; empty where there is no such column.
    [[nodiscard]] std::string_view raw(std::string_view column) const {
        const auto place = places_.find(column);
        return place == places_.end() ? std::string_view() : std::string_view(record_.fields[place->second]);
    }
    // What people and labels can name; empty is allowed.
    std::string name(std::string_view column) {
        const std::string_view text = raw(column);
        if (has_unseen(text))
            refuse(fmt::format("{} is {}, which holds something that is not seen", column, shown(text)),
                   "remove line breaks, control characters and marks that turn the writing");
        else if (text.starts_with(' ') || text.ends_with(' '))
            refuse(fmt::format("{} is {}, with a space at an end", column, shown(text)),
                   "remove the space; it would make another name of it");
        else
            return std::string(text);
        return {};
    }
    void need(std::string_view column) {
        if (raw(column).empty() && has(column))
            refuse(fmt::format("{} is empty", column), "fill it in");
    }
    // A column that is missing was told with the header.
    [[nodiscard]] bool has(std::string_view column) const { return places_.contains(column); }
    [[nodiscard]] const ColumnPlaces& columns() const { return places_; }

  private:
    const ColumnPlaces& places_;
    const CsvRecord& record_;
    std::vector<RowFault>& faults_;
    std::size_t before_;
};

// ---- the header -------------------------------------------------------------------------------------------

// A header of one name that holds the other separator was written with that one.
bool has_other_separator(const CsvRecord& header, Separator separator) {
    const char other = separator == Separator::comma ? ';' : ',';
    return header.fields.size() == 1 && header.fields.front().find(other) != std::string::npos;
}

// The column that was meant, where one can be told. The kind of a ticket is its sign, not a word with a
// neighbour: another kind is another ticket.
std::string meant_by(const std::string& name, const OrderColumns& columns) {
    std::string nearest = nearest_word(name, columns.known);
    const bool has_kind = nearest.starts_with(type_column("")) || nearest.starts_with(serial_column(""));
    const std::string_view kind =
        has_kind ? std::string_view(nearest).substr(nearest.find('_')) : std::string_view();
    const bool is_same_kind =
        name.size() >= kind.size() &&
        in_small_letters(std::string_view(name).substr(name.size() - kind.size())) == in_small_letters(kind);
    return is_same_kind ? nearest : std::string();
}

void refuse_unknown(const CsvRecord& header, const std::string& name, const std::string& nearest,
                    const OrderColumns& columns, std::vector<RowFault>& faults) {
    faults.push_back({header.line, fmt::format("there is no column {}", shown(name)),
                      nearest.empty() ? fmt::format("the columns are {}", fmt::join(columns.known, ", "))
                                      : fmt::format("{} was probably meant", nearest)});
}

ColumnPlaces read_header(const CsvRecord& header, const OrderFormat& format, std::vector<RowFault>& faults) {
    const OrderColumns columns = columns_of(format);
    ColumnPlaces places;
    if (has_other_separator(header, format.separator)) {
        faults.push_back({header.line,
                          fmt::format("the columns are not separated by '{}'", sign_of(format.separator)),
                          "write the file with the separator that the station's description names, or change "
                          "it there"});
        return places;
    }
    std::vector<std::string> misspelt;
    for (std::size_t place = 0; place < header.fields.size(); ++place) {
        const std::string& name = header.fields[place];
        if (std::ranges::find(columns.known, name) == columns.known.end()) {
            misspelt.push_back(meant_by(name, columns));
            refuse_unknown(header, name, misspelt.back(), columns, faults);
        } else if (!places.emplace(name, place).second) {
            faults.push_back(
                {header.line, fmt::format("the column {} stands twice", name), "remove one of them"});
        }
    }
    for (const std::string& name : columns.needed) {
        // A misspelt column is one mistake, not a column too many and another too few.
        const bool is_told = std::ranges::find(misspelt, name) != misspelt.end();
        if (!places.contains(name) && !is_told)
            faults.push_back({header.line, fmt::format("the column {} is missing", name), "add it"});
    }
    return places;
}

bool is_column(const OrderColumns& columns, const std::string& name) {
    return std::ranges::find(columns.known, name) != columns.known.end() || !meant_by(name, columns).empty();
}

// Something else than orders was handed in. Of a first line that cannot be read (nullptr) only its beginning
// can be told.
bool is_no_table(const CsvRecord* header, std::string_view bytes, const OrderFormat& format) {
    const OrderColumns columns = columns_of(format);
    if (header != nullptr)
        return !has_other_separator(*header, format.separator) &&
               std::ranges::none_of(header->fields,
                                    [&](const std::string& name) { return is_column(columns, name); });
    constexpr std::string_view utf8_mark = "\xEF\xBB\xBF";
    if (bytes.starts_with(utf8_mark))
        bytes.remove_prefix(utf8_mark.size());
    if (bytes.starts_with('"'))
        bytes.remove_prefix(1);
    return std::ranges::none_of(columns.known,
                                [&](const std::string& name) { return bytes.starts_with(name); });
}

RowFault no_table(const OrderFormat& format) {
    return {1, "this is no table of orders: the first line names none of its columns",
            fmt::format("send a file whose first line names them: {}",
                        fmt::join(columns_of(format).known, ", "))};
}

// ---- a row ------------------------------------------------------------------------------------------------

std::optional<std::uint32_t> sequence_of(OrderRow& row) {
    const std::string_view text = row.raw(sequence_column);
    if (text.empty())
        return std::nullopt;
    std::uint32_t number = 0;
    const auto read = std::from_chars(text.data(), text.data() + text.size(), number);
    if (read.ec != std::errc() || read.ptr != text.data() + text.size() || number == 0) {
        row.refuse(fmt::format("{} is {}, which is no number", sequence_column, shown(text)),
                   "give a whole number from 1 to 4294967295, or nothing");
        return std::nullopt;
    }
    return number;
}

std::optional<std::int64_t> due_of(OrderRow& row) {
    const std::string_view text = row.raw(due_column);
    if (text.empty())
        return std::nullopt;
    const auto stamp = parse_utc(text);
    if (!stamp) {
        row.refuse(fmt::format("{} is {}, which is no time", due_column, shown(text)),
                   "give date, time and offset as in 2026-11-25T06:14:00+01:00, or nothing");
        return std::nullopt;
    }
    return stamp->micros;
}

OrderContent content_of(OrderRow& row, const OrderFormat& format) {
    OrderContent content;
    content.variant = row.name(variant_column);
    for (const std::string& kind : format.ticket_kinds) {
        ExpectedTicket ticket{kind, row.name(type_column(kind)), row.name(serial_column(kind))};
        if (!ticket.type.empty() || !ticket.serial.empty())
            content.tickets.push_back(std::move(ticket));
    }
    content.sequence = sequence_of(row);
    content.due_utc_us = due_of(row);
    return content;
}

// What it would say is not quietly left out: it may have been meant for another row.
CancelOrder cancel_of(OrderRow& row) {
    for (const auto& [column, place] : row.columns()) {
        const bool is_its_own = column == action_column || column == order_column;
        if (!is_its_own && !row.raw(column).empty())
            row.refuse(fmt::format("the order is cancelled, and {} is {}", column, shown(row.raw(column))),
                       "leave it empty, or write another action");
    }
    return {};
}

std::optional<OrderAction> action_of(OrderRow& row, const OrderFormat& format) {
    const std::string_view action = row.raw(action_column);
    if (action == "cancel")
        return cancel_of(row);
    // Whatever another word was meant to be, the row's other mistakes are told as well.
    OrderContent content = content_of(row, format);
    if (action == "add" || action == "change")
        row.need(variant_column);
    if (action == "add")
        return AddOrder{std::move(content)};
    if (action == "change")
        return ChangeOrder{std::move(content)};
    if (action.empty())
        row.need(action_column);
    else
        row.refuse(fmt::format("action is {}, which is none", shown(action)), "give add, change or cancel");
    return std::nullopt;
}

// What could be read of a row. Of one with a mistake too: what another row repeats of it is told at once, not
// only when the mistake has been corrected.
struct RowRead {
    OrderEntry entry;
    bool is_good = false;
};

RowRead read_row(const ColumnPlaces& places, const CsvRecord& record, const OrderFormat& format,
                 std::vector<RowFault>& faults) {
    OrderRow row(places, record, faults);
    row.need(order_column);
    OrderEntry entry{record.line, row.name(order_column), CancelOrder{}};
    auto action = action_of(row, format);
    const bool is_good = action && row.is_good();
    if (action)
        entry.action = std::move(*action);
    return {std::move(entry), is_good};
}

bool has_its_fields(const CsvRecord& record, const CsvRecord& header, std::vector<RowFault>& faults) {
    if (record.fields.size() == header.fields.size())
        return true;
    const bool is_empty = record.fields.size() == 1 && record.fields.front().empty();
    if (is_empty)
        faults.push_back({record.line, "the line is empty", "remove it"});
    else
        faults.push_back({record.line,
                          fmt::format("the number of fields is {}, and that of columns {}",
                                      record.fields.size(), header.fields.size()),
                          "give each column its field, also where it is empty"});
    return false;
}

// ---- rows beside each other -------------------------------------------------------------------------------

const OrderContent* content_in(const OrderAction& action) {
    if (const auto* add = std::get_if<AddOrder>(&action))
        return &add->content;
    if (const auto* change = std::get_if<ChangeOrder>(&action))
        return &change->content;
    return nullptr;
}

// What may stand in one row of a file only, and where it stood first.
class OrderUniques {
  public:
    explicit OrderUniques(std::vector<RowFault>& faults) : faults_(faults) {}

    void add(const OrderEntry& entry) {
        if (!entry.order.empty())
            once(entry.line, std::string(order_column), entry.order, "give one row for each order");
        const OrderContent* content = content_in(entry.action);
        if (content == nullptr)
            return;
        for (const ExpectedTicket& ticket : content->tickets)
            if (!ticket.serial.empty())
                once(entry.line, serial_column(ticket.kind), ticket.serial,
                     "a sub-assembly belongs to one order; correct one of the two");
        if (content->sequence)
            once(entry.line, std::string(sequence_column), fmt::to_string(*content->sequence),
                 "give each order a place of its own, or none");
    }

  private:
    void once(std::size_t line, std::string column, const std::string& value, std::string remedy) {
        const auto [first, is_new] = lines_.emplace(std::pair(std::move(column), value), line);
        if (!is_new)
            faults_.push_back({line,
                               fmt::format("{} is {}, as in line {} already", first->first.first,
                                           shown(value), first->second),
                               std::move(remedy)});
    }

    std::map<std::pair<std::string, std::string>, std::size_t> lines_;  // by column and value
    std::vector<RowFault>& faults_;
};

std::vector<OrderEntry> orders_below(const CsvRecord& header, std::span<const CsvRecord> records,
                                     const OrderFormat& format, std::vector<RowFault>& faults) {
    const ColumnPlaces places = read_header(header, format, faults);
    std::vector<OrderEntry> orders;
    OrderUniques uniques(faults);
    for (const CsvRecord& record : records) {
        if (places.empty() || !has_its_fields(record, header, faults))
            continue;
        RowRead row = read_row(places, record, format, faults);
        uniques.add(row.entry);
        if (row.is_good)
            orders.push_back(std::move(row.entry));
    }
    // An export that failed looks so.
    if (faults.empty() && orders.empty())
        faults.push_back(
            {header.line, "no order is in it", "write a row for each order below the names of the columns"});
    return orders;
}

std::vector<RowFault> listed(std::vector<RowFault> faults) {
    std::ranges::stable_sort(faults, {}, &RowFault::line);
    if (faults.size() > order_limits.faults) {
        const std::size_t more = faults.size() - order_limits.faults;
        faults.resize(order_limits.faults);
        faults.push_back(
            {faults.back().line, fmt::format("there are {} more mistakes", more), "correct those first"});
    }
    return faults;
}

}  // namespace

std::string type_column(std::string_view ticket_kind) { return fmt::format("type_{}", ticket_kind); }
std::string serial_column(std::string_view ticket_kind) { return fmt::format("serial_{}", ticket_kind); }

std::expected<std::vector<OrderEntry>, std::vector<RowFault>> read_orders(std::string_view bytes,
                                                                          const OrderFormat& format) {
    const CsvText text = read_csv(bytes, format.separator, order_limits);
    std::vector<RowFault> faults = text.faults;
    std::vector<OrderEntry> orders;
    // A first line that cannot be read is no reason to take the second one for the header.
    const bool is_readable = !text.records.empty() && text.records.front().line == 1;
    const CsvRecord* header = is_readable ? &text.records.front() : nullptr;
    const bool is_refused = std::ranges::find(faults, std::size_t{1}, &RowFault::line) != faults.end();
    if ((is_readable || is_refused) && is_no_table(header, bytes, format))
        return std::unexpected(std::vector{no_table(format)});
    if (is_readable)
        orders = orders_below(*header, std::span(text.records).subspan(1), format, faults);
    else if (faults.empty())
        faults.push_back({0, "the file is empty", "begin it with the names of its columns"});
    if (!faults.empty())
        return std::unexpected(listed(std::move(faults)));
    return orders;
}

}  // namespace tautgate::protocol
