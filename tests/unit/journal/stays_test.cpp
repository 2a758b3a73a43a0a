#include <catch2/catch.hpp>

#include "service/journal/reader.hpp"
#include "tests/unit/journal/opened.hpp"
#include "tests/unit/journal/scratch.hpp"

using namespace tautgate;
using namespace tautgate::journal;

namespace {

interlock::Ticket ticket(std::string kind, std::string serial, std::uint64_t scanned) {
    return {.kind = std::move(kind),
            .serial = {std::move(serial)},
            .order = "LT26-0417",
            .type = "T4",
            .scanned = EventNumber{scanned},
            .earlier_stays = 0};
}

interlock::State one_bay(std::optional<interlock::Stay> stay) {
    interlock::State state;
    interlock::BayState bay;
    bay.id = {"bay-1"};
    bay.signed_on = PersonNumber{4};
    if (stay)
        bay.occupant = std::move(*stay);
    state.bays.push_back(std::move(bay));
    return state;
}

interlock::Stay fresh_stay() {
    interlock::Stay stay;
    stay.id = EventNumber{1};
    stay.token = {77};
    stay.began.utc_us = 1000;
    stay.rules = {"abc"};
    return stay;
}

interlock::Stay identified_stay() {
    interlock::Stay stay = fresh_stay();
    stay.tickets = {ticket("motor", "D100", 2), ticket("frame", "F200", 3)};
    stay.identity =
        interlock::Identified{.unit = {"F200"}, .variant = "V1", .plan = "plan-1", .plan_revision = "3"};
    return stay;
}

// A station whose decisions are given here, journaled as they come.
class Told {
  public:
    explicit Told(const std::filesystem::path& path)
        : writer_(Writer::open(reports_.options(path))), watch_(state_) {
        REQUIRE(writer_.has_value());
    }
    void event(interlock::Payload payload, interlock::Outcome outcome, interlock::State after,
               std::vector<interlock::PermissiveChange> changes = {}) {
        ++number_;
        interlock::Event event{
            .number = EventNumber{number_},
            .at = {.utc_us = static_cast<std::int64_t>(number_ * 1000), .monotonic_ns = 0, .boot = "b"},
            .payload = std::move(payload)};
        const interlock::Decision decision{
            .state = std::move(after),
            .record = {
                .outcome = std::move(outcome), .changes = std::move(changes), .effects = {}, .ended = {}}};
        (*writer_)->append(entry_of(watch_, std::move(event), decision.state, decision.record, "0.1.0"));
    }
    void close() {
        REQUIRE(reports_.settled(number_));
        (*writer_)->close();
        REQUIRE_FALSE(reports_.failure().has_value());
    }

  private:
    scratch::Reports reports_;
    std::expected<std::unique_ptr<Writer>, JournalError> writer_;
    interlock::State state_ = one_bay(std::nullopt);
    StayWatch watch_;
    std::uint64_t number_ = 0;
};

interlock::ResultReceived result(std::uint64_t counter, std::int64_t micro_nm) {
    interlock::ResultReceived result;
    result.tool = {"nut-runner-1"};
    result.epoch = "1";
    result.reading.counter = counter;
    result.reading.torque = protocol::Torque{micro_nm};
    result.reading.received.torque = "180.2";
    result.reading.received.torque_unit = "N.m";
    return result;
}

interlock::Attributed attributed(evaluation::Verdict verdict) {
    interlock::Attributed it{
        .stay = EventNumber{1}, .joint = {"motor"}, .fastener = 2, .pass = 0, .attempt = 1, .judgement = {}};
    it.judgement.verdict = verdict;
    if (verdict != evaluation::Verdict::ok)
        it.judgement.findings = {{evaluation::FindingCode::torque_low, "1", "2"},
                                 {evaluation::FindingCode::angle_high, "3", "4"}};
    return it;
}

}  // namespace

