#include "service/history/unit_record.hpp"

#include <fstream>
#include <iterator>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "config/reader.hpp"
#include "service/journal/digest.hpp"
#include "service/journal/reader.hpp"
#include "service/web/journal_archive.hpp"
#include "service/web/views.hpp"
#include "tests/unit/journal/scratch.hpp"
#include "tools/cli/journal_answers.hpp"

using namespace tautgate;
using domain::EventNumber;
using domain::PersonNumber;
using journal::Reader;

namespace {

std::string demo_rules() {
    std::ifstream file(std::string(TAUTGATE_SOURCE_DIR) + "/config/larkmoor.json");
    REQUIRE(file);
    return {std::istreambuf_iterator<char>(file), {}};
}

// One stay of unit TM000871 in bay J1, journaled as a station would: tickets, one result, a release, a
// decision and the departure. The rules are stored as a document, or (for an old journal) are not.
class Story {
  public:
    // `override_ends`: with event 7, when a result is filed to the joint. `torque`: of the result; beside
    // 412.5 N·m it was judged not OK.
    explicit Story(bool with_rules, bool override_ends = false, protocol::Torque torque = good)
        : text_(demo_rules()), digest_(journal::hex(journal::sha256(text_))), torque_(torque) {
        const auto rules = config::read_station(text_, "larkmoor.json");
        REQUIRE(rules);
        joint_ = rules->joints.front();
        auto writer = journal::Writer::open(reports_.options(folder_.journal()));
        REQUIRE(writer);
        writer_ = std::move(*writer);
        tell(with_rules, override_ends);
        REQUIRE(reports_.settled(number_));
        writer_->close();
        REQUIRE_FALSE(reports_.failure());
    }

    [[nodiscard]] std::filesystem::path path() const { return folder_.journal(); }
    [[nodiscard]] const config::Joint& joint() const { return joint_; }
    [[nodiscard]] const std::string& digest() const { return digest_; }

    static constexpr protocol::Torque good{412'500'000};

  private:
    static interlock::State bay_with(std::optional<interlock::Stay> stay) {
        interlock::State state;
        interlock::BayState bay;
        bay.id = {"J1"};
        bay.signed_on = PersonNumber{3};
        if (stay)
            bay.occupant = std::move(*stay);
        state.bays.push_back(std::move(bay));
        return state;
    }

    [[nodiscard]] interlock::Stay stay() const {
        interlock::Stay stay;
        stay.id = {2};
        stay.token = {77};
        stay.began.utc_us = 2000;
        stay.rules = {digest_};
        stay.tickets = {{.kind = "D",
                         .serial = {"TM000871"},
                         .order = "LT26-0417",
                         .type = "MB1",
                         .scanned = {2},
                         .earlier_stays = 0},
                        {.kind = "F",
                         .serial = {"BF000111"},
                         .order = "LT26-0417",
                         .type = "FR1",
                         .scanned = {2},
                         .earlier_stays = 0}};
        stay.identity = interlock::Identified{
            .unit = {"TM000871"}, .variant = "MB1", .plan = "plan-mb1", .plan_revision = "3"};
        return stay;
    }

    void tell(bool with_rules, bool override_ends) {
        std::vector<journal::Attachment> documents;
        if (with_rules)
            documents.emplace_back(journal::Document{.digest = digest_, .kind = "config", .text = text_});
        event(interlock::StationStarted{}, interlock::Applied{}, bay_with(std::nullopt), {},
              std::move(documents));
        event(interlock::ControllerReported{}, interlock::Applied{}, bay_with(stay()));

        interlock::ResultReceived result;
        result.tool = {"nut-runner"};
        result.reading.counter = 12;
        result.reading.torque = torque_;
        result.reading.received.torque = "412.5";
        const interlock::PermissiveChange released{.bay = {"J1"},
                                                   .permissive = {"lift-beam"},
                                                   .now = interlock::Released{{3}, {77}},
                                                   .came = {},
                                                   .gone = {}};
        event(result,
              interlock::Attributed{.stay = {2},
                                    .joint = {joint_.id},
                                    .fastener = 1,
                                    .pass = 0,
                                    .attempt = 1,
                                    .judgement = {.verdict = torque_ == good ? evaluation::Verdict::ok
                                                                             : evaluation::Verdict::not_ok,
                                                  .findings = {}}},
              bay_with(stay()), {released});
        event(interlock::Proposed{.bay = {"J1"},
                                  .action = interlock::OverrideJoint{.joint = {joint_.id},
                                                                     .verified = "by hand",
                                                                     .checked_torque =
                                                                         protocol::Torque{250'000'000}},
                                  .by = {2},
                                  .reason_code = "R1",
                                  .reason_text = "checked by hand",
                                  .seen = {3}},
              interlock::AwaitsSecond{{4}}, bay_with(stay()));
        event(interlock::Seconded{.bay = {"J1"}, .proposal = {4}, .by = {6}, .seen = {4}},
              interlock::Applied{}, bay_with(stay()));
        event(interlock::Seconded{.bay = {"J1"}, .proposal = {4}, .by = {5}, .seen = {4}},
              interlock::Refused{interlock::RefusalCode::no_such_thing, ""}, bay_with(stay()));
        if (override_ends)
            ended_.push_back({{"J1"}, {joint_.id}, {4}});
        decided(interlock::AssignResult{.result = {3}, .joint = {joint_.id}, .fastener = 1});
        decided(interlock::SetResultAside{.result = {3}});
        event(interlock::ControllerReported{}, interlock::Applied{}, bay_with(std::nullopt));
    }

