#include "service/journal/audit.hpp"

#include <algorithm>
#include <array>
#include <map>
#include <optional>
#include <set>
#include <utility>

#include <SQLiteCpp/Column.h>
#include <SQLiteCpp/Statement.h>

#include "protocol/trace.hpp"
#include "service/journal/database.hpp"
#include "service/journal/digest.hpp"
#include "service/journal/packed.hpp"
#include "service/journal/person_marks.hpp"
#include "service/journal/projection.hpp"
#include "service/journal/schema.hpp"

namespace tautgate::journal {
namespace {

struct Table {
    const char* name;
    const char* key;  // columns that name a row, comma between
    int key_columns;  // so many, and they are asked for first
};

constexpr std::array tables{Table{"stay", "stay", 1},
                            Table{"ticket", "serial, stay, scanned, kind, accepted", 5},
                            Table{"tightening", "event", 1},
                            Table{"release", "bay, event, permissive", 3},
                            Table{"decision", "event", 1},
                            Table{"snapshot", "event", 1},
                            Table{"genealogy", "serial, unit, kind, since", 4},
                            Table{"works_order", "order_number, added", 2},
                            Table{"trace", "tool, epoch, counter, event", 4},
                            Table{"stay_move", "stay, event", 2},
                            Table{"other_way", "stay, joint", 2}};

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

void note_marks(const interlock::Person& person, std::map<PersonNumber, Marks>& marks) {
    Marks& known = marks[person.number];
    if (!person.name_mark.empty())
        known.name = person.name_mark;
    if (!person.secret_mark.empty())
        known.secret = person.secret_mark;
}

void note_marks(const StoredEvent& stored, std::map<PersonNumber, Marks>& marks) {
    if (!std::holds_alternative<interlock::Applied>(stored.record.outcome))
        return;
    if (const auto* enrolled = std::get_if<interlock::PersonEnrolled>(&stored.event.payload))
        note_marks(enrolled->person, marks);
    else if (const auto* replaced = std::get_if<interlock::AdministratorReplaced>(&stored.event.payload))
        note_marks(replaced->person, marks);
    else if (const auto* erased = std::get_if<interlock::NameErased>(&stored.event.payload))
        marks[erased->person].name.clear();
    else if (const auto* renewed = std::get_if<interlock::SecretRenewed>(&stored.event.payload))
        marks[renewed->person].secret = renewed->secret_mark;
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

Difference not_as_recorded(const std::string& what, std::int64_t number, const std::string& mark, Matter of) {
    const std::string whose = what + " of person " + std::to_string(number);
    if (mark.empty())
        return {Matter::surplus, whose + " stands there, and none was recorded"};
    return {of, whose + " is not the one that was recorded"};
}

// A name may have been taken out; one that stands there must be the one that was recorded.
void compare_people(SQLite::Database& journal, const std::map<PersonNumber, Marks>& marks,
                    std::vector<Difference>& faults) {
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
        const std::string recorded = is_person(number) ? mark(name.number, &Marks::name) : std::string();
        if (mark_of(name) != recorded)
            faults.push_back(
                not_as_recorded("table person_name: the name or badge", number, recorded, Matter::name));
    }
    std::map<PersonNumber, Marks> without = marks;
    SQLite::Statement secrets(journal, "SELECT number, argon2id FROM credential ORDER BY number");
    while (secrets.executeStep()) {
        const std::int64_t number = secrets.getColumn(0).getInt64();
        const Credential secret{{static_cast<std::uint32_t>(number)}, secrets.getColumn(1).getString()};
        const std::string recorded = is_person(number) ? mark(secret.number, &Marks::secret) : std::string();
        if (mark_of(secret) != recorded)
            faults.push_back(
                not_as_recorded("table credential: the secret", number, recorded, Matter::secret));
        if (is_person(number))
            without.erase(secret.number);
    }
    for (const auto& [number, recorded] : without)
        if (!recorded.secret.empty())
            faults.push_back({Matter::secret, "table credential: the secret of person " +
                                                  std::to_string(number.value) + " is missing"});
}

void compare_documents(SQLite::Database& journal, const std::set<std::string>& rules,
                       std::vector<Difference>& faults) {
    std::set<std::string> missing = rules;
    SQLite::Statement documents(journal, "SELECT digest, text, kind FROM document ORDER BY digest");
    while (documents.executeStep()) {
        missing.erase(documents.getColumn(0).getString());
        if (documents.getColumn(2).getString() != "config" ||
            hex(sha256(documents.getColumn(1).getString())) != documents.getColumn(0).getString())
            faults.push_back({Matter::document, "table document: the text under the digest " +
                                                    documents.getColumn(0).getString() + " was changed"});
    }
    for (const std::string& digest : missing)
        faults.push_back(
            {Matter::document, "table document: the text of the rules " + digest + " is missing"});
}

// Why the frame does not hold what its digest names; nothing: it does.
std::optional<std::string> fault_of_samples(const std::string& digest, std::int64_t bytes,
                                            std::string_view frame) {
    const auto samples = unpacked(frame, protocol::trace_bytes_limit);
    if (!samples)
        return samples.error();
    if (hex(sha256(*samples)) != digest || std::cmp_not_equal(samples->size(), bytes))
        return "they are not the ones that were recorded";
    return std::nullopt;
}

void compare_samples(SQLite::Database& journal, SQLite::Database& made_again,
                     std::vector<Difference>& faults) {
    std::set<std::string> missing;
    SQLite::Statement named(made_again, "SELECT DISTINCT digest FROM trace");
    while (named.executeStep())
        missing.insert(named.getColumn(0).getString());
    SQLite::Statement stored(journal, "SELECT digest, bytes, frame FROM trace_samples ORDER BY digest");
    while (stored.executeStep()) {
        const std::string digest = stored.getColumn(0).getString();
        const std::string place = "table trace_samples: the samples under the digest " + digest;
        if (missing.erase(digest) == 0)
            faults.push_back({Matter::surplus, place + " stand there, and no trace was recorded with it"});
        else if (const auto fault = fault_of_samples(digest, stored.getColumn(1).getInt64(),
                                                     stored.getColumn(2).getString()))
            faults.push_back({Matter::samples, place + " were changed: " + *fault});
    }
    for (const std::string& digest : missing)
        faults.push_back({Matter::samples,
                          "table trace_samples: the samples under the digest " + digest + " are missing"});
}

void compare_meta(SQLite::Database& journal, std::vector<Difference>& faults) {
    SQLite::Statement keys(journal,
                           "SELECT key FROM meta WHERE key NOT IN ('journal', 'station') ORDER BY key");
    while (keys.executeStep())
        faults.push_back({Matter::surplus,
                          "table meta: " + keys.getColumn(0).getString() + " stands there and is not ours"});
    for (const char* key : {"journal", "station"})
        if (meta_value(journal, key).empty())
            faults.push_back({Matter::record, std::string("table meta: ") + key + " is missing"});
}

Matter matter_of(Part part) {
    switch (part) {
    case Part::record: return Matter::record;
    case Part::triggers:
    case Part::derived: return Matter::derived;
    case Part::nobodys: break;
    }
    return Matter::surplus;
}

std::vector<Difference> differences_of(const std::vector<SchemaFault>& schema) {
    std::vector<Difference> differences;
    differences.reserve(schema.size());
    for (const SchemaFault& fault : schema)
        differences.push_back({matter_of(fault.part), fault.what});
    return differences;
}

// What can be asked of the tables that are as they should be.
std::expected<std::vector<Difference>, JournalError> compare_all(SQLite::Database& journal,
                                                                 SQLite::Database& scratch, Beside what,
                                                                 const std::filesystem::path& path) {
    const auto schema = schema_faults(journal);
    auto faults = differences_of(schema);
    const auto lost = [&](const Difference& fault) { return fault.of == Matter::record; };
    if (std::ranges::any_of(faults, lost))
        return faults;
    const auto named = make_again(journal, scratch, path);
    if (!named)
        return std::unexpected(named.error());
    for (const Table& table : tables) {
        const std::pair thing{std::string("table"), std::string(table.name)};
        if (std::ranges::find(schema, thing, &SchemaFault::thing) != schema.end())
            continue;
        if (auto difference = compare(journal, scratch, table))
            faults.push_back({Matter::derived, std::move(*difference)});
    }
    if (what == Beside::everything)
        compare_people(journal, named->marks, faults);
    compare_documents(journal, named->rules, faults);
    compare_samples(journal, scratch, faults);
    compare_meta(journal, faults);
    return faults;
}

}  // namespace

std::string remedy_of(Matter of) {
    switch (of) {
    case Matter::derived:
        return "rely on no table that people ask, keep a copy of the file, and let tautgated "
               "--rebuild-tables, "
               "with the options that the service has, make it again while the service does not run";
    case Matter::name: return "bring the row back from a backup, or let two people enrol the person again";
    case Matter::secret:
        return "bring the row back from a backup, or give the person a new one with tautgate renew-secret";
    case Matter::document:
        return "bring the row back from a backup, or put the text of the file that has this SHA-256 digest "
               "back into it";
    case Matter::samples:
        return "rely on no curve under this digest (the results and their verdicts do not rest on it), and "
               "bring the row back from a backup";
    case Matter::record: return "keep the file and bring back the latest backup";
    case Matter::surplus: break;
    }
    return "keep a copy of the file, find out who could write to it, and take it out of the file";
}

std::string to_text(const Difference& difference) {
    return difference.what + "; " + remedy_of(difference.of);
}

std::vector<Difference> differences_of_schema(SQLite::Database& journal) {
    return differences_of(schema_faults(journal));
}

std::expected<std::vector<Difference>, JournalError> audit_beside_chain(const std::filesystem::path& path,
                                                                        Beside what, const std::string& vfs,
                                                                        const std::stop_token& stop,
                                                                        std::size_t most) {
    auto journal = open_for_reading(path, vfs);
    if (!journal)
        return std::unexpected(journal.error());
    return guarded(path, "comparing the tables with the chain",
                   [&]() -> std::expected<std::vector<Difference>, JournalError> {
                       const Connection scratch = open_scratch();
                       (*journal)->exec("BEGIN");  // one state of the journal for all that follows
                       const EndWhenAsked journal_ends(**journal, stop);
                       const EndWhenAsked scratch_ends(*scratch, stop);
                       auto faults = compare_all(**journal, *scratch, what, path);
                       if (faults && faults->size() > most)
                           faults->resize(most);
                       return faults;
                   });
}

}  // namespace tautgate::journal
