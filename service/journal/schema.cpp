#include "service/journal/schema.hpp"

#include <algorithm>
#include <array>
#include <map>
#include <ranges>
#include <span>
#include <utility>

#include <SQLiteCpp/Statement.h>

namespace tautgate::journal {
namespace {

// ---- the record: kept, and never made again -----------------------------------------------------------

constexpr const char* record_tables = R"sql(
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;

CREATE TABLE event(
    number INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    hash BLOB NOT NULL CHECK(length(hash) = 32)
) STRICT;

CREATE TABLE document(digest TEXT PRIMARY KEY, kind TEXT NOT NULL, text TEXT NOT NULL) STRICT;
CREATE TABLE person_name(
    number INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    badge TEXT NOT NULL,
    salt TEXT NOT NULL
) STRICT;
CREATE TABLE credential(number INTEGER PRIMARY KEY, argon2id TEXT NOT NULL) STRICT;
)sql";

constexpr const char* record_triggers = R"sql(
CREATE TRIGGER event_is_never_changed BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'a stored event is never changed'); END;
CREATE TRIGGER event_is_never_removed BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'a stored event is never removed'); END;
)sql";

// ---- what is derived from it --------------------------------------------------------------------------
// What one result writes lies at the ends of two tables in the order of their numbers (event and tightening),
// which SQLite fills page by page without splitting; a change of an output adds the end of release. There is
// no index that an ordinary result writes: what happened in a stay is found by the range of its events, and
// the few results filed to a stay from outside of that range by an index of their own.

constexpr const char* derived_tables = R"sql(
CREATE TABLE snapshot(event INTEGER PRIMARY KEY REFERENCES event(number)) STRICT;

CREATE TABLE stay(
    stay INTEGER PRIMARY KEY,
    bay TEXT NOT NULL,
    token INTEGER NOT NULL,
    began_utc_us INTEGER NOT NULL,
    rules TEXT NOT NULL,
    unit TEXT NOT NULL DEFAULT '',
    variant TEXT NOT NULL DEFAULT '',
    plan TEXT NOT NULL DEFAULT '',
    plan_revision TEXT NOT NULL DEFAULT '',
    leaves_incomplete INTEGER,
    ended INTEGER REFERENCES event(number),
    ended_utc_us INTEGER
) STRICT;
CREATE INDEX stay_open ON stay(bay) WHERE ended IS NULL;

CREATE TABLE ticket(
    serial TEXT NOT NULL,
    stay INTEGER NOT NULL,
    scanned INTEGER NOT NULL,
    kind TEXT NOT NULL,
    accepted INTEGER NOT NULL,
    order_number TEXT NOT NULL,
    type TEXT NOT NULL,
    utc_us INTEGER NOT NULL,
    withdrawn INTEGER REFERENCES event(number),
    PRIMARY KEY(serial, stay, scanned, kind, accepted)
) STRICT, WITHOUT ROWID;
CREATE INDEX ticket_of_stay ON ticket(stay);

CREATE TABLE tightening(
    event INTEGER PRIMARY KEY REFERENCES event(number),
    stay INTEGER,
    tool TEXT NOT NULL,
    epoch TEXT NOT NULL,
    counter TEXT NOT NULL,
    outcome TEXT NOT NULL,
    why TEXT,
    joint TEXT,
    fastener INTEGER,
    pass INTEGER,
    attempt INTEGER,
    verdict TEXT,
    reasons TEXT,
    direction TEXT NOT NULL,
    torque_micro_nm INTEGER,
    angle_micro_deg INTEGER,
    torque_received TEXT NOT NULL,
    torque_unit_received TEXT NOT NULL,
    angle_received TEXT NOT NULL,
    operator INTEGER,
    assigned_by INTEGER REFERENCES event(number),
    utc_us INTEGER NOT NULL
) STRICT;
CREATE INDEX tightening_filed_later ON tightening(stay)
    WHERE outcome = 'FiledLate' OR assigned_by IS NOT NULL;

CREATE TABLE release(
    bay TEXT NOT NULL,
    event INTEGER NOT NULL REFERENCES event(number),
    permissive TEXT NOT NULL,
    stay INTEGER,
    output TEXT NOT NULL,
    token INTEGER,
    reasons TEXT NOT NULL,
    utc_us INTEGER NOT NULL,
    PRIMARY KEY(bay, event, permissive)
) STRICT, WITHOUT ROWID;

