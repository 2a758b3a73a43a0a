#include "service/journal/recovery.hpp"

#include <exception>
#include <utility>

#include "config/reader.hpp"
#include "service/interlock/canonical.hpp"
#include "service/journal/codec.hpp"

namespace tautgate::journal {
namespace {

JournalError error_at(const Reader& reader, JournalFault fault, EventNumber event, const std::string& what) {
    return {.fault = fault,
            .path = reader.path().string(),
            .what = "event " + std::to_string(event.value) + " " + what,
            .remedy = fault == JournalFault::damaged || fault == JournalFault::not_found
                          ? "keep the file, bring back the latest backup and call maintenance"
                          : "start the program version that wrote it, and call maintenance",
            .event = event};
}

// Where a replay can begin.
struct Start {
    interlock::State state;
    EventNumber first{1};  // event to replay first
    EventNumber snapshot;
    std::string note;
};

// The newest snapshot before `before` (0: of all) that this program can read; a snapshot holds the state
// before its own event.
std::expected<Start, JournalError> start_of(Reader& reader, EventNumber before) {
    Start start;
    for (;;) {
        const auto at = reader.snapshot_before(before);
        if (!at)
            return std::unexpected(at.error());
        if (!*at)
            return start;
        const auto rows = reader.events(**at, 1);
        if (!rows)
            return std::unexpected(rows.error());
        if (rows->empty() || rows->front().number != **at)
            return std::unexpected(error_at(reader, JournalFault::damaged, **at, "is missing"));
        const auto stored = decode(rows->front().body);
        if (!stored)
            return std::unexpected(
                error_at(reader, JournalFault::not_understood, **at, "cannot be read: " + stored.error()));
        const auto* snapshot = std::get_if<interlock::SnapshotTaken>(&stored->event.payload);
        if (snapshot == nullptr)
            return std::unexpected(
                error_at(reader, JournalFault::damaged, **at, "is listed as a snapshot and is none"));
        if (auto state = interlock::state_from(snapshot->state)) {
            start.state = std::move(*state);
            start.first = **at;
            start.snapshot = **at;
            return start;
        } else if (start.note.empty()) {
            start.note = "the snapshot in event " + std::to_string((*at)->value) +
                         " was passed over: " + state.error();
        }
        before = **at;
    }
}

class Replay {
  public:
    Replay(Reader& reader, const RuleReader& read_rules, Start start, ChainHead before)
        : reader_(&reader), read_rules_(&read_rules), before_(before) {
        recovered_.state = std::move(start.state);
        recovered_.snapshot = start.snapshot;
        recovered_.note = std::move(start.note);
        recovered_.clean_end = true;  // until an event says otherwise
    }

    std::expected<void, JournalError> add(const EventRow& row) {
        const EventNumber expected{before_.number.value + 1};
        if (row.number != expected)
            return std::unexpected(error_at(*reader_, JournalFault::damaged, expected, "is missing"));
        if (row.hash != chained(before_.hash, row.body))
            return std::unexpected(error_at(*reader_, JournalFault::damaged, expected,
                                            "was changed: its hash does not follow from its text"));
        const auto stored = decode(row.body);
        if (!stored)
            return std::unexpected(error_at(*reader_, JournalFault::not_understood, expected,
                                            "cannot be read: " + stored.error()));
        if (stored->event.number != expected)
            return std::unexpected(
                error_at(*reader_, JournalFault::damaged, expected, "holds another event"));
        before_ = {row.number, row.hash};
        return decide(*stored);
    }

    std::expected<Recovered, JournalError> result() {
        if (auto loaded = load_rules_of_state(recovered_.head.number); !loaded)
            return std::unexpected(loaded.error());
        recovered_.head = before_;
        return std::move(recovered_);
    }

  private:
    std::expected<void, JournalError> load(const Revision& revision, EventNumber needed_by) {
        if (revision.digest.empty() || recovered_.rules.contains(revision))
            return {};
        const auto document = reader_->document(revision.digest);
        if (!document)
            return std::unexpected(document.error());
        if (!*document)
            return std::unexpected(
                error_at(*reader_, JournalFault::not_found, needed_by,
                         "follows rules whose text is not stored (" + revision.digest + ")"));
        auto rules = (*read_rules_)(**document);
        if (!rules)
            return std::unexpected(error_at(*reader_, JournalFault::not_understood, needed_by,
                                            "follows rules that cannot be read: " + rules.error()));
        recovered_.rules.emplace(revision, std::move(*rules));
        return {};
    }

    std::expected<void, JournalError> load_rules_of_state(EventNumber needed_by) {
        if (recovered_.state.rules)
            if (auto loaded = load(*recovered_.state.rules, needed_by); !loaded)
                return loaded;
        for (const auto& bay : recovered_.state.bays)
            if (const auto* stay = std::get_if<interlock::Stay>(&bay.occupant))
                if (auto loaded = load(stay->rules, needed_by); !loaded)
                    return loaded;
        return {};
    }

