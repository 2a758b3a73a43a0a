// What the API reads from the journal. Reading blocks, so it is done on a worker, by values in and values
// out, each call over a read-only connection of its own; nothing here can hold the loop or the writer up.
#pragma once

#include <cstddef>
#include <expected>
#include <string>
#include <vector>

#include "service/domain/ids.hpp"
#include "service/history/past_why.hpp"
#include "service/history/unit_record.hpp"
#include "service/journal/stored_trace.hpp"
#include "service/journal/unit_of_bypass.hpp"

namespace tautgate::web {

// One row of the chain, as stored.
struct StoredEvent {
    domain::EventNumber number;
    std::string body;      // the exact text, one JSON object
    std::string hash_hex;  // 64 digits
};

// Why the journal could not be read; what to do about it.
struct ReadFault {
    std::string what;
    std::string why;
    std::string remedy;
};

class Archive {
  public:
    Archive() = default;
    Archive(const Archive&) = delete;
    Archive& operator=(const Archive&) = delete;
    Archive(Archive&&) = delete;
    Archive& operator=(Archive&&) = delete;
    virtual ~Archive() = default;

    // At most `most` events from `from` on, oldest first. Called by worker threads.
    [[nodiscard]] virtual std::expected<std::vector<StoredEvent>, ReadFault>
    events(domain::EventNumber from, std::size_t most) const = 0;
    // Everything that is stored about a serial number; no stays if the journal never saw it.
    [[nodiscard]] virtual std::expected<history::UnitRecord, ReadFault>
    unit(const domain::Serial& serial) const = 0;
    // The traces of the result or trace that came with this event; none if the journal has none.
    [[nodiscard]] virtual std::expected<journal::StoredTraces, ReadFault>
    traces(domain::EventNumber event) const = 0;
    // The units for which the bypass of this event was used; none if there was no such bypass, or no unit.
    [[nodiscard]] virtual std::expected<std::vector<journal::UnitOfBypass>, ReadFault>
    units_of_bypass(domain::EventNumber bypass) const = 0;
    // Why permissives were held or released at a moment of the past; replays from the nearest snapshot.
    [[nodiscard]] virtual std::expected<history::PastWhyAnswer, ReadFault>
    past_why(const history::PastWhyAsked& asked) const = 0;
};

}  // namespace tautgate::web
