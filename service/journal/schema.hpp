// The journal's schema (RECORD.md describes it) in its parts, what differs from it in a file, and how
// everything that can be made again is: query tables, indexes, triggers. Throws SQLite::Exception.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <SQLiteCpp/Database.h>

#include "service/journal/journal_error.hpp"

namespace tautgate::journal {

enum class Part : std::uint8_t {
    record,    // tables that nothing can be made again from but themselves
    triggers,  // that keep stored events from being changed
    derived,   // query tables and their indexes, made from the events
    nobodys    // a table that somebody else put into the file
};

// What a journal of schema version 1 is made with. Never change one that has been shipped.
[[nodiscard]] std::string first_schema();
// What brings it to version 2: genealogy, orders and traces of results.
[[nodiscard]] std::string second_schema();
// To version 3: movements of units between bays.
[[nodiscard]] std::string third_schema();
// To version 4: joints that were done in another way than planned.
[[nodiscard]] std::string fourth_schema();

struct SchemaFault {
    Part part = Part::record;  // an index, a trigger or a view of somebody else counts as derived: it goes
    std::pair<std::string, std::string> thing;  // kind and name, in lower case: "table", "stay"
    std::string what;                           // a sentence without its end
};
[[nodiscard]] std::vector<SchemaFault> schema_faults(SQLite::Database& db);

// Why nothing can be stored or recovered, if a query table is not there or is another.
[[nodiscard]] std::optional<JournalError> derived_tables_lost(SQLite::Database& db,
                                                              const std::filesystem::path& path);

// Takes away all that is derived, whatever became of it, and makes it as the schema says; the tables are
// empty then. Within a transaction of the caller's, while foreign keys are not looked at.
void make_derived_again(SQLite::Database& db);

}  // namespace tautgate::journal
