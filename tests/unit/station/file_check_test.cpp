#include "service/station/file_check.hpp"

#include <fstream>
#include <future>

#include <SQLiteCpp/Database.h>
#include <catch2/catch.hpp>

#include "tests/unit/journal/filled.hpp"
#include "tests/unit/journal/opened.hpp"

using namespace tautgate;
using station::check_whole_file;

namespace {

// The body of an event that was changed, its hash left as it was.
void change_event(const std::filesystem::path& journal, int number) {
    scratch::tamper(journal, "UPDATE event SET body = replace(body, 'a', 'b') WHERE number = " +
                                 std::to_string(number));
}

// Zeros over the middle of the file: some pages of it.
void wipe_pages(const std::filesystem::path& journal) {
    scratch::tamper(journal, "PRAGMA wal_checkpoint(TRUNCATE)");
    const auto size = std::filesystem::file_size(journal);
    std::fstream file(journal, std::ios::binary | std::ios::in | std::ios::out);
    file.seekp(static_cast<std::streamoff>(size / 2));
    file << std::string(4096 * 4, '\0');
    REQUIRE(file.good());
}

}  // namespace

TEST_CASE("a journal as it was written is sound") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 40);
    const auto check = check_whole_file(folder.journal(), {}, {});
    CHECK(check.found.empty());
}

TEST_CASE("an event that was changed long ago is found, and named") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 40);
    change_event(folder.journal(), 3);
    const auto check = check_whole_file(folder.journal(), {}, {});
    INFO(check.found);
    CHECK(check.found.starts_with("event 3 "));
}

TEST_CASE("a table that people ask and a text that rules need are checked too") {
    const std::string change =
        GENERATE("DELETE FROM tightening WHERE event = (SELECT max(event) FROM tightening)",
                 "INSERT INTO meta VALUES('more', 'x')");
    CAPTURE(change);
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 400);
    REQUIRE(check_whole_file(folder.journal(), {}, {}).found.empty());
    scratch::tamper(folder.journal(), change);
    CHECK_FALSE(check_whole_file(folder.journal(), {}, {}).found.empty());
}

TEST_CASE("pages that the disk lost are found") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 400);
    wipe_pages(folder.journal());
    const auto check = check_whole_file(folder.journal(), {}, {});
    INFO(check.found);
    CHECK_FALSE(check.found.empty());
}

TEST_CASE("a file that is gone is found") {
    const scratch::Folder folder;
    CHECK_FALSE(check_whole_file(folder.journal(), {}, {}).found.empty());
}

TEST_CASE("a check that is asked to stop does not go on") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 400);
    change_event(folder.journal(), 390);
    std::stop_source stopped;
    stopped.request_stop();
    const auto check = check_whole_file(folder.journal(), {}, stopped.get_token());
    INFO(check.found);
    CHECK(check.found.find("event 390") == std::string::npos);
}

TEST_CASE("a check in the background tells what it found, once") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 40);
    change_event(folder.journal(), 3);
    std::promise<std::string> told;
    auto found = told.get_future();
    station::FileChecker checker(folder.journal(), {},
                                 [&](const station::FileCheck& check) { told.set_value(check.found); });
    checker.begin();
    REQUIRE(found.wait_for(std::chrono::seconds(30)) == std::future_status::ready);
    CHECK(found.get().starts_with("event 3 "));
    checker.stop();
}
