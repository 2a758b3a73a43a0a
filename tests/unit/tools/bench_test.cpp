// How the benchmark reads what it measured: percentiles and ratios, the write-ahead log, the trace of system
// calls.
#include <catch2/catch.hpp>

#include <fstream>
#include <memory>
#include <numeric>

#include <sqlite3.h>

#include "tools/benchmark/child.hpp"
#include "tools/benchmark/measures.hpp"
#include "tools/benchmark/traces.hpp"
#include "tools/benchmark/wal_pages.hpp"

using namespace tautgate::benchmark;

namespace {

std::vector<double> one_to(int last) {
    std::vector<double> values(static_cast<std::size_t>(last));
    std::iota(values.begin(), values.end(), 1.0);
    return values;
}

struct CloseDatabase {
    void operator()(sqlite3* db) const noexcept { sqlite3_close(db); }
};
using Database = std::unique_ptr<sqlite3, CloseDatabase>;

void run(const Database& db, const std::string& sql) {
    REQUIRE(sqlite3_exec(db.get(), sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
}

Database open_in(const std::filesystem::path& file) {
    sqlite3* opened = nullptr;
    REQUIRE(sqlite3_open(file.c_str(), &opened) == SQLITE_OK);
    Database db(opened);
    run(db, "PRAGMA journal_mode = WAL");
    run(db, "PRAGMA wal_autocheckpoint = 0");
    return db;
}

}  // namespace

// Nearest rank: common practice, no source.
TEST_CASE("a quantile is the value of the nearest rank, whatever the order") {
    CHECK(quantile({5, 1, 4, 2, 3}, 0.5) == 3.0);
    CHECK(quantile(one_to(100), 0.9) == 90.0);
    CHECK(quantile(one_to(100), 0.99) == 99.0);
    CHECK(quantile({7}, 0.9) == 7.0);
    CHECK_FALSE(quantile({}, 0.5));
}

TEST_CASE("a 99th percentile is told from 7500 samples on and not before") {
    CHECK(percentiles(one_to(7499)).at("p99").is_null());
    CHECK(percentiles(one_to(7499)).at("p90") == 6750.0);
    CHECK(percentiles(one_to(7500)).at("p99") == 7425.0);
}

TEST_CASE("a ratio is the median of the rounds, so that one disturbed round changes nothing") {
    const Round even{{2, 2, 2}, {1, 1, 1}, {1, 1, 1}};
    const Round disturbed{{200, 200, 200}, {1, 1, 1}, {50, 50, 50}};
    CHECK(ratio_to_floor({even, even, disturbed}, 0.5) == 2.0);
    CHECK(floor_to_itself({even, disturbed, even}, 0.5) == 1.0);
    CHECK(floor_to_itself({disturbed}, 0.5) == 1.0 / 50);
}

TEST_CASE("pages in the log are counted a commit and named by the table that they belong to") {
    const Folder folder(std::filesystem::temp_directory_path());
    const auto file = folder.path() / "some.db";
    const auto db = open_in(file);
    run(db, "CREATE TABLE one(id INTEGER PRIMARY KEY, text TEXT)");
    run(db, "CREATE TABLE other(id INTEGER PRIMARY KEY, text TEXT)");
    run(db, "CREATE INDEX other_by_text ON other(text)");
    run(db, "INSERT INTO one(text) VALUES('a')");
    for (int i = 0; i < 3; ++i)
        run(db, "BEGIN; INSERT INTO one(text) VALUES('b'); INSERT INTO other(text) VALUES('c'); COMMIT");
    const auto pages = pages_written(file, 3);
    REQUIRE(pages);
    CHECK(pages->commits == 3);
    CHECK(pages->per_commit == 3.0);
    CHECK(pages->by_table == std::map<std::string, double>{{"one", 1.0}, {"other", 2.0}});
}

TEST_CASE("what was left in the log from before it began anew is not counted") {
    const Folder folder(std::filesystem::temp_directory_path());
    const auto file = folder.path() / "some.db";
    const auto db = open_in(file);
    run(db, "CREATE TABLE one(id INTEGER PRIMARY KEY, text TEXT)");
    for (int i = 0; i < 20; ++i)
        run(db, "INSERT INTO one(text) VALUES('a')");
    run(db, "PRAGMA wal_checkpoint(RESTART)");
    run(db, "INSERT INTO one(text) VALUES('b')");
    const auto pages = pages_written(file, 100);
    REQUIRE(pages);
    CHECK(pages->commits == 1);
    CHECK(pages->per_commit == 1.0);
}

TEST_CASE("a log that is none is an error that names it") {
    const Folder folder(std::filesystem::temp_directory_path());
    const auto frames = frames_in(folder.path() / "nothing-wal");
    REQUIRE_FALSE(frames);
    CHECK(frames.error().find("nothing-wal") != std::string::npos);
}

// The lines are as strace 6.1 prints them (from memory of its output, checked against a run of it).
TEST_CASE("system calls are counted between two results, those cut in two once") {
    const Folder folder(std::filesystem::temp_directory_path());
    const auto trace = folder.path() / "trace";
    std::ofstream(trace) << R"(10 recvfrom(7, "{\"result\":{\"counter\":\"1\",\"program\"", 4096, 0) = 300
10 write(1, "before", 6) = 6
10 recvfrom(7, "{\"result\":{\"counter\":\"2\",\"program\"", 4096, 0) = 300
11 fdatasync(5 <unfinished ...>
10 epoll_wait(4, [], 128, 0) = 0
11 <... fdatasync resumed>) = 0
10 --- SIGCHLD {si_signo=SIGCHLD} ---
10 recvfrom(7, "{\"result\":{\"counter\":\"3\",\"program\"", 4096, 0) = 300
10 write(1, "after", 5) = 5
)";
    const auto calls = calls_between(trace, 2, 3);
    REQUIRE(calls);
    CHECK(*calls ==
          std::map<std::string, std::uint64_t>{{"recvfrom", 1}, {"fdatasync", 1}, {"epoll_wait", 1}});
    CHECK_FALSE(calls_between(trace, 2, 4));
}