TEST_CASE(
    "a stay is found by the serial of the unit and of each sub-assembly, with everything that happened") {
    const scratch::Folder folder;
    Told told(folder.journal());
    told.event(interlock::ControllerReported{}, interlock::Applied{}, one_bay(fresh_stay()));
    auto half = fresh_stay();
    half.tickets = {ticket("motor", "D100", 2)};
    told.event(interlock::TicketScanned{}, interlock::Applied{}, one_bay(half));
    told.event(interlock::TicketScanned{}, interlock::Applied{}, one_bay(identified_stay()));
    told.event(result(1, 180'200'000), attributed(evaluation::Verdict::not_ok), one_bay(identified_stay()));
    const interlock::PermissiveChange released{.bay = {"bay-1"},
                                               .permissive = {"lift-beam"},
                                               .now = interlock::Released{EventNumber{5}, {77}},
                                               .came = {},
                                               .gone = {}};
    told.event(result(2, 181'000'000), attributed(evaluation::Verdict::ok), one_bay(identified_stay()),
               {released});
    told.event(interlock::ControllerReported{}, interlock::Applied{}, one_bay(std::nullopt));
    told.close();

    const auto reader = scratch::reader_of(folder.journal());
    for (const char* serial : {"D100", "F200"}) {
        const auto stays = reader->stays_of({serial});
        REQUIRE(stays.has_value());
        REQUIRE(stays->size() == 1);
        CHECK(reader->earlier_stays({serial}) == 1u);
    }
    CHECK(reader->earlier_stays({"D999"}) == 0u);
    const auto touched = [&](const interlock::HeldSource& by, std::int64_t since) {
        const auto units = reader->units_touched(by, since);
        REQUIRE(units.has_value());
        return *units;
    };
    const std::vector<domain::Serial> it{{"F200"}};
    CHECK(touched(interlock::HeldTool{{"nut-runner-1"}}, 0) == it);
    CHECK(touched(interlock::HeldTool{{"nut-runner-1"}}, 5000) == it);  // its second result
    CHECK(touched(interlock::HeldTool{{"nut-runner-1"}}, 5001).empty());
    CHECK(touched(interlock::HeldTool{{"nut-runner-2"}}, 0).empty());
    CHECK(touched(interlock::HeldJoint{{"motor"}}, 0) == it);
    CHECK(touched(interlock::HeldPerson{PersonNumber{99}}, 0).empty());
    const StayRow stay = reader->stays_of({"F200"})->front();
    CHECK(stay.stay.value == 1);
    CHECK(stay.bay == "bay-1");
    CHECK(stay.token == 77);
    CHECK(stay.rules == "abc");
    CHECK(stay.unit == "F200");
    CHECK(stay.plan_revision == "3");
    CHECK(stay.ended == EventNumber{6});
    CHECK(stay.ended_utc_us == 6000);

    const auto tightenings = reader->tightenings_of(stay.stay);
    REQUIRE(tightenings.has_value());
    REQUIRE(tightenings->size() == 2);
    const TighteningRow& first = tightenings->front();
    CHECK(first.counter == 1);
    CHECK(first.outcome == "Attributed");
    CHECK(first.joint == "motor");
    CHECK(first.fastener == 2u);
    CHECK(first.attempt == 1u);
    CHECK(first.verdict == "not_ok");
    CHECK(first.reasons == "torque_low,angle_high");
    CHECK(first.torque_micro_nm == 180'200'000);
    CHECK(first.angle_micro_deg == std::nullopt);
    CHECK(first.torque_received == "180.2");
    CHECK(first.operator_ == PersonNumber{4});
    CHECK(tightenings->back().verdict == "ok");

    const auto releases = reader->releases_of(stay);
    REQUIRE(releases.has_value());
    REQUIRE(releases->size() == 1);
    CHECK(releases->front().output == "Released");
    CHECK(releases->front().token == 77u);
    CHECK(reader->tickets_of(stay.stay)->size() == 2);
}

