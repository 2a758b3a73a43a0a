// Starts that cannot succeed, and starts after something went wrong: each says what, where, why and what
// helps, ends with the number that the table of exit codes gives it or stays up withheld, and leaves what was
// recorded as it was. Nothing moves meanwhile.
#include <catch2/catch.hpp>

#include <algorithm>
#include <csignal>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <SQLiteCpp/Database.h>

#include "service/journal/reader.hpp"
#include "service/journal/writer.hpp"
#include "service/station/exit_code.hpp"
#include "tests/end_to_end/former_run.hpp"
#include "tests/end_to_end/input_stand.hpp"

using namespace tautgate;
using namespace tautgate::end_to_end;
using nlohmann::json;
using protocol::Movement;
using station::ExitCode;
namespace fs = std::filesystem;

namespace {

std::string bytes_of(const fs::path& file) {
    std::ifstream in{file, std::ios::binary};
    return {std::istreambuf_iterator<char>{in}, {}};
}

void put(const fs::path& file, const std::string& bytes) {
    std::ofstream{file, std::ios::binary | std::ios::trunc} << bytes;
}

fs::path tautgated() {
    const char* folder = std::getenv("TAUTGATE_BIN");  // NOLINT(concurrency-mt-unsafe)
    REQUIRE(folder != nullptr);
    return fs::path(folder) / "tautgated";
}

// One more daemon, that is expected to end by itself.
class Attempt {
  public:
    Attempt(const fs::path& config, const fs::path& state)
        : Attempt(tautgated(), {"--config", config.string(), "--state-dir", state.string()}) {}
    Attempt(const fs::path& program, const std::vector<std::string>& arguments)
        : output_(folder_.path() / "said"), process_(program, arguments, output_) {
        const auto ended = process_.await_end(patience);
        INFO(said());
        REQUIRE(ended);
        REQUIRE(ended->code);
        code_ = *ended->code;
    }
    [[nodiscard]] std::string said() const { return bytes_of(output_); }
    [[nodiscard]] bool says(const std::string& part) const { return end_to_end::says(said(), part); }
    [[nodiscard]] bool ended_with(ExitCode code) const { return code_ == static_cast<int>(code); }

  private:
    TemporaryFolder folder_;
    fs::path output_;
    Process process_;
    int code_ = -1;
};

// A listener of somebody else on one of the station's ports.
class Occupied {
  public:
    explicit Occupied(std::uint16_t port) : socket_(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
        const int yes = 1;
        ::setsockopt(socket_, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
        sockaddr_in address{};
        address.sin_family = AF_INET;
        address.sin_port = htons(port);
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        REQUIRE(::bind(socket_, reinterpret_cast<sockaddr*>(&address), sizeof address) == 0);
        REQUIRE(::listen(socket_, 1) == 0);
    }
    ~Occupied() { ::close(socket_); }
    Occupied(const Occupied&) = delete;
    Occupied& operator=(const Occupied&) = delete;
    Occupied(Occupied&&) = delete;
    Occupied& operator=(Occupied&&) = delete;

  private:
    int socket_;
};

// A station that has finished a unit, which still stands in the bay, and was then stopped in order.
class Closed {
  public:
    Closed() : plant_(with_short_plans()), stand_(plant_) {
        plant_.open_for_work();
        stand_.finished();
        serial_ = stand_.papers().motor;
        record_ = recorded();
        plant_.stop();
        database_ = bytes_of(journal_of(plant_));
    }
    [[nodiscard]] Plant& plant() { return plant_; }
    [[nodiscard]] Stand& stand() { return stand_; }
    [[nodiscard]] fs::path journal() const { return journal_of(plant_); }
    [[nodiscard]] Attempt attempt() const { return {plant_.config_file(), plant_.state_folder()}; }
    // What is told of the unit: its tickets and tightenings, whatever came after.
    [[nodiscard]] json recorded() {
        const auto unit = plant_.crew().unit(serial_);
        REQUIRE(unit);
        const auto& stay = unit->at("stays").front();
        return {{"tickets", stay.at("tickets")}, {"tightenings", stay.at("tightenings")}};
    }
    void restore() const {
        put(journal(), database_);
        for (const char* beside : {"-wal", "-shm"})
            fs::remove(journal().string() + beside);
    }
    // Nothing was lost, and the station still works.
    void is_as_before() {
        stand_.starts_again();
        CHECK(recorded() == record_);
        CHECK(record_.at("tightenings").size() == 8);
        stand_.links_are_good();
        const bool is_released = stand_.await_released("lift-beam");
        INFO(plant_.told());
        CHECK(is_released);
        plant_.stop();
    }
    void nothing_moves() { CHECK(stand_.controller().try_move("lift-beam") == Movement::refused); }

