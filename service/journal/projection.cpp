#include "service/journal/projection.hpp"

#include <concepts>
#include <optional>
#include <string>
#include <string_view>
#include <type_traits>

#include <SQLiteCpp/Statement.h>
#include <boost/describe.hpp>

#include "service/interlock/source_holds.hpp"
#include "service/journal/binding.hpp"
#include "service/journal/codec.hpp"
#include "service/journal/schema.hpp"

namespace tautgate::journal {
namespace {

using interlock::Attributed;

template <class... Fs>
struct Overloaded : Fs... {
    using Fs::operator()...;
};

// For a row that is as good as always new. Where it may have to replace another, SQLite sets aside 64 KiB to
// be able to take the statement back, which costs more than the row. So that is only asked for where a row
// stands already: left over beyond a chain that was cut, or of an event that is filed anew.
struct NewRow {
    NewRow(SQLite::Database& db, const std::string& into)
        : add(db, "INSERT OR IGNORE INTO " + into), replace(db, "INSERT OR REPLACE INTO " + into) {}
    template <class... Values>
    void put(const Values&... values) {
        if (run(add, values...) == 0)
            run(replace, values...);
    }
    SQLite::Statement add, replace;
};

template <class Enum>
std::string_view word(Enum value) {
    return boost::describe::enum_to_string(value, "");
}

template <class List, class Code>
std::string words(const List& list, Code code) {
    std::string out;
    for (const auto& each : list) {
        if (!out.empty())
            out += ',';
        out += word(each.*code);
    }
    return out;
}

std::string finding_words(const evaluation::Judgement& judgement) {
    return words(judgement.findings, &evaluation::Finding::code);
}

template <class Quantity>
std::optional<Quantity> value_of(const protocol::Measured<Quantity>& measured) {
    const auto* value = std::get_if<Quantity>(&measured);
    return value != nullptr ? std::optional(*value) : std::nullopt;
}

// The stay under which a result is filed.
std::optional<EventNumber> filed_under(const interlock::Outcome& outcome) {
    return std::visit(
        []<class Chosen>(const Chosen& chosen) -> std::optional<EventNumber> {
            if constexpr (requires { chosen.stay; })
                return chosen.stay;
            else
                return std::nullopt;
        },
        outcome);
}

std::optional<std::string> why_of(const interlock::Outcome& outcome) {
    if (const auto* unassigned = std::get_if<interlock::Unassigned>(&outcome))
        return std::string(word(unassigned->why));
    return std::nullopt;
}

std::optional<std::string> joint_of(const interlock::Outcome& outcome) {
    if (const auto* counted = std::get_if<Attributed>(&outcome))
        return counted->joint.text;
    if (const auto* rehit = std::get_if<interlock::Rehit>(&outcome))
        return rehit->joint.text;
    if (const auto* loosened = std::get_if<interlock::Loosened>(&outcome)) {
        std::string joints;
        for (const auto& joint : loosened->joints)
            joints += (joints.empty() ? "" : ",") + joint.text;
        return joints;
    }
    return std::nullopt;
}

std::optional<std::uint32_t> fastener_of(const interlock::Outcome& outcome) {
    if (const auto* counted = std::get_if<Attributed>(&outcome))
        return counted->fastener;
    if (const auto* loosened = std::get_if<interlock::Loosened>(&outcome))
        return loosened->fastener;
    return std::nullopt;
}

// What a person's act is about: the joint, permissive, tool, step or unit by name, or an event by number.
struct Subject {
    std::optional<std::string> name;
    std::optional<EventNumber> event;
};

Subject subject_of(const interlock::Action& action) {
    return std::visit(
        []<class Chosen>(const Chosen& chosen) -> Subject {
            Subject subject;
            if constexpr (requires { chosen.joint; })
                subject.name = chosen.joint.text;
            else if constexpr (requires { chosen.permissive; })
                subject.name = chosen.permissive.text;
            else if constexpr (requires { chosen.tool; })
                subject.name = chosen.tool.text;
            else if constexpr (requires { chosen.serial; })
                subject.name = chosen.serial.text;
            else if constexpr (requires { chosen.source; })
                subject.name = interlock::text_of(chosen.source);
            if constexpr (requires { chosen.result; })
                subject.event = chosen.result;
            else if constexpr (requires { chosen.event; })
                subject.event = chosen.event;
            return subject;
        },
        action);
}

// A row of the table decision, as far as the event itself tells.
struct DecisionFacts {
    std::optional<domain::BayId> bay;
    std::optional<std::string> action;
    Subject subject;
    std::optional<EventNumber> proposal;
    std::optional<PersonNumber> person;
    std::optional<PersonNumber> second_person;
    std::optional<std::string> reason_code;
    std::optional<std::string> reason_text;
};

// Nothing for what is no act of a person.
std::optional<DecisionFacts> decision_in(const interlock::Payload& payload) {
    DecisionFacts row;
    const bool decided = std::visit(Overloaded{[&](const interlock::Proposed& it) {
                                                   row.bay = it.bay;
                                                   row.action = kind_of(it.action);
                                                   row.subject = subject_of(it.action);
                                                   row.person = it.by;
                                                   row.reason_code = it.reason_code;
                                                   row.reason_text = it.reason_text;
                                                   return true;
                                               },
                                               [&](const interlock::Seconded& it) {
                                                   row.bay = it.bay;
                                                   row.proposal = it.proposal;
                                                   row.person = it.by;
                                                   return true;
                                               },
                                               [&](const interlock::ProposalEnded& it) {
                                                   row.bay = it.bay;
                                                   row.proposal = it.proposal;
                                                   row.person = it.by;
                                                   row.reason_text = it.why;
                                                   return true;
                                               },
                                               [&](const interlock::CheckConfirmed& it) {
                                                   row.bay = it.bay;
                                                   row.subject.name = it.step;
                                                   row.person = it.by;
                                                   return true;
                                               },
                                               [&](const interlock::ButtonPressed& it) {
                                                   row.bay = it.bay;
                                                   row.subject.name = it.step;
                                                   return true;
                                               },
                                               [&](const interlock::HandChecked& it) {
                                                   row.bay = it.bay;
                                                   row.subject.name = it.joint.text;
                                                   row.person = it.by;
                                                   return true;
                                               },
                                               [&](const interlock::RulesApproved& it) {
                                                   row.subject.name = it.revision.digest;
                                                   row.person = it.by;
                                                   row.second_person = it.seconded_by;
                                                   return true;
                                               },
                                               [&](const interlock::PersonEnrolled& it) {
                                                   row.subject.name = std::to_string(it.person.number.value);
                                                   row.person = it.by;
                                                   row.second_person = it.seconded_by;
                                                   return true;
                                               },
                                               [&](const interlock::PersonSuspended& it) {
                                                   row.subject.name = std::to_string(it.person.value);
                                                   row.person = it.by;
                                                   row.second_person = it.seconded_by;
                                                   return true;
                                               },
                                               [&](const interlock::PersonUnlocked& it) {
                                                   row.subject.name = std::to_string(it.person.value);
                                                   row.person = it.by;
                                                   return true;
                                               },
                                               [&](const interlock::DeputyNamed& it) {
                                                   row.subject.name = std::to_string(it.person.value);
                                                   row.person = it.by;
                                                   row.second_person = it.seconded_by;
                                                   return true;
                                               },
                                               [&](const interlock::DeputyEnded& it) {
                                                   row.subject.name = std::to_string(it.person.value);
                                                   row.person = it.by;
                                                   return true;
                                               },
                                               [&](const interlock::AdministratorReplaced& it) {
                                                   row.subject.name = std::to_string(it.person.number.value);
                                                   return true;
                                               },
                                               [&](const interlock::NameErased& it) {
                                                   row.subject.name = std::to_string(it.person.value);
                                                   row.person = it.by;
                                                   row.second_person = it.seconded_by;
                                                   return true;
                                               },
                                               [&](const interlock::SecretRenewed& it) {
                                                   row.person = it.person;
                                                   return true;
                                               },
                                               [&](const interlock::SignInRefused& it) {
                                                   row.person = it.person;
                                                   row.reason_text = it.why;
                                                   return true;
                                               },
                                               [](const auto&) { return false; }},
                                    payload);
    return decided ? std::optional(std::move(row)) : std::nullopt;
}

}  // namespace

struct Projection::Statements {
    explicit Statements(SQLite::Database& db);
    SQLite::Statement snapshot, stay, ticket, withdraw, identify, incomplete, end, decision, override_ended,
        trace, judged, move, new_bay, other_way;
    NewRow tightening, release;
    SQLite::Statement find_open, subject, body, last_output;
};

Projection::Statements::Statements(SQLite::Database& db)
    : snapshot(db, "INSERT OR REPLACE INTO snapshot(event) VALUES(?)"),
      stay(db, "INSERT OR REPLACE INTO stay(stay, bay, token, began_utc_us, rules) VALUES(?, ?, ?, ?, ?)"),
      ticket(
          db,
          "INSERT OR REPLACE INTO ticket(stay, scanned, kind, serial, order_number, type, accepted, utc_us) "
          "VALUES(?, ?, ?, ?, ?, ?, ?, ?)"),
      withdraw(db,
               "UPDATE ticket SET withdrawn = ? WHERE stay = ? AND scanned = ? AND kind = ? AND serial = ? "
               "AND withdrawn IS NULL"),
      identify(db, "UPDATE stay SET unit = ?, variant = ?, plan = ?, plan_revision = ? WHERE stay = ?"),
      incomplete(db, "UPDATE stay SET leaves_incomplete = ? WHERE stay = ?"),
      end(db, "UPDATE stay SET ended = ?, ended_utc_us = ? WHERE stay = ?"),
      decision(db, "INSERT OR REPLACE INTO decision(event, bay, stay, kind, action, subject, subject_event, "
                   "proposal, person, second_person, reason_code, reason_text, outcome, refusal, utc_us) "
                   "VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"),
      override_ended(db, "UPDATE decision SET ended = ? WHERE event = ?"),
      trace(db, "INSERT OR REPLACE INTO trace(tool, epoch, counter, event, digest, samples, bytes, utc_us) "
                "VALUES(?, ?, ?, ?, ?, ?, ?, ?)"),
      judged(db, "UPDATE tightening SET verdict = ?, reasons = ? WHERE event = ?"),
      move(db,
           "INSERT OR REPLACE INTO stay_move(stay, event, from_bay, to_bay, permissive, unproven, utc_us) "
           "VALUES(?, ?, ?, ?, ?, ?, ?)"),
      new_bay(db, "UPDATE stay SET bay = ? WHERE stay = ?"),
      other_way(db, "INSERT OR REPLACE INTO other_way(stay, joint, event, alternate, bypass, utc_us) "
                    "VALUES(?, ?, ?, ?, ?, ?)"),
      tightening(db,
                 "tightening(event, stay, tool, epoch, counter, outcome, why, joint, "
                 "fastener, pass, attempt, verdict, reasons, direction, torque_micro_nm, angle_micro_deg, "
                 "torque_received, torque_unit_received, angle_received, operator, assigned_by, utc_us) "
                 "VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"),
      release(db, "release(event, permissive, bay, stay, output, token, reasons, utc_us) "
                  "VALUES(?, ?, ?, ?, ?, ?, ?, ?)"),
      find_open(db, "SELECT max(stay) FROM stay WHERE bay = ? AND ended IS NULL"),
      subject(db, "SELECT subject_event FROM decision WHERE event = ? AND action = 'AssignResult'"),
      body(db, "SELECT body FROM event WHERE number = ?"),
      last_output(db, "SELECT output, token FROM release WHERE bay = ? AND permissive = ? "
                      "ORDER BY event DESC LIMIT 1") {}

Projection::Projection(SQLite::Database& db)
    : db_(db), statements_(std::make_unique<Statements>(db)), genealogy_(db), orders_(db) {}
Projection::~Projection() = default;

std::optional<std::int64_t> Projection::open_stay(const domain::BayId& bay) {
    const auto [known, fresh] = open_stays_.try_emplace(bay.text);
    if (!fresh)
        return known->second;
    auto& ask = statements_->find_open;
    ask.reset();
    bind_one(ask, 1, bay.text);
    if (ask.executeStep() && !ask.getColumn(0).isNull())
        known->second = ask.getColumn(0).getInt64();
    ask.reset();
    return known->second;
}

void Projection::add_stay_change(const StoredEvent& stored, const StayChange& change) {
    const EventNumber now = stored.event.number;
    auto& to = *statements_;
    open_stays_.clear();
    std::visit(Overloaded{[&](const StayBegan& it) {
                              run(to.stay, it.stay, it.bay.text, it.token.value, it.utc_us, it.rules.digest);
                          },
                          [&](const TicketFiled& it) {
                              run(to.ticket, it.stay, it.scanned, it.kind, it.serial.text, it.order, it.type,
                                  it.accepted, stored.event.at.utc_us);
                          },
                          [&](const TicketWithdrawn& it) {
                              run(to.withdraw, now, it.stay, it.scanned, it.kind, it.serial.text);
                          },
                          [&](const StayIdentified& it) {
                              run(to.identify, it.unit.text, it.variant, it.plan, it.plan_revision, it.stay);
                          },
                          [&](const StayLeavesIncomplete& it) { run(to.incomplete, it.decided, it.stay); },
                          [&](const StayMovedOn& it) {
                              run(to.move, it.stay, now, it.from.text, it.to.text, it.permissive.text,
                                  it.unproven, stored.event.at.utc_us);
                              run(to.new_bay, it.to.text, it.stay);
                          },
                          [&](const StayDoneOtherwise& it) {
                              run(to.other_way, it.stay, it.joint.text, now, it.alternate, it.bypass,
                                  stored.event.at.utc_us);
                          },
                          [&](const StayEnded& it) { run(to.end, now, stored.event.at.utc_us, it.stay); },
                          [](const SubassemblyTakenOut&) {}, [](const SubassemblyLeftIn&) {},
                          [](const OrderBuilt&) {}, [](const OrderBegun&) {}},
               change);
}

namespace {

// As long as its curve has not come, nothing is decided.
std::string verdict_words(const Attributed& counted) {
    return std::string(
        word(counted.awaits_curve ? evaluation::Verdict::not_decidable : counted.judgement.verdict));
}
std::string reason_words(const Attributed& counted) {
    return counted.awaits_curve ? std::string(word(evaluation::FindingCode::curve_missing))
                                : finding_words(counted.judgement);
}

// The columns of a result, filed as `outcome` says.
void put_result(NewRow& to, const StoredEvent& stored, const interlock::ResultReceived& result,
                const interlock::Outcome& outcome, std::optional<EventNumber> assigned_by) {
    const auto* counted = std::get_if<Attributed>(&outcome);
    const auto only_counted = [&](auto value) {
        return counted != nullptr ? std::optional(value(*counted)) : std::nullopt;
    };
    const protocol::Reading& reading = result.reading;
    const auto torque = value_of(reading.torque);
    const auto angle = value_of(reading.angle);
    to.put(stored.event.number, filed_under(outcome), result.tool.text, result.epoch,
           std::to_string(reading.counter), kind_of(outcome), why_of(outcome), joint_of(outcome),
           fastener_of(outcome), only_counted([](const Attributed& it) { return it.pass; }),
           only_counted([](const Attributed& it) { return it.attempt; }), only_counted(verdict_words),
           only_counted(reason_words), word(reading.direction),
           torque ? std::optional(torque->micro_nm) : std::nullopt,
           angle ? std::optional(angle->micro_deg) : std::nullopt, reading.received.torque,
           reading.received.torque_unit, reading.received.angle, stored.operator_, assigned_by,
           stored.event.at.utc_us);
}

}  // namespace

void Projection::add_result(const StoredEvent& stored, const interlock::ResultReceived& result) {
    put_result(statements_->tightening, stored, result, stored.record.outcome, std::nullopt);
}

void Projection::add_trace(const StoredEvent& stored, const interlock::TraceReceived& trace) {
    run(statements_->trace, trace.tool.text, trace.epoch, std::to_string(trace.counter), stored.event.number,
        trace.digest, trace.samples, trace.bytes, stored.event.at.utc_us);
}

// Which result this event assigned by hand, if it did.
std::optional<EventNumber> Projection::assigned_result(const StoredEvent& stored) {
    const interlock::Outcome& outcome = stored.record.outcome;
    if (!std::holds_alternative<Attributed>(outcome) && !std::holds_alternative<interlock::Loosened>(outcome))
        return std::nullopt;
    if (const auto* proposed = std::get_if<interlock::Proposed>(&stored.event.payload)) {
        const auto* assign = std::get_if<interlock::AssignResult>(&proposed->action);
        return assign != nullptr ? std::optional(assign->result) : std::nullopt;
    }
    const auto* seconded = std::get_if<interlock::Seconded>(&stored.event.payload);
    if (seconded == nullptr)
        return std::nullopt;
    auto& ask = statements_->subject;
    ask.reset();
    bind_one(ask, 1, seconded->proposal);
    std::optional<EventNumber> found;
    if (ask.executeStep())
        found = EventNumber{static_cast<std::uint64_t>(ask.getColumn(0).getInt64())};
    ask.reset();
    return found;
}

// The result's row moves to the stay and joint that people decided on.
void Projection::add_assignment(const StoredEvent& stored, EventNumber result) {
    auto& ask = statements_->body;
    ask.reset();
    bind_one(ask, 1, result);
    const std::string body = ask.executeStep() ? ask.getColumn(0).getString() : std::string();
    ask.reset();
    const auto received = decode(body);
    if (!received)
        return;
    const auto* payload = std::get_if<interlock::ResultReceived>(&received->event.payload);
    if (payload == nullptr)
        return;
    put_result(statements_->tightening, *received, *payload, stored.record.outcome, stored.event.number);
}

namespace {

std::optional<std::uint32_t> token_of(const interlock::Output& output) {
    return std::visit(
        []<class Chosen>(const Chosen& chosen) -> std::optional<std::uint32_t> {
            if constexpr (requires { chosen.token; })
                return chosen.token.value;
            else
                return std::nullopt;
        },
        output);
}

std::string output_text(std::string_view kind, std::optional<std::uint32_t> token) {
    return std::string(kind) + (token ? ' ' + std::to_string(*token) : std::string());
}

}  // namespace

// Whether the output itself changed. Reasons alone change with nearly every result, and stand in its event.
bool Projection::is_news(const interlock::PermissiveChange& change) {
    auto known = outputs_.find({change.bay.text, change.permissive.text});
    if (known == outputs_.end()) {
        auto& ask = statements_->last_output;
        ask.reset();
        bind_one(ask, 1, change.bay.text);
        bind_one(ask, 2, change.permissive.text);
        std::string last;
        if (ask.executeStep()) {
            const SQLite::Column token = ask.getColumn(1);
            last = output_text(ask.getColumn(0).getString(),
                               token.isNull() ? std::nullopt
                                              : std::optional(static_cast<std::uint32_t>(token.getInt64())));
        }
        ask.reset();
        known = outputs_.emplace(std::pair(change.bay.text, change.permissive.text), std::move(last)).first;
    }
    std::string now = output_text(kind_of(change.now), token_of(change.now));
    if (known->second == now)
        return false;
    known->second = std::move(now);
    return true;
}

void Projection::add_release(const StoredEvent& stored, const interlock::PermissiveChange& change) {
    if (!is_news(change))
        return;
    statements_->release.put(stored.event.number, change.permissive.text, change.bay.text,
                             open_stay(change.bay), kind_of(change.now), token_of(change.now),
                             words(change.came, &interlock::Reason::code), stored.event.at.utc_us);
}

void Projection::add_decision(const StoredEvent& stored) {
    auto row = decision_in(stored.event.payload);
    if (!row)
        return;
    if (const auto* confirmed = std::get_if<interlock::Confirmed>(&stored.record.outcome)) {
        row->subject.name = confirmed->step;
        row->person = confirmed->by;
    }
    const auto* refused = std::get_if<interlock::Refused>(&stored.record.outcome);
    run(statements_->decision, stored.event.number, row->bay ? std::optional(row->bay->text) : std::nullopt,
        row->bay ? open_stay(*row->bay) : std::nullopt, kind_of(stored.event.payload), row->action,
        row->subject.name, row->subject.event, row->proposal, row->person, row->second_person,
        row->reason_code, row->reason_text, kind_of(stored.record.outcome),
        refused != nullptr ? std::optional(std::string(word(refused->code))) : std::nullopt,
        stored.event.at.utc_us);
}

namespace {

bool goes_away(const StayChange& change) {
    return std::holds_alternative<StayEnded>(change) || std::holds_alternative<StayMovedOn>(change);
}

}  // namespace

void Projection::add(const StoredEvent& stored) {
    // Acts and outputs belong to the stay that stood before it ended or moved on, and to the one that begins
    // with them.
    for (const auto& change : stored.stays)
        if (!goes_away(change))
            add_stay_change(stored, change);
    add_decision(stored);
    if (const auto* result = std::get_if<interlock::ResultReceived>(&stored.event.payload))
        add_result(stored, *result);
    if (const auto* trace = std::get_if<interlock::TraceReceived>(&stored.event.payload))
        add_trace(stored, *trace);
    if (const auto* curve = std::get_if<interlock::CurveJudged>(&stored.record.outcome))
        run(statements_->judged, std::string(word(curve->judgement.verdict)), finding_words(curve->judgement),
            curve->result);
    if (const auto assigned = assigned_result(stored))
        add_assignment(stored, *assigned);
    for (const auto& change : stored.record.changes)
        add_release(stored, change);
    for (const auto& ended : stored.record.ended)
        run(statements_->override_ended, stored.event.number, ended.proposal);
    if (std::holds_alternative<interlock::SnapshotTaken>(stored.event.payload))
        run(statements_->snapshot, stored.event.number);
    genealogy_.add(stored);
    orders_.add(stored);
    for (const auto& change : stored.stays)
        if (goes_away(change))
            add_stay_change(stored, change);
}

std::expected<std::uint64_t, JournalError>
add_all(SQLite::Database& from, Projection& into, const std::filesystem::path& path,
        const std::function<void(const StoredEvent& stored, const std::string& body)>& first) {
    SQLite::Statement events(from, "SELECT number, body FROM event ORDER BY number");
    std::uint64_t count = 0;
    while (events.executeStep()) {
        const std::string body = events.getColumn(1).getString();
        const auto stored = decode(body);
        if (!stored)
            return std::unexpected(JournalError{
                .fault = JournalFault::not_understood,
                .path = path.string(),
                .what = "holds an event that cannot be read: " + stored.error(),
                .remedy = "verify the journal with the program version that wrote it; nothing was changed",
                .event = EventNumber{static_cast<std::uint64_t>(events.getColumn(0).getInt64())}});
        first(*stored, body);
        into.add(*stored);
        ++count;
    }
    return count;
}

std::expected<std::uint64_t, JournalError> rebuild(const std::filesystem::path& path) {
    auto db = open_for_writing(path, {}, {});
    if (!db)
        return std::unexpected(db.error());
    return guarded(
        path, "making the query tables again", [&]() -> std::expected<std::uint64_t, JournalError> {
            // A table of somebody else that refers to one of ours must not be in the way.
            (*db)->exec("PRAGMA foreign_keys = OFF");
            (*db)->exec("BEGIN IMMEDIATE");
            make_derived_again(**db);
            Projection projection(**db);
            const auto count = add_all(**db, projection, path, [](const StoredEvent&, const std::string&) {});
            if (count)
                (*db)->exec("COMMIT");
            return count;
        });
}

}  // namespace tautgate::journal
