// Traces in the journal: kept once, with their result or without, told of when they were changed; and the
// frames that they are kept in.
#include <array>
#include <string>
#include <vector>

#include <SQLiteCpp/SQLiteCpp.h>
#include <catch2/catch.hpp>
#include <rapidcheck.h>
#include <sqlite3.h>

#include "protocol/trace.hpp"
#include "service/journal/audit.hpp"
#include "service/journal/database.hpp"
#include "service/journal/packed.hpp"
#include "service/journal/projection.hpp"
#include "service/journal/schema.hpp"
#include "tests/unit/journal/opened.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;
using namespace tautgate::journal;

namespace {

// A rise to `peak` tenths of a newton metre.
std::string curve_of(std::int64_t peak, std::int64_t samples = 100) {
    protocol::Trace trace{.times = protocol::SampleInterval{500}, .torque = {{}, {1, -1}}};
    for (std::int64_t i = 0; i < samples; ++i)
        trace.torque.counts.push_back(peak * i * i / ((samples - 1) * (samples - 1)));
    return protocol::encode_trace(trace);
}

Entry of(interlock::Payload payload) {
    StoredEvent stored;
    stored.program = "test";
    stored.record.outcome = interlock::Applied{};
    stored.event.payload = std::move(payload);
    return {std::move(stored), {}};
}

Entry result(std::uint64_t counter) {
    interlock::ResultReceived received;
    received.tool = {"NR-1"};
    received.epoch = "17";
    received.reading.counter = counter;
    return of(received);
}

Entry trace(std::uint64_t counter, const std::string& bytes) {
    const TraceSamples samples{hex(sha256(bytes)), bytes};
    Entry entry = of(interlock::TraceReceived{.tool = {"NR-1"},
                                              .epoch = "17",
                                              .counter = counter,
                                              .digest = samples.digest,
                                              .samples = 100,
                                              .bytes = static_cast<std::uint32_t>(bytes.size())});
    entry.attachments = {samples};
    return entry;
}

void store(const std::filesystem::path& path, std::vector<Entry> entries) {
    scratch::Reports reports;
    auto writer = Writer::open(reports.options(path));
    REQUIRE(writer.has_value());
    std::uint64_t number = 0;
    for (Entry& entry : entries) {
        entry.stored.event.number.value = ++number;
        (*writer)->append(std::move(entry));
    }
    REQUIRE(reports.settled(number));
    (*writer)->close();
    REQUIRE_FALSE(reports.failure().has_value());
}

// Event, result ("-": none) and the last digits of the digest of each.
std::string told(const std::vector<TraceRow>& rows) {
    std::string words;
    for (const TraceRow& row : rows)
        words += (words.empty() ? "" : ", ") + std::to_string(row.event.value) + " of " +
                 (row.result ? std::to_string(row.result->value) : "-");
    return words;
}

std::int64_t number_in(const std::filesystem::path& path, const std::string& query) {
    return SQLite::Database(path.string()).execAndGet(query).getInt64();
}

}  // namespace

TEST_CASE("a trace comes back with the result that it belongs to, sample by sample") {
    const scratch::Folder folder;
    store(folder.journal(), {result(4), trace(4, curve_of(4025))});
    const auto reader = scratch::reader_of(folder.journal());
    for (const std::uint64_t asked : {1U, 2U}) {
        const auto rows = reader->traces_of(EventNumber{asked}).value();
        REQUIRE(told(rows) == "2 of 1");
        CHECK(rows[0].tool == "NR-1");
        CHECK(rows[0].epoch == "17");
        CHECK(rows[0].counter == 4);
        CHECK(rows[0].samples == 100);
        const auto bytes = reader->trace_samples(rows[0].digest).value();
        REQUIRE(bytes.has_value());
        CHECK(*bytes == curve_of(4025));
        CHECK(rows[0].bytes == bytes->size());
    }
    CHECK(reader->trace_samples(std::string(64, '0')).value() == std::nullopt);
}

TEST_CASE("the event of a trace is small and holds no sample, and the samples are compressed") {
    const scratch::Folder folder;
    store(folder.journal(), {trace(4, curve_of(4025, 5000))});
    CHECK(number_in(folder.journal(), "SELECT length(body) FROM event") < 700);
    CHECK(number_in(folder.journal(), "SELECT 2 * length(frame) < bytes FROM trace_samples") == 1);
}

TEST_CASE("a trace that comes early, twice, with other content or for no result is kept and told") {
    const scratch::Folder folder;
    store(folder.journal(), {trace(4, curve_of(1)), result(4), trace(4, curve_of(1)), trace(4, curve_of(2)),
                             result(5), trace(9, curve_of(3))});
    const auto reader = scratch::reader_of(folder.journal());
    CHECK(told(reader->traces_of(EventNumber{2}).value()) == "1 of 2, 3 of 2, 4 of 2");
    CHECK(told(reader->traces_of(EventNumber{5}).value()).empty());
    CHECK(told(reader->traces_of(EventNumber{6}).value()) == "6 of -");
    CHECK(told(reader->traces_without_result().value()) == "6 of -");
    CHECK(number_in(folder.journal(), "SELECT count(*) FROM trace_samples") == 3);
    CHECK(audit_beside_chain(folder.journal()).value().empty());
}