  private:
    Plant plant_;
    Stand stand_;
    std::string serial_;
    json record_;
    std::string database_;
};

// ---- the journal's file
// -----------------------------------------------------------------------------------------

void newer_program_wrote_it(Closed& closed) {
    {
        SQLite::Database db{closed.journal().string(), SQLite::OPEN_READWRITE};
        db.exec("PRAGMA user_version = 7");
    }
    const auto before = bytes_of(closed.journal());
    const auto attempt = closed.attempt();
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::journal_failed));
    CHECK(attempt.says(closed.journal().string() +
                       ": was written by a newer program (schema version 7; this program knows up to 4); "
                       "install that version again, or a later one; the file was left as it is"));
    CHECK(bytes_of(closed.journal()) == before);
    closed.nothing_moves();
    closed.restore();
}

// What people are shown is not what was written: it is made again, and only where the events are sound.
void tables_changed(Closed& closed) {
    const auto rebuilt = [&] {
        return Attempt(tautgated(), {"--rebuild-tables", "--config", closed.plant().config_file().string(),
                                     "--state-dir", closed.plant().state_folder().string()});
    };
    const auto change = [&](const std::string& sql) {
        SQLite::Database db{closed.journal().string(), SQLite::OPEN_READWRITE};
        db.exec(sql);
    };
    const auto differs = [&] {
        const auto reader = journal::Reader::open(closed.journal());
        REQUIRE(reader);
        const auto found = (*reader)->audit();
        REQUIRE(found);
        return !found->empty();
    };
    CHECK_FALSE(differs());
    change("UPDATE tightening SET torque_micro_nm = 1");
    CHECK(differs());
    {
        const auto again = rebuilt();
        INFO(again.said());
        CHECK(again.ended_with(ExitCode::orderly));
        CHECK(again.says("the tables were made again from"));
    }
    CHECK_FALSE(differs());
    change("DROP TABLE tightening; DROP TRIGGER event_is_never_removed");
    {
        const auto refused = closed.attempt();
        INFO(refused.said());
        CHECK(refused.ended_with(ExitCode::journal_failed));
        CHECK(
            refused.says("the table tightening was taken away, which is made from the events; keep a copy"));
        CHECK(refused.says("tautgated --rebuild-tables"));
        closed.nothing_moves();
        const auto again = rebuilt();
        INFO(again.said());
        CHECK(again.ended_with(ExitCode::orderly));
    }
    CHECK_FALSE(differs());
    // What no table that is made again puts right.
    change("UPDATE person_name SET name = 'Somebody Else' WHERE number = 3; DELETE FROM stay");
    {
        const auto again = rebuilt();
        INFO(again.said());
        CHECK(again.ended_with(ExitCode::journal_failed));
        CHECK(again.says("the tables were made again from"));
        CHECK(again.says("still wrong: table person_name: the name or badge of person 3 is not the one that "
                         "was recorded; bring the row back from a backup"));
    }
    closed.restore();
    change("DROP TRIGGER event_is_never_changed; UPDATE event SET body = replace(body, 'a', 'b') WHERE "
           "number = 2;"
           "PRAGMA wal_checkpoint(TRUNCATE)");
    const auto before = bytes_of(closed.journal());
    {
        const auto refused = rebuilt();
        INFO(refused.said());
        CHECK(refused.ended_with(ExitCode::journal_failed));
        CHECK(refused.says("event 2 "));
        CHECK(refused.says("nothing was made again"));
    }
    CHECK(bytes_of(closed.journal()) == before);
    closed.restore();
}

// The station's working files lie there and its record does not: no new record takes its place.
void lost_journal(Closed& closed) {
    fs::remove(closed.journal());
    const auto attempt = closed.attempt();
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::journal_failed));
    CHECK(attempt.says(closed.journal().string() +
                       ": is missing or empty, but a station has worked in this folder; "
                       "bring back the latest backup"));
    CHECK_FALSE(fs::exists(closed.journal()));
    closed.nothing_moves();
    closed.restore();
}