TEST_CASE("what concerns a stay names the rules that the stay began with, though others are in force") {
    auto state = one_bay(fresh_stay());
    state.rules = Revision{"newer"};
    StayWatch watch(state);
    const auto rules_named = [&](interlock::Outcome outcome) {
        const interlock::Record record{
            .outcome = std::move(outcome), .changes = {}, .effects = {}, .ended = {}};
        return entry_of(watch, {}, state, record, "0.1.0").stored.rules;
    };
    CHECK(rules_named(attributed(evaluation::Verdict::ok)) == Revision{"abc"});
    CHECK(rules_named(interlock::CurveJudged{EventNumber{1}, {"motor"}, 2, 0, EventNumber{4}, {}}) ==
          Revision{"abc"});
    CHECK(rules_named(interlock::Applied{}) == Revision{"newer"});
}

TEST_CASE("a corrected ticket stays in the record and no longer leads to the stay") {
    const scratch::Folder folder;
    Told told(folder.journal());
    auto wrong = fresh_stay();
    wrong.tickets = {ticket("motor", "D666", 1)};
    told.event(interlock::TicketScanned{}, interlock::Applied{}, one_bay(wrong));
    auto right = fresh_stay();
    right.tickets = {ticket("motor", "D100", 2)};
    told.event(interlock::Proposed{.bay = {"bay-1"},
                                   .action = interlock::CorrectTicket{},
                                   .by = {},
                                   .reason_code = {},
                                   .reason_text = {},
                                   .seen = {}},
               interlock::Applied{}, one_bay(right));
    told.close();
    const auto reader = scratch::reader_of(folder.journal());
    CHECK(reader->stays_of({"D666"})->empty());
    CHECK(reader->stays_of({"D100"})->size() == 1);
    const auto tickets = reader->tickets_of(EventNumber{1});
    REQUIRE(tickets->size() == 2);
    CHECK(tickets->front().serial == "D666");
    CHECK(tickets->front().withdrawn == EventNumber{2});
    CHECK(reader->decisions_of(reader->stays_of({"D100"})->front())->front().action == "CorrectTicket");
}

TEST_CASE("a result that two people assign by hand moves to the joint that they named, marked for ever") {
    const scratch::Folder folder;
    Told told(folder.journal());
    told.event(interlock::ControllerReported{}, interlock::Applied{}, one_bay(identified_stay()));
    told.event(result(1, 180'200'000),
               interlock::Unassigned{.why = interlock::UnassignedWhy::no_open_joint, .stay = {}},
               one_bay(identified_stay()));
    const interlock::Proposed proposal{.bay = {"bay-1"},
                                       .action = interlock::AssignResult{EventNumber{2}, {"motor"}, 2},
                                       .by = {9},
                                       .reason_code = "scan",
                                       .reason_text = "scanned late",
                                       .seen = {}};
    told.event(proposal, interlock::AwaitsSecond{EventNumber{3}}, one_bay(identified_stay()));
    CHECK_NOTHROW(
        told.event(interlock::Seconded{.bay = {"bay-1"}, .proposal = EventNumber{3}, .by = {10}, .seen = {}},
                   attributed(evaluation::Verdict::ok), one_bay(identified_stay())));
    told.close();
    const auto reader = scratch::reader_of(folder.journal());
    const auto rows = reader->tightenings_of(EventNumber{1});
    REQUIRE(rows->size() == 1);
    CHECK(rows->front().event == EventNumber{2});
    CHECK(rows->front().stay == EventNumber{1});
    CHECK(rows->front().joint == "motor");
    CHECK(rows->front().assigned_by == EventNumber{4});
    CHECK(rows->front().utc_us == 2000);
}

