// A station that the API can be tried on: it knows the demo's rules and a unit half done, takes every event,
// changes its people as the events say, and answers with the outcome that a test scripted. What the rules
// would say is not its business; the interlock has tests of its own.
#pragma once

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <boost/asio/io_context.hpp>
#include <unistd.h>

#include "config/reader.hpp"
#include "protocol/ticket.hpp"
#include "service/web/api.hpp"
#include "service/web/station_port.hpp"

#include <catch2/catch.hpp>

namespace tautgate::web::testing {

using namespace std::chrono_literals;
using namespace interlock;

inline const std::string rules_digest(64, 'a');
inline const std::string staged_digest(64, 'b');

class FakeArchive final : public Archive {
  public:
    std::expected<std::vector<StoredEvent>, ReadFault> events(EventNumber from,
                                                              std::size_t most) const override {
        if (broken)
            return std::unexpected(ReadFault{"the journal could not be read", "it is broken", "mend it"});
        std::vector<StoredEvent> out;
        for (const auto& event : stored)
            if (event.number >= from && out.size() < most)
                out.push_back(event);
        return out;
    }
    std::expected<history::UnitRecord, ReadFault> unit(const Serial& serial) const override {
        if (broken)
            return std::unexpected(ReadFault{"the journal could not be read", "it is broken", "mend it"});
        return serial.text == record.serial ? record
                                            : history::UnitRecord{.serial = serial.text, .stays = {}};
    }

    std::expected<history::PastWhyAnswer, ReadFault>
    past_why(const history::PastWhyAsked& asked) const override {
        if (broken)
            return std::unexpected(ReadFault{"the journal could not be read", "it is broken", "mend it"});
        asked_of_past = asked;
        if (!past)
            return history::NotThen{"the journal has never seen it", "see how it is written"};
        return *past;
    }

    std::expected<std::vector<journal::UnitOfBypass>, ReadFault>
    units_of_bypass(EventNumber bypass) const override {
        if (broken)
            return std::unexpected(ReadFault{"the journal could not be read", "it is broken", "mend it"});
        return bypass == bypass_used ? bypassed : std::vector<journal::UnitOfBypass>{};
    }

    std::expected<journal::StoredTraces, ReadFault> traces(EventNumber event) const override {
        if (broken)
            return std::unexpected(ReadFault{"the journal could not be read", "it is broken", "mend it"});
        const bool known =
            std::ranges::find(curves.traces, event, &journal::TraceRow::event) != curves.traces.end();
        return known ? curves : journal::StoredTraces{};
    }

    std::vector<StoredEvent> stored;
    journal::StoredTraces curves;
    EventNumber bypass_used;
    std::vector<journal::UnitOfBypass> bypassed;
    history::UnitRecord record;
    std::optional<history::PastWhy> past;  // none: nothing of the kind was ever there
    mutable history::PastWhyAsked asked_of_past;
    bool broken = false;
};

class FakeStation final : public StationPort {
  public:
    FakeStation() {
        auto loaded =
            config::load_station_file(std::filesystem::path(TAUTGATE_SOURCE_DIR) / "config/larkmoor.json");
        REQUIRE(loaded.station);
        auto labels = protocol::LabelReader::compile(loaded.station->tickets);
        REQUIRE(labels);
        labels_ = std::make_unique<protocol::LabelReader>(std::move(*labels));
        rule_book_.emplace(Revision{rules_digest},
                           std::make_shared<const config::Station>(std::move(*loaded.station)));
    }

    const State& state() const override { return now; }
    const RuleBook& rule_book() const override { return rule_book_; }
    EventNumber durable() const override { return durable_; }
    std::optional<OnWire> on_wire(const BayId&, const PermissiveId&) const override { return wire; }
    StagedRules staged_rules() const override { return staged; }
    HealthFacts health() const override { return facts; }
    std::vector<Trouble> troubles() const override { return troubled_by; }
    std::string_view program_version() const override { return "0.1.0+test"; }
    std::chrono::nanoseconds monotonic() const override { return clock; }
    std::expected<protocol::Ticket, protocol::LabelFault> read_label(const BayId&,
                                                                     std::string_view text) const override {
        return labels_->read(text);
    }
    std::shared_ptr<const Archive> archive() const override { return archive_; }

