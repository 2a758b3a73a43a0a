// Reads the journal over a connection of its own that cannot write. Values in, values out; every call may
// wait for the disk, so it belongs on a worker or into a tool, never on the loop. One reader is used by one
// thread at a time; a reader sees what was committed when the call began. It judges nothing anew: every row
// is what was stored at the time.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <stop_token>
#include <string>
#include <string_view>
#include <vector>

#include "service/journal/audit.hpp"
#include "service/journal/digest.hpp"
#include "service/journal/journal_error.hpp"
#include "service/journal/stored_event.hpp"
#include "service/journal/stored_trace.hpp"
#include "service/journal/unit_of_bypass.hpp"

namespace tautgate::journal {

// The newest event and its hash; an anchor kept elsewhere is one of these.
struct ChainHead {
    EventNumber number;  // 0: the journal is empty, and `hash` is its genesis
    Hash hash{};
    bool operator==(const ChainHead&) const = default;
};

struct EventRow {
    EventNumber number;
    std::string body;  // the exact bytes
    Hash hash{};
};

struct ChainFault {
    EventNumber first;  // the first number that is wrong
    std::string what;
    bool operator==(const ChainFault&) const = default;
};

struct StayRow {
    EventNumber stay;
    std::string bay;  // where the unit is now, or was last
    std::uint32_t token = 0;
    std::int64_t began_utc_us = 0;
    std::string rules;
    std::string unit;
    std::string variant;
    std::string plan;
    std::string plan_revision;
    std::optional<EventNumber> leaves_incomplete;
    std::optional<EventNumber> ended;
    std::optional<std::int64_t> ended_utc_us;
};

struct TicketRow {
    EventNumber stay;
    EventNumber scanned;
    std::string kind;
    std::string serial;
    std::string order;
    std::string type;
    bool accepted = false;
    std::int64_t utc_us = 0;
    std::optional<EventNumber> withdrawn;
};

struct TighteningRow {
    EventNumber event;
    std::optional<EventNumber> stay;
    std::string tool;
    std::string epoch;
    std::uint64_t counter = 0;
    std::string outcome;
    std::string why;  // of an unassigned one
    std::string joint;
    std::optional<std::uint32_t> fastener;  // index, 0..
    std::optional<std::uint32_t> pass;      // index, 0..
    std::optional<std::uint32_t> attempt;   // 1..
    std::string verdict;
    std::string reasons;  // finding codes, comma between
    std::string direction;
    std::optional<std::int64_t> torque_micro_nm;
    std::optional<std::int64_t> angle_micro_deg;
    std::string torque_received;
    std::string torque_unit_received;
    std::string angle_received;
    std::optional<PersonNumber> operator_;
    std::optional<EventNumber> assigned_by;
    std::int64_t utc_us = 0;
    std::uint32_t traces = 0;  // that came for it, equal ones counted once
};

struct ReleaseRow {
    EventNumber event;
    std::string permissive;
    std::string bay;
    std::string output;
    std::optional<std::uint32_t> token;
    std::string reasons;  // reason codes, worst first, comma between
    std::int64_t utc_us = 0;
};

struct MoveRow {
    EventNumber event;
    std::string from_bay;
    std::string to_bay;
    std::string permissive;
    bool unproven = false;
    std::int64_t utc_us = 0;
};

struct OtherWayRow {
    EventNumber stay;
    std::string joint;
    std::string alternate;
    EventNumber bypass;
};

struct DecisionRow {
    EventNumber event;
    std::string bay;
    std::optional<EventNumber> stay;
    std::string kind;
    std::string action;
    std::string subject;
    std::optional<EventNumber> subject_event;
    std::optional<EventNumber> proposal;
    std::optional<PersonNumber> person;
    std::optional<PersonNumber> second_person;
    std::string reason_code;
    std::string reason_text;
    std::string outcome;
    std::string refusal;
    std::optional<EventNumber>
        ended;  // of an override that counted no longer, although the unit was still there
    std::int64_t utc_us = 0;
};

// A sub-assembly in a unit.
struct PartRow {
    std::string serial;
    std::string unit;
    std::string kind;
    std::string type;
    EventNumber stay;  // in which it was joined
    EventNumber since;
    std::int64_t since_utc_us = 0;
    std::optional<EventNumber> until;
    std::optional<std::int64_t> until_utc_us;
    std::string ended_as;  // corrected, replaced, taken_out; empty: it is in the unit
};

class Reader {
  public:
    template <class Value>
    using Result = std::expected<Value, JournalError>;

