// The journal on a disk that forgets what was not synced: what was reported durable survives a power cut at
// every single write and sync, nothing is half there, and the station comes back to one and the same state.
#include <catch2/catch.hpp>

#include <algorithm>
#include <memory>
#include <optional>
#include <string>

#include "service/journal/reader.hpp"
#include "tests/faults/power_cut_vfs.hpp"
#include "tests/unit/journal/samples.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;
using namespace tautgate::journal;

namespace {

constexpr std::uint64_t events = 6;

faults::PowerCutDisk& disk() {
    static faults::PowerCutDisk& one = faults::PowerCutDisk::register_as("power-cut");
    return one;
}

// From here on nothing fails and nothing is torn.
void make_sound() {
    disk().tear(0);
    disk().cut_before(0);
}

Writer::Options on_disk(scratch::Reports& reports, const std::filesystem::path& path,
                        CheckpointPolicy checkpoints = {}) {
    auto options = reports.options(path);
    options.vfs = "power-cut";
    options.checkpoints = checkpoints;
    return options;
}

// What a run that may have been cut short left behind.
struct Aftermath {
    std::uint64_t reported = 0;  // durable, as the writer said
    std::uint64_t found = 0;     // in the journal afterwards
    bool whole = true;           // the chain verifies, the file is sound, the next start goes on from there
    std::string fault;           // of the next start
};

// Appends events until the power fails (or all are stored), switches it on again and looks.
Aftermath run(const std::filesystem::path& path, CheckpointPolicy checkpoints = {}) {
    Aftermath after;
    {
        scratch::Reports reports;
        auto writer = Writer::open(on_disk(reports, path, checkpoints));
        if (writer.has_value()) {
            samples::Chance chance(51);
            for (std::uint64_t number = 1; number <= events && !reports.failure(); ++number) {
                (*writer)->append(samples::entry(chance, number));
                REQUIRE(reports.settled(number));
            }
            (*writer)->close();
        }
        after.reported = reports.durable().value;
    }
    disk().cut();
    disk().power_on();
    const auto reader = Reader::open(path);
    if (!reader.has_value()) {
        // The power failed before there was a journal: nothing was reported, and one can be made.
        scratch::Reports reports;
        const auto made = Writer::open(reports.options(path));
        after.whole = made.has_value();
        after.fault = made.has_value() ? std::string() : to_text(made.error());
        return after;
    }
    const auto rows = (*reader)->events(EventNumber{1}, 100);
    REQUIRE(rows.has_value());
    after.found = rows->size();
    const auto fault = (*reader)->verify();
    after.whole = fault.has_value() && !*fault && (*reader)->check_file() == std::string();
    // Whatever the cut left, the next start goes on from there.
    scratch::Reports reports;
    const auto next = Writer::open(reports.options(path));
    after.whole = after.whole && next.has_value() && (*next)->head_at_opening().value == after.found;
    after.fault = next.has_value() ? std::string() : to_text(next.error());
    return after;
}

std::uint64_t operations_of_a_whole_run(CheckpointPolicy checkpoints) {
    const scratch::Folder folder;
    make_sound();
    std::uint64_t count = 0;
    {
        scratch::Reports reports;
        auto writer = Writer::open(on_disk(reports, folder.journal(), checkpoints));
        REQUIRE(writer.has_value());
        samples::Chance chance(51);
        for (std::uint64_t number = 1; number <= events; ++number) {
            (*writer)->append(samples::entry(chance, number));
            REQUIRE(reports.settled(number));
        }
        (*writer)->close();
        count = disk().operations();
    }
    disk().cut();
    disk().power_on();
    return count;
}

constexpr CheckpointPolicy eager{.idle_from = 4, .busy_from = 4, .idle_after = std::chrono::milliseconds(1)};

}  // namespace

TEST_CASE("a power cut at any write or sync loses nothing that was reported durable") {
    const CheckpointPolicy checkpoints = GENERATE(CheckpointPolicy{}, eager);
    const std::uint64_t all = operations_of_a_whole_run(checkpoints);
    REQUIRE(all > 40);
    std::uint64_t cut_runs = 0;
    std::uint64_t most_reported = 0;
    for (std::uint64_t at = 1; at <= all; ++at)
        for (const std::uint64_t seed : {std::uint64_t{0}, 2 * at + 1, 7 * at + 5}) {
            const scratch::Folder folder;
            disk().tear(seed);
            disk().cut_before(at);
            const Aftermath after = run(folder.journal(), checkpoints);
            INFO("power cut before operation " << at << " of " << all << ", torn by " << seed << "; "
                                               << after.fault);
            REQUIRE(after.whole);
            REQUIRE(after.found >= after.reported);
            // At most the one event that was being committed is there without having been reported.
            REQUIRE(after.found <= after.reported + 1);
            most_reported = std::max(most_reported, after.reported);
            ++cut_runs;
        }
    CHECK(cut_runs == 3 * all);
    CHECK(most_reported == events);
}

TEST_CASE("a commit is one write and one sync") {
    const scratch::Folder folder;
    make_sound();
    scratch::Reports reports;
    auto writer = Writer::open(on_disk(reports, folder.journal(), {.idle_after = std::chrono::hours(1)}));
    REQUIRE(writer.has_value());
    samples::Chance chance(52);
    for (std::uint64_t number = 1; number <= events; ++number) {
        const std::uint64_t operations = disk().operations();
        const std::uint64_t syncs = disk().syncs();
        (*writer)->append(samples::entry(chance, number));
        REQUIRE(reports.settled(number));
        CHECK(disk().operations() == operations + 2);
        CHECK(disk().syncs() == syncs + 1);
    }
}

