#include <catch2/catch.hpp>

#include <algorithm>
#include <array>
#include <fstream>
#include <future>
#include <initializer_list>
#include <iterator>
#include <thread>
#include <utility>
#include <vector>

#include <SQLiteCpp/SQLiteCpp.h>
#include <unistd.h>

#include "service/journal/audit.hpp"
#include "service/journal/codec.hpp"
#include "service/journal/database.hpp"
#include "service/journal/person_marks.hpp"
#include "service/journal/projection.hpp"
#include "service/journal/reader.hpp"
#include "tests/unit/journal/filled.hpp"
#include "tests/unit/journal/opened.hpp"
#include "tests/unit/journal/samples.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;
using namespace tautgate::journal;

namespace {

// Somebody with the file in hand and no respect for triggers.
std::uint64_t first_wrong(const std::filesystem::path& path, std::optional<ChainHead> anchor = std::nullopt) {
    const auto fault = scratch::reader_of(path)->verify(anchor);
    REQUIRE(fault.has_value());
    return *fault ? (*fault)->first.value : 0;
}

std::string rows_of(const std::filesystem::path& path, std::initializer_list<std::string> tables) {
    SQLite::Database db(path.string(), SQLite::OPEN_READONLY);
    std::string all;
    for (const std::string& table : tables) {
        SQLite::Statement ask(db, "SELECT * FROM " + table);  // each has one order: that of its key
        while (ask.executeStep()) {
            all += table;
            for (int i = 0; i < ask.getColumnCount(); ++i)
                all += "|" + (ask.getColumn(i).isNull() ? std::string("-") : ask.getColumn(i).getString());
            all += '\n';
        }
    }
    return all;
}

std::string every_row(const std::filesystem::path& path) {
    return rows_of(path, {"snapshot", "stay", "ticket", "tightening", "release", "decision", "genealogy",
                          "works_order", "stay_move", "other_way"});
}

std::string bytes_of_file(const std::filesystem::path& path) {
    std::ifstream file(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(file), {}};
}

}  // namespace

TEST_CASE("what was reported durable is read back as it was handed over, and the chain is whole") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 60);
    const auto reader = scratch::reader_of(folder.journal());
    const auto rows = reader->events(EventNumber{1}, 1000);
    REQUIRE(rows.has_value());
    REQUIRE(rows->size() == 60);
    samples::Chance chance(21);
    for (const EventRow& row : *rows)
        REQUIRE(decode(row.body) == samples::entry(chance, row.number.value).stored);
    CHECK(first_wrong(folder.journal()) == 0);
    CHECK(reader->head()->number.value == 60);
    CHECK(reader->station() == "scratch");
    CHECK(reader->check_file()->empty());
}

TEST_CASE("a journal that is opened again goes on where it ended") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 5);
    scratch::Reports reports;
    auto writer = Writer::open(reports.options(folder.journal()));
    REQUIRE(writer.has_value());
    CHECK((*writer)->head_at_opening().value == 5);
    samples::Chance chance(22);
    (*writer)->append(samples::entry(chance, 6));
    REQUIRE(reports.settled(6));
    (*writer)->close();
    CHECK(first_wrong(folder.journal()) == 0);
}

