// Comma-separated values as RFC 4180 defines them, read strictly: what the document leaves open is not
// guessed but refused with the line. Fields may stand in quotes, which may then hold separators, quotes
// (doubled) and line breaks; lines end with CR LF or LF; spaces belong to the field. The separator is told,
// never found out. A byte order mark before the first field is no part of it.
//
// Written here because no library that we found for C or C++ tells all mistakes of a file at once, each with
// the line in which its record begins, and keeps to set lengths. Pure functions; any thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/describe.hpp"

namespace tautgate::protocol {

enum class Separator : std::uint8_t { comma, semicolon };
TAUTGATE_ENUM(Separator, comma, semicolon);

[[nodiscard]] constexpr char sign_of(Separator separator) {
    switch (separator) {
    case Separator::comma: return ',';
    case Separator::semicolon: return ';';
    }
    return ',';
}

// A mistake in a file of rows; one sentence each for what and remedy.
struct RowFault {
    std::size_t line = 0;  // from 1, where the row begins; 0: the file as a whole
    std::string what;
    std::string remedy;
    bool operator==(const RowFault&) const = default;
};
TAUTGATE_FIELDS(RowFault, line, what, remedy);

struct CsvRecord {
    std::size_t line = 0;  // where it begins: a quoted field may span lines
    std::vector<std::string> fields;
    bool operator==(const CsvRecord&) const = default;
};

struct CsvLimits {
    std::size_t bytes = 0;
    std::size_t records = 0;
    std::size_t fields = 0;       // of a record
    std::size_t field_bytes = 0;  // of a field
    std::size_t faults = 0;       // then the reading stops, and says so in one more
};

// Both in the order of the file. A record with a fault is not among the records; its first one is told.
struct CsvText {
    std::vector<CsvRecord> records;
    std::vector<RowFault> faults;
};

// Refused besides what RFC 4180 excludes: control characters other than the line breaks within quotes, bytes
// that are no UTF-8, and whatever exceeds a limit.
[[nodiscard]] CsvText read_csv(std::string_view bytes, Separator separator, const CsvLimits& limits);

// One record with its CR LF. A field is put in quotes where it would not be read back as it is.
[[nodiscard]] std::string csv_line(const std::vector<std::string>& fields, Separator separator);

}  // namespace tautgate::protocol
