#include <catch2/catch.hpp>

#include <fstream>
#include <iterator>
#include <map>

#include <SQLiteCpp/SQLiteCpp.h>

#include "service/interlock/canonical.hpp"
#include "service/journal/codec.hpp"
#include "service/journal/recovery.hpp"
#include "tests/unit/journal/opened.hpp"
#include "tests/unit/journal/samples.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;
using namespace tautgate::journal;

namespace {

std::string larkmoor() {
    std::ifstream file(std::string(TAUTGATE_SOURCE_DIR) + "/config/larkmoor.json", std::ios::binary);
    return {std::istreambuf_iterator<char>(file), {}};
}

// A station without links: events are decided by the real decide() and journaled.
class Station {
  public:
    explicit Station(const std::filesystem::path& path) : path_(path) { start(); }

    void event(interlock::Payload payload, std::vector<Attachment> attachments = {}) {
        const std::uint64_t number = state_.newest.value + 1;
        interlock::Event event{
            .number = EventNumber{number},
            .at = {.utc_us = 1'800'000'000'000'000 + static_cast<std::int64_t>(number) * 1'000'000,
                   .monotonic_ns = static_cast<std::int64_t>(number) * 1'000'000'000,
                   .boot = "boot-a"},
            .payload = std::move(payload)};
        interlock::Decision decision = interlock::decide(rules_, state_, event);
        REQUIRE(decision.state.newest == event.number);
        Entry entry =
            entry_of(*watch_, event, decision.state, decision.record, "0.1.0", std::move(attachments));
        if (spoil_digest_)
            entry.stored.decision = hex(sha256("another decision"));
        (*writer_)->append(std::move(entry));
        state_ = std::move(decision.state);
        REQUIRE(reports_->settled(number));
    }
    void snapshot() { event(interlock::SnapshotTaken{interlock::canonical_bytes(state_)}); }
    void approve() {
        const std::string text = larkmoor();
        const Revision revision{hex(sha256(text))};
        rules_[revision] = read_stored_rules({revision.digest, "config", text}).value();
        std::vector<interlock::FreshToken> tokens;
        std::uint32_t token = 0x1234;
        for (const auto& bay : rules_[revision]->bays)
            tokens.push_back({{bay.id}, {++token}});
        event(interlock::RulesApproved{revision, {1}, {2}, tokens},
              {Document{revision.digest, "config", text}});
        REQUIRE(state_.rules == revision);
    }
    void enrol() {
        using config::Role;
        event(interlock::PersonEnrolled{{{1}, {Role::administrator}, false}, std::nullopt, std::nullopt});
        event(
            interlock::PersonEnrolled{{{2}, {Role::quality_engineer}, false}, PersonNumber{1}, std::nullopt});
    }
    // A stretch of shift, as chance has it: what matters is that replaying gives the same.
    void shift(std::uint64_t seed, int events) {
        samples::Chance chance(seed);
        const auto& station = *rules_.begin()->second;
        for (std::uint64_t counter = 1; events > 0; --events, ++counter) {
            const auto& tool = station.tools.at(chance() % station.tools.size());
            const auto& bay = station.bays.at(0);
            switch (chance() % 5) {
            case 0: event(interlock::ToolAnswered{{tool.id}, "1", counter}); break;
            case 1: {
                interlock::ControllerReported report;
                report.bay = {bay.id};
                report.present =
                    chance() % 2 == 0 ? interlock::Presence::present : interlock::Presence::absent;
                report.arrivals = static_cast<std::uint16_t>(counter);
                report.fresh = {static_cast<std::uint32_t>(1 + chance() % 1'000'000)};
                event(report);
                break;
            }
            case 2: {
                interlock::TicketScanned scan;
                scan.bay = {bay.id};
                scan.kind = station.pair.ticket_kinds.at(chance() % station.pair.ticket_kinds.size());
                scan.serial = {"S" + std::to_string(chance() % 4)};
                scan.order = "LT26-0417";
                event(scan);
                break;
            }
            default: {
                interlock::ResultReceived result;
                result.tool = {tool.id};
                result.epoch = "1";
                result.reading = samples::value<protocol::Reading>(chance);
                result.reading.counter = counter;
                result.made = {static_cast<std::int64_t>(counter) * 1'000'000'000, 0, "boot-a"};
                result.made.to_ns = result.made.from_ns;
                result.digest = short_name(sha256(std::to_string(counter)));
                event(result);
            }
            }
        }
    }
    void stop() { (*writer_)->close(); }
    void spoil_next_digests(bool spoil) { spoil_digest_ = spoil; }
    [[nodiscard]] const interlock::State& state() const { return state_; }

  private:
    void start() {
        reports_ = std::make_unique<scratch::Reports>();
        writer_ = Writer::open(reports_->options(path_));
        REQUIRE(writer_.has_value());
        watch_.emplace(state_);
        event(interlock::StationStarted{"0.1.0", true, {}});
    }
    std::filesystem::path path_;
    std::unique_ptr<scratch::Reports> reports_;
    std::expected<std::unique_ptr<Writer>, JournalError> writer_;
    interlock::State state_;
    interlock::RuleBook rules_;
    std::optional<StayWatch> watch_;
    bool spoil_digest_ = false;
};

std::expected<Recovered, JournalError> recovered_from(const std::filesystem::path& path) {
    auto reader = Reader::open(path);
    REQUIRE(reader.has_value());
    return recover(**reader, read_stored_rules);
}

}  // namespace

TEST_CASE("an empty journal is an empty station that ended in order") {
    const scratch::Folder folder;
    scratch::Reports reports;
    { const auto writer = Writer::open(reports.options(folder.journal())); }
    const auto back = recovered_from(folder.journal());
    REQUIRE(back.has_value());
    CHECK(back->state == interlock::State{});
    CHECK(back->clean_end);
    CHECK(back->head.number == EventNumber{});
}

TEST_CASE("replaying from the first event gives the very state in which the station stood") {
    for (const std::uint64_t seed : {1ULL, 2ULL, 3ULL}) {
        const scratch::Folder folder;
        Station station(folder.journal());
        station.enrol();
        station.approve();
        station.shift(seed, 80);
        station.stop();
        const auto back = recovered_from(folder.journal());
        if (!back)
            FAIL(to_text(back.error()));
        CHECK(back->state == station.state());
        CHECK(back->replayed == 84);
        CHECK(back->head.number == station.state().newest);
        CHECK(back->differs_at == std::nullopt);
        CHECK_FALSE(back->clean_end);
        CHECK(back->rules.size() == 1);
    }
}

TEST_CASE("replaying from the newest snapshot gives the same state as replaying from the first event") {
    const scratch::Folder folder;
    Station station(folder.journal());
    station.enrol();
    station.approve();
    station.shift(4, 40);
    station.snapshot();
    station.shift(5, 10);
    station.stop();
    const auto back = recovered_from(folder.journal());
    if (!back)
        FAIL(to_text(back.error()));
    CHECK(back->snapshot.value == 45);
    CHECK(back->replayed == 11);
    CHECK(back->state == station.state());
    CHECK(back->differs_at == std::nullopt);
}

TEST_CASE(
    "as the station stood after an event of the past, whatever came later and wherever a snapshot lies") {
    const scratch::Folder folder;
    Station station(folder.journal());
    station.enrol();
    station.approve();
    std::map<std::uint64_t, interlock::State> then;
    const auto keep = [&] { then[station.state().newest.value] = station.state(); };
    keep();
    for (std::uint64_t seed = 1; seed < 4; ++seed) {
        station.shift(seed, 15);
        keep();
        station.snapshot();
        keep();
    }
    station.shift(9, 5);
    station.stop();
    const auto reader = scratch::reader_of(folder.journal());
    for (const auto& [event, state] : then) {
        const auto back = recover_until(*reader, read_stored_rules, EventNumber{event});
        if (!back)
            FAIL(to_text(back.error()));
        CHECK(back->state == state);
        CHECK(back->head.number == EventNumber{event});
    }
    CHECK(recover_until(*reader, read_stored_rules, EventNumber{})->state == interlock::State{});
    const auto beyond = recover_until(*reader, read_stored_rules, EventNumber{1000});
    REQUIRE_FALSE(beyond.has_value());
    CHECK(beyond.error().fault == JournalFault::not_found);
}

TEST_CASE("a run that ended in order is known by its last word, with or without a snapshot around it") {
    const scratch::Folder folder;
    Station station(folder.journal());
    SECTION("stopped") {
        station.event(interlock::StationStopped{});
        station.stop();
        CHECK(recovered_from(folder.journal())->clean_end);
    }
    SECTION("snapshot, then stopped") {
        station.snapshot();
        station.event(interlock::StationStopped{});
        station.stop();
        CHECK(recovered_from(folder.journal())->clean_end);
    }
    SECTION("stopped, then snapshot") {
        station.event(interlock::StationStopped{});
        station.snapshot();
        station.stop();
        CHECK(recovered_from(folder.journal())->clean_end);
    }
    SECTION("cut off after a snapshot") {
        station.snapshot();
        station.stop();
        CHECK_FALSE(recovered_from(folder.journal())->clean_end);
    }
}

TEST_CASE("a decision that this program would not take is named, until that was recorded") {
    const scratch::Folder folder;
    Station station(folder.journal());
    station.enrol();
    station.spoil_next_digests(true);
    station.event(interlock::SignInRefused{{1}, "wrong secret"});
    station.event(interlock::SignInRefused{{1}, "wrong secret"});
    station.spoil_next_digests(false);
    CHECK(recovered_from(folder.journal())->differs_at == EventNumber{4});
    station.event(interlock::DecisionDiffered{EventNumber{4}, "0.1.0"});
    station.stop();
    const auto back = recovered_from(folder.journal());
    CHECK(back->differs_at == std::nullopt);
    CHECK(back->state == station.state());
}

TEST_CASE("nothing is recovered from a chain that was changed, and the first wrong event is named") {
    const scratch::Folder folder;
    Station station(folder.journal());
    station.enrol();
    station.approve();
    station.stop();
    SECTION("a text") {
        scratch::tamper(folder.journal(),
                        "UPDATE event SET body = replace(body, 'boot-a', 'boot-b') WHERE number = 3");
        const auto back = recovered_from(folder.journal());
        REQUIRE_FALSE(back.has_value());
        CHECK(back.error().fault == JournalFault::damaged);
        CHECK(back.error().event == EventNumber{3});
    }
    SECTION("a missing event") {
        scratch::tamper(folder.journal(), "DELETE FROM event WHERE number = 2");
        CHECK(recovered_from(folder.journal()).error().event == EventNumber{2});
    }
    SECTION("rules whose text is gone") {
        scratch::tamper(folder.journal(), "DELETE FROM document");
        const auto back = recovered_from(folder.journal());
        REQUIRE_FALSE(back.has_value());
        CHECK(back.error().fault == JournalFault::not_found);
        CHECK_THAT(back.error().what, Catch::Contains("follows rules whose text is not stored"));
    }
}

TEST_CASE("a snapshot of another program version is passed over, and the replay begins earlier") {
    const scratch::Folder folder;
    Station station(folder.journal());
    station.enrol();
    auto foreign = interlock::canonical_bytes(station.state());
    foreign[2] = static_cast<char>(foreign[2] ^ 1);
    station.event(interlock::SnapshotTaken{foreign});
    station.stop();
    const auto back = recovered_from(folder.journal());
    if (!back)
        FAIL(to_text(back.error()));
    CHECK(back->state == station.state());
    CHECK(back->snapshot == EventNumber{});
    CHECK(back->replayed == 4);
    CHECK(back->note == "the snapshot in event 4 was passed over: the bytes were written by a program "
                        "version with other fields");
}