TEST_CASE("a loosening that is filed by hand is found with the joint that it concerns") {
    const scratch::Folder folder;
    Told told(folder.journal());
    told.event(interlock::ControllerReported{}, interlock::Applied{}, one_bay(identified_stay()));
    told.event(result(1, 20'000'000),
               interlock::Unassigned{.why = interlock::UnassignedWhy::question_open, .stay = {}},
               one_bay(identified_stay()));
    told.event(interlock::Proposed{.bay = {"bay-1"},
                                   .action = interlock::AssignResult{EventNumber{2}, {"motor"}, 1},
                                   .by = {9},
                                   .reason_code = "scan",
                                   .reason_text = "scanned late",
                                   .seen = {}},
               interlock::Loosened{.stay = EventNumber{1}, .joints = {{"motor"}}, .fastener = 1},
               one_bay(identified_stay()));
    told.close();
    const auto rows = scratch::reader_of(folder.journal())->tightenings_of(EventNumber{1});
    REQUIRE(rows->size() == 1);
    CHECK(rows->front().outcome == "Loosened");
    CHECK(rows->front().joint == "motor");
    CHECK(rows->front().fastener == 1);
    CHECK(rows->front().assigned_by == EventNumber{3});
}

TEST_CASE("a result that arrives when the unit has left is found with its stay") {
    const scratch::Folder folder;
    Told told(folder.journal());
    told.event(interlock::ControllerReported{}, interlock::Applied{}, one_bay(identified_stay()));
    told.event(interlock::ControllerReported{}, interlock::Applied{}, one_bay(std::nullopt));
    told.event(result(1, 180'200'000),
               interlock::FiledLate{.stay = EventNumber{1}, .unit = {"F200"}, .on_hold = true},
               one_bay(std::nullopt));
    told.event(result(2, 180'200'000), interlock::Unassigned{}, one_bay(std::nullopt));
    told.close();
    const auto rows = scratch::reader_of(folder.journal())->tightenings_of(EventNumber{1});
    REQUIRE(rows.has_value());
    REQUIRE(rows->size() == 1);
    CHECK(rows->front().event == EventNumber{3});
    CHECK(rows->front().outcome == "FiledLate");
}

TEST_CASE("a change of reasons alone is no change of the output") {
    const scratch::Folder folder;
    Told told(folder.journal());
    const auto change = [](interlock::Output now, std::vector<interlock::Reason> reasons) {
        return interlock::PermissiveChange{.bay = {"bay-1"},
                                           .permissive = {"lift-beam"},
                                           .now = now,
                                           .came = std::move(reasons),
                                           .gone = {}};
    };
    interlock::Reason open;
    open.code = interlock::ReasonCode::joint_open;
    interlock::Reason lost;
    lost.code = interlock::ReasonCode::tool_link_lost;
    const auto here = one_bay(identified_stay());
    told.event(interlock::ControllerReported{}, interlock::Applied{}, here,
               {change(interlock::Withheld{}, {open})});
    told.event(interlock::ControllerReported{}, interlock::Applied{}, here,
               {change(interlock::Withheld{}, {lost})});
    told.event(interlock::ControllerReported{}, interlock::Applied{}, here,
               {change(interlock::Released{EventNumber{3}, {77}}, {})});
    told.event(interlock::ControllerReported{}, interlock::Applied{}, here,
               {change(interlock::Withheld{}, {lost})});
    told.close();
    const auto reader = scratch::reader_of(folder.journal());
    const auto rows = reader->releases_of(*reader->stay(EventNumber{1}).value());
    REQUIRE(rows.has_value());
    REQUIRE(rows->size() == 3);
    CHECK(rows->at(0).reasons == "joint_open");
    CHECK(rows->at(1).output == "Released");
    CHECK(rows->at(2).event == EventNumber{4});
    CHECK(rows->at(2).reasons == "tool_link_lost");
}