TEST_CASE("verifying names the first event that was edited, swapped, removed or cut off") {
    const scratch::Folder folder;
    const auto path = folder.journal();
    scratch::fill(path, 30);
    const auto anchor = scratch::reader_of(path)->head();
    REQUIRE(anchor.has_value());
    REQUIRE(first_wrong(path, *anchor) == 0);

    SECTION("one letter of a text") {
        scratch::tamper(
            path, "UPDATE event SET body = replace(body, '\"format\":1', '\"format\":2') WHERE number = 9");
        CHECK(first_wrong(path) == 9);
    }
    SECTION("a hash") {
        scratch::tamper(path, "UPDATE event SET hash = zeroblob(32) WHERE number = 9");
        CHECK(first_wrong(path) == 9);
    }
    SECTION("two events changed places") {
        scratch::tamper(
            path,
            "UPDATE event SET number = -1 WHERE number = 11; UPDATE event SET number = 11 WHERE number = 14;"
            "UPDATE event SET number = 14 WHERE number = -1");
        CHECK(first_wrong(path) == 11);
    }
    SECTION("one event taken out") {
        scratch::tamper(path, "DELETE FROM event WHERE number = 17");
        CHECK(first_wrong(path) == 17);
    }
    SECTION("one event taken out and the others moved up") {
        scratch::tamper(path, "DELETE FROM event WHERE number = 17;"
                              "UPDATE event SET number = -number WHERE number > 17;"
                              "UPDATE event SET number = -number - 1 WHERE number < 0");
        CHECK(first_wrong(path) == 17);
    }
    SECTION("the end cut off, and every table with it, is found by the anchor") {
        scratch::tamper(path,
                        "DELETE FROM event WHERE number > 25; DELETE FROM release WHERE event > 25;"
                        "DELETE FROM decision WHERE event > 25; DELETE FROM tightening WHERE event > 25;"
                        "DELETE FROM stay; DELETE FROM ticket; DELETE FROM snapshot WHERE event > 25");
        CHECK(first_wrong(path) == 0);
        CHECK(first_wrong(path, *anchor) == 26);
    }
    SECTION("another chain that is whole in itself is found by the anchor") {
        const scratch::Folder other;
        scratch::fill(other.journal(), 30, 99);
        CHECK(first_wrong(other.journal()) == 0);
        CHECK(first_wrong(other.journal(), *anchor) == 30);
    }
    SECTION("the journal's id exchanged") {
        scratch::tamper(path, "UPDATE meta SET value = '00' WHERE key = 'journal'");
        CHECK(first_wrong(path) == 1);
    }
    SECTION("the station's id exchanged") {
        scratch::tamper(path, "UPDATE meta SET value = 'other' WHERE key = 'station'");
        CHECK(first_wrong(path) == 1);
    }
    SECTION("a letter moved from the one id to the other") {
        scratch::tamper(path, "UPDATE meta SET value = 'cratch' WHERE key = 'station';"
                              "UPDATE meta SET value = value || 's' WHERE key = 'journal'");
        CHECK(first_wrong(path) == 1);
    }
    SECTION("an anchor beyond the end may be of another journal") {
        const auto fault = scratch::reader_of(path)->verify(ChainHead{.number = {999}, .hash = {}});
        REQUIRE(fault.has_value());
        REQUIRE(fault->has_value());
        CHECK((*fault)->first.value == 31);
        CHECK((*fault)->what ==
              "is missing, unless the anchor, which is of event 999, is of another journal");
    }
}

TEST_CASE("a stored event can be neither changed nor removed by an ordinary statement") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 3);
    SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
    CHECK_THROWS_WITH(db.exec("UPDATE event SET body = ''"), Catch::Contains("never changed"));
    CHECK_THROWS_WITH(db.exec("DELETE FROM event"), Catch::Contains("never removed"));
}

TEST_CASE("the query tables made again from the chain are the ones that were written along the way") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 400, 23);
    const std::string written = every_row(folder.journal());
    REQUIRE(written.find("tightening|") != std::string::npos);
    REQUIRE(written.find("decision|") != std::string::npos);
    REQUIRE(written.find("release|") != std::string::npos);
    REQUIRE(written.find("ticket|") != std::string::npos);
    scratch::tamper(folder.journal(),
                    "DELETE FROM stay; UPDATE tightening SET verdict = 'ok', torque_micro_nm = 1;"
                    "DELETE FROM decision WHERE event % 2 = 0; UPDATE release SET reasons = ''");
    REQUIRE(every_row(folder.journal()) != written);
    CHECK(rebuild(folder.journal()) == 400u);
    CHECK(every_row(folder.journal()) == written);
}