TEST_CASE("one changed byte of a stored trace is told, and so is one that is missing or was never recorded") {
    const scratch::Folder folder;
    const std::string digest = hex(sha256(curve_of(1)));
    store(folder.journal(), {trace(4, curve_of(1)), result(4)});
    const std::filesystem::path before = folder.journal().string() + ".before";
    std::filesystem::copy_file(folder.journal(), before);
    std::string remedy;
    const auto after = [&](const std::string& sql) {
        SQLite::Database(folder.journal().string(), SQLite::OPEN_READWRITE).exec(sql);
        const auto faults = audit_beside_chain(folder.journal()).value();
        for (const char* part : {"", "-wal", "-shm"})
            std::filesystem::remove(folder.journal().string() + part);
        std::filesystem::copy_file(before, folder.journal());
        remedy = faults.empty() ? std::string() : remedy_of(faults.front().of);
        return faults.empty() ? std::string() : faults.front().what;
    };
    const std::string place = "table trace_samples: the samples under the digest ";
    const auto length = number_in(folder.journal(), "SELECT length(frame) FROM trace_samples");
    for (std::int64_t at = 1; at <= length; ++at) {
        const std::string told = after("UPDATE trace_samples SET frame = CAST(substr(frame, 1, " +
                                       std::to_string(at - 1) + ") || CASE hex(substr(frame, " +
                                       std::to_string(at) + ", 1)) WHEN '5A' THEN x'5B' ELSE x'5A' END || " +
                                       "substr(frame, " + std::to_string(at + 1) + ") AS BLOB)");
        INFO("byte " << at);
        CHECK(told.starts_with(place + digest + " were changed: "));
    }
    CHECK(remedy.find("the results and their verdicts do not rest on it") != std::string::npos);
    CHECK(after("UPDATE trace_samples SET bytes = bytes + 1") ==
          place + digest + " were changed: they are not the ones that were recorded");
    CHECK(after("DELETE FROM trace_samples") == place + digest + " are missing");
    CHECK(after("INSERT INTO trace_samples VALUES('ab', 0, x'')") ==
          place + "ab stand there, and no trace was recorded with it");
    CHECK(after("DELETE FROM trace") ==
          "table trace, row of tool NR-1, epoch 17, counter 4, event 1 is missing");
    CHECK(after("UPDATE trace SET digest = 'cd'").find(": digest is 'cd', the chain says '" + digest) !=
          std::string::npos);
    CHECK(after("SELECT 1").empty());
}

TEST_CASE("samples that were changed are not given out") {
    const scratch::Folder folder;
    const std::string digest = hex(sha256(curve_of(1)));
    store(folder.journal(), {trace(4, curve_of(1)), trace(5, curve_of(2))});
    SQLite::Database(folder.journal().string(), SQLite::OPEN_READWRITE)
        .exec("UPDATE trace_samples SET frame = (SELECT frame FROM trace_samples WHERE digest <> '" + digest +
              "')");
    const auto read = scratch::reader_of(folder.journal())->trace_samples(digest);
    REQUIRE_FALSE(read.has_value());
    CHECK(read.error().fault == JournalFault::damaged);
}

TEST_CASE("making the query tables again brings the traces back and leaves their samples alone") {
    const scratch::Folder folder;
    store(folder.journal(), {trace(4, curve_of(1)), result(4)});
    SQLite::Database(folder.journal().string(), SQLite::OPEN_READWRITE).exec("DROP TABLE trace");
    REQUIRE(rebuild(folder.journal()).value() == 2);
    CHECK(audit_beside_chain(folder.journal()).value().empty());
    const auto reader = scratch::reader_of(folder.journal());
    CHECK(told(reader->traces_of(EventNumber{2}).value()) == "1 of 2");
}

TEST_CASE("a journal of before there were traces comes forward and takes one") {
    const scratch::Folder folder;
    {
        SQLite::Database db(folder.journal().string(), SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
        const std::string first = first_schema();
        const std::array<const char*, 1> steps{first.c_str()};
        bring_forward(db, 0, steps);
        db.exec("INSERT INTO meta VALUES('journal', 'abc'), ('station', 'scratch')");
    }
    REQUIRE(number_in(folder.journal(), "PRAGMA user_version") == 1);
    store(folder.journal(), {result(4), trace(4, curve_of(1))});
    CHECK(number_in(folder.journal(), "PRAGMA user_version") == schema_version);
    CHECK(audit_beside_chain(folder.journal()).value().empty());
    CHECK(told(scratch::reader_of(folder.journal())->traces_of(EventNumber{1}).value()) == "2 of 1");
}

TEST_CASE("packed bytes come back as they were, and cut or lengthened frames do not") {
    CHECK(rc::check([] {
        const auto bytes = *rc::gen::container<std::string>(rc::gen::arbitrary<char>());
        const std::string frame = packed(bytes);
        const auto back = unpacked(frame, bytes.size());
        RC_ASSERT(back.has_value());
        RC_ASSERT(*back == bytes);
        RC_ASSERT(
            !unpacked(std::string_view(frame).substr(0, *rc::gen::inRange<std::size_t>(0, frame.size())),
                      bytes.size()));
        RC_ASSERT(!unpacked(frame + '\0', bytes.size()));
        RC_ASSERT(!unpacked(frame + frame, 2 * bytes.size() + 1));
    }));
    const std::string long_one = packed(std::string(100'000, 'a'));
    CHECK(unpacked(long_one, 99'999).error() == "the frame claims more content than is ever kept");
}
