// The record can be read and verified by a program that shares no line with ours: other_reader.py, written
// from service/journal/RECORD.md with the Python standard library.
#include <catch2/catch.hpp>

#include <array>
#include <cstdio>
#include <memory>
#include <string>

#include <SQLiteCpp/SQLiteCpp.h>

#include "tests/unit/journal/samples.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;

namespace {

std::string read_by_others(const std::filesystem::path& journal) {
    const std::string command = std::string("/usr/bin/python3 ") + TAUTGATE_SOURCE_DIR +
                                "/tests/standards/journal/other_reader.py " + journal.string() + " 2>&1";
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