TEST_CASE("everything derived that was lost or changed is found, and made again as it was") {
    const scratch::Folder folder;
    const auto path = folder.journal();
    scratch::fill(path, 400, 23);
    const std::string written = every_row(path);
    // Where their pages begin may differ, what they are may not.
    const auto definitions = [&] {
        SQLite::Database db(path.string(), SQLite::OPEN_READONLY);
        return db
            .execAndGet("SELECT group_concat(sql, char(10)) FROM (SELECT sql FROM sqlite_schema "
                        "WHERE sql IS NOT NULL ORDER BY type, name)")
            .getString();
    };
    const std::string defined = definitions();
    struct Loss {
        std::string sql;
        std::string what;
        bool of_table;  // a start cannot do without
    };
    std::vector<Loss> losses;
    for (const std::string table : {"snapshot", "stay", "ticket", "tightening", "release", "decision"})
        losses.push_back({"DROP TABLE " + table, "the table " + table + " was taken away", true});
    for (const std::string index : {"stay_open", "ticket_of_stay", "tightening_filed_later"})
        losses.push_back({"DROP INDEX " + index, "the index " + index + " was taken away", false});
    for (const std::string trigger : {"event_is_never_changed", "event_is_never_removed"})
        losses.push_back({"DROP TRIGGER " + trigger, "the trigger " + trigger + " was taken away", false});
    losses.push_back({"ALTER TABLE stay ADD COLUMN shift TEXT", "the table stay was changed", true});
    losses.push_back(
        {"DROP TABLE tightening; CREATE TABLE TIGHTENING(x)", "the table TIGHTENING was changed", true});
    losses.push_back({"DROP TABLE decision; CREATE VIEW decision AS SELECT 1",
                      "the view decision stands in the file and is not ours", true});
    losses.push_back({"DROP TRIGGER event_is_never_changed; CREATE TRIGGER event_is_never_changed "
                      "BEFORE UPDATE ON event BEGIN SELECT 1; END",
                      "the trigger event_is_never_changed was changed", false});
    losses.push_back({"CREATE TRIGGER t AFTER INSERT ON event BEGIN DELETE FROM ticket; END",
                      "the trigger t stands in the file and is not ours", false});
    for (const Loss& loss : losses) {
        CAPTURE(loss.sql);
        {
            SQLite::Database db(path.string(), SQLite::OPEN_READWRITE);
            db.exec(loss.sql);
        }
        CHECK(first_wrong(path) == 0);  // the chain is as it was
        const auto found = audit_beside_chain(path);
        REQUIRE(found.has_value());
        CHECK(std::ranges::any_of(*found, [&](const Difference& each) { return each.what == loss.what; }));
        for (const Difference& each : *found) {
            CAPTURE(each.what);
            CHECK(each.of == Matter::derived);
            CHECK(to_text(each).find("tautgated --rebuild-tables") != std::string::npos);
        }
        if (loss.of_table) {
            scratch::Reports reports;
            const auto writer = Writer::open(reports.options(path));
            REQUIRE_FALSE(writer.has_value());
            CHECK(writer.error().fault == JournalFault::damaged);
            CHECK(writer.error().remedy.find("tautgated --rebuild-tables") != std::string::npos);
        }
        CHECK(scratch::reader_of(path)->can_be_queried().has_value() != loss.of_table);
        CHECK(rebuild(path) == 400u);
        CHECK(every_row(path) == written);
        CHECK(definitions() == defined);
        CHECK(audit_beside_chain(path).value().empty());
    }
}

TEST_CASE("a table of the record itself that is missing is named, and nothing can make it again") {
    const std::string table = GENERATE("meta", "event", "document", "person_name", "credential");
    CAPTURE(table);
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 30);
    CHECK(scratch::reader_of(folder.journal())->lost_tables().value().empty());
    scratch::tamper(folder.journal(), "DROP TABLE " + table);
    const auto lost = scratch::reader_of(folder.journal())->lost_tables();
    REQUIRE(lost.has_value());
    REQUIRE(lost->size() == 1);
    CHECK(to_text(lost->front()) ==
          "the table " + table + " was taken away; keep the file and bring back the latest backup");
    CHECK(audit_beside_chain(folder.journal()).has_value());
}

TEST_CASE("a table of somebody else stays when the query tables are made again, and is still told of") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 30);
    scratch::tamper(folder.journal(), "CREATE TABLE theirs(x REFERENCES tightening(event));"
                                      "INSERT INTO theirs SELECT max(event) FROM tightening");
    CHECK(rebuild(folder.journal()) == 30u);
    const auto found = audit_beside_chain(folder.journal());
    REQUIRE(found.has_value());
    REQUIRE(found->size() == 1);
    CHECK(found->front().of == Matter::surplus);
    CHECK(found->front().what == "the table theirs stands in the file and is not ours");
    CHECK(rows_of(folder.journal(), {"theirs"}).starts_with("theirs|"));
}

