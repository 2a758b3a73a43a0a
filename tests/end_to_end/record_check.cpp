#include "tests/end_to_end/record_check.hpp"

#include <algorithm>
#include <tuple>

#include <fmt/format.h>

#include "service/interlock/canonical.hpp"
#include "service/journal/codec.hpp"
#include "service/journal/reader.hpp"
#include "service/journal/recovery.hpp"

namespace tautgate::end_to_end {

using journal::StoredEvent;

// ---- releases at the controller
// ------------------------------------------------------------------------------

ReleaseWatch::ReleaseWatch(simulation::ShopFloor& floor) {
    for (const auto& permissive : floor.station().permissives) {
        threads_.emplace_back([this, &controller = floor.controller(), id = permissive.id] {
            const auto look = [&](const protocol::PlcState& state) {
                const std::lock_guard lock{mutex_};
                if (protocol::movement(state) != protocol::Movement::refused)
                    seen_.emplace(id, state.token);
                return ending_;
            };
            while (!controller.await(id, look, std::chrono::seconds(1))) {
            }
        });
    }
}

ReleaseWatch::~ReleaseWatch() {
    {
        const std::lock_guard lock{mutex_};
        ending_ = true;
    }
    for (std::thread& thread : threads_)
        thread.join();
}

ReleaseWatch::Releases ReleaseWatch::seen() const {
    const std::lock_guard lock{mutex_};
    return seen_;
}

// ---- the record
// ----------------------------------------------------------------------------------------------

namespace {

using ResultKey = std::tuple<std::string, std::string, std::uint64_t>;  // tool, epoch, counter
using Place =
    std::tuple<std::uint64_t, std::string, std::uint32_t, std::uint32_t>;  // stay, joint, fastener, pass

// Up to here the tool may forget.
std::uint64_t acknowledged_to(const simulation::SimulatedTool& tool) {
    return tool.line() != nullptr ? tool.line()->status().acknowledged
                                  : tool.registers()->status().acknowledged;
}

// Reads the chain once and keeps what the floor can be compared with.
class Audit {
  public:
    explicit Audit(journal::Reader& reader) : reader_(reader) {}

    void take(const journal::EventRow& row);
    void compare(simulation::ShopFloor& floor, const ReleaseWatch::Releases& released);
    [[nodiscard]] std::vector<std::string> faults() && { return std::move(faults_); }
    void add(std::string fault) { faults_.push_back(std::move(fault)); }

  private:
    void take_result(const StoredEvent& stored, const interlock::ResultReceived& result);
    void count(const StoredEvent& stored);
    void replay(const StoredEvent& stored);
    void take_in_rules(const interlock::Revision& revision);