    // The journal must exist. `vfs` is empty but in tests.
    [[nodiscard]] static Result<std::unique_ptr<Reader>> open(const std::filesystem::path& path,
                                                              const std::string& vfs = {});
    ~Reader();
    Reader(const Reader&) = delete;
    Reader& operator=(const Reader&) = delete;
    Reader(Reader&&) = delete;
    Reader& operator=(Reader&&) = delete;

    // From then on whatever is being read ends soon, with an error, once `stop` is asked for.
    void abandon_when(std::stop_token stop);

    [[nodiscard]] const std::filesystem::path& path() const noexcept { return path_; }
    [[nodiscard]] Result<std::string> journal_id();
    [[nodiscard]] Result<std::string> station();

    // ---- the chain ----
    [[nodiscard]] Result<ChainHead> head();
    // At most `most` events from `from` on, oldest first.
    [[nodiscard]] Result<std::vector<EventRow>> events(EventNumber from, std::size_t most);
    // Each event from `from` on, oldest first, until `take` says false.
    [[nodiscard]] Result<void> each_event(EventNumber from, const std::function<bool(EventRow)>& take);
    // Hash of an event; of number 0 the genesis.
    [[nodiscard]] Result<Hash> hash_at(EventNumber number);
    // Nothing: the chain is whole from the event after `after` on, ends not before `anchor` and agrees with
    // it, and no query table knows an event that the chain lacks. A chain cut at its end is found only by the
    // anchor or by rows that were forgotten.
    [[nodiscard]] Result<std::optional<ChainFault>> verify(std::optional<ChainHead> anchor = std::nullopt,
                                                           EventNumber after = {});
    // Where what stands beside the chain (query tables, names, secrets, texts) does not agree with it, in
    // sentences (audit.hpp); takes long, and room for temporary files.
    [[nodiscard]] Result<std::vector<std::string>> audit(Beside what = Beside::everything);
    // Which tables of the record itself are missing or are others: then nothing else can be asked.
    [[nodiscard]] Result<std::vector<Difference>> lost_tables();
    // An error that says how they come back, if query tables are missing or are others.
    [[nodiscard]] Result<void> can_be_queried();
    // SQLite's own check of the file, page by page: empty, or what it found.
    [[nodiscard]] Result<std::string> check_file();
    // The newest snapshot before `before` (0: of all).
    [[nodiscard]] Result<std::optional<EventNumber>> snapshot_before(EventNumber before);

    // ---- texts and people ----
    // Checked against its digest; nothing if the journal has no such text.
    [[nodiscard]] Result<std::optional<Document>> document(std::string_view digest);
    [[nodiscard]] Result<std::vector<PersonName>> person_names();
    [[nodiscard]] Result<std::vector<Credential>> credentials();