TEST_CASE("a journal of a newer program is refused and left as it was") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 3);
    scratch::tamper(folder.journal(), "PRAGMA user_version = 99; PRAGMA wal_checkpoint(TRUNCATE)");
    const std::string before = bytes_of_file(folder.journal());
    scratch::Reports reports;
    const auto writer = Writer::open(reports.options(folder.journal()));
    REQUIRE_FALSE(writer.has_value());
    CHECK(writer.error().fault == JournalFault::newer_version);
    CHECK(writer.error().what ==
          "was written by a newer program (schema version 99; this program knows up to 4)");
    CHECK_FALSE(Reader::open(folder.journal()).has_value());
    CHECK(bytes_of_file(folder.journal()) == before);
}

TEST_CASE("a journal of an older schema comes forward with all that it holds, or not at all") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 30);
    const std::string held = every_row(folder.journal());
    const auto version = [&] {
        return SQLite::Database(folder.journal().string()).execAndGet("PRAGMA user_version").getInt();
    };
    REQUIRE(version() == schema_version);
    // What a later program would do to it: a column that the rows so far fill by themselves, and an index.
    const auto brought_forward = [&](const char* last) {
        const std::array<const char*, 6> steps = {
            "this step lies behind",
            "so does this",
            "and this",
            "and that",
            "ALTER TABLE stay ADD COLUMN shift TEXT NOT NULL DEFAULT ''",
            last};
        SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
        SQLite::Transaction all(db);
        bring_forward(db, schema_version, steps);
        all.commit();
    };
    SECTION("every step or none") {
        CHECK_THROWS_AS(brought_forward("CREATE INDEX broken ON nothing(x)"), SQLite::Exception);
        CHECK(version() == schema_version);
        CHECK(every_row(folder.journal()) == held);
        CHECK(Reader::open(folder.journal()).has_value());
    }
    SECTION("the chain and the rows are what they were, and this program leaves it alone from then on") {
        const std::string chain = rows_of(folder.journal(), {"event"});
        brought_forward("CREATE INDEX event_of_shift ON stay(shift)");
        CHECK(version() == schema_version + 2);
        CHECK(rows_of(folder.journal(), {"event"}) == chain);
        SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
        CHECK_THROWS_WITH(db.exec("DELETE FROM event"), Catch::Contains("never removed"));
        const auto reader = Reader::open(folder.journal());
        REQUIRE_FALSE(reader.has_value());
        CHECK(reader.error().fault == JournalFault::newer_version);
    }
}

TEST_CASE("a journal of schema version 1 is brought forward with what is new filled from its events") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 60);
    const std::string held = every_row(folder.journal());
    const std::string chain = rows_of(folder.journal(), {"event"});
    // As the program of before left it.
    scratch::tamper(
        folder.journal(),
        "DROP TABLE genealogy; DROP TABLE works_order; DROP TABLE trace; DROP TABLE trace_samples; "
        "DROP TABLE stay_move; DROP TABLE other_way; "
        "PRAGMA user_version = 1");
    scratch::Reports reports;
    auto writer = Writer::open(reports.options(folder.journal()));
    REQUIRE(writer.has_value());
    (*writer)->close();
    CHECK(every_row(folder.journal()) == held);
    CHECK(rows_of(folder.journal(), {"event"}) == chain);
    const auto found = scratch::reader_of(folder.journal())->audit();
    REQUIRE(found.has_value());
    // No program of that version had traces, whose samples went with their table.
    for (const auto& finding : *found)
        if (!finding.starts_with("table trace_samples:"))
            FAIL_CHECK(finding);
}

TEST_CASE("a file that is something else is refused and left as it was") {
    const scratch::Folder folder;
    const auto refused_untouched = [&] {
        const std::string before = bytes_of_file(folder.journal());
        scratch::Reports reports;
        const auto writer = Writer::open(reports.options(folder.journal()));
        REQUIRE_FALSE(writer.has_value());
        CHECK(writer.error().fault == JournalFault::not_ours);
        CHECK(bytes_of_file(folder.journal()) == before);
    };
    SECTION("a text") {
        std::ofstream(folder.journal()) << "a shopping list " << std::string(5000, 'x');
        refused_untouched();
    }
    SECTION("another program's database") {
        {
            SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
            db.exec("CREATE TABLE theirs(x); INSERT INTO theirs VALUES(1)");
        }
        refused_untouched();
    }
}