TEST_CASE("a commit that failed does not come alive by what is written later") {
    const scratch::Folder folder;
    make_sound();
    {
        scratch::Reports reports;
        auto writer = Writer::open(on_disk(reports, folder.journal()));
        REQUIRE(writer.has_value());
        samples::Chance chance(53);
        (*writer)->append(samples::entry(chance, 1));
        REQUIRE(reports.settled(1));
        disk().refuse_one_write();
        (*writer)->append(samples::entry(chance, 2));
        REQUIRE(reports.settled(2));
        CHECK(reports.failure().has_value());
        CHECK(reports.durable() == EventNumber{1});
        (*writer)->close();
    }
    const auto reader = Reader::open(folder.journal(), "power-cut");
    REQUIRE(reader.has_value());
    CHECK((*reader)->head()->number == EventNumber{1});
}

TEST_CASE("without syncs the same test finds the loss") {
    const scratch::Folder folder;
    make_sound();
    disk().ignore_syncs(true);
    const Aftermath after = run(folder.journal());
    disk().ignore_syncs(false);
    CHECK(after.reported == events);
    CHECK(after.found < after.reported);
}

TEST_CASE("a disk that takes nothing is noticed when the journal is opened, not by the first event") {
    const scratch::Folder folder;
    make_sound();
    REQUIRE(run(folder.journal()).reported == events);
    for (const auto& [how, fault] : {std::pair{faults::Failure::full, JournalFault::disk_full},
                                     std::pair{faults::Failure::write, JournalFault::device},
                                     std::pair{faults::Failure::sync, JournalFault::device}}) {
        disk().fail(how);
        scratch::Reports reports;
        const auto writer = Writer::open(on_disk(reports, folder.journal()));
        disk().fail(faults::Failure::none);
        REQUIRE_FALSE(writer.has_value());
        CHECK(writer.error().fault == fault);
    }
    const auto reader = Reader::open(folder.journal());
    REQUIRE(reader.has_value());
    CHECK((*reader)->head()->number.value == events);
    CHECK((*reader)->verify().value() == std::nullopt);
}

TEST_CASE("after a power cut the journal goes on without a hole") {
    const scratch::Folder folder;
    disk().cut_before(operations_of_a_whole_run({}) / 2);
    disk().tear(3);
    const Aftermath first = run(folder.journal());
    REQUIRE(first.whole);
    scratch::Reports reports;
    auto writer = Writer::open(on_disk(reports, folder.journal()));
    REQUIRE(writer.has_value());
    CHECK((*writer)->head_at_opening().value == first.found);
    samples::Chance chance(52);
    (*writer)->append(samples::entry(chance, first.found + 1));
    REQUIRE(reports.settled(first.found + 1));
    (*writer)->close();
    writer->reset();
    disk().cut();
    disk().power_on();
    const auto reader = Reader::open(folder.journal());
    REQUIRE(reader.has_value());
    CHECK((*reader)->head()->number.value == first.found + 1);
    CHECK((*reader)->verify().value() == std::nullopt);
}

TEST_CASE("each commit takes one sync") {
    const scratch::Folder folder;
    make_sound();
    scratch::Reports reports;
    auto writer = Writer::open(on_disk(reports, folder.journal()));
    REQUIRE(writer.has_value());
    samples::Chance chance(53);
    (*writer)->append(samples::entry(chance, 1));
    REQUIRE(reports.settled(1));
    const std::uint64_t before = disk().syncs();
    for (std::uint64_t number = 2; number <= 21; ++number) {
        (*writer)->append(samples::entry(chance, number));
        REQUIRE(reports.settled(number));
    }
    CHECK(disk().syncs() - before == 20);
    writer->reset();
    disk().cut();
    disk().power_on();
}

TEST_CASE("a full disk is reported once, and nothing is half stored") {
    const scratch::Folder folder;
    make_sound();
    disk().limit_bytes(400 * 1024);
    scratch::Reports reports;
    {
        auto writer = Writer::open(on_disk(reports, folder.journal()));
        REQUIRE(writer.has_value());
        samples::Chance chance(54);
        std::uint64_t number = 0;
        while (!reports.failure() && number < 2000) {
            (*writer)->append(samples::entry(chance, ++number));
            REQUIRE(reports.settled(number));
        }
        REQUIRE(reports.failure().has_value());
        CHECK(reports.failure()->fault == JournalFault::disk_full);
        CHECK_THAT(to_text(*reports.failure()),
                   Catch::Contains("storing event ") && Catch::Contains("make room"));
        (*writer)->append(samples::entry(chance, number + 1));
        (*writer)->close();
    }
    CHECK(reports.failures() == 1);
    disk().limit_bytes(0);
    disk().cut();
    disk().power_on();
    const auto reader = Reader::open(folder.journal());
    REQUIRE(reader.has_value());
    CHECK((*reader)->head()->number == reports.durable());
    CHECK((*reader)->verify().value() == std::nullopt);
    CHECK((*reader)->check_file() == std::string());
}