    // ---- units ----
    // Stays in which the serial was an accepted ticket (of the unit or of a sub-assembly), oldest first.
    [[nodiscard]] Result<std::vector<StayRow>> stays_of(const domain::Serial& serial);
    // Stays that began within this time, both ends included, oldest first.
    [[nodiscard]] Result<std::vector<StayRow>> stays_between(std::int64_t from_utc_us,
                                                             std::int64_t to_utc_us);
    // At most `most` of those that have ended, the newest, oldest of them first.
    [[nodiscard]] Result<std::vector<StayRow>> newest_ended_stays(std::uint32_t most);
    [[nodiscard]] Result<std::uint32_t> earlier_stays(const domain::Serial& serial);
    // Units of which the tool, the joint or the person has tightened something since then, oldest first, each
    // once. Of results that several people may have made, no person is known.
    [[nodiscard]] Result<std::vector<domain::Serial>> units_touched(const interlock::HeldSource& by,
                                                                    std::int64_t since_utc_us);
    [[nodiscard]] Result<std::optional<StayRow>> stay(EventNumber stay);
    [[nodiscard]] Result<std::vector<TicketRow>> tickets_of(EventNumber stay);
    // What was or is in the unit, by kind and oldest first; and in which units a sub-assembly was or is.
    [[nodiscard]] Result<std::vector<PartRow>> parts_of(const domain::Serial& unit);
    [[nodiscard]] Result<std::vector<PartRow>> units_with(const domain::Serial& subassembly);
    // The unit that left with the sub-assembly in it and has it still.
    [[nodiscard]] Result<std::optional<interlock::JoinedBefore>> joined(const domain::Serial& subassembly);
    // What became of an order; nothing if it is open, or was never known.
    [[nodiscard]] Result<std::optional<interlock::ClosedOrder>> closed_order(const std::string& number);
    // Those of them that are closed.
    [[nodiscard]] Result<std::vector<interlock::ClosedOrder>>
    closed_orders(const std::vector<std::string>& numbers);
    // Also those that were filed or assigned to it after it ended.
    [[nodiscard]] Result<std::vector<TighteningRow>> tightenings_of(EventNumber stay);
    // The traces of a result, by the event with which the result or the trace came; oldest first.
    [[nodiscard]] Result<std::vector<TraceRow>> traces_of(EventNumber event);
    // The same with the samples, where there is one that can be meant.
    [[nodiscard]] Result<StoredTraces> stored_traces(EventNumber event);
    // Those whose result never came, or has not come yet. Looks at every result.
    [[nodiscard]] Result<std::vector<TraceRow>> traces_without_result();
    // The bytes of a trace (protocol/TRACE.md), checked against their digest; nothing if they are not there.
    [[nodiscard]] Result<std::optional<std::string>> trace_samples(std::string_view digest);
    // Each change of an output: when it was released, used, withheld, and why then. How reasons changed in
    // between stands in the events.
    [[nodiscard]] Result<std::vector<ReleaseRow>> releases_of(const StayRow& stay);
    // The event up to `until` with which the output came to stand as it then did; nothing: it was so from the
    // first.
    [[nodiscard]] Result<std::optional<EventNumber>>
    output_since(const std::string& bay, const std::string& permissive, EventNumber until);
    // Its movements from one bay to another, oldest first.
    [[nodiscard]] Result<std::vector<MoveRow>> moves_of(EventNumber stay);
    // Its joints that are done in another way than planned, by joint.
    [[nodiscard]] Result<std::vector<OtherWayRow>> other_ways_of(EventNumber stay);
    // The units for which a bypass was used, in the order in which they came.
    [[nodiscard]] Result<std::vector<UnitOfBypass>> units_of_bypass(EventNumber bypass);
    [[nodiscard]] Result<std::vector<DecisionRow>> decisions_of(const StayRow& stay);
    // Quality holds on this serial number, whether or not the unit was here; and those on a tool, a joint or
    // a person, of which the event itself says whether they took the unit in.
    [[nodiscard]] Result<std::vector<DecisionRow>> holds_about(const domain::Serial& serial);

  private:
    struct Database;
    Reader(std::filesystem::path path, std::unique_ptr<Database> db);
    template <class Row>
    [[nodiscard]] Result<std::vector<Row>> rows(const char* query, EventNumber key);

    std::filesystem::path path_;
    std::unique_ptr<Database> db_;
};

}  // namespace tautgate::journal
