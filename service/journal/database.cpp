#include "service/journal/database.hpp"

#include <array>
#include <cassert>
#include <system_error>

#include <SQLiteCpp/Statement.h>
#include <SQLiteCpp/Transaction.h>
#include <sodium.h>
#include <sqlite3.h>

#include "service/journal/log_writes.hpp"
#include "service/journal/projection.hpp"
#include "service/journal/schema.hpp"

namespace tautgate::journal {
namespace {

// Step n of the list brings a journal of schema version n to n + 1. One that changes what is derived also has
// to change it where it is made again (schema.hpp).
void bring_to_this_version(SQLite::Database& db, int version) {
    const std::string first = first_schema();
    const std::string second = second_schema();
    const std::string third = third_schema();
    const std::string fourth = fourth_schema();
    const std::array<const char*, schema_version> steps{first.c_str(), second.c_str(), third.c_str(),
                                                        fourth.c_str()};
    bring_forward(db, version, steps);
}

std::int64_t pragma(SQLite::Database& db, const char* name) {
    SQLite::Statement ask(db, std::string("PRAGMA ") + name);
    ask.executeStep();
    return ask.getColumn(0).getInt64();
}

std::int64_t tables_in(SQLite::Database& db) {
    SQLite::Statement ask(db, "SELECT count(*) FROM sqlite_schema");
    ask.executeStep();
    return ask.getColumn(0).getInt64();
}

std::string random_id() {
    std::array<unsigned char, 16> bytes{};
    randombytes_buf(bytes.data(), bytes.size());
    std::array<char, 33> text{};
    sodium_bin2hex(text.data(), text.size(), bytes.data(), bytes.size());
    return text.data();
}

// Which schema the file has: 0 for an empty one.
std::expected<int, JournalError> version_of(SQLite::Database& db, const std::filesystem::path& path) {
    const auto refuse = [&](JournalFault fault, std::string what, std::string remedy) {
        return std::unexpected(JournalError{.fault = fault,
                                            .path = path.string(),
                                            .what = std::move(what),
                                            .remedy = std::move(remedy),
                                            .event = std::nullopt});
    };
    const std::int64_t id = pragma(db, "application_id");
    const std::int64_t version = pragma(db, "user_version");
    if (id == 0 && version == 0 && tables_in(db) == 0)
        return 0;
    if (id != application_id)
        return refuse(JournalFault::not_ours, "is a database of another program",
                      "name another file as the journal; this one was left as it is");
    if (version > schema_version)
        return refuse(JournalFault::newer_version,
                      "was written by a newer program (schema version " + std::to_string(version) +
                          "; this program knows up to " + std::to_string(schema_version) + ")",
                      "install that version again, or a later one; the file was left as it is");
    return static_cast<int>(version);
}

// What is new in the tables is filled from the events that were stored before, as any other program of this
// version would have filled it. Takes long where there are many, once.
std::expected<void, JournalError> fill_from_events(SQLite::Database& db, const std::filesystem::path& path) {
    db.exec("PRAGMA defer_foreign_keys = ON");
    make_derived_again(db);
    Projection projection(db);
    const auto added = add_all(db, projection, path, [](const StoredEvent&, const std::string&) {});
    return added ? std::expected<void, JournalError>{} : std::unexpected(added.error());
}

std::expected<void, JournalError> migrate(SQLite::Database& db, int version, const std::string& station,
                                          const std::filesystem::path& path) {
    if (version == schema_version)
        return {};
    SQLite::Transaction all(db, SQLite::TransactionBehavior::IMMEDIATE);
    bring_to_this_version(db, version);
    if (version > 0)
        if (auto filled = fill_from_events(db, path); !filled)
            return filled;
    SQLite::Statement meta(db, "INSERT OR IGNORE INTO meta(key, value) VALUES('journal', ?), ('station', ?)");
    meta.bind(1, random_id());
    meta.bind(2, station);
    meta.exec();
    all.commit();
    return {};
}

// Spelled out, since everything that we promise about durability rests on these.
void keep_durably(SQLite::Database& db) {
    db.exec("PRAGMA journal_mode = WAL");
    db.exec("PRAGMA synchronous = FULL");
    db.exec("PRAGMA wal_autocheckpoint = 0");  // the writer's thread checkpoints when it has nothing to do
    db.exec("PRAGMA foreign_keys = ON");
    db.exec("PRAGMA secure_delete = FAST");  // a name that is taken out leaves no bytes in its page
    db.exec("PRAGMA trusted_schema = OFF");
    db.exec("PRAGMA cache_size = -2048");
    // A connection that failed must not write once more while it closes, and a log that is kept from run to
    // run need not grow again.
    int set = 0;
    sqlite3_db_config(db.getHandle(), SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, &set);
    int keep = 1;
    sqlite3_file_control(db.getHandle(), "main", SQLITE_FCNTL_PERSIST_WAL, &keep);
}

// A look at an existing file that cannot change it. Where the power failed while the file was made, SQLite
// must first take back what is half there; the look is then left to the opening for writing.
std::expected<void, JournalError> look_untouched(const std::filesystem::path& path, const std::string& vfs) {
    try {
        SQLite::Database db(path.string(), SQLite::OPEN_READONLY, 0, vfs);
        if (const auto version = version_of(db, path); !version)
            return std::unexpected(version.error());
    } catch (const SQLite::Exception& error) {
        if (error.getExtendedErrorCode() != SQLITE_READONLY_ROLLBACK)
            return std::unexpected(error_from(error, path, "looking at the journal"));
    }
    return {};
}

JournalFault fault_of(int code) {
    switch (code & 0xff) {
    case SQLITE_FULL: return JournalFault::disk_full;
    case SQLITE_READONLY:
    case SQLITE_PERM: return JournalFault::read_only;
    case SQLITE_BUSY:
    case SQLITE_LOCKED: return JournalFault::in_use;
    case SQLITE_CORRUPT: return JournalFault::damaged;
    case SQLITE_NOTADB: return JournalFault::not_ours;
    case SQLITE_CANTOPEN: return JournalFault::cannot_open;
    default: return JournalFault::device;
    }
}

std::string remedy_of(JournalFault fault) {
    switch (fault) {
    case JournalFault::disk_full: return "make room on this disk, then start the station again";
    case JournalFault::read_only:
        return "let the service's user write to the file and to its folder, then start the station again";
    case JournalFault::in_use: return "end the other program that writes to this file";
    case JournalFault::damaged: return "keep the file, bring back the latest backup and call maintenance";
    case JournalFault::not_ours: return "name another file as the journal; this one was left as it is";
    case JournalFault::cannot_open:
        return "see that the folder exists and that the service's user may read and write in it";
    case JournalFault::newer_version:
    case JournalFault::device:
    case JournalFault::not_found:
    case JournalFault::not_understood: return "check the disk, then start the station again";
    }
    return "check the disk";
}

// Version 0 is a file without any table: what `cp` makes of a journal that is being written.
std::string remedy_for_version(int version) {
    if (version > schema_version)
        return "read it with the program version that wrote it, or a later one";
    if (version > 0)
        return "start the station once; it brings the journal forward";
    return "it holds nothing yet; a copy that cp made while the service runs lacks what stands in the files "
           "beside it: copy with sqlite3 and its .backup";
}

}  // namespace

void EndWhenAsked::Interrupt::operator()() const noexcept { sqlite3_interrupt(handle); }

EndWhenAsked::EndWhenAsked(SQLite::Database& db, std::stop_token stop)
    : handle_(db.getHandle()), stop_(std::move(stop)), interrupt_(stop_, Interrupt{handle_}) {
    constexpr int steps_between_looks = 10'000;
    sqlite3_progress_handler(
        handle_, steps_between_looks,
        [](void* self) { return static_cast<EndWhenAsked*>(self)->stop_.stop_requested() ? 1 : 0; }, this);
}

EndWhenAsked::~EndWhenAsked() { sqlite3_progress_handler(handle_, 0, nullptr, nullptr); }

void bring_forward(SQLite::Database& db, int version, std::span<const char* const> steps) {
    for (const char* step : steps.subspan(static_cast<std::size_t>(version)))
        db.exec(step);
    db.exec("PRAGMA application_id = " + std::to_string(application_id));
    db.exec("PRAGMA user_version = " + std::to_string(steps.size()));
}

std::string meta_value(SQLite::Database& db, const char* key) {
    SQLite::Statement ask(db, "SELECT value FROM meta WHERE key = ?");
    ask.bind(1, key);
    return ask.executeStep() ? ask.getColumn(0).getString() : std::string();
}

Hash genesis_of(SQLite::Database& db) {
    return genesis(meta_value(db, "journal"), meta_value(db, "station"));
}

JournalError error_from(const SQLite::Exception& error, const std::filesystem::path& path,
                        std::string_view doing) {
    const JournalFault fault = fault_of(error.getErrorCode());
    // Our own statements do not change: what they do not find is missing from the file.
    const bool misses_something = error.getErrorCode() == SQLITE_ERROR;
    return {.fault = fault,
            .path = path.string(),
            .what = std::string(doing) + " failed: " + error.what() + " (SQLite " +
                    std::to_string(error.getExtendedErrorCode()) + ")",
            .remedy =
                misses_something ? "let tautgate verify say what is wrong with the file" : remedy_of(fault),
            .event = std::nullopt};
}

std::expected<Connection, JournalError> open_for_writing(const std::filesystem::path& path,
                                                         const std::string& station, const std::string& vfs) {
    std::error_code ignored;  // cannot be looked at: opening will say why
    if (std::filesystem::exists(path, ignored) && std::filesystem::file_size(path, ignored) > 0)
        if (const auto looked = look_untouched(path, vfs); !looked)
            return std::unexpected(looked.error());
    const auto layer = gathering_log_writes(vfs);
    if (!layer)
        return std::unexpected(JournalError{.fault = JournalFault::cannot_open,
                                            .path = path.string(),
                                            .what = "cannot be opened for writing: " + layer.error(),
                                            .remedy = "give the name of a VFS that exists",
                                            .event = std::nullopt});
    return guarded(path, "opening the journal for writing", [&]() -> std::expected<Connection, JournalError> {
        // One thread at a time uses it, so that SQLite need not lock for every value.
        constexpr int alone = SQLITE_OPEN_NOMUTEX;
        auto db = std::make_unique<SQLite::Database>(
            path.string(), SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE | alone, 1000, *layer);
        const auto version = version_of(*db, path);
        if (!version)
            return std::unexpected(version.error());
        // Where it may not write, SQLite opens for reading without a word.
        if (sqlite3_db_readonly(db->getHandle(), "main") == 1)
            return std::unexpected(
                JournalError{.fault = JournalFault::read_only,
                             .path = path.string(),
                             .what = "opening the journal for writing failed: the file can only be "
                                     "read",
                             .remedy = remedy_of(JournalFault::read_only),
                             .event = std::nullopt});
        db->exec("PRAGMA page_size = 4096");
        keep_durably(*db);
        if (auto forward = migrate(*db, *version, station, path); !forward)
            return std::unexpected(std::move(forward.error()));
        // A disk that takes nothing is to be noticed now, when the station can still stay up and say so, and
        // not by the first event, over which it must end. Writes one page and syncs it.
        db->exec("PRAGMA user_version = " + std::to_string(schema_version));
        return db;
    });
}

std::expected<Connection, JournalError> open_for_reading(const std::filesystem::path& path,
                                                         const std::string& vfs) {
    std::error_code unknown;  // cannot be looked at: opening will say why
    if (!std::filesystem::exists(path, unknown) && !unknown)
        return std::unexpected(JournalError{.fault = JournalFault::not_found,
                                            .path = path.string(),
                                            .what = "there is no such file",
                                            .remedy =
                                                "check the path; the station makes the journal of a new "
                                                "state folder when it is started for the first time",
                                            .event = std::nullopt});
    return guarded(path, "opening the journal for reading", [&]() -> std::expected<Connection, JournalError> {
        auto db = std::make_unique<SQLite::Database>(path.string(), SQLite::OPEN_READONLY, 1000, vfs);
        const auto version = version_of(*db, path);
        if (!version)
            return std::unexpected(version.error());
        if (*version != schema_version)
            return std::unexpected(JournalError{.fault = JournalFault::not_found,
                                                .path = path.string(),
                                                .what = "has schema version " + std::to_string(*version) +
                                                        ", and this program reads " +
                                                        std::to_string(schema_version),
                                                .remedy = remedy_for_version(*version),
                                                .event = std::nullopt});
        db->exec("PRAGMA query_only = ON");
        return db;
    });
}

Connection open_scratch() {
    auto db = std::make_unique<SQLite::Database>("", SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
    db->exec("PRAGMA journal_mode = OFF");
    const auto made = migrate(*db, 0, {}, {});
    assert(made && "an empty one has no events that could be misread");
    return db;
}

}  // namespace tautgate::journal
