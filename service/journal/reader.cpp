#include "service/journal/reader.hpp"

#include <algorithm>
#include <charconv>
#include <concepts>
#include <limits>
#include <utility>

#include <SQLiteCpp/Statement.h>
#include <SQLiteCpp/Transaction.h>

#include "protocol/trace.hpp"
#include "service/journal/audit.hpp"
#include "service/journal/database.hpp"
#include "service/journal/packed.hpp"
#include "service/journal/schema.hpp"

namespace tautgate::journal {

struct Reader::Database {
    Connection connection;
    std::string vfs{};
    std::stop_token stop{};
    std::optional<EndWhenAsked> end_when_asked{};
};

namespace {

std::int64_t key_of(EventNumber number) { return static_cast<std::int64_t>(number.value); }

// ---- one row at a time --------------------------------------------------------------------------------
// Reads the columns of a statement from the left, each into the member that is next.

class Columns {
  public:
    explicit Columns(SQLite::Statement& statement) : statement_(&statement) {}

    Columns& operator>>(std::string& text) {
        text = next().getString();
        return *this;
    }
    Columns& operator>>(EventNumber& number) {
        number.value = static_cast<std::uint64_t>(next().getInt64());
        return *this;
    }
    Columns& operator>>(PersonNumber& number) { return *this >> number.value; }
    Columns& operator>>(std::int64_t& value) {
        value = next().getInt64();
        return *this;
    }
    Columns& operator>>(std::uint32_t& value) {
        value = static_cast<std::uint32_t>(next().getInt64());
        return *this;
    }
    Columns& operator>>(bool& value) {
        value = next().getInt64() != 0;
        return *this;
    }
    // A count of 64 bits, kept as text.
    Columns& operator>>(std::uint64_t& value) {
        const std::string digits = next().getString();
        std::from_chars(digits.data(), digits.data() + digits.size(), value);
        return *this;
    }
    Columns& operator>>(Hash& hash) {
        const std::string bytes = next().getString();
        hash = {};
        std::copy_n(bytes.begin(), std::min(bytes.size(), hash.size()), hash.begin());
        return *this;
    }
    template <class Type>
    Columns& operator>>(std::optional<Type>& value) {
        value.reset();
        if (statement_->getColumn(at_).isNull())
            ++at_;
        else
            *this >> value.emplace();
        return *this;
    }