    void decided(interlock::Action action) {
        event(interlock::Proposed{.bay = {"J1"},
                                  .action = std::move(action),
                                  .by = {2},
                                  .reason_code = "R1",
                                  .reason_text = "seen at the bay",
                                  .seen = {6}},
              interlock::Applied{}, bay_with(stay()));
    }

    void event(interlock::Payload payload, interlock::Outcome outcome, interlock::State after,
               std::vector<interlock::PermissiveChange> changes = {},
               std::vector<journal::Attachment> attachments = {}) {
        ++number_;
        const interlock::Decision decision{.state = std::move(after),
                                           .record = {.outcome = std::move(outcome),
                                                      .changes = std::move(changes),
                                                      .effects = {},
                                                      .ended = std::exchange(ended_, {})}};
        interlock::Event happened{
            .number = {number_},
            .at = {.utc_us = static_cast<std::int64_t>(number_ * 1000), .monotonic_ns = 0, .boot = "b"},
            .payload = std::move(payload)};
        writer_->append(journal::entry_of(watch_, std::move(happened), decision.state, decision.record,
                                          "0.1.0", std::move(attachments)));
    }

    scratch::Folder folder_;
    scratch::Reports reports_;
    std::string text_;
    std::string digest_;
    protocol::Torque torque_;
    config::Joint joint_;
    std::unique_ptr<journal::Writer> writer_;
    journal::StayWatch watch_{bay_with(std::nullopt)};
    std::uint64_t number_ = 0;
    std::vector<interlock::OverrideEnded> ended_;  // by the next event
};

history::UnitRecord record_of(const Story& story, const std::string& serial) {
    auto reader = Reader::open(story.path());
    REQUIRE(reader);
    auto record = history::unit_record(**reader, {serial});
    REQUIRE(record);
    return std::move(*record);
}

}  // namespace

TEST_CASE("the story of a unit tells its stay with tickets, tightenings, outputs and decisions") {
    const Story story(true);
    const auto record = record_of(story, "TM000871");
    CHECK(record.serial == "TM000871");
    REQUIRE(record.stays.size() == 1);
    const auto& stay = record.stays.front();
    CHECK(stay.stay == EventNumber{2});
    CHECK(stay.bay == "J1");
    CHECK(stay.token == 77);
    CHECK(stay.unit == "TM000871");
    CHECK(stay.plan == "plan-mb1");
    CHECK(stay.rules == story.digest());
    CHECK(stay.ended == EventNumber{9});
    REQUIRE(stay.tickets.size() == 2);
    CHECK(stay.tickets.front().accepted);
    REQUIRE(stay.outputs.size() == 1);
    CHECK(stay.outputs.front().permissive == "lift-beam");
    CHECK(stay.outputs.front().output == "Released");
    REQUIRE(stay.decisions.size() == 5);
    CHECK(stay.decisions.front().action == "OverrideJoint");
    CHECK(stay.decisions.front().subject == story.joint().id);
    CHECK(stay.decisions.front().outcome == "AwaitsSecond");
    CHECK(stay.decisions.front().person == PersonNumber{2});
}

TEST_CASE("an override is told with what was verified, measured by hand, and who consented in which event") {
    const Story story(true);
    const auto decisions = record_of(story, "TM000871").stays.at(0).decisions;
    REQUIRE(decisions.size() == 5);
    CHECK(decisions[0].verified == "by hand");
    CHECK(decisions[0].checked_torque == "250 N·m");
    CHECK(decisions[0].applied_by == EventNumber{5});  // 6 was refused
    CHECK(decisions[0].second_person == PersonNumber{6});
    CHECK_FALSE(decisions[0].ended_by);
    CHECK(decisions[2].proposal == EventNumber{4});
    CHECK(decisions[2].verified.empty());
}

TEST_CASE("a decision about a result names the result, and the fastener as the rules of the stay do") {
    const Story story(true);
    const auto decisions = record_of(story, "TM000871").stays.at(0).decisions;
    REQUIRE(decisions.size() == 5);
    CHECK(decisions[3].subject == story.joint().id);
    CHECK(decisions[3].subject_event == EventNumber{3});
    CHECK(decisions[3].fastener == story.joint().fasteners.at(1).name);
    CHECK(decisions[4].subject.empty());
    CHECK(decisions[4].subject_event == EventNumber{3});
    CHECK(decisions[4].fastener.empty());
}

