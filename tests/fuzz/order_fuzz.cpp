// Order files: the rows and what they say.
#include <algorithm>
#include <string>
#include <vector>

#include "protocol/order_answer.hpp"
#include "protocol/order_csv.hpp"
#include "protocol/text.hpp"
#include "tests/fuzz/entry.hpp"

using namespace tautgate::protocol;
using tautgate::fuzz::promise;

namespace {

constexpr CsvLimits small{.bytes = 4096, .records = 50, .fields = 12, .field_bytes = 64, .faults = 5};

std::size_t lines_in(std::string_view bytes) {
    return 1 + static_cast<std::size_t>(std::ranges::count(bytes, '\n'));
}

void check_faults(const std::vector<RowFault>& faults, std::size_t most, std::string_view bytes) {
    promise(faults.size() <= most + 1, "the mistakes that are told are bounded");
    for (const RowFault& fault : faults) {
        promise(!fault.what.empty() && !fault.remedy.empty(), "a fault says what and what to do");
        promise(fault.line <= lines_in(bytes), "a fault names a line of the file");
        promise(is_utf8(fault.what), "a fault can be written into a record");
    }
}

void check_rows(std::string_view bytes, Separator separator) {
    const CsvText text = read_csv(bytes, separator, small);
    check_faults(text.faults, small.faults, bytes);
    promise(text.records.size() <= small.records, "no more records than the limit");
    std::string written;
    std::size_t line = 0;
    for (const CsvRecord& record : text.records) {
        promise(record.line > line, "records come in the order of their lines");
        line = record.line;
        promise(!record.fields.empty() && record.fields.size() <= small.fields, "a record has its fields");
        for (const std::string& field : record.fields)
            promise(field.size() <= small.field_bytes && is_utf8(field), "a field is bounded UTF-8");
        written += csv_line(record.fields, separator);
    }
    CsvLimits twice = small;
    twice.bytes *= 4;
    const CsvText again = read_csv(written, separator, twice);
    promise(again.faults.empty() && again.records.size() == text.records.size(),
            "what was read can be written and read again");
    for (std::size_t i = 0; i < again.records.size(); ++i)
        promise(again.records[i].fields == text.records[i].fields, "and stays the same");
}

void check_orders(std::string_view bytes, Separator separator) {
    const OrderFormat format{.separator = separator, .ticket_kinds = {"D", "F"}};
    const OrderFileName file{"fuzz.csv", ""};
    const auto orders = read_orders(bytes, format);
    if (!orders) {
        promise(!orders.error().empty(), "a refused file has a reason");
        check_faults(orders.error(), order_limits.faults, bytes);
    } else {
        for (const OrderEntry& entry : *orders)
            promise(!entry.order.empty() && entry.line > 1,
                    "an order has a number and stands below the header");
    }
    const std::string answer = orders ? answer_csv(file, OrdersAccepted{*orders}, separator)
                                      : answer_csv(file, OrdersRejected{orders.error()}, separator);
    CsvLimits wide = order_limits;
    wide.field_bytes = order_limits.bytes;
    const CsvText read = read_csv(answer, separator, wide);
    const std::size_t rows = orders ? orders->size() : orders.error().size();
    promise(read.faults.empty() && read.records.size() == rows + 2, "an answer has a row for each");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view bytes = tautgate::fuzz::as_text(data, size);
    for (const Separator separator : {Separator::comma, Separator::semicolon}) {
        check_rows(bytes, separator);
        check_orders(bytes, separator);
    }
    return 0;
}