void another_stations_journal(Closed& closed) {
    {
        SQLite::Database db{closed.journal().string(), SQLite::OPEN_READWRITE};
        db.exec("UPDATE meta SET value = 'other' WHERE key = 'station'");
    }
    const auto attempt = closed.attempt();
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::config));
    CHECK(attempt.says(closed.journal().string() + ": is the journal of station other"));
    closed.nothing_moves();
    closed.restore();
}

void somebody_elses_database(Closed& closed) {
    fs::remove(closed.journal());
    {
        SQLite::Database db{closed.journal().string(), SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE};
        db.exec("CREATE TABLE recipes(name TEXT)");
    }
    const auto before = bytes_of(closed.journal());
    const auto attempt = closed.attempt();
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::journal_failed));
    CHECK(attempt.says(closed.journal().string() + ": is a database of another program; name another file as "
                                                   "the journal; this one was left as it is"));
    CHECK(bytes_of(closed.journal()) == before);
    closed.nothing_moves();
    closed.restore();
}

void no_database_at_all(Closed& closed) {
    const std::string letter(20'000, 'x');
    put(closed.journal(), letter);
    const auto attempt = closed.attempt();
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::journal_failed));
    CHECK(attempt.says(closed.journal().string()));
    CHECK(attempt.says("file is not a database"));
    CHECK(attempt.says("name another file as the journal; this one was left as it is"));
    CHECK(bytes_of(closed.journal()) == letter);
    closed.nothing_moves();
    closed.restore();
}

// Every event as it is stored.
std::string events_of(const fs::path& journal) {
    SQLite::Database db{journal.string(), SQLite::OPEN_READONLY};
    return db
        .execAndGet("SELECT group_concat(number || ' ' || hex(hash) || ' ' || body, char(10)) FROM event")
        .getString();
}

// Somebody changed a stored result behind the service's back.
void changed_event(Closed& closed) {
    std::int64_t number = 0;
    {
        SQLite::Database db{closed.journal().string(), SQLite::OPEN_READWRITE};
        // After the newest snapshot, or the replay would not meet it; before a clean end there is one.
        db.exec("DELETE FROM snapshot");
        db.exec("DROP TRIGGER event_is_never_changed");
        number = db.execAndGet("SELECT min(event) FROM tightening").getInt64();
        db.exec("UPDATE event SET body = replace(body, 'M20-snug', 'M20-snag') WHERE number = " +
                std::to_string(number));
    }
    const auto before = events_of(closed.journal());
    closed.plant().start();
    closed.stand().need(closed.plant().crew().await_station(patience));
    const auto health = closed.plant().crew().api().get("/v1/health");
    REQUIRE(health);
    INFO(health->body.dump(2));
    CHECK(health->body.at("overall") == "withheld");
    const std::string what =
        "event " + std::to_string(number) +
        " was changed: its hash does not follow from its text; keep the file, bring back "
        "the latest backup and call maintenance";
    CHECK(says(health->body.at("reasons").dump(), what));
    CHECK(says(closed.plant().log(), closed.journal().string() + ": " + what));
    closed.nothing_moves();
    closed.plant().stop();
    CHECK(events_of(closed.journal()) == before);
    closed.restore();
}

// Somebody gave a person another's secret, and one another's name, behind the service's back.
void changed_people(Closed& closed) {
    {
        SQLite::Database db{closed.journal().string(), SQLite::OPEN_READWRITE};
        db.exec("UPDATE credential SET argon2id = (SELECT argon2id FROM credential WHERE number = 1) "
                "WHERE number = 2");
        db.exec("UPDATE person_name SET name = (SELECT name FROM person_name WHERE number = 2) "
                "WHERE number = 3");
    }
    closed.plant().start();
    closed.stand().need(closed.plant().crew().await_station(patience));
    const auto health = closed.plant().crew().api().get("/v1/health");
    REQUIRE(health);
    INFO(health->body.dump(2));
    const std::string what = "what is stored is not what was recorded: the name or badge of person 3, the "
                             "secret of person 2; it is not used";
    CHECK(says(health->body.at("reasons").dump(), what));
    CHECK(says(closed.plant().log(), what));
    const auto signed_in = closed.plant().crew().sign_in();
    REQUIRE_FALSE(signed_in.has_value());
    INFO(signed_in.error());
    CHECK(says(signed_in.error(), closed.plant().crew().members().at(1).name));
    closed.plant().stop();
    closed.restore();
}

