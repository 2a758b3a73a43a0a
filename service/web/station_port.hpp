// The station as the HTTP API sees it: what it may look at and the one way to change anything. The API knows
// no rule; it turns a request of a signed-in person into an event and tells what the core made of it. All
// calls come from the thread of the io_context.
#pragma once

#include <chrono>
#include <cstdint>
#include <expected>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/ticket.hpp"
#include "service/interlock/decide.hpp"
#include "service/people/record.hpp"
#include "service/web/archive.hpp"

namespace tautgate::web {

// An event that is durable, and what came of it.
struct Recorded {
    interlock::EventNumber event;
    interlock::Outcome outcome;
};

// The event was not taken, or is not known to be durable: the service is stopping, the journal failed.
struct NotRecorded {
    std::string why;
    std::string remedy;
};

using RecordedCallback = std::function<void(std::expected<Recorded, NotRecorded>)>;

// ---- health -------------------------------------------------------------------------------------------

enum class InputKind : std::uint8_t { tool, controller, scanner, module };
TAUTGATE_ENUM(InputKind, tool, controller, scanner, module);

// Since the start of the service.
struct InputCounts {
    std::uint64_t became_good = 0;
    std::uint64_t lost = 0;            // good no longer
    std::uint64_t failures = 0;        // could not be reached, or broke
    std::uint64_t curves_refused = 0;  // of a tool: more came than results
};
struct InputPolls {
    std::uint64_t good = 0;
    std::uint64_t failed = 0;
    std::uint64_t skipped = 0;    // due while an earlier one still ran
    std::uint64_t discarded = 0;  // answered, but torn or not understood
};

struct InputHealth {
    InputKind kind = InputKind::tool;
    std::string id;  // of the tool, bay or scanner
    std::string bay;
    interlock::Quality quality = interlock::Quality::unknown;
    std::optional<std::chrono::milliseconds> age;  // since its last sign of life; none: never heard of
    std::string why;                               // of a quality that is not good
    InputCounts counts = {};
    std::optional<InputPolls> polls = {};  // of a tool or module that is polled
};

// The newest check of the whole file.
struct FileCheckHealth {
    std::chrono::seconds age{0};
    std::chrono::milliseconds took{0};
    std::string found;  // empty: sound
};

struct JournalHealth {
    std::string path;
    interlock::EventNumber newest;                              // decided
    interlock::EventNumber durable;                             // stored for good
    std::optional<std::chrono::milliseconds> outstanding_sync;  // a sync is running for this long
    std::uint64_t wal_bytes = 0;
    std::optional<std::uint64_t> disk_free_bytes;
    std::optional<std::uint64_t> disk_size_bytes;
    std::optional<FileCheckHealth> file_check;  // nothing: not one is over yet
};

// Something that is wrong with the service itself, beyond a single input. It fits in one line of a screen.
struct Trouble {
    std::string code;  // stable, snake_case
    std::string what;
    std::string remedy;
    bool withholds = false;
};

struct HealthFacts {
    std::vector<InputHealth> inputs;
    JournalHealth journal;
    std::chrono::seconds up{0};
    std::chrono::microseconds longest_turn{0};  // of the loop since start
};

// ---- rules --------------------------------------------------------------------------------------------

// The file as it was last read. It is only a proposal; in force is State::rules.
struct StagedRules {
    std::string file;
    std::optional<interlock::Revision> revision;  // none: it cannot be read, or has errors
    std::vector<std::string> faults;              // one sentence each, with file and pointer
    std::vector<std::string> warnings;            // so, too: what does not keep it from being approved
};

// ---- the port -----------------------------------------------------------------------------------------

class StationPort {
  public:
    StationPort() = default;
    StationPort(const StationPort&) = delete;
    StationPort& operator=(const StationPort&) = delete;
    StationPort(StationPort&&) = delete;
    StationPort& operator=(StationPort&&) = delete;
    virtual ~StationPort() = default;

    // The newest decided state; it may be ahead of the disk (see durable()).
    [[nodiscard]] virtual const interlock::State& state() const = 0;
    [[nodiscard]] virtual const interlock::RuleBook& rule_book() const = 0;
    [[nodiscard]] virtual interlock::EventNumber durable() const = 0;
    // What the equipment is being told now; nothing if the link does not know the permissive.
    [[nodiscard]] virtual std::optional<interlock::OnWire>
    on_wire(const interlock::BayId& bay, const interlock::PermissiveId& id) const = 0;
    [[nodiscard]] virtual StagedRules staged_rules() const = 0;
    [[nodiscard]] virtual HealthFacts health() const = 0;
    // Those that withhold first.
    [[nodiscard]] virtual std::vector<Trouble> troubles() const = 0;
    [[nodiscard]] virtual std::string_view program_version() const = 0;
    // The monotonic clock of this turn of the loop.
    [[nodiscard]] virtual std::chrono::nanoseconds monotonic() const = 0;
    // Reads a typed label by the rules of the bay's stay, or of the rules in force.
    [[nodiscard]] virtual std::expected<protocol::Ticket, protocol::LabelFault>
    read_label(const interlock::BayId& bay, std::string_view text) const = 0;
    [[nodiscard]] virtual std::shared_ptr<const Archive> archive() const = 0;

    // Decides and journals. `done` is called exactly once, in a later turn of the loop or in this one: after
    // the event is durable, or when it will not be. The station fills in what the caller cannot know: fresh
    // tokens (RulesApproved, UnitHasLeft) and earlier_stays (TicketScanned, CorrectTicket); with
    // RulesApproved it stores the text of that revision as a document. `person` is stored in the same
    // transaction, and only if the outcome is not Refused.
    virtual void submit(interlock::Payload payload, std::optional<people::PersonRecord> person,
                        RecordedCallback done) = 0;
};

}  // namespace tautgate::web
