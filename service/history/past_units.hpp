// Which units of a journal proposed rules are tried on, and the trial itself (rule_trial.hpp) over the events
// as they are stored. The journal is only read; it may be the running station's own or a copy. The chain is
// not verified here. Blocks: call it on a worker or from a tool.
#pragma once

#include <cstdint>
#include <expected>
#include <memory>
#include <string>
#include <variant>
#include <vector>

#include "service/history/rule_trial.hpp"
#include "service/journal/journal_error.hpp"

namespace tautgate::journal {
class Reader;
}

namespace tautgate::history {

// Stays that began within this time, both ends included.
struct InTime {
    std::int64_t from_utc_us = 0;
    std::int64_t to_utc_us = 0;
};
// Every stay of these units or sub-assemblies.
struct OfSerials {
    std::vector<std::string> serials;
};
// So many of those that ended last.
struct Newest {
    std::uint32_t stays = 0;
};
using Period = std::variant<InTime, OfSerials, Newest>;

// A stay that has not ended is passed over, and counted.
[[nodiscard]] std::expected<Trial, journal::JournalError>
try_on_past(journal::Reader& reader, const Period& period, const config::Station& proposed);

}  // namespace tautgate::history