    void submit(Payload payload, std::optional<people::PersonRecord> person, RecordedCallback done) override {
        submitted.push_back(payload);
        records.push_back(person);
        if (failing)
            return done(std::unexpected(NotRecorded{"the journal is broken", "start the service again"}));
        const EventNumber number{now.newest.value + 1};
        now.newest = number;
        const Outcome outcome = next_outcome.value_or(Applied{});
        next_outcome.reset();
        if (!std::holds_alternative<Refused>(outcome))
            apply(payload);
        waiting_.emplace_back(Recorded{number, outcome}, std::move(done));
        if (!hold)
            become_durable();
    }

    void become_durable() {
        durable_ = now.newest;
        for (auto& [recorded, done] : std::exchange(waiting_, {}))
            done(recorded);
    }

    [[nodiscard]] const config::Station& rules() const { return *rule_book_.begin()->second; }
    // From here on its rules take orders, with commas between the fields.
    void take_orders() {
        auto station = rules();
        station.orders.emplace().folder = "orders";
        rule_book_.begin()->second = std::make_shared<const config::Station>(std::move(station));
    }
    void change_rules(const std::function<void(config::Station&)>& change) {
        auto station = rules();
        change(station);
        rule_book_.begin()->second = std::make_shared<const config::Station>(std::move(station));
        now.rules = Revision{rules_digest};
    }
    [[nodiscard]] FakeArchive& store() const { return *archive_; }
    template <class Kind>
    [[nodiscard]] const Kind& newest_event() const {
        REQUIRE_FALSE(submitted.empty());
        REQUIRE(std::holds_alternative<Kind>(submitted.back()));
        return std::get<Kind>(submitted.back());
    }

    State now;
    std::optional<OnWire> wire = OnWire::withheld;
    StagedRules staged{
        .file = "larkmoor.json", .revision = Revision{staged_digest}, .faults = {}, .warnings = {}};
    HealthFacts facts;
    std::vector<Trouble> troubled_by;
    std::chrono::nanoseconds clock{0};
    std::optional<Outcome> next_outcome;
    bool hold = false;     // events wait for become_durable()
    bool failing = false;  // the journal takes nothing
    std::vector<Payload> submitted;
    std::vector<std::optional<people::PersonRecord>> records;

  private:
    void apply(const Payload& payload) {
        if (const auto* enrolled = std::get_if<PersonEnrolled>(&payload)) {
            std::erase_if(now.people, [&](const Person& p) { return p.number == enrolled->person.number; });
            now.people.push_back(enrolled->person);
        } else if (const auto* suspended = std::get_if<PersonSuspended>(&payload)) {
            for (auto& person : now.people)
                if (person.number == suspended->person)
                    person.suspended = true;
        }
    }

