// What our reader and writer of comma-separated values make of the bytes on standard input, for peers.
//   csv_records read comma|semicolon    rows as JSON; exit 1 and the first mistake where it refuses
//   csv_records write comma|semicolon   JSON rows in, CSV out
#include <iostream>
#include <iterator>
#include <string>
#include <vector>

#include <nlohmann/json.hpp>

#include "protocol/csv.hpp"

using namespace tautgate::protocol;

namespace {

using Rows = std::vector<std::vector<std::string>>;

constexpr CsvLimits wide{
    .bytes = std::size_t{1} << 24U, .records = 100'000, .fields = 1000, .field_bytes = 100'000, .faults = 10};

int read_rows(const std::string& bytes, Separator separator) {
    const CsvText text = read_csv(bytes, separator, wide);
    if (!text.faults.empty()) {
        std::cout << text.faults.front().line << ": " << text.faults.front().what << '\n';
        return 1;
    }
    Rows rows;
    rows.reserve(text.records.size());
    for (const CsvRecord& record : text.records)
        rows.push_back(record.fields);
    std::cout << nlohmann::json(rows).dump() << '\n';
    return 0;
}

int write_rows(const std::string& bytes, Separator separator) {
    for (const auto& row : nlohmann::json::parse(bytes).get<Rows>())
        std::cout << csv_line(row, separator);
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    const std::vector<std::string> arguments(argv + 1, argv + argc);
    if (arguments.size() == 2 && (arguments[1] == "comma" || arguments[1] == "semicolon")) {
        const Separator separator = arguments[1] == "comma" ? Separator::comma : Separator::semicolon;
        const std::string bytes{std::istreambuf_iterator<char>(std::cin), std::istreambuf_iterator<char>()};
        if (arguments[0] == "read")
            return read_rows(bytes, separator);
        if (arguments[0] == "write")
            return write_rows(bytes, separator);
    }
    std::cerr << "usage: csv_records read|write comma|semicolon\n";
    return 2;
}
