// Trying the wiring of an empty bay: shown as released for a token on which no controller moves, and nothing
// else.
#include "protocol/permissive_block.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

constexpr Token reserved{0xFF00BEEF};

config::Station station_with_testers() {
    config::Station station = small_station();
    station.wiring_tests.roles = {config::Role::quality_engineer};
    return station;
}

WiringTestBegan wiring_test_by(PersonNumber by, std::optional<PermissiveId> permissive = std::nullopt) {
    return {BayId{"B1"}, std::move(permissive), by, reserved};
}

struct Tested : Story {
    Tested() : Story(station_with_testers()) { happens(wiring_test_by(quality)); }
    [[nodiscard]] std::optional<WiringTestEnd> ended() const {
        for (const Effect& effect : record.effects)
            if (const auto* over = std::get_if<WiringTestOver>(&effect))
                return over->why;
        return std::nullopt;
    }
    // Withheld, with the token of the next stay.
    [[nodiscard]] bool is_over() const {
        return !bay().wiring_test &&
               gate(bay(), permissive("lift"), state.newest) == WireOrder{OnWire::withheld, bay().offered};
    }
};

std::optional<RefusalCode> refusal_of(const Outcome& outcome) {
    const auto* refusal = std::get_if<Refused>(&outcome);
    return refusal != nullptr ? std::optional(refusal->code) : std::nullopt;
}

}  // namespace

TEST_CASE(
    "while the wiring is tried every permissive of the bay is shown as released for the reserved token, and "
    "stays withheld as far as any rule goes") {
    const Tested tested;
    REQUIRE(tested.bay().wiring_test);
    for (const PermissiveState& permissive : tested.bay().permissives) {
        CHECK(gate(tested.bay(), permissive, tested.state.newest) == WireOrder{OnWire::released, reserved});
        CHECK(std::holds_alternative<Withheld>(permissive.output));
        CHECK_FALSE(permissive.reasons.empty());
    }
}

TEST_CASE("it goes out only once it is durable") {
    const Tested tested;
    const EventNumber before{tested.bay().wiring_test->began.value - 1};
    CHECK(gate(tested.bay(), tested.permissive("lift"), before).code == OnWire::withheld);
}

TEST_CASE("a test of one permissive leaves the others withheld with the next stay's token") {
    Story story(station_with_testers());
    story.happens(wiring_test_by(quality, PermissiveId{"lift"}));
    CHECK(story.on_wire("lift") == OnWire::released);
    CHECK(gate(story.bay(), story.permissive("leave"), story.state.newest) ==
          WireOrder{OnWire::withheld, story.bay().offered});
}

TEST_CASE("an arrival ends it with the very event, and the stay has a token of its own") {
    Tested tested;
    tested.arrives();
    CHECK(tested.ended() == WiringTestEnd::unit_seen);
    REQUIRE(stay_at(tested.bay()) != nullptr);
    CHECK(tested.stay().token != reserved);
    CHECK(protocol::token_kind(tested.stay().token.value) == protocol::TokenKind::stay);
    CHECK_FALSE(tested.bay().wiring_test);
    CHECK(gate(tested.bay(), tested.permissive("lift"), tested.state.newest) ==
          WireOrder{OnWire::withheld, tested.stay().token});
}

TEST_CASE("whatever speaks against it ends it, and says why") {
    struct Row {
        WiringTestEnd why;
        std::function<void(Story&)> what;
    };
    for (const Row& row : {
             Row{WiringTestEnd::by_person,
                 [](Story& s) {
                     s.happens(WiringTestEnded{BayId{"B1"}, worker});
                 }},
             Row{WiringTestEnd::time_over,
                 [](Story& s) {
                     s.happens(WiringTestEnded{BayId{"B1"}, std::nullopt});
                 }},
             Row{WiringTestEnd::unit_seen,
                 [](Story& s) {
                     s.equipment.present = Presence::unknown;
                     s.report();
                 }},
             Row{WiringTestEnd::unit_seen,
                 [](Story& s) {
                     s.equipment.present = Presence::present;
                     s.report();
                 }},
             Row{WiringTestEnd::unit_seen, [](Story& s) { s.scans("D", "D1"); }},
             Row{WiringTestEnd::equipment_moved, [](Story& s) { s.moves("lift"); }},
             Row{WiringTestEnd::equipment_moved,
                 [](Story& s) {
                     ++s.equipment.starts;
                     s.report();
                 }},
             Row{WiringTestEnd::equipment_moved,
                 [](Story& s) {
                     ++s.equipment.departures;
                     s.report();
                 }},
             Row{WiringTestEnd::link_lost,
                 [](Story& s) {
                     s.happens(ControllerLinkChanged{BayId{"B1"}, Quality::stale, "", 1});
                 }},
             Row{WiringTestEnd::link_lost,
                 [](Story& s) {
                     s.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 3});
                 }},
             Row{WiringTestEnd::station_restarted, [](Story& s) { s.restarts(false); }},
             Row{WiringTestEnd::station_restarted, [](Story& s) { s.happens(StationStopped{}); }},
             Row{WiringTestEnd::rules_changed,
                 [](Story& s) {
                     s.happens(RulesApproved{Revision{"r1"}, admin, supervisor, {}});
                 }},
         }) {
        INFO(static_cast<int>(row.why));
        Tested tested;
        row.what(tested);
        CHECK(tested.ended() == row.why);
        CHECK(tested.is_over());
    }
}