// ---- who else is there
// ------------------------------------------------------------------------------------------

void second_daemon(Closed& closed) {
    closed.stand().starts_again();
    closed.stand().links_are_good();
    const auto before = closed.plant().crew().station();
    REQUIRE(before);
    const auto attempt = closed.attempt();
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::locked));
    CHECK(attempt.says(closed.journal().string() +
                       ".lock: another process runs this station; end that one first, or give this station a "
                       "journal of its own"));
    // The first one has not even noticed, and its release stands.
    CHECK(closed.plant().daemon().running());
    CHECK(closed.stand().await_released("lift-beam"));
    closed.plant().stop();
}

void api_port_in_use(Closed& closed) {
    const auto& api = closed.plant().station().api;
    const Occupied occupied{api.port};
    const auto attempt = closed.attempt();
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::port_in_use));
    CHECK(attempt.says("the API cannot listen on 127.0.0.1 port " + std::to_string(api.port) +
                       ": Address already in use; end the other program that listens there, or give the API "
                       "another port in the station description"));
    closed.nothing_moves();
}

// The tools cannot call: the station comes up, and holds everything.
void tool_port_in_use(Closed& closed) {
    const auto port = closed.plant().station().tool_port->port;
    const Occupied occupied{port};
    closed.stand().starts_again();
    const auto health = closed.plant().crew().api().get("/v1/health");
    REQUIRE(health);
    INFO(health->body.dump(2));
    CHECK(health->body.at("overall") == "withheld");
    const std::string what = "cannot listen for tools at 127.0.0.1:" + std::to_string(port) +
                             ": Address already in use; end the program that uses the port, or change "
                             "tool_port in the station description";
    CHECK(says(health->body.at("reasons").dump(), what));
    CHECK(says(closed.plant().log(), what));
    closed.nothing_moves();
    closed.plant().stop();
}

// A tool without its key could not be told from another: none is listened to, and everything is held.
void lost_key(Closed& closed) {
    const auto key = closed.plant().state_folder() / "NR-20.key";
    const auto kept = bytes_of(key);
    fs::remove(key);
    closed.stand().starts_again();
    const auto health = closed.plant().crew().api().get("/v1/health");
    REQUIRE(health);
    INFO(health->body.dump(2));
    CHECK(health->body.at("overall") == "withheld");
    const std::string what = "the key of tool NR-20 cannot be used: " + key.string() +
                             " is no file; make it with tautgate make-keys";
    CHECK(says(health->body.at("reasons").dump(), what));
    CHECK(says(closed.plant().log(), what));
    closed.nothing_moves();
    closed.plant().stop();
    put(key, kept);
    fs::permissions(key, fs::perms::owner_read | fs::perms::owner_write);
}

// ---- the configuration
// ------------------------------------------------------------------------------------------

// The rules in force stand in the journal; the file is only a proposal.
void unreadable_config_after_approval(Closed& closed) {
    const auto good = bytes_of(closed.plant().config_file());
    put(closed.plant().config_file(), good.substr(0, good.size() / 2));
    closed.stand().starts_again();
    const auto rules = closed.plant().crew().api().get("/v1/rules");
    REQUIRE(rules);
    INFO(rules->body.dump(2));
    CHECK(rules->body.at("staged").is_null());
    REQUIRE(rules->body.at("faults").size() == 1);
    CHECK(says(rules->body.at("faults").front(), closed.plant().config_file().string()));
    CHECK(says(closed.plant().log(), rules->body.at("faults").front()));
    closed.stand().links_are_good();
    CHECK(closed.stand().await_released("lift-beam"));
    closed.plant().stop();
    put(closed.plant().config_file(), good);
}

// Rights of files bind nobody who may pass over them: the superuser's daemon is started without that
// privilege. Its output is kept out of the station's folder.
Process without_privilege(const Plant& plant) {
    std::vector<std::string> words{"--config", plant.config_file().string(), "--state-dir",
                                   plant.state_folder().string()};
    const auto output = plant.state_folder().parent_path() / "restricted.log";
    if (::geteuid() != 0)
        return {tautgated(), words, output};
    words.insert(words.begin(), {"--bounding-set=-dac_override,-dac_read_search",
                                 "--inh-caps=-dac_override,-dac_read_search", tautgated().string()});
    return {"setpriv", words, output};
}

