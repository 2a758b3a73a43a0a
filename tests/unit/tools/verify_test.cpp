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
    scratch::fill(folder.journal(), 100, 71);
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
              "the chain is whole, but what people are shown is not what it says: table tightening, "
              "row of event ") != std::string::npos);
    CHECK(after.text.find("verdict is 'fine', the chain says ") != std::string::npos);
    CHECK(after.text.find("anchor ") == std::string::npos);
}
