// From the journal back to the state in which the station stood: the whole station is replayed from the
// newest readable snapshot with the very decide() that decided at the time. Effects are dropped; outputs are
// derived from the state afterwards. The chain and the digest of every decision are verified on the way.
// There is no second way to recover. Blocks; called at start, before any link is up.
#pragma once

#include <cstdint>
#include <expected>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "service/interlock/decide.hpp"
#include "service/journal/reader.hpp"

namespace tautgate::journal {

// Reads a stored station description; the error says what is wrong with it.
using RuleReader = std::function<std::expected<std::shared_ptr<const config::Station>, std::string>(
    const Document& document)>;

// The reader of the configuration (config/reader.hpp).
[[nodiscard]] std::expected<std::shared_ptr<const config::Station>, std::string>
read_stored_rules(const Document& document);

struct Recovered {
    interlock::State state;
    interlock::RuleBook rules;  // all that the state and its stays follow
    ChainHead head;
    EventNumber snapshot;        // the replay began with it; 0: with the first event
    std::uint64_t replayed = 0;  // events
    bool clean_end = false;      // the run before ended in order (or there was none)
    // The first event that this program decides otherwise than the stored decision says, unless that was
    // recorded since (DecisionDiffered). The state is this program's; the station withholds with this reason.
    std::optional<EventNumber> differs_at;
    std::string note;  // why an unreadable snapshot was passed over; empty: none was
};

// A broken chain, a missing text or an event that cannot be read is an error that names the first event
// concerned: the station then stays withheld.
[[nodiscard]] std::expected<Recovered, JournalError> recover(Reader& reader, const RuleReader& read_rules);

// The same for a moment of the past: as the station stood once event `last` was decided, by a replay from the
// newest snapshot before. Of 0: as it stood before its first event. What follows `last` is not looked at.
[[nodiscard]] std::expected<Recovered, JournalError>
recover_until(Reader& reader, const RuleReader& read_rules, EventNumber last);

}  // namespace tautgate::journal