    journal::Reader& reader_;
    std::map<ResultKey, int> taken_;  // how often as something new
    std::map<Place, int> counted_;
    ReleaseWatch::Releases released_;
    interlock::RuleBook rules_;
    interlock::State state_;
    std::vector<std::string> faults_;
};

void Audit::take(const journal::EventRow& row) {
    const auto stored = journal::decode(row.body);
    if (!stored)
        return add(fmt::format("event {} cannot be read: {}", row.number.value, stored.error()));
    if (const auto* result = std::get_if<interlock::ResultReceived>(&stored->event.payload))
        take_result(*stored, *result);
    if (const auto* aside = std::get_if<interlock::EventSetAside>(&stored->event.payload);
        aside && aside->tool)
        ++taken_[{aside->tool->text, aside->epoch, aside->counter}];
    count(*stored);
    for (const auto& change : stored->record.changes) {
        if (const auto* out = std::get_if<interlock::Released>(&change.now))
            released_.emplace(change.permissive.text, out->token.value);
        if (const auto* out = std::get_if<interlock::LeavingIncomplete>(&change.now))
            released_.emplace(change.permissive.text, out->token.value);
    }
    replay(*stored);
}

void Audit::take_result(const StoredEvent& stored, const interlock::ResultReceived& result) {
    const bool again = std::holds_alternative<interlock::Repeated>(stored.record.outcome);
    taken_[{result.tool.text, result.epoch, result.reading.counter}] += again ? 0 : 1;
}

void Audit::count(const StoredEvent& stored) {
    const auto* counted = std::get_if<interlock::Attributed>(&stored.record.outcome);
    if (counted != nullptr && counted->judgement.verdict == evaluation::Verdict::ok)
        ++counted_[{counted->stay.value, counted->joint.text, counted->fastener, counted->pass}];
}

// From the first event on, without any snapshot: what the daemon held through all its deaths must be this.
void Audit::replay(const StoredEvent& stored) {
    if (const auto* approved = std::get_if<interlock::RulesApproved>(&stored.event.payload))
        take_in_rules(approved->revision);
    if (const auto* snapshot = std::get_if<interlock::SnapshotTaken>(&stored.event.payload);
        snapshot != nullptr && snapshot->state != interlock::canonical_bytes(state_))
        add(fmt::format("the state in event {} is not the one that its events lead to",
                        stored.event.number.value));
    auto decision = interlock::decide(rules_, std::move(state_), stored.event);
    state_ = std::move(decision.state);
    if (decision.record != stored.record)
        add(fmt::format("event {} is decided differently in the replay", stored.event.number.value));
}

void Audit::take_in_rules(const interlock::Revision& revision) {
    const auto document = reader_.document(revision.digest);
    if (!document || !*document)
        return add("the journal lacks the rules " + revision.digest);
    auto rules = journal::read_stored_rules(**document);
    if (!rules)
        return add(rules.error());
    rules_.emplace(revision, std::move(*rules));
}

void Audit::compare(simulation::ShopFloor& floor, const ReleaseWatch::Releases& released) {
    for (const auto& [key, times] : taken_)
        if (times > 1)
            add(fmt::format("result {} of {} was taken {} times", std::get<2>(key), std::get<0>(key), times));
    for (const auto& [place, times] : counted_)
        if (times > 1)
            add(fmt::format("fastener {} of {} was proven {} times", std::get<2>(place), std::get<1>(place),
                            times));
    for (const auto& tool : floor.station().tools) {
        const auto forgotten = acknowledged_to(*floor.tool(tool.id));
        for (std::uint64_t counter = 1; counter <= forgotten; ++counter) {
            if (!taken_.contains({tool.id, "1", counter}))
                add(fmt::format("{} was told that its result {} is stored, and it is not", tool.id, counter));
        }
    }
    for (const auto& [permissive, token] : released)
        if (!released_.contains({permissive, token}))
            add(fmt::format("{} was released for token {}, and the record knows nothing of it", permissive,
                            token));
}

}  // namespace

std::vector<std::string> faults_in_record(const std::filesystem::path& journal, simulation::ShopFloor& floor,
                                          const ReleaseWatch::Releases& released) {
    auto reader = journal::Reader::open(journal);
    if (!reader)
        return {journal::to_text(reader.error())};
    Audit audit(**reader);
    const auto beside = (*reader)->audit();
    if (!beside)
        audit.add("what stands beside the chain cannot be compared with it: " +
                  journal::to_text(beside.error()));
    else
        for (const std::string& difference : *beside)
            audit.add(difference);
    const auto chain = (*reader)->verify();
    if (!chain)
        return {journal::to_text(chain.error())};
    if (*chain)
        audit.add(fmt::format("the chain breaks at event {}: {}", (*chain)->first.value, (*chain)->what));
    const auto read = (*reader)->each_event(journal::EventNumber{1}, [&](const journal::EventRow& row) {
        audit.take(row);
        return true;
    });
    if (!read)
        audit.add(journal::to_text(read.error()));
    audit.compare(floor, released);
    return std::move(audit).faults();
}

}  // namespace tautgate::end_to_end
