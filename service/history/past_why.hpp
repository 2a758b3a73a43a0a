// Why a permissive was held or released at a moment of the past: the station as it stood then, by a replay
// from the nearest snapshot through the very code that decided, and the reasons of that decision. Reading and
// replaying block: call it on a worker or from a tool.
#pragma once

#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "service/interlock/decide.hpp"
#include "service/journal/journal_error.hpp"

namespace tautgate::journal {
class Reader;
}

namespace tautgate::history {

// The moment is an event, or a time: then it is the last event with a stamp up to it. Neither: the last
// event before the unit left, or the newest of all. Stamps are labels: where the clock was set back an event
// says more.
struct PastWhyAsked {
    domain::EventNumber event;
    std::optional<std::int64_t> at_utc_us;
    std::string bay;     // empty: that of the unit, or the only one
    std::string serial;  // of a unit or sub-assembly; empty: of whatever stood there
};

// By what an output stood as it did.
struct DecidedBy {
    domain::EventNumber event;  // 0: it was so from the first
    std::int64_t utc_us = 0;
    std::string program;  // version that decided
    std::string rules;    // digest
};

struct PastWhy {
    domain::EventNumber event;  // as of which all this is
    std::int64_t utc_us = 0;
    std::string program;     // that decided this event
    interlock::State state;  // after it
    interlock::RuleBook rules;
    domain::BayId bay;
    std::vector<DecidedBy> decided;  // of each permissive of the bay, in their order
    // The first event since the snapshot that this program decides otherwise than is stored. The reasons are
    // this program's.
    std::optional<domain::EventNumber> stored_otherwise;
};

// There is no such moment, bay or unit.
struct NotThen {
    std::string what;
    std::string remedy;
};

using PastWhyAnswer = std::variant<PastWhy, NotThen>;

[[nodiscard]] std::expected<PastWhyAnswer, journal::JournalError> past_why(journal::Reader& reader,
                                                                           const PastWhyAsked& asked);

}  // namespace tautgate::history