TEST_CASE("what concerns something else lets it go on") {
    Tested tested;
    tested.happens(OperatorSignedOn{BayId{"B1"}, worker});
    tested.equipment.echoed = reserved;
    tested.report();
    tested.happens(ToolLinkChanged{ToolId{"T1"}, Quality::stale, "", 1});
    CHECK(tested.bay().wiring_test);
}

TEST_CASE("a movement while the wiring is tried is a movement that was not released") {
    Tested tested;
    tested.moves("lift");
    CHECK(tested.alarmed(AlarmCode::moved_unproven));
}

TEST_CASE("it begins only at a bay that is surely empty, by somebody entitled to it, with a reserved token") {
    Story story(station_with_testers());
    CHECK(refusal_of(story.happens(wiring_test_by(worker))) == RefusalCode::not_entitled);
    CHECK(refusal_of(story.happens(wiring_test_by(PersonNumber{77}))) == RefusalCode::unknown_person);
    CHECK(refusal_of(story.happens(wiring_test_by(quality, PermissiveId{"roof"}))) ==
          RefusalCode::no_such_thing);
    auto with_stays_token = wiring_test_by(quality);
    with_stays_token.token = Token{5};
    CHECK(refusal_of(story.happens(with_stays_token)) == RefusalCode::not_possible_now);
    auto elsewhere = wiring_test_by(quality);
    elsewhere.bay = BayId{"B9"};
    CHECK(refusal_of(story.happens(elsewhere)) == RefusalCode::no_such_thing);

    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::stale, "", 1});
    CHECK(refusal_of(story.happens(wiring_test_by(quality))) == RefusalCode::not_possible_now);
    story.links_come_up();
    story.equipment.present = Presence::unknown;
    story.report();
    CHECK(refusal_of(story.happens(wiring_test_by(quality))) == RefusalCode::not_possible_now);
    story.arrives();
    CHECK(refusal_of(story.happens(wiring_test_by(quality))) == RefusalCode::not_possible_now);
    story.departs();
    CHECK_FALSE(refusal_of(story.happens(wiring_test_by(quality))));
    CHECK(refusal_of(story.happens(wiring_test_by(quality))) ==
          RefusalCode::not_possible_now);  // it is under way
    story.happens(WiringTestEnded{BayId{"B1"}, quality});
    CHECK(refusal_of(story.happens(WiringTestEnded{BayId{"B1"}, quality})) == RefusalCode::already_settled);
}

TEST_CASE("a test of the wiring that could meet a unit, or a stay's token, breaks a promise") {
    const Tested tested;
    const auto broken = [&](const auto& change) {
        State state = tested.state;
        change(state.bays.front());
        return broken_invariant(tested.rules, state);
    };
    CHECK(broken([](BayState&) {}).empty());
    CHECK(broken([](BayState& bay) { bay.wiring_test->token = Token{5}; }).find("token of a stay") !=
          std::string::npos);
    CHECK(broken([](BayState& bay) { bay.controller.present = Presence::unknown; }).find("may be there") !=
          std::string::npos);
    CHECK(broken([](BayState& bay) { bay.controller.link = Quality::stale; }).find("good link") !=
          std::string::npos);
    CHECK(broken([](BayState& bay) { bay.offered = reserved; }).find("no usable token") != std::string::npos);
}