TEST_CASE("a refused act is in the table of decisions with its refusal") {
    const scratch::Folder folder;
    Told told(folder.journal());
    told.event(interlock::ControllerReported{}, interlock::Applied{}, one_bay(fresh_stay()));
    told.event(interlock::Proposed{.bay = {"bay-1"},
                                   .action = interlock::OverrideJoint{{"motor"}, "seen", std::nullopt},
                                   .by = {9},
                                   .reason_code = "tool-broken",
                                   .reason_text = "tool broken",
                                   .seen = {}},
               interlock::Refused{interlock::RefusalCode::tightened_it, ""}, one_bay(fresh_stay()));
    told.close();
    const auto reader = scratch::reader_of(folder.journal());
    const auto decisions = reader->decisions_of(*reader->stay(EventNumber{1}).value());
    REQUIRE(decisions->size() == 1);
    const DecisionRow& row = decisions->front();
    CHECK(row.kind == "Proposed");
    CHECK(row.action == "OverrideJoint");
    CHECK(row.subject == "motor");
    CHECK(row.person == PersonNumber{9});
    CHECK(row.outcome == "Refused");
    CHECK(row.refusal == "tightened_it");
    CHECK(row.reason_code == "tool-broken");
}

namespace {

// Of the two bays, that of the stay; the other one is empty.
interlock::State two_bays_with(const interlock::Stay& stay, std::size_t at) {
    interlock::State state = one_bay(std::nullopt);
    interlock::BayState second = state.bays.front();
    second.id = {"bay-2"};
    second.signed_on = PersonNumber{6};
    state.bays.push_back(std::move(second));
    state.bays[at].occupant = stay;
    return state;
}

interlock::PermissiveChange output_of(std::string bay, std::string permissive, interlock::Output now) {
    return {.bay = {std::move(bay)},
            .permissive = {std::move(permissive)},
            .now = std::move(now),
            .came = {},
            .gone = {}};
}

interlock::Stay moved_stay() {
    interlock::Stay stay = identified_stay();
    stay.earlier_places = {{.bay = {"bay-1"}, .from = {1000, 10, "b"}, .until = {4000, 40, "b"}}};
    stay.moved_here = interlock::MovedHere{.from = {"bay-1"},
                                           .permissive = {"shift"},
                                           .moved = EventNumber{4},
                                           .arrived = std::nullopt,
                                           .since = {4000, 40, "b"}};
    stay.moved_unproven = {{{"shift"}, EventNumber{4}}};
    return stay;
}

}  // namespace