TEST_CASE("a journal that is not there is named as missing, and none is made by looking for it") {
    const scratch::Folder folder;
    const auto reader = Reader::open(folder.journal());
    REQUIRE_FALSE(reader.has_value());
    CHECK(reader.error().fault == JournalFault::not_found);
    CHECK_THAT(to_text(reader.error()),
               Catch::Contains("station.journal: there is no such file; check the path"));
    CHECK(std::filesystem::is_empty(folder.path()));
}

TEST_CASE("a folder that does not exist is named with its remedy") {
    const scratch::Folder folder;
    scratch::Reports reports;
    const auto writer = Writer::open(reports.options(folder.path() / "nowhere" / "station.journal"));
    REQUIRE_FALSE(writer.has_value());
    CHECK(writer.error().fault == JournalFault::cannot_open);
    CHECK_THAT(to_text(writer.error()),
               Catch::Contains("nowhere/station.journal: opening the journal for writing") &&
                   Catch::Contains("see that the folder exists"));
}

TEST_CASE("a folder that cannot be written is named with its remedy, and nothing in it changes") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 2);
    const std::string before = bytes_of_file(folder.journal());
    for (const auto& file : std::filesystem::directory_iterator(folder.path()))
        std::filesystem::permissions(file, std::filesystem::perms{0444});
    std::filesystem::permissions(folder.path(), std::filesystem::perms{0555});
    // Root may write everywhere, so root looks at it as somebody else.
    const bool root = ::geteuid() == 0;
    REQUIRE((!root || ::seteuid(65534) == 0));
    scratch::Reports reports;
    const auto writer = Writer::open(reports.options(folder.journal()));
    REQUIRE((!root || ::seteuid(0) == 0));
    REQUIRE_FALSE(writer.has_value());
    CHECK(writer.error().fault == JournalFault::read_only);
    CHECK_THAT(
        to_text(writer.error()),
        Catch::StartsWith(folder.journal().string() + ": opening the journal for writing failed") &&
            Catch::EndsWith("let the service's user write to the file and to its folder, then start the "
                            "station again"));
    CHECK(bytes_of_file(folder.journal()) == before);
}

TEST_CASE("the first write that fails is reported once and nothing is written after it") {
    const scratch::Folder folder;
    scratch::fill(folder.journal(), 1);
    scratch::Reports reports;
    auto options = reports.options(folder.journal());
    auto writer = Writer::open(options);
    REQUIRE(writer.has_value());
    samples::Chance chance(31);
    {
        // Another program holds the database: BEGIN IMMEDIATE fails after its time-out.
        SQLite::Database rival(folder.journal().string(), SQLite::OPEN_READWRITE);
        rival.exec("BEGIN IMMEDIATE");
        (*writer)->append(samples::entry(chance, 2));
        REQUIRE(reports.settled(2));
        rival.exec("ROLLBACK");
    }
    REQUIRE(reports.failure().has_value());
    CHECK(reports.failure()->fault == JournalFault::in_use);
    CHECK((*writer)->outstanding().has_value());
    (*writer)->append(samples::entry(chance, 3));
    (*writer)->close();
    CHECK(reports.failures() == 1);
    CHECK(reports.durable().value == 0);
    CHECK(scratch::reader_of(folder.journal())->head()->number.value == 1);
}