CREATE TABLE decision(
    event INTEGER PRIMARY KEY REFERENCES event(number),
    bay TEXT,
    stay INTEGER,
    kind TEXT NOT NULL,
    action TEXT,
    subject TEXT,
    subject_event INTEGER,
    proposal INTEGER,
    person INTEGER,
    second_person INTEGER,
    reason_code TEXT,
    reason_text TEXT,
    outcome TEXT NOT NULL,
    refusal TEXT,
    ended INTEGER REFERENCES event(number),
    utc_us INTEGER NOT NULL
) STRICT;
)sql";

// Since schema version 2. What a unit is joined from changes with its tickets only, and orders seldom; so
// these may have the indexes that their questions need.
constexpr const char* derived_since_2 = R"sql(
CREATE TABLE genealogy(
    serial TEXT NOT NULL,
    unit TEXT NOT NULL,
    kind TEXT NOT NULL,
    since INTEGER NOT NULL REFERENCES event(number),
    type TEXT NOT NULL,
    stay INTEGER NOT NULL,
    since_utc_us INTEGER NOT NULL,
    until INTEGER REFERENCES event(number),
    until_utc_us INTEGER,
    ended_in INTEGER,
    ended_as TEXT,
    PRIMARY KEY(serial, unit, kind, since)
) STRICT, WITHOUT ROWID;
CREATE INDEX genealogy_of_unit ON genealogy(unit);
CREATE INDEX genealogy_of_stay ON genealogy(stay);
CREATE INDEX genealogy_ended_in ON genealogy(ended_in) WHERE ended_in IS NOT NULL;

CREATE TABLE works_order(
    order_number TEXT NOT NULL,
    added INTEGER NOT NULL REFERENCES event(number),
    changed INTEGER NOT NULL REFERENCES event(number),
    variant TEXT NOT NULL,
    sequence INTEGER,
    due_utc_us INTEGER,
    tickets TEXT NOT NULL,
    unit TEXT NOT NULL DEFAULT '',
    ended INTEGER REFERENCES event(number),
    ended_as TEXT,
    ended_utc_us INTEGER,
    PRIMARY KEY(order_number, added)
) STRICT, WITHOUT ROWID;
)sql";

// ---- traces of results (version 2) --------------------------------------------------------------------
// Samples lie beside the chain, each once however often it came, and what the chain says of them is derived.
// Sorted by the key of the result, so that a result is asked for its traces without an index of its own.

constexpr const char* trace_record_tables = R"sql(
CREATE TABLE trace_samples(
    digest TEXT PRIMARY KEY,
    bytes INTEGER NOT NULL,
    frame BLOB NOT NULL
) STRICT;
)sql";

constexpr const char* trace_derived_tables = R"sql(
CREATE TABLE trace(
    tool TEXT NOT NULL,
    epoch TEXT NOT NULL,
    counter TEXT NOT NULL,
    event INTEGER NOT NULL REFERENCES event(number),
    digest TEXT NOT NULL,
    samples INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    PRIMARY KEY(tool, epoch, counter, event)
) STRICT, WITHOUT ROWID;
CREATE INDEX trace_of_event ON trace(event);
)sql";

// ---- movements between bays (version 3) ---------------------------------------------------------------

constexpr const char* derived_since_3 = R"sql(
CREATE TABLE stay_move(
    stay INTEGER NOT NULL,
    event INTEGER NOT NULL REFERENCES event(number),
    from_bay TEXT NOT NULL,
    to_bay TEXT NOT NULL,
    permissive TEXT NOT NULL,
    unproven INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    PRIMARY KEY(stay, event)
) STRICT, WITHOUT ROWID;
)sql";

// ---- joints done in another way than planned (version 4) ------------------------------------------------

constexpr const char* derived_since_4 = R"sql(
CREATE TABLE other_way(
    stay INTEGER NOT NULL,
    joint TEXT NOT NULL,
    event INTEGER NOT NULL REFERENCES event(number),
    alternate TEXT NOT NULL,
    bypass INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    PRIMARY KEY(stay, joint)
) STRICT, WITHOUT ROWID;
CREATE INDEX units_of_bypass ON other_way(bypass);
)sql";

