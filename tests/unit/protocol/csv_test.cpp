// What the strict reader of comma-separated values does where RFC 4180 leaves room, and at its limits. The
// document's own examples stand in tests/standards/protocol.
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <rapidcheck.h>

#include "protocol/csv.hpp"

using namespace tautgate::protocol;

namespace {

using Fields = std::vector<std::string>;

constexpr CsvLimits wide{
    .bytes = 1'000'000, .records = 1000, .fields = 100, .field_bytes = 10'000, .faults = 100};

std::vector<CsvRecord> records_of(std::string_view bytes, Separator separator = Separator::comma) {
    CsvText text = read_csv(bytes, separator, wide);
    if (!text.faults.empty())
        FAIL(text.faults.front().line << ": " << text.faults.front().what);
    return std::move(text.records);
}

// "2: what", one for each mistake.
Fields mistakes_of(std::string_view bytes, const CsvLimits& limits = wide) {
    Fields words;
    for (const RowFault& fault : read_csv(bytes, Separator::comma, limits).faults) {
        words.push_back(std::to_string(fault.line) + ": " + fault.what);
        CHECK_FALSE(fault.remedy.empty());
    }
    return words;
}

CsvLimits with(std::size_t CsvLimits::*limit, std::size_t value) {
    CsvLimits limits = wide;
    limits.*limit = value;
    return limits;
}

}  // namespace

TEST_CASE("a record knows the line in which it begins, also after fields that span lines") {
    CHECK(records_of("a,\"1\r\n2\n3\"\r\nb,4\n\"\n\"\nc") ==
          std::vector<CsvRecord>{{1, {"a", "1\r\n2\n3"}}, {4, {"b", "4"}}, {5, {"\n"}}, {7, {"c"}}});
}

TEST_CASE("only the separator that was told separates") {
    CHECK(records_of("a;b,c", Separator::semicolon) == std::vector<CsvRecord>{{1, {"a", "b,c"}}});
    CHECK(records_of("a;b,c", Separator::comma) == std::vector<CsvRecord>{{1, {"a;b", "c"}}});
}

TEST_CASE("empty fields and empty lines are there, and nothing follows the last end of a line") {
    CHECK(records_of(",\r\n\r\n\"\",") == std::vector<CsvRecord>{{1, {"", ""}}, {2, {""}}, {3, {"", ""}}});
    CHECK(records_of("").empty());
    CHECK(records_of("a\n").size() == 1);
}

TEST_CASE("a byte order mark counts at the beginning only") {
    CHECK(records_of("\xEF\xBB\xBF"
                     "a\n\xEF\xBB\xBF"
                     "b") == std::vector<CsvRecord>{{1, {"a"}},
                                                    {2,
                                                     {"\xEF\xBB\xBF"
                                                      "b"}}});
}

TEST_CASE("quotes in the wrong place are refused, and the lines after them are read") {
    const CsvText text = read_csv("a\"b,\"c\nd,e\n\"f\"g\n\"h\" ,i\nj", Separator::comma, wide);
    CHECK(text.records == std::vector<CsvRecord>{{2, {"d", "e"}}, {5, {"j"}}});
    CHECK(mistakes_of("a\"b,\"c\nd,e\n\"f\"g\n\"h\" ,i\nj") ==
          Fields{"1: there is a quote in field 1, which does not begin with one",
                 "3: something follows the quote that closes field 1",
                 "4: something follows the quote that closes field 1"});
    CHECK(mistakes_of("a\nb,\"c\nd\n") == Fields{"2: the quote that opens field 2 is never closed"});
    CHECK(mistakes_of("\"") == Fields{"1: the quote that opens field 1 is never closed"});
}

TEST_CASE("a carriage return ends no line by itself, and may stand in quotes") {
    CHECK(mistakes_of("a\rb\nc") == Fields{"1: there is a carriage return that no line feed follows"});
    CHECK(mistakes_of("a\r") == Fields{"1: there is a carriage return that no line feed follows"});
    CHECK(records_of("\"a\rb\"") == std::vector<CsvRecord>{{1, {"a\rb"}}});
}

TEST_CASE("control characters and what is no UTF-8 are refused") {
    using namespace std::string_literals;
    CHECK(mistakes_of("a,b\0c\nd"s) == Fields{"1: field 2, 'b\\x00c', holds a control character"});
    CHECK(mistakes_of("a\tb\n\"\x7f\"") == Fields{"1: field 1, 'a\\x09b', holds a control character",
                                                  "2: field 1, '\\x7f', holds a control character"});
    CHECK(mistakes_of("M\xFCller") == Fields{"1: field 1, 'M\\xfcller', is not UTF-8"});
}

TEST_CASE("each limit can be reached and not exceeded") {
    CHECK(mistakes_of("abc", with(&CsvLimits::bytes, 3)).empty());
    CHECK(mistakes_of("abcd", with(&CsvLimits::bytes, 3)) == Fields{"0: the file has 4 bytes, more than 3"});
    CHECK(mistakes_of("a\nb\n", with(&CsvLimits::records, 2)).empty());
    CHECK(mistakes_of("a\nb\nc", with(&CsvLimits::records, 2)) == Fields{"3: the file has more than 2 rows"});
    CHECK(mistakes_of("a,b", with(&CsvLimits::fields, 2)).empty());
    CHECK(mistakes_of("a,b,c\ne", with(&CsvLimits::fields, 2)) ==
          Fields{"1: the row has more than 2 fields"});
    CHECK(mistakes_of("abc", with(&CsvLimits::field_bytes, 3)).empty());
    CHECK(mistakes_of("a,\"bc\n\"\"\"\ne", with(&CsvLimits::field_bytes, 3)) ==
          Fields{"1: field 2 is longer than 3 bytes"});
    CHECK(mistakes_of("\"a\"a\n\"b\"b\n\"c\"c\n", with(&CsvLimits::faults, 2)).back() ==
          "3: reading stopped here, after 2 mistakes");
}

TEST_CASE("a field is quoted only where it must be") {
    CHECK(csv_line({"a b", "", "c;d"}, Separator::comma) == "a b,,c;d\r\n");
    CHECK(csv_line({"a b", "", "c;d"}, Separator::semicolon) == "a b;;\"c;d\"\r\n");
    CHECK(csv_line({"say \"so\"", "two\nlines"}, Separator::comma) ==
          "\"say \"\"so\"\"\",\"two\nlines\"\r\n");
}

TEST_CASE("any text that is written is read back as it was") {
    CHECK(rc::check("csv", [] {
        const auto separator = *rc::gen::element(Separator::comma, Separator::semicolon);
        const auto piece = rc::gen::element<std::string>("a", "\"", ",", ";", "\r", "\n", " ", "\xC3\xA9",
                                                         "\xEF\xBB\xBF", "\xF0\x9F\x94\xA9", "'", "=");
        const auto rows =
            *rc::gen::resize(20, rc::gen::container<std::vector<Fields>>(rc::gen::container<Fields>(
                                     rc::gen::map(rc::gen::container<Fields>(piece), [](const Fields& all) {
                                         std::string field;
                                         for (const std::string& one : all)
                                             field += one;
                                         return field;
                                     }))));
        std::string bytes;
        std::vector<Fields> expected;
        for (const Fields& row : rows) {
            if (row.empty())
                continue;  // a record has at least one field
            bytes += csv_line(row, separator);
            expected.push_back(row);
        }
        const CsvText text = read_csv(bytes, separator, wide);
        RC_ASSERT(text.faults.empty());
        std::vector<Fields> read;
        for (const CsvRecord& record : text.records)
            read.push_back(record.fields);
        RC_ASSERT(read == expected);
    }));
}