TEST_CASE("a stay that moves is told with its movements, and what was let out at each bay stays its own") {
    const scratch::Folder folder;
    Told told(folder.journal());
    const interlock::Stay before = identified_stay();
    told.event(interlock::ControllerReported{}, interlock::Applied{}, two_bays_with(fresh_stay(), 0));
    told.event(interlock::TicketScanned{}, interlock::Applied{}, two_bays_with(before, 0));
    told.event(interlock::CheckConfirmed{.bay = {"bay-1"}, .step = "look", .by = {4}, .seen = {2}},
               interlock::Applied{}, two_bays_with(before, 0),
               {output_of("bay-1", "shift", interlock::Released{EventNumber{3}, {77}})});
    interlock::State moved = two_bays_with(moved_stay(), 1);
    moved.newest = EventNumber{4};
    told.event(interlock::ControllerReported{},
               interlock::StayMoved{.stay = {1}, .from = {"bay-1"}, .to = {"bay-2"}, .permissive = {"shift"}},
               moved, {output_of("bay-1", "shift", interlock::Withheld{})});
    moved.newest = EventNumber{5};
    interlock::ResultReceived late = result(1, 1);
    late.made = {20, 30, "b"};
    told.event(late, attributed(evaluation::Verdict::ok), moved);
    interlock::ResultReceived here = result(2, 1);
    here.made = {50, 60, "b"};
    told.event(here, attributed(evaluation::Verdict::ok), moved,
               {output_of("bay-2", "leave", interlock::Released{EventNumber{6}, {77}})});
    told.event(interlock::CheckConfirmed{.bay = {"bay-2"}, .step = "seal", .by = {6}, .seen = {6}},
               interlock::Applied{}, moved);
    told.event(interlock::ButtonPressed{.bay = {"bay-2"}, .button = "IO-1/done", .step = "", .made = {}},
               interlock::Confirmed{.stay = {1}, .step = "grease", .by = {6}}, moved);
    told.close();

    const auto reader = scratch::reader_of(folder.journal());
    const auto stays = reader->stays_of({"F200"});
    REQUIRE(stays.has_value());
    REQUIRE(stays->size() == 1);
    const StayRow& stay = stays->front();
    CHECK(stay.bay == "bay-2");
    CHECK(stay.token == 77);
    CHECK_FALSE(stay.ended.has_value());
    const auto moves = reader->moves_of(stay.stay);
    REQUIRE(moves.has_value());
    REQUIRE(moves->size() == 1);
    CHECK(moves->front().event == EventNumber{4});
    CHECK(moves->front().from_bay == "bay-1");
    CHECK(moves->front().to_bay == "bay-2");
    CHECK(moves->front().permissive == "shift");
    CHECK(moves->front().unproven);
    const auto outputs = reader->releases_of(stay);
    REQUIRE(outputs.has_value());
    REQUIRE(outputs->size() == 3);
    CHECK((*outputs)[0].bay == "bay-1");
    CHECK((*outputs)[1].output == "Withheld");
    CHECK((*outputs)[2].bay == "bay-2");
    const auto decisions = reader->decisions_of(stay);
    REQUIRE(decisions.has_value());
    REQUIRE(decisions->size() == 3);
    CHECK(decisions->back().kind == "ButtonPressed");
    CHECK(decisions->back().subject == "grease");
    CHECK(decisions->back().person == PersonNumber{6});
    const auto tightenings = reader->tightenings_of(stay.stay);
    REQUIRE(tightenings.has_value());
    REQUIRE(tightenings->size() == 2);
    CHECK(tightenings->front().operator_ == PersonNumber{4});
    CHECK(tightenings->back().operator_ == PersonNumber{6});
    const auto found = reader->audit();
    REQUIRE(found.has_value());
    // The rules that this story names were never stored; of its tables nothing is otherwise than its events
    // say.
    for (const auto& finding : *found)
        if (!finding.starts_with("table document:"))
            FAIL_CHECK(finding);
}

TEST_CASE("a joint that is done in another way is told from when its unit is known to have it") {
    const scratch::Folder folder;
    Told told(folder.journal());
    const interlock::OtherWay way{{"mount"}, "spare", EventNumber{9}};
    interlock::Stay stay = fresh_stay();
    stay.other_ways = {way};
    told.event(interlock::ControllerReported{}, interlock::Applied{}, one_bay(stay));
    stay = identified_stay();
    stay.other_ways = {way};
    stay.other_ways.front().counted = true;
    told.event(interlock::TicketScanned{}, interlock::Applied{}, one_bay(stay));
    told.event(interlock::TicketScanned{}, interlock::Applied{}, one_bay(stay));
    told.close();

    const auto reader = scratch::reader_of(folder.journal());
    const auto ways = reader->other_ways_of(stay.id);
    REQUIRE(ways.has_value());
    REQUIRE(ways->size() == 1);
    CHECK(ways->front().joint == "mount");
    CHECK(ways->front().alternate == "spare");
    CHECK(ways->front().bypass == EventNumber{9});
    const auto units = reader->units_of_bypass({9});
    REQUIRE(units.has_value());
    REQUIRE(units->size() == 1);
    CHECK(units->front().stay == stay.id);
    CHECK(units->front().unit == "F200");
    CHECK(units->front().utc_us > 0);
    const auto none = reader->units_of_bypass({8});
    REQUIRE(none.has_value());
    CHECK(none->empty());
}
