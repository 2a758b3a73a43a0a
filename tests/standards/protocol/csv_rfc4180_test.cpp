// The examples of RFC 4180, "Common Format and MIME Type for Comma-Separated Values (CSV) Files" (October
// 2005), section 2, rules 1 to 7, typed from its text with CRLF written out; of those with quotes the text as
// corrected by the verified erratum 5714.
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "protocol/csv.hpp"

using namespace tautgate::protocol;

namespace {

using Rows = std::vector<std::vector<std::string>>;

Rows rows_of(std::string_view bytes) {
    constexpr CsvLimits limits{.bytes = 1000, .records = 100, .fields = 10, .field_bytes = 100, .faults = 10};
    const CsvText text = read_csv(bytes, Separator::comma, limits);
    CHECK(text.faults.empty());
    Rows rows;
    for (const CsvRecord& record : text.records)
        rows.push_back(record.fields);
    return rows;
}

}  // namespace

TEST_CASE("rule 1: each record stands on a line of its own") {
    CHECK(rows_of("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n") == Rows{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}});
}

TEST_CASE("rule 2: the last record may have no line break") {
    CHECK(rows_of("aaa,bbb,ccc\r\nzzz,yyy,xxx") == Rows{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}});
}

TEST_CASE("rule 3: the first line may be a header") {
    CHECK(rows_of("field_name,field_name,field_name\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n") ==
          Rows{{"field_name", "field_name", "field_name"}, {"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}});
}

TEST_CASE("rule 4: spaces are part of a field, and the last field has no comma behind it") {
    CHECK(rows_of("aaa,bbb,ccc") == Rows{{"aaa", "bbb", "ccc"}});
    CHECK(rows_of(" aaa, bbb ,ccc ") == Rows{{" aaa", " bbb ", "ccc "}});
}

TEST_CASE("rule 5: a field may be enclosed in quotes") {
    CHECK(rows_of("\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx") ==
          Rows{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}});
}

TEST_CASE("rule 6: quotes may hold line breaks, quotes and commas") {
    CHECK(rows_of("\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx") ==
          Rows{{"aaa", "b\r\nbb", "ccc"}, {"zzz", "yyy", "xxx"}});
}

TEST_CASE("rule 7: a quote within quotes is written twice") {
    CHECK(rows_of("\"aaa\",\"b\"\"bb\",\"ccc\"") == Rows{{"aaa", "b\"bb", "ccc"}});
}

TEST_CASE("erratum 5714: nothing stands between a closing quote and what separates it from the next field") {
    constexpr CsvLimits limits{.bytes = 1000, .records = 100, .fields = 10, .field_bytes = 100, .faults = 10};
    const CsvText text = read_csv("\"aaa\",\"bbb\",\"ccc\" \r\nzzz,yyy,xxx", Separator::comma, limits);
    CHECK(text.records == std::vector<CsvRecord>{{2, {"zzz", "yyy", "xxx"}}});
    REQUIRE(text.faults.size() == 1);
    CHECK(text.faults.front().line == 1);
}
