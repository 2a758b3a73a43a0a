#include "service/history/past_units.hpp"

#include <algorithm>
#include <map>
#include <optional>
#include <utility>

#include "service/interlock/lookup.hpp"
#include "service/interlock/overloaded.hpp"
#include "service/journal/codec.hpp"
#include "service/journal/reader.hpp"
#include "service/journal/recovery.hpp"

namespace tautgate::history {
namespace {

using domain::EventNumber;
using interlock::Overloaded;
using journal::JournalError;
using journal::Reader;
using journal::StayRow;

// From the end of one stay to the beginning of the next that is asked for, in events. Above it a newer
// snapshot is looked for.
constexpr std::uint64_t worth_a_snapshot = 500;

std::expected<std::vector<StayRow>, JournalError> stays_with(Reader& reader, const OfSerials& of) {
    std::map<EventNumber, StayRow> stays;
    for (const std::string& serial : of.serials) {
        auto found = reader.stays_of(domain::Serial{serial});
        if (!found)
            return std::unexpected(std::move(found.error()));
        for (StayRow& row : *found)
            stays.try_emplace(row.stay, std::move(row));
    }
    std::vector<StayRow> rows;
    rows.reserve(stays.size());
    for (auto& [number, row] : stays)
        rows.push_back(std::move(row));
    return rows;
}

std::expected<std::vector<StayRow>, JournalError> stays_in(Reader& reader, const Period& period) {
    return std::visit(
        Overloaded{[&](const InTime& time) { return reader.stays_between(time.from_utc_us, time.to_utc_us); },
                   [&](const OfSerials& of) { return stays_with(reader, of); },
                   [&](const Newest& newest) { return reader.newest_ended_stays(newest.stays); }},
        period);
}

JournalError not_understood(const Reader& reader, EventNumber event, const std::string& what) {
    return {.fault = journal::JournalFault::not_understood,
            .path = reader.path().string(),
            .what = "event " + std::to_string(event.value) + " " + what,
            .remedy = "use the program version that wrote it",
            .event = event};
}

struct Whole {
    EventNumber first;
    EventNumber last;  // that ended it
};

// The station as it went on then, and the stays that are being tried on the way.
class Sweep {
  public:
    Sweep(Reader& reader, const config::Station& proposed, std::vector<Whole> stays)
        : reader_(reader), proposed_(proposed), stays_(std::move(stays)) {}

    std::expected<Trial, JournalError> result() {
        while (next_ < stays_.size()) {
            if (auto run = run_from(stays_[next_].first); !run)
                return std::unexpected(std::move(run.error()));
        }
        return std::move(trial_);
    }

  private:
    struct Running {
        StayTrial trial;
        EventNumber last;
    };

    std::expected<void, JournalError> run_from(EventNumber first) {
        auto then = journal::recover_until(reader_, journal::read_stored_rules, EventNumber{first.value - 1});
        if (!then)
            return std::unexpected(std::move(then.error()));
        state_ = std::move(then->state);
        rules_ = std::move(then->rules);
        std::optional<JournalError> fault;
        const auto read = reader_.each_event(first, [&](const journal::EventRow& row) {
            if (auto taken = take(row); !taken)
                fault = std::move(taken.error());
            return !fault && goes_on(row.number);
        });
        if (!read)
            return std::unexpected(read.error());
        if (fault)
            return std::unexpected(std::move(*fault));
        return {};
    }

    bool goes_on(EventNumber at) const {
        if (!running_.empty())
            return true;
        return next_ < stays_.size() && stays_[next_].first.value - at.value <= worth_a_snapshot;
    }

    std::expected<void, JournalError> take(const journal::EventRow& row) {
        auto stored = journal::decode(row.body);
        if (!stored)
            return std::unexpected(not_understood(reader_, row.number, "cannot be read: " + stored.error()));
        if (auto loaded = load_rules(*stored); !loaded)
            return loaded;
        while (next_ < stays_.size() && stays_[next_].first == row.number) {
            begin(stays_[next_]);
            ++next_;
        }
        end_at(row.number);
        interlock::Decision decision = interlock::decide(rules_, std::move(state_), stored->event);
        state_ = std::move(decision.state);
        const bool otherwise = !running_.empty() && decision.record != stored->record;
        for (Running& each : running_) {
            if (otherwise)
                each.trial.note_stored_otherwise(row.number);
            each.trial.add(stored->event, state_, decision.record);
        }
        return {};
    }

    void begin(const Whole& stay) {
        const config::Station* then = interlock::rules_of(rules_, state_.rules);
        running_.push_back({StayTrial(stay.first, rules_, state_,
                                      proposal_for(state_.rules, then != nullptr ? *then : proposed_),
                                      [this](const std::string& digest) { return samples(digest); }),
                            stay.last});
    }

    // The event that ends a stay is no longer of it.
    void end_at(EventNumber number) {
        for (Running& each : running_) {
            if (each.last == number)
                add_to(trial_, std::move(each.trial).findings());
        }
        std::erase_if(running_, [&](const Running& each) { return each.last == number; });
    }

    std::shared_ptr<const TrialRules> proposal_for(const std::optional<domain::Revision>& revision,
                                                   const config::Station& then) {
        auto& known = proposals_[revision.value_or(domain::Revision{})];
        if (!known) {
            known = std::make_shared<const TrialRules>(trial_rules(then, proposed_));
            for (const Untold& untold : known->untold) {
                if (std::ranges::find(trial_.untold, untold) == trial_.untold.end())
                    trial_.untold.push_back(untold);
            }
        }
        return known;
    }

    // One that was changed is as good as none; tautgate verify tells of it.
    std::optional<std::string> samples(const std::string& digest) {
        auto bytes = reader_.trace_samples(digest);
        return bytes ? std::move(*bytes) : std::nullopt;
    }

    std::expected<void, JournalError> load_rules(const journal::StoredEvent& stored) {
        const auto* approved = std::get_if<interlock::RulesApproved>(&stored.event.payload);
        if (approved == nullptr || rules_.contains(approved->revision))
            return {};
        const auto document = reader_.document(approved->revision.digest);
        if (!document)
            return std::unexpected(document.error());
        if (!*document)
            return {};  // it was refused then, and is now
        auto rules = journal::read_stored_rules(**document);
        if (!rules)
            return std::unexpected(not_understood(reader_, stored.event.number,
                                                  "follows rules that cannot be read: " + rules.error()));
        rules_.emplace(approved->revision, std::move(*rules));
        return {};
    }

    Reader& reader_;
    const config::Station& proposed_;
    std::vector<Whole> stays_;
    std::size_t next_ = 0;
    interlock::State state_;
    interlock::RuleBook rules_;
    std::vector<Running> running_;
    std::map<domain::Revision, std::shared_ptr<const TrialRules>> proposals_;
    Trial trial_;
};

}  // namespace

std::expected<Trial, JournalError> try_on_past(Reader& reader, const Period& period,
                                               const config::Station& proposed) {
    if (auto fault = reader.can_be_queried(); !fault)
        return std::unexpected(std::move(fault.error()));
    const auto rows = stays_in(reader, period);
    if (!rows)
        return std::unexpected(rows.error());
    std::vector<Whole> whole;
    std::uint64_t still_open = 0;
    for (const StayRow& row : *rows) {
        if (row.ended)
            whole.push_back({row.stay, *row.ended});
        else
            ++still_open;
    }
    auto trial = Sweep(reader, proposed, std::move(whole)).result();
    if (trial)
        trial->still_open = still_open;
    return trial;
}

}  // namespace tautgate::history