    std::expected<void, JournalError> decide(const StoredEvent& stored) {
        const interlock::Event& event = stored.event;
        if (auto loaded = load_rules_of_state(event.number); !loaded)
            return loaded;
        if (const auto* approved = std::get_if<interlock::RulesApproved>(&event.payload))
            if (auto loaded = load(approved->revision, event.number); !loaded)
                return loaded;
        try {
            interlock::Decision decision =
                interlock::decide(recovered_.rules, std::move(recovered_.state), event);
            compare(stored, decision);
            recovered_.state = std::move(decision.state);
        } catch (const std::exception& failure) {
            return std::unexpected(error_at(*reader_, JournalFault::not_understood, event.number,
                                            std::string("cannot be decided again: ") + failure.what()));
        }
        ++recovered_.replayed;
        recovered_.head = before_;
        note_end(event.payload);
        return {};
    }

    void compare(const StoredEvent& stored, const interlock::Decision& decision) {
        // People were told once; what this program decided since then follows from its own state.
        if (std::holds_alternative<interlock::DecisionDiffered>(stored.event.payload))
            recovered_.differs_at.reset();
        else if (!recovered_.differs_at &&
                 decision_digest(decision.state, decision.record) != stored.decision)
            recovered_.differs_at = stored.event.number;
    }

    // A snapshot may stand before or after the last word of a run.
    void note_end(const interlock::Payload& payload) {
        if (!std::holds_alternative<interlock::SnapshotTaken>(payload))
            recovered_.clean_end = std::holds_alternative<interlock::StationStopped>(payload);
    }

    Reader* reader_;
    const RuleReader* read_rules_;
    ChainHead before_;
    Recovered recovered_;
};

// A snapshot that is the only event replayed says nothing about how the run before ended.
std::expected<bool, JournalError> clean_before(Reader& reader, EventNumber first) {
    if (first.value <= 1)
        return true;
    const auto rows = reader.events(EventNumber{first.value - 1}, 1);
    if (!rows)
        return std::unexpected(rows.error());
    const auto stored = rows->empty() ? std::unexpected(std::string()) : decode(rows->front().body);
    return stored && std::holds_alternative<interlock::StationStopped>(stored->event.payload);
}

}  // namespace

std::expected<std::shared_ptr<const config::Station>, std::string>
read_stored_rules(const Document& document) {
    auto station = config::read_station(document.text, "stored rules " + document.digest.substr(0, 12));
    if (station)
        return std::make_shared<const config::Station>(std::move(*station));
    std::string why;
    for (const auto& error : station.error())
        why += (why.empty() ? "" : "; ") + config::to_text(error);
    return std::unexpected(why);
}

namespace {

// Up to `last`, or to the end.
std::expected<Recovered, JournalError> replay_from(Reader& reader, const RuleReader& read_rules, Start start,
                                                   std::optional<EventNumber> last) {
    const EventNumber first = start.first;
    const EventNumber before{first.value - 1};
    const auto hash = reader.hash_at(before);
    if (!hash)
        return std::unexpected(hash.error());
    const auto clean = clean_before(reader, first);
    if (!clean)
        return std::unexpected(clean.error());
    Replay replay(reader, read_rules, std::move(start), {before, *hash});
    std::optional<JournalError> fault;
    const auto read = reader.each_event(first, [&](const EventRow& row) {
        if (last && row.number > *last)
            return false;
        if (auto added = replay.add(row); !added)
            fault = added.error();
        return !fault;
    });
    if (!read)
        return std::unexpected(read.error());
    if (fault)
        return std::unexpected(*fault);
    auto recovered = replay.result();
    if (recovered && recovered->replayed == 1 && recovered->snapshot != EventNumber{})
        recovered->clean_end = *clean;
    return recovered;
}

}  // namespace

std::expected<Recovered, JournalError> recover(Reader& reader, const RuleReader& read_rules) {
    auto start = start_of(reader, EventNumber{});
    if (!start)
        return std::unexpected(start.error());
    return replay_from(reader, read_rules, std::move(*start), std::nullopt);
}

std::expected<Recovered, JournalError> recover_until(Reader& reader, const RuleReader& read_rules,
                                                     EventNumber last) {
    if (last.value == 0)
        return Recovered{};
    auto start = start_of(reader, EventNumber{last.value + 1});
    if (!start)
        return std::unexpected(start.error());
    auto recovered = replay_from(reader, read_rules, std::move(*start), last);
    if (recovered && recovered->head.number != last)
        return std::unexpected(JournalError{.fault = JournalFault::not_found,
                                            .path = reader.path().string(),
                                            .what = "has no event " + std::to_string(last.value),
                                            .remedy = "ask about an event that it has",
                                            .event = last});
    return recovered;
}

}  // namespace tautgate::journal
