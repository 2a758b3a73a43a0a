// What the command line says of a record: whole, or what is wrong with it.
#include <catch2/catch.hpp>

#include <SQLiteCpp/Database.h>

#include "tests/unit/journal/filled.hpp"
#include "tools/cli/journal_answers.hpp"

using namespace tautgate;

namespace {

cli::Verdict verdict_on(const std::filesystem::path& path) {
    const auto reader = journal::Reader::open(path);
    REQUIRE(reader.has_value());
    auto verdict = cli::verify(**reader, std::nullopt);
    REQUIRE(verdict.has_value());
    return std::move(*verdict);
}

}  // namespace

TEST_CASE("a record is whole only if what people are shown is what its chain says") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 100, 72);
    const auto before = verdict_on(folder.journal());
    CHECK(before.whole);
    CHECK(before.text.find(" is whole: 100 events\nanchor 100:") != std::string::npos);
    {
        SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
        db.exec("UPDATE tightening SET verdict = 'fine' WHERE event = (SELECT max(event) FROM tightening)");
    }
    const auto after = verdict_on(folder.journal());
    CHECK_FALSE(after.whole);
    INFO(after.text);
    CHECK(after.text.find(
              "the chain is whole, but what stands beside it is not what was recorded: table tightening, "
              "row of event ") != std::string::npos);
    CHECK(after.text.find("verdict is 'fine', the chain says ") != std::string::npos);
    CHECK(after.text.find("anchor ") == std::string::npos);
    CHECK(after.text.find("tautgated --rebuild-tables") != std::string::npos);
}

TEST_CASE("each kind of damage is told with what helps against it, and never as a question that failed") {
    struct Case {
        const char* sql;
        const char* what;
        const char* helps;
        bool rebuild_helps;
    };
    const auto damage = GENERATE(
        Case{"DROP TABLE tightening", "the table tightening was taken away", "let tautgated --rebuild-tables",
             true},
        Case{"DROP TRIGGER event_is_never_removed", "the trigger event_is_never_removed was taken away",
             "while the service does not run", true},
        Case{"INSERT INTO credential VALUES(8, 'x')", "the secret of person 8 stands there",
             "take it out of the file", false},
        Case{"UPDATE document SET text = text || ' '", " was changed",
             "the file that has this SHA-256 digest", false},
        Case{"DROP TABLE credential", "the table credential was taken away", "bring back the latest backup",
             false},
        Case{"DROP TABLE event", "the table event was taken away", "bring back the latest backup", false},
        Case{"UPDATE meta SET value = 'other' WHERE key = 'station'", "event 1 was changed",
             "compare it with a backup", false});
    CAPTURE(damage.sql);
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 100, 71);
    {
        SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
        db.exec(damage.sql);
    }
    const auto verdict = verdict_on(folder.journal());
    INFO(verdict.text);
    CHECK_FALSE(verdict.whole);
    CHECK(verdict.text.find(damage.what) != std::string::npos);
    CHECK(verdict.text.find(damage.helps) != std::string::npos);
    CHECK((verdict.text.find("--rebuild-tables") != std::string::npos) == damage.rebuild_helps);
}