void config_that_cannot_be_used(const fs::path& config, const std::string& why) {
    TemporaryFolder state;
    const Attempt attempt{config, state.path()};
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::config));
    CHECK(attempt.says(config.string()));
    CHECK(attempt.says(why));
    CHECK(fs::is_empty(state.path()));
}

}  // namespace

TEST_CASE("what a start cannot do leaves the record as it was, and nothing moves") {
    Closed closed;
    newer_program_wrote_it(closed);
    tables_changed(closed);
    lost_journal(closed);
    another_stations_journal(closed);
    somebody_elses_database(closed);
    no_database_at_all(closed);
    changed_event(closed);
    changed_people(closed);
    closed.is_as_before();
    second_daemon(closed);
    api_port_in_use(closed);
    tool_port_in_use(closed);
    lost_key(closed);
    unreadable_config_after_approval(closed);
    closed.is_as_before();
}

TEST_CASE("a configuration that cannot be used ends the first start with its own code") {
    TemporaryFolder folder;
    config_that_cannot_be_used(folder.path() / "nowhere.json", "cannot be read");
    config_that_cannot_be_used(folder.path(), "is a folder; name the file of the station description");
    const auto cut_off = folder.path() / "cut-off.json";
    const auto whole = bytes_of(TAUTGATE_SOURCE_DIR "/config/larkmoor.json");
    const auto first_half = whole.substr(0, whole.size() / 2);
    put(cut_off, first_half);
    const auto line = 1 + std::ranges::count(first_half, '\n');
    const auto column = first_half.size() - 1 - first_half.rfind('\n');
    config_that_cannot_be_used(cut_off, "cut-off.json:" + std::to_string(line) + ":" +
                                            std::to_string(column) + ": this is no JSON");
    // A tool of class A joints whose lines would bear no seal.
    const auto unsealed = folder.path() / "unsealed.json";
    const std::string named = R"(, "key": "NR-20.key")";
    put(unsealed, std::string(whole).erase(whole.find(named), named.size()));
    config_that_cannot_be_used(
        unsealed, "/joints/0/tools/0: the link of tool NR-20 does not detect corruption: its "
                  "lines bear no seal; joint motor-mounts is of class A; add \"key\" to its line "
                  "link, make the key with tautgate make-keys, and give it to the tool");
    const auto bytes = folder.path() / "bytes.json";
    put(bytes, "{\"id\": \"\xff\xfe\"}");
    config_that_cannot_be_used(bytes, "UTF-8");
}

TEST_CASE("a configuration that cannot be used ends a start whose journal has no approved rules either") {
    TemporaryFolder folder;
    const auto cut_off = folder.path() / "cut-off.json";
    put(cut_off, bytes_of(TAUTGATE_SOURCE_DIR "/config/larkmoor.json").substr(0, 5000));
    TemporaryFolder state;
    journal::Writer::Options options;
    options.path = state.path() / "station.db";
    options.on_durable = [](domain::EventNumber) {};
    options.on_failure = [](const journal::JournalError& error) { FAIL(error.what); };
    auto writer = journal::Writer::open(std::move(options));
    REQUIRE(writer);
    (*writer)->close();
    const Attempt attempt{cut_off, state.path()};
    INFO(attempt.said());
    CHECK(attempt.ended_with(ExitCode::config));
    CHECK(attempt.says("no approved rules can be read from " + (state.path() / "station.db").string()));
}

TEST_CASE("a folder that can only be read leaves the station up, withheld, with the reason on every screen") {
    Closed closed;
    const auto state = closed.plant().state_folder();
    const auto files = fs::recursive_directory_iterator(state);
    for (const auto& entry : files)
        fs::permissions(entry.path(), fs::perms::owner_read);
    fs::permissions(state, fs::perms::owner_read | fs::perms::owner_exec);
    {
        Process daemon = without_privilege(closed.plant());
        const auto up = closed.plant().crew().await_station(patience);
        INFO(bytes_of(state.parent_path() / "restricted.log"));
        REQUIRE(up);
        const auto health = closed.plant().crew().api().get("/v1/health");
        REQUIRE(health);
        INFO(health->body.dump(2));
        CHECK(health->body.at("overall") == "withheld");
        CHECK(says(health->body.dump(), "can only be read"));
        CHECK(says(health->body.dump(), "let the service's user write to the file and to its folder"));
        closed.nothing_moves();
        daemon.signal(SIGTERM);
        const auto ended = daemon.await_end(patience);
        REQUIRE(ended);
        CHECK(ended->code == static_cast<int>(ExitCode::orderly));
    }
    fs::permissions(state, fs::perms::owner_all);
    for (const auto& entry : fs::recursive_directory_iterator(state))
        fs::permissions(entry.path(), fs::perms::owner_read | fs::perms::owner_write);
    closed.is_as_before();
}

