// The record can be read and verified by a program that shares no line with ours: other_reader.py, written
// from service/journal/RECORD.md and protocol/TRACE.md with the Python standard library and the command zstd.
#include <catch2/catch.hpp>

#include <array>
#include <cstdio>
#include <memory>
#include <string>

#include <SQLiteCpp/SQLiteCpp.h>

#include "protocol/trace.hpp"
#include "tests/unit/journal/samples.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;

namespace {

std::string read_by_others(const std::filesystem::path& journal, const std::string& trace = {}) {
    const std::string command = std::string("/usr/bin/python3 ") + TAUTGATE_SOURCE_DIR +
                                "/tests/standards/journal/other_reader.py " + journal.string() + " " + trace +
                                " 2>&1";
    const std::unique_ptr<FILE, int (*)(FILE*)> pipe(::popen(command.c_str(), "r"), ::pclose);
    REQUIRE(pipe != nullptr);
    std::string said;
    std::array<char, 256> part{};
    while (std::fgets(part.data(), part.size(), pipe.get()) != nullptr)
        said += part.data();
    return said;
}

}  // namespace

TEST_CASE("another program reads the whole record, and finds the first change in it") {
    const scratch::Folder folder;
    scratch::Reports reports;
    auto writer = journal::Writer::open(reports.options(folder.journal()));
    REQUIRE(writer.has_value());
    samples::Chance chance(61);
    for (std::uint64_t number = 1; number <= 300; ++number) {
        auto entry = samples::entry(chance, number);
        const std::string text = "text " + std::to_string(number);
        entry.attachments = {journal::Document{journal::hex(journal::sha256(text)), "config", text}};
        (*writer)->append(std::move(entry));
    }
    REQUIRE(reports.settled(300));
    (*writer)->close();
    CHECK(read_by_others(folder.journal()) == "whole 300\n");

    SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
    db.exec("DROP TRIGGER event_is_never_changed; UPDATE event SET body = body || ' ' WHERE number = 123");
    CHECK(read_by_others(folder.journal()) == "wrong at 123: hash\n");
    db.exec("UPDATE meta SET value = 'other' WHERE key = 'station'");
    CHECK(read_by_others(folder.journal()) == "wrong at 1: hash\n");
}

TEST_CASE(
    "another program reads a trace: its frame with the command zstd, its samples by their description") {
    const scratch::Folder folder;
    scratch::Reports reports;
    auto writer = journal::Writer::open(reports.options(folder.journal()));
    REQUIRE(writer.has_value());
    const std::string bytes =
        protocol::encode_trace({.times = protocol::SampleTimes{{0, 500, 1250}},
                                .torque_unit = protocol::TorqueUnit::pound_force_foot,
                                .torque = {{-1, 0, 300}, {25, -2}, {5, -1}},
                                .angle = protocol::TraceColumn{{0, -7, 4810}, {1, -2}}});
    const journal::TraceSamples samples{journal::hex(journal::sha256(bytes)), bytes};
    journal::Entry entry;
    entry.stored.event.number.value = 1;
    entry.stored.event.payload =
        interlock::TraceReceived{.tool = {"NR-1"}, .epoch = "17", .counter = 4, .digest = samples.digest};
    entry.attachments = {samples};
    (*writer)->append(std::move(entry));
    REQUIRE(reports.settled(1));
    (*writer)->close();
    CHECK(read_by_others(folder.journal()) == "whole 1\n");
    // A foot-pound is 4.4482216152605 N times 0.3048 m; the fractions are Python's.
    CHECK(read_by_others(folder.journal(), samples.digest) ==
          "0 3389544870828501/10000000000000000 0\n"
          "500 3389544870828501/5000000000000000 -7/100\n"
          "1250 511821275495103651/5000000000000000 481/10\n");
    SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
    db.exec("UPDATE trace_samples SET bytes = bytes + 1");
    CHECK(read_by_others(folder.journal()) == "wrong trace " + samples.digest + "\n");
}
