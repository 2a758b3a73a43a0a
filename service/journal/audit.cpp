#include "service/journal/audit.hpp"

#include <array>
#include <map>
#include <optional>
#include <set>
#include <utility>

#include <SQLiteCpp/Column.h>
#include <SQLiteCpp/Statement.h>

#include "service/journal/database.hpp"
#include "service/journal/digest.hpp"
#include "service/journal/person_marks.hpp"
#include "service/journal/projection.hpp"

namespace tautgate::journal {
namespace {

struct Table {
    const char* name;
    const char* key;  // columns that name a row, comma between
    int key_columns;  // so many, and they are asked for first
};

constexpr std::array tables{
    Table{"stay", "stay", 1},        Table{"ticket", "serial, stay, scanned, kind, accepted", 5},
    Table{"tightening", "event", 1}, Table{"release", "bay, event, permissive", 3},
    Table{"decision", "event", 1},   Table{"snapshot", "event", 1}};

std::string ask_for(const Table& table) {
    return std::string("SELECT ") + table.key + ", * FROM " + table.name + " ORDER BY " + table.key;
}

std::string shown(const SQLite::Column& column) {
    return column.isNull() ? "nothing" : "'" + column.getString() + "'";
}

bool same(const SQLite::Column& one, const SQLite::Column& other) {
    return one.getType() == other.getType() && one.getString() == other.getString();
}

std::string row_name(SQLite::Statement& row, const Table& table) {
    std::string name;
    for (int i = 0; i < table.key_columns; ++i)
        name += std::string(i == 0 ? "" : ", ") + row.getColumnName(i) + " " + row.getColumn(i).getString();
    return std::string("table ") + table.name + ", row of " + name;
}

// Below zero: the row of `one` comes first and has no fellow.
int order(SQLite::Statement& one, SQLite::Statement& other, const Table& table) {
    for (int i = 0; i < table.key_columns; ++i) {
        const SQLite::Column left = one.getColumn(i);
        const SQLite::Column right = other.getColumn(i);
        if (left.isInteger() && right.isInteger()) {
            if (left.getInt64() != right.getInt64())
                return left.getInt64() < right.getInt64() ? -1 : 1;
        } else if (const int by_text = left.getString().compare(right.getString()); by_text != 0) {
            return by_text;
        }
    }
    return 0;
}

std::optional<std::string> difference_in(SQLite::Statement& stored, SQLite::Statement& made,
                                         const Table& table) {
    for (int i = table.key_columns; i < stored.getColumnCount(); ++i)
        if (!same(stored.getColumn(i), made.getColumn(i)))
            return row_name(stored, table) + ": " + stored.getColumnName(i) + " is " +
                   shown(stored.getColumn(i)) + ", the chain says " + shown(made.getColumn(i));
    return std::nullopt;
}

// The first difference, as the rest often follows from it.
std::optional<std::string> compare(SQLite::Database& journal, SQLite::Database& made_again,
                                   const Table& table) {
    SQLite::Statement stored(journal, ask_for(table));
    SQLite::Statement made(made_again, ask_for(table));
    for (;;) {
        const bool one = stored.executeStep();
        const bool other = made.executeStep();
        if (!one && !other)
            return std::nullopt;
        const int which = !one ? 1 : !other ? -1 : order(stored, made, table);
        if (which < 0)
            return row_name(stored, table) + " stands there, and the chain knows of none";
        if (which > 0)
            return row_name(made, table) + " is missing";
        if (auto difference = difference_in(stored, made, table))
            return difference;
    }
}

bool is_person(std::int64_t number) { return number > 0 && std::in_range<std::uint32_t>(number); }

struct Marks {
    std::string name;
    std::string secret;
};

// What the chain says of things that stand beside it.
struct Named {
    std::map<PersonNumber, Marks> marks;
    std::set<std::string> rules;  // digests of the rules under which something was decided
};

void note_marks(const StoredEvent& stored, std::map<PersonNumber, Marks>& marks) {
    const auto* enrolled = std::get_if<interlock::PersonEnrolled>(&stored.event.payload);
    if (enrolled == nullptr || !std::holds_alternative<interlock::Applied>(stored.record.outcome))
        return;
    Marks& known = marks[enrolled->person.number];
    if (!enrolled->person.name_mark.empty())
        known.name = enrolled->person.name_mark;
    if (!enrolled->person.secret_mark.empty())
        known.secret = enrolled->person.secret_mark;
}

void note_rules(const StoredEvent& stored, std::set<std::string>& rules) {
    if (!stored.rules.digest.empty())
        rules.insert(stored.rules.digest);
    const auto* approved = std::get_if<interlock::RulesApproved>(&stored.event.payload);
    if (approved != nullptr && std::holds_alternative<interlock::Applied>(stored.record.outcome))
        rules.insert(approved->revision.digest);
}

// The tables as the chain makes them, and what else it names.
std::expected<Named, JournalError> make_again(SQLite::Database& journal, SQLite::Database& scratch,
                                              const std::filesystem::path& path) {
    Named named;
    scratch.exec("BEGIN");
    Projection projection(scratch);
    SQLite::Statement keep(scratch, "INSERT INTO event(number, body, hash) VALUES(?, ?, zeroblob(32))");
    const auto added =
        add_all(journal, projection, path, [&](const StoredEvent& stored, const std::string& body) {
            keep.bind(1, static_cast<std::int64_t>(stored.event.number.value));
            keep.bindNoCopy(2, body);
            keep.exec();
            keep.reset();
            note_marks(stored, named.marks);
            note_rules(stored, named.rules);
        });
    if (!added)
        return std::unexpected(added.error());
    scratch.exec("COMMIT");
    return named;
}

// Triggers and indexes too: one that was put in can change what is asked later.
void compare_schema(SQLite::Database& journal, SQLite::Database& scratch, std::vector<std::string>& faults) {
    const auto schema_of = [](SQLite::Database& db) {
        std::map<std::string, std::string> all;
        SQLite::Statement ask(db, "SELECT type || ' ' || name, ifnull(sql, '') FROM sqlite_schema");
        while (ask.executeStep())
            all[ask.getColumn(0).getString()] = ask.getColumn(1).getString();
        return all;
    };
    const auto stored = schema_of(journal);
    const auto wanted = schema_of(scratch);
    for (const auto& [what, sql] : stored)
        if (!wanted.contains(what))
            faults.push_back("the " + what + " stands in the file and is not ours");
        else if (wanted.at(what) != sql)
            faults.push_back("the " + what + " was changed");
    for (const auto& [what, sql] : wanted)
        if (!stored.contains(what))
            faults.push_back("the " + what + " was taken away");
}

// A name may have been taken out; one that stands there must be the one that was recorded.
void compare_people(SQLite::Database& journal, const std::map<PersonNumber, Marks>& marks,
                    std::vector<std::string>& faults) {
    const auto mark = [&](PersonNumber number, std::string Marks::*which) {
        const auto known = marks.find(number);
        return known == marks.end() ? std::string() : known->second.*which;
    };
    SQLite::Statement names(journal, "SELECT number, name, badge, salt FROM person_name ORDER BY number");
    while (names.executeStep()) {
        const std::int64_t number = names.getColumn(0).getInt64();
        const PersonName name{{static_cast<std::uint32_t>(number)},
                              names.getColumn(1).getString(),
                              names.getColumn(2).getString(),
                              names.getColumn(3).getString()};
        if (!is_person(number) || mark_of(name) != mark(name.number, &Marks::name))
            faults.push_back("table person_name: the name or badge of person " + std::to_string(number) +
                             " is not the one that was recorded");
    }
    std::map<PersonNumber, Marks> without = marks;
    SQLite::Statement secrets(journal, "SELECT number, argon2id FROM credential ORDER BY number");
    while (secrets.executeStep()) {
        const std::int64_t number = secrets.getColumn(0).getInt64();
        const Credential secret{{static_cast<std::uint32_t>(number)}, secrets.getColumn(1).getString()};
        if (!is_person(number) || mark_of(secret) != mark(secret.number, &Marks::secret))
            faults.push_back("table credential: the secret of person " + std::to_string(number) +
                             " is not the one that was recorded");
        without.erase(secret.number);
    }
    for (const auto& [number, recorded] : without)
        if (!recorded.secret.empty())
            faults.push_back("table credential: the secret of person " + std::to_string(number.value) +
                             " is missing");
}

void compare_documents(SQLite::Database& journal, const std::set<std::string>& rules,
                       std::vector<std::string>& faults) {
    std::set<std::string> missing = rules;
    SQLite::Statement documents(journal, "SELECT digest, text, kind FROM document ORDER BY digest");
    while (documents.executeStep()) {
        missing.erase(documents.getColumn(0).getString());
        if (documents.getColumn(2).getString() != "config" ||
            hex(sha256(documents.getColumn(1).getString())) != documents.getColumn(0).getString())
            faults.push_back("table document: the text under the digest " +
                             documents.getColumn(0).getString() + " was changed");
    }
    for (const std::string& digest : missing)
        faults.push_back("table document: the text of the rules " + digest + " is missing");
}

void compare_meta(SQLite::Database& journal, std::vector<std::string>& faults) {
    SQLite::Statement keys(journal,
                           "SELECT key FROM meta WHERE key NOT IN ('journal', 'station') ORDER BY key");
    while (keys.executeStep())
        faults.push_back("table meta: " + keys.getColumn(0).getString() + " stands there and is not ours");
    for (const char* key : {"journal", "station"})
        if (meta_value(journal, key).empty())
            faults.push_back(std::string("table meta: ") + key + " is missing");
}

}  // namespace

std::expected<std::vector<std::string>, JournalError> audit_beside_chain(const std::filesystem::path& path,
                                                                         Beside what, const std::string& vfs,
                                                                         const std::stop_token& stop,
                                                                         std::size_t most) {
    auto journal = open_for_reading(path, vfs);
    if (!journal)
        return std::unexpected(journal.error());
    return guarded(path, "comparing the tables with the chain",
                   [&]() -> std::expected<std::vector<std::string>, JournalError> {
                       const Connection scratch = open_scratch();
                       (*journal)->exec("BEGIN");  // one state of the journal for all that follows
                       const EndWhenAsked journal_ends(**journal, stop);
                       const EndWhenAsked scratch_ends(*scratch, stop);
                       const auto named = make_again(**journal, *scratch, path);
                       if (!named)
                           return std::unexpected(named.error());
                       std::vector<std::string> faults;
                       compare_schema(**journal, *scratch, faults);
                       for (const Table& table : tables)
                           if (auto difference = compare(**journal, *scratch, table))
                               faults.push_back(std::move(*difference));
                       if (what == Beside::everything)
                           compare_people(**journal, named->marks, faults);
                       compare_documents(**journal, named->rules, faults);
                       compare_meta(**journal, faults);
                       if (faults.size() > most)
                           faults.resize(most);
                       return faults;
                   });
}

}  // namespace tautgate::journal