TEST_CASE("a result that the service died of is set aside and acknowledged, and people go on from there") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    Stand stand{plant};
    stand.identified();
    CHECK(stand.turns({"motor-mounts", 0, 0}).ok);
    stand.stored("NR-20");
    auto* tool = stand.tool("NR-20").line();
    tool->hold_back(true);
    CHECK(stand.turns({"motor-mounts", 1, 0}).ok);
    plant.kill();
    interlock::ResultReceived deadly;
    deadly.tool.text = "NR-20";
    deadly.epoch = tool->status().epoch;
    deadly.reading.counter = tool->status().newest;
    const auto number = died_deciding(journal_of(plant), deadly);

    stand.starts_again();
    tool->hold_back(false);
    stand.links_are_good();
    stand.stored("NR-20");  // the station does not ask for it again and again
    const std::vector<std::string> wanted{"event_set_aside", "joint_open"};
    CHECK(stand.await([&] { return stand.codes("lift-beam") == wanted; }));
    CHECK(stand.controller().try_move("lift-beam") == Movement::refused);
    const auto unit = plant.crew().unit(stand.papers().motor);
    REQUIRE(unit);
    CHECK(unit->at("stays").back().at("tightenings").size() == 1);

    stand.decides({{"dispose_set_aside", {{"event", number}}}});
    CHECK(stand.await([&] { return stand.codes("lift-beam") == std::vector<std::string>{"joint_open"}; }));
}

TEST_CASE("a service that dies again and again comes up without its links, and says how to go on") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    Stand stand{plant};
    stand.finished();
    for (int died = 1; died <= 3; ++died) {
        plant.kill();
        stand.starts_again();
        if (died < 3)
            stand.links_are_good();
    }
    const auto health = plant.crew().api().get("/v1/health");
    REQUIRE(health);
    INFO(health->body.dump(2));
    CHECK(health->body.at("overall") == "withheld");
    CHECK(says(health->body.dump(), "the service died three times within ten minutes"));
    CHECK(says(health->body.dump(), "read its log, then stop and start it in order"));
    CHECK(stand.controller().await_movement("lift-beam", Movement::refused, patience));
    CHECK(stand.controller().try_move("lift-beam") == Movement::refused);
    plant.stop();
    stand.starts_again();
    stand.links_are_good();
    CHECK(stand.await_released("lift-beam"));
}

TEST_CASE("a record that was changed long ago is found while the station runs, and withholds") {
    Plant plant{with_short_plans()};
    plant.open_for_work();
    Stand stand{plant};
    stand.finished();
    CHECK(stand.await_released("lift-beam"));
    plant.stop();  // with a snapshot: the next start reads what came after it only
    {
        SQLite::Database db(journal_of(plant).string(), SQLite::OPEN_READWRITE);
        db.exec("DROP TRIGGER event_is_never_changed");
        REQUIRE(db.exec("UPDATE event SET body = replace(body, 'a', 'b') WHERE number = 2") == 1);
    }
    stand.starts_again();
    const auto damaged = [&] {
        const auto health = plant.crew().api().get("/v1/health");
        return health && health->good() && says(health->body.dump(), "\"journal_damaged\"");
    };
    REQUIRE(stand.await(damaged));
    const auto health = plant.crew().api().get("/v1/health");
    INFO(health->body.dump(2));
    CHECK(health->body.at("overall") == "withheld");
    CHECK(says(health->body.at("journal").at("file_check").at("found").get<std::string>(), "event 2 "));
    const auto why = plant.crew().api().get("/v1/bays/" + plant.bay() + "/why");
    REQUIRE(why);
    INFO(why->body.dump(2));
    REQUIRE(why->body.at("withheld_by_station").size() == 1);
    CHECK(why->body.at("withheld_by_station").front().at("code") == "journal_damaged");
    CHECK(stand.controller().await_movement("lift-beam", Movement::refused, patience));
    CHECK(stand.controller().try_move("lift-beam") == Movement::refused);
}
