// Whether what stands beside the chain agrees with it: the schema, the query tables, which people are
// shown, stored texts, and the names and secrets of people. The chain itself is looked at by Reader::verify;
// do that first, since here the chain is believed. Makes the tables again in a scratch database of SQLite's
// own (on the disk for temporary files, as large as the journal) and compares them row by row; reads only.
// Any thread.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>
#include <stop_token>
#include <string>
#include <vector>

#include <SQLiteCpp/Database.h>

#include "service/journal/journal_error.hpp"

namespace tautgate::journal {

// A name or a secret that was changed is not used by the service, and put right by giving it anew: who only
// asks whether the record may be relied on leaves people out.
enum class Beside : std::uint8_t { everything, all_but_people };

// What differs, which decides what helps.
enum class Matter : std::uint8_t {
    derived,   // query tables and their rows, indexes, triggers: made again from the events
    name,      // the name or badge of a person
    secret,    // a person's
    document,  // a stored text
    samples,   // those of a trace
    record,    // a table of the record itself
    surplus    // stands there and was never recorded
};

struct Difference {
    Matter of = Matter::derived;
    std::string what;  // names the place, what stands there and what should
};

// What helps against it, as the end of a sentence.
[[nodiscard]] std::string remedy_of(Matter of);
// One sentence and the remedy.
[[nodiscard]] std::string to_text(const Difference& difference);

// Tables, indexes and triggers that are missing, are others, or are not ours. Throws SQLite::Exception.
[[nodiscard]] std::vector<Difference> differences_of_schema(SQLite::Database& journal);

// At most `most` of them, and one for the rows of each table. None: everything agrees. Ends soon, with an
// error, once `stop` is asked for. `vfs` is empty but in tests.
[[nodiscard]] std::expected<std::vector<Difference>, JournalError>
audit_beside_chain(const std::filesystem::path& path, Beside what = Beside::everything,
                   const std::string& vfs = {}, const std::stop_token& stop = {}, std::size_t most = 20);

}  // namespace tautgate::journal