constexpr std::array parts{
    std::pair{Part::record, record_tables},       std::pair{Part::triggers, record_triggers},
    std::pair{Part::derived, derived_tables},     std::pair{Part::derived, derived_since_2},
    std::pair{Part::record, trace_record_tables}, std::pair{Part::derived, trace_derived_tables},
    std::pair{Part::derived, derived_since_3},    std::pair{Part::derived, derived_since_4}};

// A kind ("table", "index", "trigger", "view") and a name, which SQLite compares without regard to case.
using Thing = std::pair<std::string, std::string>;
struct Definition {
    std::string name;
    std::string sql;
    Part part = Part::nobodys;
};
using Schema = std::map<Thing, Definition>;

// Without what SQLite makes by itself along with a table.
void note_all(SQLite::Database& db, Part part, Schema& schema) {
    SQLite::Statement ask(db, "SELECT type, lower(name), name, sql FROM sqlite_schema WHERE sql IS NOT NULL");
    while (ask.executeStep())
        schema.try_emplace({ask.getColumn(0).getString(), ask.getColumn(1).getString()},
                           Definition{ask.getColumn(2).getString(), ask.getColumn(3).getString(), part});
}

Schema stored_in(SQLite::Database& db) {
    Schema schema;
    note_all(db, Part::nobodys, schema);
    return schema;
}

// As SQLite keeps the text of ours.
Schema wanted() {
    SQLite::Database db(":memory:", SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
    Schema schema;
    for (const auto& [part, sql] : parts) {
        db.exec(sql);
        note_all(db, part, schema);
    }
    return schema;
}

// Rows of a table that is nobody's cannot be made again, so that it stays.
bool is_made_again(const Thing& thing, const Schema& ours) {
    const auto known = ours.find(thing);
    if (known == ours.end())
        return thing.first != "table";
    return known->second.part != Part::record;
}

std::string quoted(const std::string& name) {
    std::string text = "\"";
    for (const char c : name)
        text += c == '"' ? std::string("\"\"") : std::string(1, c);
    return text + '"';
}

}  // namespace

std::string first_schema() { return std::string(record_tables) + record_triggers + derived_tables; }

std::string second_schema() {
    return std::string(derived_since_2) + trace_record_tables + trace_derived_tables;
}

std::string third_schema() { return derived_since_3; }

std::string fourth_schema() { return derived_since_4; }

std::vector<SchemaFault> schema_faults(SQLite::Database& db) {
    const Schema stored = stored_in(db);
    const Schema ours = wanted();
    std::vector<SchemaFault> faults;
    for (const auto& [thing, definition] : stored) {
        const auto known = ours.find(thing);
        const std::string what = "the " + thing.first + " " + definition.name;
        if (known == ours.end())
            faults.push_back({is_made_again(thing, ours) ? Part::derived : Part::nobodys, thing,
                              what + " stands in the file and is not ours"});
        else if (known->second.sql != definition.sql)
            faults.push_back({known->second.part, thing, what + " was changed"});
    }
    for (const auto& [thing, definition] : ours)
        if (!stored.contains(thing))
            faults.push_back(
                {definition.part, thing, "the " + thing.first + " " + definition.name + " was taken away"});
    return faults;
}

std::optional<JournalError> derived_tables_lost(SQLite::Database& db, const std::filesystem::path& path) {
    for (const SchemaFault& fault : schema_faults(db))
        if (fault.part == Part::derived && fault.thing.first == "table")
            return JournalError{.fault = JournalFault::damaged,
                                .path = path.string(),
                                .what = fault.what + ", which is made from the events",
                                .remedy =
                                    "keep a copy of the file, then let tautgated --rebuild-tables, with "
                                    "the options that the service has, make it again",
                                .event = std::nullopt};
    return std::nullopt;
}

void make_derived_again(SQLite::Database& db) {
    const Schema stored = stored_in(db);
    const Schema ours = wanted();
    // With a table or a view go its indexes and triggers, so that these come first.
    for (const std::string kind : {"trigger", "view", "index", "table"})
        for (const auto& [thing, definition] : stored)
            if (thing.first == kind && is_made_again(thing, ours))
                db.exec("DROP " + kind + " " + quoted(definition.name));
    db.exec(record_triggers);
    db.exec(derived_tables);
    db.exec(derived_since_2);
    db.exec(trace_derived_tables);
    db.exec(derived_since_3);
    db.exec(derived_since_4);
}

}  // namespace tautgate::journal