  private:
    SQLite::Column next() { return statement_->getColumn(at_++); }
    SQLite::Statement* statement_;
    int at_ = 0;
};

void take(Columns from, EventRow& row) { from >> row.number >> row.body >> row.hash; }
void take(Columns from, PersonName& row) { from >> row.number >> row.name >> row.badge >> row.salt; }
void take(Columns from, Credential& row) { from >> row.number >> row.argon2id; }
void take(Columns from, Document& row) { from >> row.digest >> row.kind >> row.text; }
void take(Columns from, StayRow& row) {
    from >> row.stay >> row.bay >> row.token >> row.began_utc_us >> row.rules >> row.unit >> row.variant >>
        row.plan >> row.plan_revision >> row.leaves_incomplete >> row.ended >> row.ended_utc_us;
}
void take(Columns from, TicketRow& row) {
    from >> row.stay >> row.scanned >> row.kind >> row.serial >> row.order >> row.type >> row.accepted >>
        row.utc_us >> row.withdrawn;
}
void take(Columns from, TighteningRow& row) {
    from >> row.event >> row.stay >> row.tool >> row.epoch >> row.counter >> row.outcome >> row.why >>
        row.joint >> row.fastener >> row.pass >> row.attempt >> row.verdict >> row.reasons >> row.direction >>
        row.torque_micro_nm >> row.angle_micro_deg >> row.torque_received >> row.torque_unit_received >>
        row.angle_received >> row.operator_ >> row.assigned_by >> row.utc_us >> row.traces;
}
void take(Columns from, TraceRow& row) {
    from >> row.event >> row.tool >> row.epoch >> row.counter >> row.digest >> row.samples >> row.bytes >>
        row.utc_us >> row.result;
}
void take(Columns from, ReleaseRow& row) {
    from >> row.event >> row.permissive >> row.bay >> row.output >> row.token >> row.reasons >> row.utc_us;
}
void take(Columns from, MoveRow& row) {
    from >> row.event >> row.from_bay >> row.to_bay >> row.permissive >> row.unproven >> row.utc_us;
}
void take(Columns from, OtherWayRow& row) { from >> row.stay >> row.joint >> row.alternate >> row.bypass; }
void take(Columns from, UnitOfBypass& row) {
    from >> row.stay >> row.unit >> row.joint >> row.alternate >> row.utc_us;
}
void take(Columns from, DecisionRow& row) {
    from >> row.event >> row.bay >> row.stay >> row.kind >> row.action >> row.subject >> row.subject_event >>
        row.proposal >> row.person >> row.second_person >> row.reason_code >> row.reason_text >>
        row.outcome >> row.refusal >> row.ended >> row.utc_us;
}

void take(Columns from, PartRow& row) {
    from >> row.serial >> row.unit >> row.kind >> row.type >> row.stay >> row.since >> row.since_utc_us >>
        row.until >> row.until_utc_us >> row.ended_as;
}

template <class Row>
std::vector<Row> all(SQLite::Statement& statement) {
    std::vector<Row> rows;
    while (statement.executeStep())
        take(Columns(statement), rows.emplace_back());
    return rows;
}

// A macro, since only literals are joined by standing side by side.
#define TAUTGATE_SELECT_STAY                                                                                 \
    "SELECT stay, bay, token, began_utc_us, rules, unit, variant, plan, plan_revision, leaves_incomplete, "  \
    "ended, ended_utc_us FROM stay "

std::optional<EventRow> row_at(SQLite::Database& db, EventNumber number) {
    SQLite::Statement ask(db, "SELECT number, body, hash FROM event WHERE number = ?");
    ask.bind(1, key_of(number));
    auto rows = all<EventRow>(ask);
    return rows.empty() ? std::nullopt : std::optional(std::move(rows.front()));
}

ChainHead head_in(SQLite::Database& db) {
    SQLite::Statement ask(db, "SELECT number, hash FROM event ORDER BY number DESC LIMIT 1");
    ChainHead head{EventNumber{}, genesis_of(db)};
    if (ask.executeStep())
        Columns(ask) >> head.number >> head.hash;
    return head;
}

// The newest event that any query table speaks of. One that is not there, or is another, is for the audit to
// tell of.
EventNumber newest_in_tables(SQLite::Database& db) {
    const auto faults = schema_faults(db);
    std::int64_t newest = 0;
    for (const std::string table : {"decision", "tightening", "snapshot"}) {
        if (std::ranges::find(faults, std::pair(std::string("table"), table), &SchemaFault::thing) !=
            faults.end())
            continue;
        SQLite::Statement ask(db, "SELECT ifnull(max(event), 0) FROM " + table);
        ask.executeStep();
        newest = std::max(newest, ask.getColumn(0).getInt64());
    }
    return EventNumber{static_cast<std::uint64_t>(newest)};
}

// What is wrong with a row that follows `before`, or nothing.
std::optional<ChainFault> fault_in(const EventRow& row, const ChainHead& before) {
    const EventNumber expected{before.number.value + 1};
    if (row.number != expected)
        return ChainFault{expected, "is missing; the next one stored is " + std::to_string(row.number.value)};
    if (row.hash != chained(before.hash, row.body))
        return ChainFault{expected,
                          "was changed: its hash does not follow from its text and the hash before it"};
    // The number is part of the text, so a row cannot serve under another number.
    const std::string own = "\"event\":{\"number\":\"" + std::to_string(expected.value) + "\",";
    if (row.body.find(own) == std::string::npos)
        return ChainFault{expected, "holds the text of another event"};
    return std::nullopt;
}

}  // namespace

Reader::Reader(std::filesystem::path path, std::unique_ptr<Database> db)
    : path_(std::move(path)), db_(std::move(db)) {}
Reader::~Reader() = default;

Reader::Result<std::unique_ptr<Reader>> Reader::open(const std::filesystem::path& path,
                                                     const std::string& vfs) {
    auto connection = open_for_reading(path, vfs);
    if (!connection)
        return std::unexpected(connection.error());
    return std::unique_ptr<Reader>(new Reader(path, std::make_unique<Database>(std::move(*connection), vfs)));
}

Reader::Result<std::string> Reader::journal_id() {
    return guarded(path_, "reading the journal's id",
                   [&]() -> Result<std::string> { return meta_value(*db_->connection, "journal"); });
}

Reader::Result<std::string> Reader::station() {
    return guarded(path_, "reading the station's id",
                   [&]() -> Result<std::string> { return meta_value(*db_->connection, "station"); });
}

Reader::Result<ChainHead> Reader::head() {
    return guarded(path_, "reading the head of the journal",
                   [&]() -> Result<ChainHead> { return head_in(*db_->connection); });
}

Reader::Result<std::vector<EventRow>> Reader::events(EventNumber from, std::size_t most) {
    return guarded(path_, "reading events", [&]() -> Result<std::vector<EventRow>> {
        SQLite::Statement ask(
            *db_->connection,
            "SELECT number, body, hash FROM event WHERE number >= ? ORDER BY number LIMIT ?");
        ask.bind(1, key_of(from));
        ask.bind(2, static_cast<std::int64_t>(
                        std::min<std::size_t>(most, std::numeric_limits<std::int32_t>::max())));
        return all<EventRow>(ask);
    });
}

Reader::Result<void> Reader::each_event(EventNumber from, const std::function<bool(EventRow)>& take_one) {
    return guarded(path_, "reading events", [&]() -> Result<void> {
        SQLite::Statement ask(*db_->connection,
                              "SELECT number, body, hash FROM event WHERE number >= ? ORDER BY number");
        ask.bind(1, key_of(from));
        while (ask.executeStep()) {
            EventRow row;
            take(Columns(ask), row);
            if (!take_one(std::move(row)))
                break;
        }
        return {};
    });
}

Reader::Result<Hash> Reader::hash_at(EventNumber number) {
    return guarded(path_, "reading a hash", [&]() -> Result<Hash> {
        if (number == EventNumber{})
            return genesis_of(*db_->connection);
        const auto row = row_at(*db_->connection, number);
        if (!row)
            return std::unexpected(JournalError{.fault = JournalFault::not_found,
                                                .path = path_.string(),
                                                .what = "has no event " + std::to_string(number.value),
                                                .remedy = "verify the journal",
                                                .event = number});
        return row->hash;
    });
}

// In one transaction: what is stored meanwhile is not missing.
Reader::Result<std::optional<ChainFault>> Reader::verify(std::optional<ChainHead> anchor, EventNumber after) {
    std::optional<SQLite::Transaction> as_one;
    const auto begun = guarded(path_, "verifying the journal", [&]() -> Result<void> {
        as_one.emplace(*db_->connection);
        return {};
    });
    if (!begun)
        return std::unexpected(begun.error());
    const auto start = hash_at(after);
    if (!start)
        return std::unexpected(start.error());
    std::optional<ChainFault> fault;
    ChainHead at{after, *start};
    const auto read = each_event(EventNumber{after.value + 1}, [&](const EventRow& row) {
        fault = fault_in(row, at);
        at = {row.number, row.hash};
        if (!fault && anchor && anchor->number == at.number && anchor->hash != at.hash)
            fault = ChainFault{
                at.number,
                "is not the event that the anchor was taken of, unless the anchor is of another journal"};
        return !fault;
    });
    if (!read)
        return std::unexpected(read.error());
    return guarded(path_, "verifying the journal", [&]() -> Result<std::optional<ChainFault>> {
        const EventNumber next{at.number.value + 1};
        const EventNumber known = newest_in_tables(*db_->connection);
        if (!fault && known > at.number)
            fault = ChainFault{next, "is missing; events up to " + std::to_string(known.value) +
                                         " were stored, as the query tables tell"};
        if (!fault && anchor && anchor->number > at.number)
            fault = ChainFault{next, "is missing, unless the anchor, which is of event " +
                                         std::to_string(anchor->number.value) + ", is of another journal"};
        return fault;
    });
}

void Reader::abandon_when(std::stop_token stop) {
    db_->stop = std::move(stop);
    db_->end_when_asked.emplace(*db_->connection, db_->stop);
}

Reader::Result<std::vector<std::string>> Reader::audit(Beside what) {
    const auto differences = audit_beside_chain(path_, what, db_->vfs, db_->stop);
    if (!differences)
        return std::unexpected(differences.error());
    std::vector<std::string> sentences;
    for (const Difference& difference : *differences)
        sentences.push_back(difference.what);
    return sentences;
}

Reader::Result<std::vector<Difference>> Reader::lost_tables() {
    return guarded(path_, "looking at the schema", [&]() -> Result<std::vector<Difference>> {
        auto differences = differences_of_schema(*db_->connection);
        std::erase_if(differences, [](const Difference& each) { return each.of != Matter::record; });
        return differences;
    });
}

Reader::Result<void> Reader::can_be_queried() {
    return guarded(path_, "looking at the schema", [&]() -> Result<void> {
        if (auto lost = derived_tables_lost(*db_->connection, path_))
            return std::unexpected(std::move(*lost));
        return {};
    });
}

Reader::Result<std::string> Reader::check_file() {
    return guarded(path_, "checking the file", [&]() -> Result<std::string> {
        SQLite::Statement ask(*db_->connection, "PRAGMA integrity_check(20)");
        std::string found;
        while (ask.executeStep())
            if (const std::string line = ask.getColumn(0).getString(); line != "ok")
                found += (found.empty() ? "" : "; ") + line;
        return found;
    });
}

Reader::Result<std::optional<EventNumber>> Reader::snapshot_before(EventNumber before) {
    return guarded(path_, "looking for a snapshot", [&]() -> Result<std::optional<EventNumber>> {
        SQLite::Statement ask(*db_->connection, "SELECT max(event) FROM snapshot WHERE ?1 = 0 OR event < ?1");
        ask.bind(1, key_of(before));
        std::optional<EventNumber> found;
        if (ask.executeStep())
            Columns(ask) >> found;
        return found;
    });
}

Reader::Result<std::optional<Document>> Reader::document(std::string_view digest) {
    return guarded(path_, "reading a stored text", [&]() -> Result<std::optional<Document>> {
        SQLite::Statement ask(*db_->connection, "SELECT digest, kind, text FROM document WHERE digest = ?");
        ask.bind(1, std::string(digest));
        auto found = all<Document>(ask);
        if (found.empty())
            return std::nullopt;
        if (hex(sha256(found.front().text)) != digest)
            return std::unexpected(
                JournalError{.fault = JournalFault::damaged,
                             .path = path_.string(),
                             .what = "holds a changed text under the digest " + std::string(digest),
                             .remedy = "keep the file, bring back the latest backup and call "
                                       "maintenance",
                             .event = std::nullopt});
        return std::move(found.front());
    });
}

Reader::Result<std::vector<PersonName>> Reader::person_names() {
    return guarded(path_, "reading names", [&]() -> Result<std::vector<PersonName>> {
        SQLite::Statement ask(*db_->connection,
                              "SELECT number, name, badge, salt FROM person_name ORDER BY number");
        return all<PersonName>(ask);
    });
}

Reader::Result<std::vector<Credential>> Reader::credentials() {
    return guarded(path_, "reading credentials", [&]() -> Result<std::vector<Credential>> {
        SQLite::Statement ask(*db_->connection, "SELECT number, argon2id FROM credential ORDER BY number");
        return all<Credential>(ask);
    });
}

Reader::Result<std::vector<StayRow>> Reader::stays_of(const domain::Serial& serial) {
    return guarded(path_, "looking for a serial number", [&]() -> Result<std::vector<StayRow>> {
        SQLite::Statement ask(*db_->connection, TAUTGATE_SELECT_STAY
                              "WHERE stay IN (SELECT stay FROM ticket WHERE serial = ? AND accepted = 1 "
                              "AND withdrawn IS NULL) ORDER BY stay");
        ask.bind(1, serial.text);
        return all<StayRow>(ask);
    });
}

Reader::Result<std::vector<StayRow>> Reader::stays_between(std::int64_t from_utc_us, std::int64_t to_utc_us) {
    return guarded(path_, "looking for the stays of a time", [&]() -> Result<std::vector<StayRow>> {
        SQLite::Statement ask(*db_->connection,
                              TAUTGATE_SELECT_STAY "WHERE began_utc_us BETWEEN ? AND ? ORDER BY stay");
        ask.bind(1, from_utc_us);
        ask.bind(2, to_utc_us);
        return all<StayRow>(ask);
    });
}

Reader::Result<std::vector<StayRow>> Reader::newest_ended_stays(std::uint32_t most) {
    return guarded(path_, "looking for the newest stays", [&]() -> Result<std::vector<StayRow>> {
        SQLite::Statement ask(*db_->connection,
                              TAUTGATE_SELECT_STAY "WHERE ended IS NOT NULL ORDER BY stay DESC LIMIT ?");
        ask.bind(1, most);
        auto found = all<StayRow>(ask);
        std::ranges::reverse(found);
        return found;
    });
}

Reader::Result<std::uint32_t> Reader::earlier_stays(const domain::Serial& serial) {
    return guarded(path_, "counting the stays of a serial number", [&]() -> Result<std::uint32_t> {
        SQLite::Statement ask(*db_->connection,
                              "SELECT count(DISTINCT stay) FROM ticket WHERE serial = ? AND "
                              "accepted = 1 AND withdrawn IS NULL");
        ask.bind(1, serial.text);
        std::uint32_t count = 0;
        if (ask.executeStep())
            Columns(ask) >> count;
        return count;
    });
}

namespace {

// Stays that ended before then are not read.
#define TAUTGATE_UNITS_TOUCHED(column)                                                                       \
    "SELECT stay.unit FROM tightening JOIN stay ON stay.stay = tightening.stay "                             \
    "WHERE tightening.event >= (SELECT coalesce(min(stay), 0) FROM stay "                                    \
    "                           WHERE ended IS NULL OR ended_utc_us >= ?2) "                                 \
    "AND tightening.utc_us >= ?2 AND stay.unit <> '' AND tightening." column " = ?1 "                        \
    "GROUP BY stay.unit ORDER BY min(stay.stay)"

const char* units_touched_by(const interlock::HeldTool& /*by*/) { return TAUTGATE_UNITS_TOUCHED("tool"); }
const char* units_touched_by(const interlock::HeldJoint& /*by*/) { return TAUTGATE_UNITS_TOUCHED("joint"); }
const char* units_touched_by(const interlock::HeldPerson& /*by*/) {
    return TAUTGATE_UNITS_TOUCHED("operator");
}

void bind_source(SQLite::Statement& ask, const interlock::HeldTool& by) { ask.bind(1, by.tool.text); }
void bind_source(SQLite::Statement& ask, const interlock::HeldJoint& by) { ask.bind(1, by.joint.text); }
void bind_source(SQLite::Statement& ask, const interlock::HeldPerson& by) {
    ask.bind(1, static_cast<std::int64_t>(by.person.value));
}

}  // namespace

Reader::Result<std::vector<domain::Serial>> Reader::units_touched(const interlock::HeldSource& by,
                                                                  std::int64_t since_utc_us) {
    const auto doing = "looking for the units that it has touched";
    return guarded(path_, doing, [&]() -> Result<std::vector<domain::Serial>> {
        SQLite::Statement ask(*db_->connection,
                              std::visit([](const auto& which) { return units_touched_by(which); }, by));
        std::visit([&](const auto& which) { bind_source(ask, which); }, by);
        ask.bind(2, since_utc_us);
        std::vector<domain::Serial> units;
        while (ask.executeStep())
            units.push_back({ask.getColumn(0).getString()});
        return units;
    });
}

#define TAUTGATE_SELECT_PART                                                                                 \
    "SELECT serial, unit, kind, type, stay, since, since_utc_us, until, until_utc_us, ended_as "             \
    "FROM genealogy "

Reader::Result<std::vector<PartRow>> Reader::parts_of(const domain::Serial& unit) {
    return guarded(path_, "reading what a unit is joined from", [&]() -> Result<std::vector<PartRow>> {
        SQLite::Statement ask(*db_->connection,
                              TAUTGATE_SELECT_PART "WHERE unit = ? ORDER BY kind, since, serial");
        ask.bind(1, unit.text);
        return all<PartRow>(ask);
    });
}

Reader::Result<std::vector<PartRow>> Reader::units_with(const domain::Serial& subassembly) {
    return guarded(path_, "looking for units with a sub-assembly", [&]() -> Result<std::vector<PartRow>> {
        SQLite::Statement ask(*db_->connection,
                              TAUTGATE_SELECT_PART "WHERE serial = ? ORDER BY since, unit, kind");
        ask.bind(1, subassembly.text);
        return all<PartRow>(ask);
    });
}

Reader::Result<std::optional<interlock::JoinedBefore>> Reader::joined(const domain::Serial& subassembly) {
    using Found = std::optional<interlock::JoinedBefore>;
    return guarded(path_, "looking for the unit of a sub-assembly", [&]() -> Result<Found> {
        SQLite::Statement ask(*db_->connection,
                              "SELECT genealogy.unit, genealogy.stay, stay.began_utc_us FROM genealogy "
                              "JOIN stay USING(stay) WHERE serial = ? AND until IS NULL AND "
                              "stay.ended IS NOT NULL ORDER BY since DESC LIMIT 1");
        ask.bind(1, subassembly.text);
        Found found;
        if (ask.executeStep()) {
            found.emplace();
            Columns(ask) >> found->unit.text >> found->stay >> found->utc_us;
        }
        return found;
    });
}

Reader::Result<std::vector<interlock::ClosedOrder>>
Reader::closed_orders(const std::vector<std::string>& numbers) {
    using Found = std::vector<interlock::ClosedOrder>;
    return guarded(path_, "looking for orders", [&]() -> Result<Found> {
        SQLite::Statement ask(*db_->connection, "SELECT ended_as, unit, ended, ended_utc_us FROM works_order "
                                                "WHERE order_number = ? ORDER BY added DESC LIMIT 1");
        Found found;
        for (const std::string& number : numbers) {
            ask.reset();
            ask.bind(1, number);
            if (!ask.executeStep() || ask.getColumn(2).isNull())
                continue;
            interlock::ClosedOrder& closed = found.emplace_back();
            closed.number = number;
            std::string end;
            Columns(ask) >> end >> closed.unit.text >> closed.with >> closed.utc_us;
            closed.end = end == "built" ? interlock::OrderEnd::built : interlock::OrderEnd::cancelled;
        }
        return found;
    });
}

Reader::Result<std::optional<interlock::ClosedOrder>> Reader::closed_order(const std::string& number) {
    auto found = closed_orders({number});
    if (!found)
        return std::unexpected(std::move(found.error()));
    return found->empty() ? std::nullopt : std::optional(std::move(found->front()));
}

template <class Row>
Reader::Result<std::vector<Row>> Reader::rows(const char* query, EventNumber key) {
    return guarded(path_, "reading the record of a stay", [&]() -> Result<std::vector<Row>> {
        SQLite::Statement ask(*db_->connection, query);
        ask.bind(1, key_of(key));
        return all<Row>(ask);
    });
}

Reader::Result<std::optional<StayRow>> Reader::stay(EventNumber stay) {
    auto found = rows<StayRow>(TAUTGATE_SELECT_STAY "WHERE stay = ?", stay);
    if (!found)
        return std::unexpected(found.error());
    return found->empty() ? std::nullopt : std::optional(std::move(found->front()));
}

Reader::Result<std::vector<TicketRow>> Reader::tickets_of(EventNumber stay) {
    return rows<TicketRow>(
        "SELECT stay, scanned, kind, serial, order_number, type, accepted, utc_us, withdrawn "
        "FROM ticket WHERE stay = ? ORDER BY scanned, kind",
        stay);
}

// What happened in a stay lies between its first and its last event, which needs no index on the tables that
// every result writes.
#define TAUTGATE_WITHIN_STAY                                                                                 \
    "BETWEEN ?1 AND ifnull((SELECT ended FROM stay WHERE stay = ?1), 0x7fffffffffffffff) "

Reader::Result<std::vector<TighteningRow>> Reader::tightenings_of(EventNumber stay) {
#define TAUTGATE_SELECT_TIGHTENING                                                                           \
    "SELECT event, stay, tool, epoch, counter, outcome, why, joint, fastener, pass, attempt, verdict, "      \
    "reasons, "                                                                                              \
    "direction, torque_micro_nm, angle_micro_deg, torque_received, torque_unit_received, angle_received, "   \
    "operator, assigned_by, utc_us, (SELECT count(DISTINCT digest) FROM trace WHERE "                        \
    "trace.tool = tightening.tool AND trace.epoch = tightening.epoch AND trace.counter = "                   \
    "tightening.counter) FROM tightening "
    return rows<TighteningRow>(TAUTGATE_SELECT_TIGHTENING
                               "WHERE stay = ?1 AND event " TAUTGATE_WITHIN_STAY
                               "UNION " TAUTGATE_SELECT_TIGHTENING
                               "WHERE stay = ?1 AND (outcome = 'FiledLate' OR assigned_by IS NOT NULL) "
                               "ORDER BY event",
                               stay);
}

// The result is looked for from the newest one back, since it mostly came just before, and repetitions of it
// are passed over.
Reader::Result<std::vector<TraceRow>> Reader::traces_of(EventNumber event) {
    return rows<TraceRow>(
        "SELECT event, tool, epoch, counter, digest, samples, bytes, utc_us, "
        "(SELECT t.event FROM tightening t WHERE t.tool = trace.tool AND t.epoch = trace.epoch AND "
        "t.counter = trace.counter AND t.outcome <> 'Repeated' ORDER BY t.event DESC LIMIT 1) FROM trace "
        "WHERE event = ?1 OR (tool, epoch, counter) = "
        "(SELECT tool, epoch, counter FROM tightening WHERE event = ?1) ORDER BY event",
        event);
}

Reader::Result<StoredTraces> Reader::stored_traces(EventNumber event) {
    auto rows = traces_of(event);
    if (!rows)
        return std::unexpected(std::move(rows.error()));
    StoredTraces stored{.traces = std::move(*rows), .curve = std::nullopt};
    const auto named = std::ranges::find(stored.traces, event, &TraceRow::event);
    const bool agreed = !stored.traces.empty() && std::ranges::all_of(stored.traces, [&](const auto& row) {
        return row.digest == stored.traces.front().digest;
    });
    if (named == stored.traces.end() && !agreed)
        return stored;
    const TraceRow& meant = named != stored.traces.end() ? *named : stored.traces.front();
    auto bytes = trace_samples(meant.digest);
    if (!bytes)
        return std::unexpected(std::move(bytes.error()));
    auto curve = *bytes ? protocol::decode_trace(**bytes) : std::unexpected(std::string("they are missing"));
    if (!curve)
        return std::unexpected(
            JournalError{.fault = JournalFault::damaged,
                         .path = path_.string(),
                         .what = "lacks the samples of the trace of event " +
                                 std::to_string(meant.event.value) + ": " + curve.error(),
                         .remedy = "keep the file, bring back the latest backup and call maintenance",
                         .event = meant.event});
    stored.curve = std::move(*curve);
    return stored;
}

Reader::Result<std::vector<TraceRow>> Reader::traces_without_result() {
    return guarded(path_, "looking for traces without a result", [&]() -> Result<std::vector<TraceRow>> {
        SQLite::Statement ask(
            *db_->connection,
            "SELECT trace.event, trace.tool, trace.epoch, trace.counter, trace.digest, trace.samples, "
            "trace.bytes, trace.utc_us, t.event FROM trace LEFT JOIN tightening t "
            "ON t.tool = trace.tool AND t.epoch = trace.epoch AND t.counter = trace.counter "
            "WHERE t.event IS NULL ORDER BY trace.event");
        return all<TraceRow>(ask);
    });
}

Reader::Result<std::optional<std::string>> Reader::trace_samples(std::string_view digest) {
    return guarded(path_, "reading the samples of a trace", [&]() -> Result<std::optional<std::string>> {
        SQLite::Statement ask(*db_->connection, "SELECT frame FROM trace_samples WHERE digest = ?");
        ask.bind(1, std::string(digest));
        if (!ask.executeStep())
            return std::nullopt;
        auto bytes = unpacked(ask.getColumn(0).getString(), protocol::trace_bytes_limit);
        if (bytes && hex(sha256(*bytes)) == digest)
            return std::move(*bytes);
        return std::unexpected(
            JournalError{.fault = JournalFault::damaged,
                         .path = path_.string(),
                         .what = "holds changed samples under the digest " + std::string(digest) +
                                 (bytes ? std::string() : ": " + bytes.error()),
                         .remedy = "keep the file, bring back the latest backup and call maintenance",
                         .event = std::nullopt});
    });
}

Reader::Result<std::vector<ReleaseRow>> Reader::releases_of(const StayRow& stay) {
    return rows<ReleaseRow>(
        "SELECT event, permissive, bay, output, token, reasons, utc_us FROM release "
        "WHERE bay IN (SELECT bay FROM stay WHERE stay = ?1 UNION SELECT from_bay FROM stay_move "
        "WHERE stay = ?1 UNION SELECT to_bay FROM stay_move WHERE stay = ?1) AND event " TAUTGATE_WITHIN_STAY
        "AND stay = ?1 ORDER BY event, permissive",
        stay.stay);
}

Reader::Result<std::optional<EventNumber>>
Reader::output_since(const std::string& bay, const std::string& permissive, EventNumber until) {
    return guarded(path_, "looking for a decision", [&]() -> Result<std::optional<EventNumber>> {
        SQLite::Statement ask(
            *db_->connection,
            "SELECT max(event) FROM release WHERE bay = ? AND permissive = ? AND event <= ?");
        ask.bind(1, bay);
        ask.bind(2, permissive);
        ask.bind(3, key_of(until));
        std::optional<EventNumber> found;
        if (ask.executeStep())
            Columns(ask) >> found;
        return found;
    });
}

Reader::Result<std::vector<MoveRow>> Reader::moves_of(EventNumber stay) {
    return rows<MoveRow>("SELECT event, from_bay, to_bay, permissive, unproven, utc_us FROM stay_move "
                         "WHERE stay = ? ORDER BY event",
                         stay);
}

Reader::Result<std::vector<OtherWayRow>> Reader::other_ways_of(EventNumber stay) {
    return rows<OtherWayRow>(
        "SELECT stay, joint, alternate, bypass FROM other_way WHERE stay = ? ORDER BY joint", stay);
}

Reader::Result<std::vector<UnitOfBypass>> Reader::units_of_bypass(EventNumber bypass) {
    return rows<UnitOfBypass>(
        "SELECT stay, unit, joint, alternate, utc_us FROM other_way JOIN stay USING(stay) "
        "WHERE bypass = ? ORDER BY stay, joint",
        bypass);
}

#define TAUTGATE_SELECT_DECISION                                                                             \
    "SELECT event, bay, stay, kind, action, subject, subject_event, proposal, person, second_person, "       \
    "reason_code, reason_text, outcome, refusal, ended, utc_us FROM decision "

Reader::Result<std::vector<DecisionRow>> Reader::decisions_of(const StayRow& stay) {
    return rows<DecisionRow>(TAUTGATE_SELECT_DECISION "WHERE event " TAUTGATE_WITHIN_STAY
                                                      "AND stay = ?1 ORDER BY event",
                             stay.stay);
}

Reader::Result<std::vector<DecisionRow>> Reader::holds_about(const domain::Serial& serial) {
    return guarded(path_, "looking for quality holds", [&]() -> Result<std::vector<DecisionRow>> {
        SQLite::Statement ask(*db_->connection, TAUTGATE_SELECT_DECISION
                              "WHERE (action IN ('PlaceHold', 'LiftHold') AND subject = ?1) "
                              "OR action = 'PlaceHoldOn' ORDER BY event");
        ask.bind(1, serial.text);
        return all<DecisionRow>(ask);
    });
}

}  // namespace tautgate::journal