TEST_CASE("what arrives while a commit runs forms one commit, and nothing waits longer") {
    const scratch::Folder folder;
    scratch::Reports reports;
    std::promise<void> in_commit;
    std::promise<void> go_on;
    auto wait = go_on.get_future().share();
    bool first = true;
    auto options = reports.options(folder.journal());
    options.at_point = [&](std::string_view point) {
        if (point == "before_sync" && std::exchange(first, false)) {
            in_commit.set_value();
            wait.wait();
        }
    };
    auto writer = Writer::open(options);
    REQUIRE(writer.has_value());
    samples::Chance chance(32);
    (*writer)->append(samples::entry(chance, 1));
    in_commit.get_future().wait();
    for (std::uint64_t number = 2; number <= 9; ++number)
        (*writer)->append(samples::entry(chance, number));
    CHECK(reports.durable().value == 0);
    CHECK((*writer)->outstanding().has_value());
    go_on.set_value();
    REQUIRE(reports.settled(9));
    (*writer)->close();
    CHECK((*writer)->statistics().commits == 2);
    CHECK((*writer)->statistics().largest_group == 8);
    CHECK_FALSE((*writer)->outstanding().has_value());
}

TEST_CASE("the log written ahead goes back into the database and stays bounded") {
    const scratch::Folder folder;
    scratch::Reports reports;
    auto options = reports.options(folder.journal());
    options.checkpoints = {.idle_from = 16, .busy_from = 64, .idle_after = std::chrono::milliseconds(1)};
    auto writer = Writer::open(options);
    REQUIRE(writer.has_value());
    samples::Chance chance(33);
    for (std::uint64_t number = 1; number <= 200; ++number) {
        (*writer)->append(samples::entry(chance, number));
        REQUIRE(reports.settled(number));
    }
    const Statistics seen = (*writer)->statistics();
    CHECK(seen.checkpoints >= 3);
    CHECK(std::filesystem::file_size(folder.journal().string() + "-wal") < 128 * 4200);
    (*writer)->close();
    CHECK(first_wrong(folder.journal()) == 0);
}

TEST_CASE("who is enrolled again has the name and badge that were given last") {
    const scratch::Folder folder;
    scratch::Reports reports;
    auto writer = Writer::open(reports.options(folder.journal()));
    REQUIRE(writer.has_value());
    samples::Chance chance(35);
    auto first = samples::entry(chance, 1);
    first.attachments = {PersonName{PersonNumber{7}, "Ada Quill", "B7", "05"}};
    (*writer)->append(std::move(first));
    auto second = samples::entry(chance, 2);
    second.attachments = {PersonName{PersonNumber{7}, "Ada Marsh", "B8", "06"}};
    (*writer)->append(std::move(second));
    REQUIRE(reports.settled(2));
    (*writer)->close();
    CHECK(scratch::reader_of(folder.journal())->person_names() ==
          std::vector{PersonName{PersonNumber{7}, "Ada Marsh", "B8", "06"}});
}

namespace {

// A journal of these events, each applied, with what goes beside it.
void record(const scratch::Folder& folder,
            const std::vector<std::pair<interlock::Payload, Attachment>>& events) {
    scratch::Reports reports;
    auto writer = Writer::open(reports.options(folder.journal()));
    REQUIRE(writer.has_value());
    samples::Chance chance(37);
    std::uint64_t number = 0;
    for (const auto& [payload, beside] : events) {
        auto entry = samples::entry(chance, ++number);
        entry.stored.event.payload = payload;
        entry.stored.record.outcome = interlock::Applied{};
        entry.attachments.emplace_back(beside);
        (*writer)->append(std::move(entry));
    }
    REQUIRE(reports.settled(number));
    (*writer)->close();
}

}  // namespace

TEST_CASE("a name that is taken out leaves no bytes, and nobody puts it back unseen") {
    const scratch::Folder folder;
    const PersonName name{PersonNumber{7}, "Ada Quill", "B7", draw_salt()};
    interlock::AdministratorReplaced replaced;
    replaced.person = {PersonNumber{7}, {domain::Role::administrator}, false, mark_of(name), {}};
    record(folder, {{replaced, name},
                    {interlock::NameErased{PersonNumber{7}, PersonNumber{1}, PersonNumber{2}},
                     ErasedName{PersonNumber{7}}}});
    CHECK(scratch::reader_of(folder.journal())->person_names() == std::vector<PersonName>{});
    CHECK(audit_beside_chain(folder.journal()).value().empty());
    std::ifstream file(folder.journal(), std::ios::binary);
    const std::string bytes((std::istreambuf_iterator<char>(file)), {});
    CHECK(bytes.size() > 4096);
    CHECK(bytes.find(name.name) == std::string::npos);
    {
        SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
        SQLite::Statement put(db, "INSERT INTO person_name VALUES(7, ?, ?, ?)");
        put.bind(1, name.name);
        put.bind(2, name.badge);
        put.bind(3, name.salt);
        put.exec();
    }
    const auto faults = audit_beside_chain(folder.journal()).value();
    REQUIRE(faults.size() == 1);
    CHECK(faults.front().what ==
          "table person_name: the name or badge of person 7 stands there, and none was recorded");
}