TEST_CASE("an override that counted no longer is told with the event that ended it") {
    const Story story(true, true);
    CHECK(record_of(story, "TM000871").stays.at(0).decisions.at(0).ended_by == EventNumber{7});
}

TEST_CASE("the command line tells a unit from the file as the service does") {
    const Story story(GENERATE(true, false), GENERATE(true, false));
    auto reader = Reader::open(story.path());
    REQUIRE(reader);
    const auto unit = cli::unit_from(**reader, "TM000871");
    REQUIRE(unit);
    CHECK(*unit == nlohmann::json::parse(web::unit_view(record_of(story, "TM000871"), people::Roster{})));
    CHECK(unit->at("stays").at(0).at("decisions").size() == 5);
}

TEST_CASE("fasteners and passes are told by the names that the rules of the stay gave them") {
    const Story story(true);
    const auto stay = record_of(story, "TM000871").stays.at(0);
    REQUIRE(stay.tightenings.size() == 1);
    const auto& line = stay.tightenings.front();
    CHECK(line.joint == story.joint().id);
    CHECK(line.fastener == story.joint().fasteners.at(1).name);
    CHECK(line.pass == story.joint().passes.at(0).name);
    CHECK(line.attempt == 1U);
    CHECK(line.verdict == "ok");
    CHECK(line.torque_micro_nm == 412'500'000);
    CHECK(line.torque_received == "412.5");
    CHECK(line.operator_ == PersonNumber{3});
}

TEST_CASE("without the text of the rules a fastener is told by its place, and nothing else is lost") {
    const Story story(false);
    const auto stay = record_of(story, "TM000871").stays.at(0);
    REQUIRE(stay.tightenings.size() == 1);
    CHECK(stay.tightenings.front().fastener == "no. 2");
    CHECK(stay.tightenings.front().pass == "no. 1");
    CHECK(stay.tickets.size() == 2);
}

TEST_CASE("a tightening that was not OK is told with what it looks like, one that was without") {
    CHECK(record_of(Story(true), "TM000871").stays.at(0).tightenings.at(0).patterns.empty());
    const Story story(true, false, protocol::Torque{100'000'000});
    const auto line = record_of(story, "TM000871").stays.at(0).tightenings.at(0);
    REQUIRE(line.patterns.size() == 2);
    CHECK(line.patterns[0].pattern == evaluation::Pattern::stopped_early);
    CHECK(line.patterns[1].pattern == evaluation::Pattern::under_tightened);
    CHECK(line.patterns[1].evidence.starts_with("100 N·m instead of "));
    CHECK(line.curve_fault.empty());
    // Without the rules nobody knows what it should have been.
    const Story without(false, false, protocol::Torque{100'000'000});
    CHECK(record_of(without, "TM000871").stays.at(0).tightenings.at(0).patterns.empty());
}

TEST_CASE("a sub-assembly's serial leads to the same stay; a serial never seen to none") {
    const Story story(true);
    CHECK(record_of(story, "BF000111").stays.at(0).stay == EventNumber{2});
    CHECK(record_of(story, "NEVER").stays.empty());
}

TEST_CASE("the archive of the API reads units and events from the journal's file") {
    const Story story(true);
    const web::JournalArchive archive(story.path());
    CHECK(archive.unit({"TM000871"})->stays.size() == 1);
    const auto events = archive.events({2}, 2);
    REQUIRE(events);
    REQUIRE(events->size() == 2);
    CHECK(events->front().number == EventNumber{2});
    CHECK(events->front().hash_hex.size() == 64);
    CHECK(events->front().body.starts_with("{"));
    CHECK(archive.events({10}, 2)->empty());
}

TEST_CASE("a journal that is not there is named with the remedy") {
    const web::JournalArchive archive("/nowhere/station.journal");
    const auto unit = archive.unit({"TM000871"});
    REQUIRE_FALSE(unit);
    CHECK(unit.error().what.find("/nowhere/station.journal") != std::string::npos);
    CHECK_FALSE(unit.error().remedy.empty());
    CHECK_FALSE(archive.events({1}, 1));
}

TEST_CASE("a record that ends before its anchor says so and offers no anchor to be kept") {
    const Story story(true);
    auto reader = Reader::open(story.path());
    REQUIRE(reader);
    const auto whole = cli::verify(**reader, std::nullopt);
    REQUIRE(whole);
    CHECK(whole->text.find("\nanchor 9:") != std::string::npos);
    CHECK(cli::verify(**reader, whole->head)->text.find("9 events, and the anchor fits\n") !=
          std::string::npos);
    const auto cut = cli::verify(**reader, journal::ChainHead{.number = {51}, .hash = {}});
    REQUIRE(cut);
    CHECK_FALSE(cut->whole);
    CHECK(cut->text.find("the anchor is of event 51, beyond the end of this record (event 9)\n") !=
          std::string::npos);
    CHECK(cut->text.find("is not what was written: event 10 is missing") != std::string::npos);
    CHECK(cut->text.find("\nanchor 9:") == std::string::npos);
}