    RuleBook rule_book_;
    EventNumber durable_;
    std::unique_ptr<protocol::LabelReader> labels_;
    std::shared_ptr<FakeArchive> archive_ = std::make_shared<FakeArchive>();
    std::vector<std::pair<Recorded, RecordedCallback>> waiting_;
};

// ---- people ---------------------------------------------------------------------------------------------

inline constexpr PersonNumber admin{1};
inline constexpr PersonNumber supervisor{2};
inline constexpr PersonNumber worker{3};
inline constexpr people::HashCost cheap{.passes = 1, .memory_kib = 8};

inline const std::string admin_pin = "204816";
inline const std::string supervisor_pin = "730945";
inline const std::string worker_pin = "618203";

inline std::string hashed(const std::string& pin) {
    return people::hash_secret(people::Secret(std::string(pin)), cheap).value();
}

inline people::Roster enrol_three(FakeStation& station) {
    station.now.people = {{.number = admin, .roles = {domain::Role::administrator}},
                          {.number = supervisor, .roles = {domain::Role::production_supervisor}},
                          {.number = worker, .roles = {domain::Role::line_operator}}};
    return people::Roster(
        {{.number = admin, .name = "Ada Quill", .badge = "B-01", .credential = hashed(admin_pin)},
         {.number = supervisor, .name = "Ben Marl", .badge = "B-02", .credential = hashed(supervisor_pin)},
         {.number = worker, .name = "Cy Thorne", .badge = "B-03", .credential = hashed(worker_pin)}});
}

// ---- a unit half done -----------------------------------------------------------------------------------

[[nodiscard]] Reason reason(ReasonCode code, std::string joint = {}, std::vector<Fact> facts = {});

// The first bay of the demo with a unit in it: one fastener proven, one not OK and locked, an override that
// waits for a second person, one that stands, an unassigned result, a movement that should not have been.
void put_unit_in(FakeStation& station);

// ---- requests -------------------------------------------------------------------------------------------

inline constexpr std::uint16_t own_port = 8460;

struct Sessions {
    std::string first;
    std::string second;
};

inline Request get(std::string target, const Sessions& sessions = {}) {
    Request request{
        .method = "GET", .target = std::move(target), .host = "127.0.0.1:8460", .from_loopback = true};
    if (!sessions.first.empty())
        request.authorization = "Bearer " + sessions.first;
    request.second_session = sessions.second;
    return request;
}

inline Request post(std::string target, std::string body, const Sessions& sessions = {}) {
    auto request = get(std::move(target), sessions);
    request.method = "POST";
    request.content_type = "application/json";
    request.body = std::move(body);
    return request;
}

// The API on a fake station, with its loop.
class Desk {
  public:
    // With people: the three of enrol_three. Without: an empty roster.
    using Locked = std::vector<std::pair<PersonNumber, std::chrono::seconds>>;
    explicit Desk(bool with_people = true, std::optional<people::EnrolmentCode> code = std::nullopt,
                  Locked locked = {})
        : api(loop, station, with_people ? enrol_three(station) : people::Roster{},
              ApiSettings{.enrolment_code = std::move(code),
                          .hash_cost = cheap,
                          .sign_ins = {},
                          .locked = std::move(locked),
                          .replacement = people::ReplacementPass(folder(), ::geteuid()),
                          .answer_limit = 100ms,
                          .note = [this](const std::string& sentence) { notes.push_back(sentence); }}) {
        api.set_own_authority("127.0.0.1", own_port);
    }

    // As root would, but for whose file it is.
    static void write_pass(const std::string& code) {
        const auto file = std::filesystem::path(folder()) / people::replacement_file;
        std::filesystem::remove(file);
        std::ofstream(file) << code;
        std::filesystem::permissions(file, std::filesystem::perms::owner_read);
    }
    static std::string folder() {
        const auto path =
            std::filesystem::temp_directory_path() / ("tautgate-desk-" + std::to_string(::getpid()));
        std::filesystem::create_directories(path);
        return path.string();
    }

    // Runs the loop until the answer is there.
    Response ask(Request request) {
        std::optional<Response> answer;
        api.handle(std::move(request), [&](Response response) {
            REQUIRE_FALSE(answer);
            answer = std::move(response);
        });
        const auto deadline = std::chrono::steady_clock::now() + 30s;
        while (!answer && std::chrono::steady_clock::now() < deadline) {
            loop.restart();
            loop.run_one_for(1s);
        }
        REQUIRE(answer);
        return *answer;
    }

    std::string sign_in(const std::string& badge, const std::string& pin) {
        const auto answer =
            ask(post("/v1/sign-in", R"({"badge":")" + badge + R"(","secret":")" + pin + R"("})"));
        REQUIRE(answer.status == 200);
        const auto at = answer.body.find(R"("session":")");
        REQUIRE(at != std::string::npos);
        return answer.body.substr(at + 11, 64);
    }
    std::string admin_session() { return sign_in("B-01", admin_pin); }
    std::string supervisor_session() { return sign_in("B-02", supervisor_pin); }
    std::string worker_session() { return sign_in("B-03", worker_pin); }

    boost::asio::io_context loop;
    FakeStation station;
    std::vector<std::string> notes;
    Api api;
};

}  // namespace tautgate::web::testing