TEST_CASE("the secret beside the chain is compared with the newest renewal of it") {
    const scratch::Folder folder;
    const Credential first{PersonNumber{7}, "$argon2id$first"};
    const Credential second{PersonNumber{7}, "$argon2id$second"};
    interlock::AdministratorReplaced replaced;
    replaced.person = {PersonNumber{7}, {domain::Role::administrator}, false, {}, mark_of(first)};
    record(folder, {{replaced, first}, {interlock::SecretRenewed{PersonNumber{7}, mark_of(second)}, second}});
    CHECK(audit_beside_chain(folder.journal()).value().empty());
    {
        SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
        SQLite::Statement put(db, "UPDATE credential SET argon2id = ?");
        put.bind(1, first.argon2id);
        put.exec();
    }
    CHECK(audit_beside_chain(folder.journal()).value().size() == 1);
}

TEST_CASE("what stands beside the chain is compared with it, and a difference is named") {
    const scratch::Folder folder;
    {
        scratch::Reports reports;
        auto writer = Writer::open(reports.options(folder.journal()));
        REQUIRE(writer.has_value());
        samples::Chance chance(36);
        const PersonName name{PersonNumber{7}, "Ada Quill", "B7", draw_salt()};
        const Credential secret{PersonNumber{7}, "$argon2id$one"};
        interlock::PersonEnrolled enrolled;
        enrolled.person = {
            PersonNumber{7}, {domain::Role::administrator}, false, mark_of(name), mark_of(secret)};
        auto first = samples::entry(chance, 1);
        first.stored.event.payload = enrolled;
        first.stored.record.outcome = interlock::Applied{};
        first.attachments = {name, secret, Document{hex(sha256("{}")), "config", "{}"}};
        (*writer)->append(std::move(first));
        for (std::uint64_t number = 2; number <= 200; ++number)
            (*writer)->append(samples::entry(chance, number));
        REQUIRE(reports.settled(200));
        (*writer)->close();
    }
    CHECK(audit_beside_chain(folder.journal()).value().empty());
    const std::filesystem::path before = folder.journal().string() + ".before";
    std::filesystem::copy_file(folder.journal(), before);
    std::string remedy;
    const auto after = [&](const std::string& sql) {
        {
            SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE);
            db.exec("PRAGMA foreign_keys = OFF");
            db.exec(sql);
        }
        const auto faults = audit_beside_chain(folder.journal()).value();
        for (const char* part : {"", "-wal", "-shm"})
            std::filesystem::remove(folder.journal().string() + part);
        std::filesystem::copy_file(before, folder.journal());
        std::string all;
        for (const Difference& fault : faults)
            all += fault.what + "\n";
        remedy = faults.empty() ? std::string() : remedy_of(faults.front().of);
        return all;
    };
    CHECK(after("UPDATE credential SET argon2id = '$argon2id$two'") ==
          "table credential: the secret of person 7 is not the one that was recorded\n");
    CHECK(remedy.ends_with("a new one with tautgate renew-secret"));
    CHECK(after("UPDATE person_name SET badge = 'B8'") ==
          "table person_name: the name or badge of person 7 is not the one that was recorded\n");
    CHECK(remedy.ends_with("let two people enrol the person again"));
    CHECK(after("INSERT INTO credential VALUES(8, '$argon2id$three')") ==
          "table credential: the secret of person 8 stands there, and none was recorded\n");
    CHECK(remedy.ends_with("take it out of the file"));
    CHECK(after("DELETE FROM person_name").empty());
    CHECK(after("UPDATE document SET text = '{} ' WHERE text = '{}'") ==
          "table document: the text under the digest " + hex(sha256("{}")) + " was changed\n");
    CHECK(remedy.find("the file that has this SHA-256 digest") != std::string::npos);
    CHECK(after("UPDATE tightening SET verdict = 'fine' WHERE event = (SELECT max(event) FROM tightening)")
              .find(": verdict is 'fine', the chain says ") != std::string::npos);
    for (const std::string table : {"stay", "ticket", "tightening", "decision", "snapshot"}) {
        const std::string key = table == "ticket" ? "serial" : table == "stay" ? "stay" : "event";
        const std::string missing = after("DELETE FROM " + table + " WHERE " + key + " = (SELECT max(" + key +
                                          ") FROM " + table + ")");
        INFO(missing);
        CHECK(missing.starts_with("table " + table + ", row of " + key + " "));
        CHECK(missing.find(" is missing\n") != std::string::npos);
    }
    CHECK(after("DELETE FROM release WHERE event = (SELECT max(event) FROM release)").find(" is missing") !=
          std::string::npos);
    CHECK(after("DELETE FROM credential") == "table credential: the secret of person 7 is missing\n");
    CHECK(after("UPDATE person_name SET number = number + 4294967296") ==
          "table person_name: the name or badge of person 4294967303 stands there, and none was recorded\n");
    CHECK(after("DELETE FROM document WHERE text LIKE '%sample%'").ends_with(" is missing\n"));
    CHECK(after("UPDATE document SET kind = 'note' WHERE text = '{}'").find("table document") == 0);
    CHECK(after("CREATE TRIGGER t AFTER INSERT ON ticket BEGIN DELETE FROM ticket; END") ==
          "the trigger t stands in the file and is not ours\n");
    CHECK(after("DROP INDEX ticket_of_stay") == "the index ticket_of_stay was taken away\n");
    CHECK(after("INSERT INTO snapshot VALUES(100000)") ==
          "table snapshot, row of event 100000 stands there, and the chain knows of none\n");
}

