// Opening the journal's file: what it is, which schema it has, and how SQLite is to keep it. The one place
// that turns SQLite's exceptions into errors of ours. The schema itself is in schema.hpp.
// Used by the writer, the reader and the rebuilding of the query tables only.
#pragma once

#include <cstdint>
#include <expected>
#include <filesystem>
#include <memory>
#include <span>
#include <stop_token>
#include <string>
#include <string_view>

#include <SQLiteCpp/Database.h>
#include <SQLiteCpp/Exception.h>

#include "service/journal/digest.hpp"
#include "service/journal/journal_error.hpp"

namespace tautgate::journal {

inline constexpr std::int32_t application_id = 0x54616774;  // "Tagt"
inline constexpr int schema_version = 4;

using Connection = std::unique_ptr<SQLite::Database>;

// Creates the file or brings its schema forward. Nothing is written to a file that is not ours or that a
// newer program wrote. `vfs` is empty but in tests.
[[nodiscard]] std::expected<Connection, JournalError>
open_for_writing(const std::filesystem::path& path, const std::string& station, const std::string& vfs);
// Never writes. The file must exist and have the schema of this program.
[[nodiscard]] std::expected<Connection, JournalError> open_for_reading(const std::filesystem::path& path,
                                                                       const std::string& vfs);

// Takes a schema of `version` through the steps that it lacks, each of which brings the one of its place to
// the next. All or nothing, if a transaction of the caller's is around it. Throws SQLite::Exception.
void bring_forward(SQLite::Database& db, int version, std::span<const char* const> steps);

[[nodiscard]] JournalError error_from(const SQLite::Exception& error, const std::filesystem::path& path,
                                      std::string_view doing);

// While it lives, what the connection does ends soon, with SQLITE_INTERRUPT, once `stop` is asked for. Two
// ways, since SQLite looks at the one only between steps of a statement, and takes the other only where a
// statement is running. Must not outlive the connection.
class EndWhenAsked {
  public:
    EndWhenAsked(SQLite::Database& db, std::stop_token stop);
    ~EndWhenAsked();
    EndWhenAsked(const EndWhenAsked&) = delete;
    EndWhenAsked& operator=(const EndWhenAsked&) = delete;
    EndWhenAsked(EndWhenAsked&&) = delete;
    EndWhenAsked& operator=(EndWhenAsked&&) = delete;

  private:
    struct Interrupt {
        sqlite3* handle;
        void operator()() const noexcept;
    };
    sqlite3* handle_;
    std::stop_token stop_;
    std::stop_callback<Interrupt> interrupt_;
};

// What the journal says of itself under `key`; empty if it says nothing. Throws SQLite::Exception.
[[nodiscard]] std::string meta_value(SQLite::Database& db, const char* key);
// What the chain of this journal begins with. Throws SQLite::Exception.
[[nodiscard]] Hash genesis_of(SQLite::Database& db);

// An empty journal without a name, for what is only compared. Gone when it is closed. Throws
// SQLite::Exception.
[[nodiscard]] Connection open_scratch();

// Runs `call`, which returns an expected with a JournalError; SQLite's exceptions end here.
template <class Call>
[[nodiscard]] auto guarded(const std::filesystem::path& path, std::string_view doing, Call call)
    -> decltype(call()) {
    try {
        return call();
    } catch (const SQLite::Exception& error) {
        return std::unexpected(error_from(error, path, doing));
    }
}

}  // namespace tautgate::journal