TEST_CASE("texts, names and secrets are stored with the event that brings them") {
    const scratch::Folder folder;
    scratch::Reports reports;
    auto writer = Writer::open(reports.options(folder.journal()));
    REQUIRE(writer.has_value());
    samples::Chance chance(34);
    auto entry = samples::entry(chance, 1);
    const std::string text = "{\"id\": \"larkmoor\"} // a comment\n";
    const std::string digest = hex(sha256(text));
    entry.attachments = {Document{digest, "config", text},
                         PersonName{PersonNumber{7}, "Ada Quill", "B7", "05"},
                         Credential{PersonNumber{7}, "$argon2id$..."}};
    (*writer)->append(std::move(entry));
    REQUIRE(reports.settled(1));
    (*writer)->close();
    const auto reader = scratch::reader_of(folder.journal());
    const auto document = reader->document(digest);
    REQUIRE(document.has_value());
    CHECK(*document == Document{digest, "config", text});
    CHECK(reader->document(std::string(64, '0')).value() == std::nullopt);
    CHECK(reader->person_names() == std::vector{PersonName{PersonNumber{7}, "Ada Quill", "B7", "05"}});
    CHECK(reader->credentials() == std::vector{Credential{PersonNumber{7}, "$argon2id$..."}});
    scratch::tamper(folder.journal(), "UPDATE document SET text = text || ' '");
    CHECK(scratch::reader_of(folder.journal())->document(digest).error().fault == JournalFault::damaged);
}

TEST_CASE("a journal that is being written is sound, whenever it is looked at") {
    constexpr std::uint64_t count = 3000;
    const scratch::Folder folder;
    scratch::Reports reports;
    auto writer = Writer::open(reports.options(folder.journal()));
    REQUIRE(writer.has_value());
    samples::Chance chance(5);
    std::thread hand([&] {
        for (std::uint64_t number = 1; number <= count; ++number)
            (*writer)->append(samples::entry(chance, number));
    });
    const auto reader = scratch::reader_of(folder.journal());
    for (EventNumber seen{}; seen.value < count; seen = reader->head()->number) {
        const auto fault = reader->verify();
        REQUIRE(fault.has_value());
        INFO((*fault ? (*fault)->what : std::string()));
        CHECK_FALSE(fault->has_value());
    }
    hand.join();
}
