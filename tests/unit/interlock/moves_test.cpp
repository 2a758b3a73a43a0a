// A unit moves from one bay to another with its stay and its token: in every order in which the two
// controllers may tell it, with everything that may be lost in between.
#include "service/interlock/canonical.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

// `mount` is tightened at bay B1 with T1, then `shift` takes the unit to B2, where T2 does the rest. Each bay
// has its way out for what stays incomplete; `back` leads from B2 to B1.
config::Station two_bays() {
    config::Station station = small_station();
    config::Bay second = station.bays.front();
    second.id = second.name = "B2";
    second.number = 2;
    station.bays.push_back(second);
    station.tools[1].bay = "B2";
    auto shift = permissive("shift", 1);
    shift.scope = config::Scope::stages;
    shift.through_stage = "mounting";
    shift.moves_to = "B2";
    shift.one_shot = true;
    auto side = permissive("side", 2);
    side.leaving = true;
    auto leave = permissive("leave", 3);
    leave.leaving = true;
    leave.bay = "B2";
    auto back = permissive("back", 4);
    back.bay = "B2";
    back.moves_to = "B1";
    station.permissives = {shift, side, leave, back};
    config::Plan& plan = station.plans.front();
    plan.stages = {{"scan", {config::ScanStep{"D"}, config::ScanStep{"F"}}},
                   {"mounting", {config::TightenStep{"mount"}}},
                   {"capping", {config::TightenStep{"cap"}}},
                   {"finish", {config::TightenStep{"clip"}, config::ConfirmStep{"look", "Look at it"}}}};
    plan.leaving_incomplete.permissives = {"side", "leave"};
    station.wiring_tests.roles = {Role::quality_engineer};
    return station;
}

// The equipment of one bay: it takes the token on the wire when something arrives.
struct Equipment {
    Presence present = Presence::absent;
    std::uint16_t arrivals = 7, departures = 7, starts = 1;
    std::vector<Moved> moved;
    Token echoed;
};

struct Line : Story {
    explicit Line(config::Station station = two_bays()) : Story(std::move(station)) {
        comes_up("B1");
        comes_up("B2");
    }

    const BayState& at(const std::string& id) const { return *bay_of(state, BayId{id}); }
    const Stay* stay_of(const std::string& id) const { return stay_at(at(id)); }
    const PermissiveState& output(const std::string& bay, const std::string& id) const {
        const auto& all = at(bay).permissives;
        const auto found = std::ranges::find(all, PermissiveId{id}, &PermissiveState::id);
        REQUIRE(found != all.end());
        return *found;
    }
    WireOrder order(const std::string& bay, const std::string& id) const {
        return gate(at(bay), output(bay, id), state.newest);
    }
    bool free(const std::string& bay, const std::string& id) const {
        return order(bay, id).code == OnWire::released;
    }
    const Reason* why(const std::string& bay, const std::string& id, ReasonCode code) const {
        const auto& reasons = output(bay, id).reasons;
        const auto found = std::ranges::find(reasons, code, &Reason::code);
        return found == reasons.end() ? nullptr : &*found;
    }
    // What the bay shows to its controller: the same for all of its permissives.
    Token shown(const std::string& bay) const {
        return gate(at(bay), at(bay).permissives.front(), state.newest).token;
    }

    std::vector<PermissiveId> on_the_wire(const std::string& bay) const {
        std::vector<PermissiveId> out;
        for (const PermissiveState& each : at(bay).permissives) {
            if (gate(at(bay), each, state.newest).code != OnWire::withheld)
                out.push_back(each.id);
        }
        return out;
    }
    const Outcome& tells(const std::string& bay) {
        const Equipment& real = floor[bay];
        return happens(ControllerReported{BayId{bay},
                                          real.present,
                                          real.arrivals,
                                          real.departures,
                                          real.starts,
                                          real.moved,
                                          real.echoed,
                                          false,
                                          fresh(),
                                          on_the_wire(bay),
                                          {}});
    }
    void comes_up(const std::string& bay) {
        happens(ControllerLinkChanged{BayId{bay}, Quality::good, "", 1});
        tells(bay);
    }
    void falls_silent(const std::string& bay) {
        happens(ControllerLinkChanged{BayId{bay}, Quality::stale, "", 1});
    }

    // ---- what is physically so, told or not
    void counts(const std::string& bay, const std::string& id) {
        auto& moved = floor[bay].moved;
        const auto known = std::ranges::find(moved, PermissiveId{id}, &Moved::permissive);
        if (known == moved.end())
            moved.push_back({PermissiveId{id}, 1});
        else
            ++known->count;
    }
    void goes(const std::string& bay) {
        floor[bay].present = Presence::absent;
        ++floor[bay].departures;
    }
    void comes(const std::string& bay) {
        floor[bay].present = Presence::present;
        ++floor[bay].arrivals;
        floor[bay].echoed = shown(bay);
    }

    const Outcome& scans_at(const std::string& bay, const std::string& kind, const std::string& serial,
                            const std::string& order = "O1") {
        return happens(TicketScanned{BayId{bay}, kind, Serial{serial}, order, kind + "V", "", 0});
    }
    void unit_comes(const std::string& bay, const std::string& number) {
        comes(bay);
        tells(bay);
        scans_at(bay, "D", "D" + number, "O" + number);
        scans_at(bay, "F", "F" + number, "O" + number);
    }
    void mounted_unit(const std::string& number = "1") {
        happens(OperatorSignedOn{BayId{"B1"}, worker});
        unit_comes("B1", number);
        hits(mount_ok);
        hits(mount_ok);
        REQUIRE(free("B1", "shift"));
    }
    const Outcome& moves_on() {
        counts("B1", "shift");
        return tells("B1");
    }
    void arrives_at(const std::string& bay) {
        comes(bay);
        tells(bay);
    }
    // The whole way, in the order in which it happens.
    void shifted_unit() {
        mounted_unit();
        moves_on();
        goes("B1");
        tells("B1");
        arrives_at("B2");
    }
    const Outcome& decides_at_b2(Action action) {
        return happens(
            Proposed{BayId{"B2"}, std::move(action), supervisor, "checked", "checked by hand", state.newest});
    }
    void finishes_at_b2() {
        hits(cap_ok);
        hits(cap_ok);
        hits(clip_ok(1));
        hits(clip_ok(2));
        happens(CheckConfirmed{BayId{"B2"}, "look", worker, state.newest});
    }
    // The same events once more, from the beginning.
    void replays_the_same() const {
        State again;
        for (const Event& event : events)
            again = decide(rules, std::move(again), event).state;
        CHECK(canonical_bytes(again) == canonical_bytes(state));
    }

    std::map<std::string, Equipment> floor;
};

bool is_about(const Stay* stay, const std::string& serial) {
    return stay != nullptr && !stay->tickets.empty() && stay->tickets.front().serial == Serial{serial};
}

}  // namespace

TEST_CASE("a unit moves with its stay, its token and what is proven, and leaves from the second bay") {
    Line line;
    line.mounted_unit();
    const Stay before = *line.stay_of("B1");
    const Outcome moved = line.moves_on();
    REQUIRE(is<StayMoved>(moved));
    CHECK(std::get<StayMoved>(moved) ==
          StayMoved{before.id, BayId{"B1"}, BayId{"B2"}, PermissiveId{"shift"}, false});
    REQUIRE(line.stay_of("B2") != nullptr);
    CHECK(line.stay_of("B1") == nullptr);
    CHECK(line.stay_of("B2")->id == before.id);
    CHECK(line.stay_of("B2")->token == before.token);
    CHECK(line.stay_of("B2")->joints == before.joints);
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
    CHECK(line.state.holds.empty());
    line.goes("B1");
    line.tells("B1");
    line.arrives_at("B2");
    CHECK_FALSE(is_on_its_way(*line.stay_of("B2")));
    CHECK_FALSE(line.free("B2", "leave"));
    line.finishes_at_b2();
    REQUIRE(line.free("B2", "leave"));
    CHECK(line.order("B2", "leave").token == before.token);
    line.counts("B2", "leave");
    line.tells("B2");
    CHECK(line.stay_of("B2") == nullptr);
    CHECK(line.state.holds.empty());
    CHECK(line.state.ended.back().id == before.id);
    CHECK(line.state.ended.back().bay == BayId{"B2"});
    line.replays_the_same();
}

TEST_CASE("a part of the plan is in scope up to its stage, and nothing beyond") {
    Line line;
    line.happens(OperatorSignedOn{BayId{"B1"}, worker});
    line.unit_comes("B1", "1");
    CHECK(line.why("B1", "shift", ReasonCode::joint_open)->joint == "mount");
    line.hits(mount_ok);
    CHECK_FALSE(line.free("B1", "shift"));
    line.hits(mount_ok);
    CHECK(line.free("B1", "shift"));
    CHECK_FALSE(line.free("B1", "side"));
    line.hits(mount_loosened);
    CHECK_FALSE(line.free("B1", "shift"));
}

TEST_CASE("the bay to which a unit may move shows its token, withheld, and its own again when it may not") {
    Line line;
    const Token own = line.at("B2").offered;
    CHECK(line.shown("B2") == own);
    line.mounted_unit();
    const Token token = line.stay_of("B1")->token;
    CHECK(line.order("B2", "leave") == WireOrder{OnWire::withheld, token});
    CHECK(line.order("B2", "back") == WireOrder{OnWire::withheld, token});
    CHECK(line.order("B1", "shift") == WireOrder{OnWire::released, token});
    SECTION("a release that ends") {
        line.hits(mount_loosened);
        CHECK(line.shown("B2") == own);
    }
    SECTION("a movement") {
        line.moves_on();
        CHECK(line.order("B2", "leave") == WireOrder{OnWire::withheld, token});
        CHECK(line.shown("B1") != token);
        CHECK(line.shown("B1") != own);
        CHECK(line.order("B1", "shift").code == OnWire::withheld);
        CHECK(line.at("B1").offered != Token{});
    }
    SECTION("while out of sight the equipment may still act on the release") {
        line.falls_silent("B1");
        CHECK_FALSE(line.free("B1", "shift"));
        CHECK(line.shown("B2") == token);
        line.comes_up("B1");
        CHECK(line.free("B1", "shift"));
        CHECK(line.shown("B2") == token);
    }
    SECTION("no test of the wiring meanwhile") {
        line.happens(WiringTestBegan{BayId{"B2"}, {}, quality, Token{0xFF000001}});
        CHECK(is<Refused>(line.record.outcome));
        CHECK(line.free("B1", "shift"));
    }
}

TEST_CASE("nothing is released for a unit on its way, and nothing is confirmed") {
    Line line;
    // Whatever the second bay waits for is overridden before the unit moves.
    line.mounted_unit();
    for (const std::string id : {"cap", "clip"})
        line.proposes(supervisor, OverrideJoint{JointId{id}, "turned by hand", {}});
    line.moves_on();
    CHECK(line.why("B2", "leave", ReasonCode::unit_absent) != nullptr);
    CHECK(sentence(*line.why("B2", "leave", ReasonCode::unit_absent)) ==
          "The unit is on its way here from bay B1.");
    line.happens(CheckConfirmed{BayId{"B2"}, "look", worker, line.state.newest});
    CHECK(refused(line.record.outcome, RefusalCode::not_possible_now));
    line.happens(OperatorSignedOn{BayId{"B2"}, worker});
    line.happens(ButtonPressed{BayId{"B2"}, "IO/1", "look", {line.now_ns, line.now_ns, line.boot}});
    CHECK(refused(line.record.outcome, RefusalCode::not_possible_now));
    CHECK(refused(line.scans_at("B2", "D", "D1"), RefusalCode::not_possible_now));
    line.arrives_at("B2");
    CHECK_FALSE(line.free("B2", "leave"));
    const EventNumber before_it_came{line.state.newest.value - 1};
    line.happens(CheckConfirmed{BayId{"B2"}, "look", worker, before_it_came});
    CHECK(refused(line.record.outcome, RefusalCode::seen_too_old));
    line.happens(CheckConfirmed{BayId{"B2"}, "look", worker, line.state.newest});
    CHECK(line.free("B2", "leave"));
}

TEST_CASE("the way to a bay that is not surely free is withheld, and says why") {
    Line line;
    line.mounted_unit();
    const auto held = [&](const std::string& what) {
        CHECK_FALSE(line.free("B1", "shift"));
        const Reason* reason = line.why("B1", "shift", ReasonCode::next_bay_occupied);
        REQUIRE(reason != nullptr);
        CHECK(sentence(*reason) == "The unit cannot move to bay B2: " + what + ".");
        CHECK_FALSE(text_of(reason->code).overridable);
    };
    SECTION("another unit") {
        line.hits(mount_loosened);
        line.hits(mount_loosened);
        line.unit_comes("B2", "2");
        line.hits(mount_ok);
        line.hits(mount_ok);
        held("D2 is there");
        line.goes("B2");
        line.tells("B2");
        CHECK(line.free("B1", "shift"));
    }
    SECTION("another unit on its way") {
        line.moves_on();
        line.goes("B1");
        line.tells("B1");
        line.unit_comes("B1", "3");
        line.hits(mount_ok);
        line.hits(mount_ok);
        held("D1 is on its way there");
        line.arrives_at("B2");
        held("D1 is there");
    }
    SECTION("something that its equipment sees") {
        line.arrives_at("B2");
        held("its equipment sees something there");
        CHECK(line.stay_of("B2") == nullptr);
        line.goes("B2");
        line.tells("B2");
        CHECK(line.free("B1", "shift"));
    }
    SECTION("its equipment has not spoken") {
        line.falls_silent("B2");
        CHECK_FALSE(line.free("B1", "shift"));
        const Reason* reason = line.why("B1", "shift", ReasonCode::controller_link_lost);
        REQUIRE(reason != nullptr);
        CHECK(sentence(*reason) == "The link to the equipment's controller of bay B2 is silent.");
        line.happens(ControllerLinkChanged{BayId{"B2"}, Quality::good, "", 1});
        held("its equipment has not said yet whether it is free");
        line.tells("B2");
        CHECK(line.free("B1", "shift"));
    }
    SECTION("its wiring is tried") {
        line.hits(mount_loosened);
        line.happens(WiringTestBegan{BayId{"B2"}, {}, quality, Token{0xFF000001}});
        REQUIRE(line.at("B2").wiring_test);
        line.hits(mount_ok);
        line.hits(mount_ok);
        held("its wiring is being tried");
        line.happens(WiringTestEnded{BayId{"B2"}, quality});
        CHECK(line.free("B1", "shift"));
    }
}

TEST_CASE("of two units that would move to one bay, one may") {
    auto station = two_bays();
    config::Bay third = station.bays.front();
    third.id = third.name = "B3";
    third.number = 3;
    station.bays.push_back(third);
    station.tools[0].control = config::ToolControl{};
    station.tools[0].also_at = {"B3"};
    auto merge = permissive("merge", 9);
    merge.bay = "B3";
    merge.moves_to = "B2";
    merge.scope = config::Scope::stages;
    merge.through_stage = "scan";
    station.permissives.push_back(merge);
    Line line(station);
    line.comes_up("B3");
    line.comes("B3");
    line.floor["B3"].echoed = line.at("B3").offered;
    line.tells("B3");
    line.scans_at("B3", "D", "D3", "O3");
    line.scans_at("B3", "F", "F3", "O3");
    REQUIRE(line.free("B3", "merge"));
    line.happens(OperatorSignedOn{BayId{"B1"}, worker});
    line.unit_comes("B1", "1");
    line.two_decide(OverrideJoint{JointId{"mount"}, "turned by hand", nm(50)});
    REQUIRE(line.why("B1", "shift", ReasonCode::next_bay_occupied) != nullptr);
    CHECK(sentence(*line.why("B1", "shift", ReasonCode::next_bay_occupied)) ==
          "The unit cannot move to bay B2: the unit at bay B3 may move there now.");
    CHECK(line.shown("B2") == line.stay_of("B3")->token);
    SECTION("the other one, once the first may no longer: in the same decision") {
        line.happens(TicketScanned{BayId{"B3"}, "D", Serial{"D9"}, "O3", "DV", "", 0});
        CHECK_FALSE(line.free("B3", "merge"));
        CHECK(line.free("B1", "shift"));
        CHECK(line.shown("B2") == line.stay_of("B1")->token);
    }
    SECTION("or not before the first has come and gone on") {
        line.counts("B3", "merge");
        line.tells("B3");
        CHECK_FALSE(line.free("B1", "shift"));
        CHECK(is_about(line.stay_of("B2"), "D3"));
    }
}

TEST_CASE("a departure over the only free way is that movement, and its count may come late") {
    Line line;
    line.mounted_unit();
    const EventNumber id = line.stay_of("B1")->id;
    line.goes("B1");
    CHECK(is<StayMoved>(line.tells("B1")));
    REQUIRE(line.stay_of("B2") != nullptr);
    CHECK(line.stay_of("B2")->used.size() == 1);
    CHECK(is<Applied>(line.moves_on()));
    CHECK(line.state.holds.empty());
    line.arrives_at("B2");
    CHECK(line.stay_of("B2")->id == id);
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
}

TEST_CASE("a departure while two ways are free waits for the count that tells which") {
    auto station = two_bays();
    station.permissives[1].scope = config::Scope::stages;
    station.permissives[1].through_stage = "mounting";
    Line line(station);
    line.mounted_unit();
    REQUIRE(line.free("B1", "side"));
    line.goes("B1");
    line.tells("B1");
    REQUIRE(line.stay_of("B1") != nullptr);
    CHECK_FALSE(line.free("B1", "shift"));
    CHECK(line.shown("B2") == line.stay_of("B1")->token);
    SECTION("it moved") {
        SECTION("and is not there yet") {
            CHECK(is<StayMoved>(line.moves_on()));
            line.arrives_at("B2");
            CHECK(line.stay_of("B2")->doubt == Doubt::none);
        }
        SECTION("and is there already") {
            line.arrives_at("B2");
            CHECK(line.stay_of("B2") == nullptr);
            CHECK(is<StayMoved>(line.moves_on()));
            CHECK(line.stay_of("B2")->doubt == Doubt::came_before_counted);
        }
        CHECK(line.stay_of("B1") == nullptr);
        CHECK(line.stay_of("B2") != nullptr);
        CHECK_FALSE(line.at("B1").departure_due);
    }
    SECTION("it left") {
        line.counts("B1", "side");
        line.tells("B1");
        CHECK(line.stay_of("B1") == nullptr);
        CHECK(line.stay_of("B2") == nullptr);
        CHECK_FALSE(line.at("B1").departure_due);
    }
    CHECK(line.state.holds.empty());
}

TEST_CASE("an arrival that is told before the movement opens no new stay; a ticket says which unit it is") {
    Line line;
    line.mounted_unit();
    const Stay before = *line.stay_of("B1");
    line.counts("B1", "shift");
    line.goes("B1");
    line.arrives_at("B2");
    CHECK(line.stay_of("B2") == nullptr);
    CHECK_FALSE(line.free("B1", "shift"));
    CHECK(line.shown("B2") == before.token);
    REQUIRE(is<StayMoved>(line.tells("B1")));
    CHECK_FALSE(std::get<StayMoved>(line.record.outcome).unproven);
    REQUIRE(line.stay_of("B2") != nullptr);
    CHECK(line.stay_of("B2")->id == before.id);
    CHECK_FALSE(is_on_its_way(*line.stay_of("B2")));
    CHECK(line.why("B2", "leave", ReasonCode::presence_unconfirmed) != nullptr);
    CHECK(unassigned(line.hits(cap_ok), UnassignedWhy::question_open));
    line.decides_at_b2(SetResultAside{line.state.newest});
    CHECK(is<Applied>(line.scans_at("B2", "F", "F1")));
    line.finishes_at_b2();
    CHECK(line.free("B2", "leave"));
    line.replays_the_same();
}

TEST_CASE("who comes early and is another unit is never taken for the one that may move") {
    Line line;
    line.mounted_unit();
    const Token token = line.stay_of("B1")->token;
    line.arrives_at("B2");  // a crane set it down there
    CHECK(line.stay_of("B2") == nullptr);
    SECTION("its own tickets open its own stay, with a token of its own") {
        line.scans_at("B2", "D", "D2", "O2");
        line.scans_at("B2", "F", "F2", "O2");
        REQUIRE(is_about(line.stay_of("B2"), "D2"));
        CHECK(line.stay_of("B2")->token != token);
        CHECK(line.why("B2", "leave", ReasonCode::token_not_taken) != nullptr);
        CHECK(is_about(line.stay_of("B1"), "D1"));
    }
    SECTION("it goes again, and the way is free") {
        line.goes("B2");
        line.tells("B2");
        CHECK(line.free("B1", "shift"));
        line.moves_on();
        line.arrives_at("B2");
        CHECK(line.stay_of("B2")->doubt == Doubt::none);
    }
    SECTION("the movement is counted all the same: nothing is free before a ticket was scanned") {
        line.moves_on();
        REQUIRE(is_about(line.stay_of("B2"), "D1"));
        line.proposes(supervisor, OverrideJoint{JointId{"cap"}, "turned by hand", {}});
        line.proposes(supervisor, OverrideJoint{JointId{"clip"}, "turned by hand", {}});
        CHECK_FALSE(line.free("B2", "back"));
        CHECK(is<Questioned>(line.scans_at("B2", "D", "D2", "O2")));
        CHECK(line.why("B2", "back", ReasonCode::ticket_repeated) != nullptr);
    }
}

TEST_CASE("an arrival counts once, and a second one is a doubt") {
    Line line;
    line.shifted_unit();
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
    line.tells("B2");
    line.tells("B1");
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
    ++line.floor["B2"].arrivals;
    line.tells("B2");
    CHECK(line.stay_of("B2")->doubt == Doubt::counts_changed);
}

TEST_CASE("two arrivals at once, or something that left, before the unit came: a doubt") {
    Line line;
    line.mounted_unit();
    line.moves_on();
    SECTION("two arrivals") {
        ++line.floor["B2"].arrivals;
        line.arrives_at("B2");
    }
    SECTION("a departure") {
        line.goes("B2");
        line.tells("B2");
        CHECK(is_on_its_way(*line.stay_of("B2")));
        line.arrives_at("B2");
    }
    SECTION("a movement that was not its own") {
        line.counts("B2", "leave");
        line.tells("B2");
        CHECK(line.alarmed(AlarmCode::moved_unproven));
        REQUIRE(line.stay_of("B2") != nullptr);
        line.arrives_at("B2");
    }
    CHECK(line.stay_of("B2")->doubt == Doubt::counts_changed);
}

TEST_CASE("a unit that came and went while nobody could see it is told of as left unproven") {
    Line line;
    line.mounted_unit();
    line.moves_on();
    line.falls_silent("B2");
    line.comes("B2");
    line.goes("B2");
    line.comes_up("B2");
    CHECK(line.stay_of("B2") == nullptr);
    CHECK(line.on_hold("D1"));
}

TEST_CASE("a movement while withheld takes the stay along, unproven and in doubt") {
    Line line;
    line.happens(OperatorSignedOn{BayId{"B1"}, worker});
    line.unit_comes("B1", "1");
    const EventNumber id = line.stay_of("B1")->id;
    REQUIRE(is<StayMoved>(line.moves_on()));
    CHECK(std::get<StayMoved>(line.record.outcome).unproven);
    CHECK(line.alarmed(AlarmCode::moved_unproven));
    CHECK(line.on_hold("D1"));
    line.goes("B1");
    line.tells("B1");
    line.arrives_at("B2");
    REQUIRE(line.stay_of("B2") != nullptr);
    CHECK(line.stay_of("B2")->id == id);
    CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
    CHECK(line.why("B2", "leave", ReasonCode::moved_unproven) != nullptr);
    line.tells("B2");
    CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
    line.scans_at("B2", "D", "D1");
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
    line.decides_at_b2(AcknowledgeMove{PermissiveId{"shift"}});
    CHECK(is<Applied>(line.record.outcome));
    CHECK(line.stay_of("B2")->moved_unproven.empty());
    line.replays_the_same();
}

TEST_CASE("a movement towards a bay with another unit leaves both where they are, in doubt") {
    Line line;
    line.mounted_unit();
    line.hits(mount_loosened);
    line.hits(mount_loosened);
    line.unit_comes("B2", "2");
    line.moves_on();
    CHECK(is<Applied>(line.record.outcome));
    CHECK(line.alarmed(AlarmCode::moved_to_occupied));
    CHECK(line.alarmed(AlarmCode::moved_unproven));
    REQUIRE(is_about(line.stay_of("B1"), "D1"));
    REQUIRE(is_about(line.stay_of("B2"), "D2"));
    CHECK(line.stay_of("B1")->doubt == Doubt::moved_towards_another);
    CHECK(line.stay_of("B2")->doubt == Doubt::moved_towards_another);
    line.goes("B1");
    line.tells("B1");
    CHECK(line.stay_of("B1") == nullptr);
    CHECK(line.on_hold("D1"));
    CHECK(line.state.ended.back().unit == Serial{"D1"});
    line.scans_at("B2", "D", "D2", "O2");
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
}

TEST_CASE("a restart while the unit is on its way") {
    Line line;
    line.mounted_unit();
    line.moves_on();
    line.goes("B1");
    line.tells("B1");
    line.restarts(true);
    CHECK(is_on_its_way(*line.stay_of("B2")));
    CHECK(line.stay_of("B2")->doubt == Doubt::restarted);
    SECTION("that is still going on afterwards spares the scan") {
        line.comes_up("B1");
        line.comes_up("B2");
        CHECK(line.stay_of("B2")->doubt == Doubt::none);
        line.arrives_at("B2");
        CHECK(line.stay_of("B2")->doubt == Doubt::none);
    }
    SECTION("whose arrival was counted meanwhile asks for one") {
        line.comes("B2");
        line.comes_up("B1");
        line.comes_up("B2");
        CHECK_FALSE(is_on_its_way(*line.stay_of("B2")));
        line.tells("B2");
        CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
        line.scans_at("B2", "D", "D1");
        CHECK(line.stay_of("B2")->doubt == Doubt::none);
    }
    line.replays_the_same();
}

TEST_CASE("a restart while the way is free") {
    Line line;
    line.mounted_unit();
    const Stay before = *line.stay_of("B1");
    line.restarts(true);
    CHECK(line.shown("B2") == before.token);
    line.counts("B1", "shift");
    line.goes("B1");
    SECTION("and the arrival is told last") {
        line.comes_up("B2");
        line.comes_up("B1");
        REQUIRE(line.stay_of("B2") != nullptr);
        line.arrives_at("B2");
    }
    SECTION("and the arrival is told first") {
        line.comes("B2");
        line.comes_up("B2");
        CHECK(line.stay_of("B2") == nullptr);
        line.comes_up("B1");
        REQUIRE(line.stay_of("B2") != nullptr);
    }
    CHECK(line.stay_of("B2")->token == before.token);
    CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
    CHECK_FALSE(line.alarmed(AlarmCode::moved_unproven));
    CHECK(line.state.holds.empty());
    line.scans_at("B2", "D", "D1");
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
    line.replays_the_same();
}

TEST_CASE("a link that was lost while the unit was on its way") {
    Line line;
    line.mounted_unit();
    SECTION("that of the bay before, and the movement is told when it is back") {
        line.falls_silent("B1");
        line.counts("B1", "shift");
        line.goes("B1");
        line.arrives_at("B2");
        CHECK(line.stay_of("B2") == nullptr);
        line.comes_up("B1");
        REQUIRE(line.stay_of("B2") != nullptr);
        CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
        CHECK(line.state.holds.empty());
    }
    SECTION("that of the bay after, until the unit had come") {
        line.moves_on();
        line.falls_silent("B2");
        CHECK(line.stay_of("B2")->doubt == Doubt::controller_link_lost);
        line.comes("B2");
        line.comes_up("B2");
        CHECK_FALSE(is_on_its_way(*line.stay_of("B2")));
        line.tells("B2");  // nothing has changed since: that is no evidence for the time before
        CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
    }
    SECTION("that of the bay after, and it is back before the unit comes") {
        line.moves_on();
        line.falls_silent("B2");
        line.comes_up("B2");
        CHECK(line.stay_of("B2")->doubt == Doubt::none);
        line.arrives_at("B2");
        CHECK(line.stay_of("B2")->doubt == Doubt::none);
        return;
    }
    SECTION("that of the bay after, while the movement was made") {
        line.falls_silent("B2");
        line.floor["B1"].echoed = line.stay_of("B1")->token;
        line.moves_on();
        CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
        line.comes("B2");
        line.comes_up("B2");
    }
    CHECK_FALSE(line.free("B2", "leave"));
    line.scans_at("B2", "D", "D1");
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
}

TEST_CASE("a ticket of the unit, scanned before it, stands for an arrival that was not counted") {
    Line line;
    line.mounted_unit();
    line.moves_on();
    line.floor["B2"].present = Presence::present;  // its controller counted nothing
    line.tells("B2");
    CHECK(is_on_its_way(*line.stay_of("B2")));
    SECTION("the unit's own") {
        CHECK(is<Applied>(line.scans_at("B2", "D", "D1")));
        CHECK_FALSE(is_on_its_way(*line.stay_of("B2")));
        CHECK(line.stay_of("B2")->doubt == Doubt::none);
    }
    SECTION("another's") {
        CHECK(is<Questioned>(line.scans_at("B2", "D", "D2", "O2")));
        CHECK(is_on_its_way(*line.stay_of("B2")));
        CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
    }
}

TEST_CASE("a result belongs to the stay if it was made wholly while the unit was at the tool's bay") {
    Line line;
    line.mounted_unit();
    const ResultReceived at_first = line.made(mount_loosened);  // it comes late
    line.moves_on();
    line.goes("B1");
    line.tells("B1");
    SECTION("before it moved, told afterwards: it takes the proof away") {
        line.happens(at_first);
        CHECK(is<Loosened>(line.record.outcome));
        CHECK(std::get<Loosened>(line.record.outcome).stay == line.stay_of("B2")->id);
    }
    SECTION("while it moved away: the unit waits for a word about it") {
        ResultReceived across = line.made(mount_loosened);
        across.reading.counter = at_first.reading.counter;
        across.made = at_first.made;
        across.made.to_ns = line.now_ns;
        line.happens(across);
        CHECK(unassigned(line.record.outcome, UnassignedWhy::not_in_one_stay));
        CHECK(line.stay_of("B2")->unassigned.size() == 1);
    }
    SECTION("after it moved away") {
        line.happens(at_first);
        CHECK(unassigned(line.hits(mount_ok), UnassignedWhy::no_stay));
        CHECK(line.stay_of("B2")->unassigned.empty());
    }
    SECTION("at the bay to which it is on its way") {
        CHECK(unassigned(line.hits(cap_ok), UnassignedWhy::not_in_one_stay));
        CHECK(line.stay_of("B2")->unassigned.size() == 1);
    }
    SECTION("there, before it came, told afterwards") {
        const ResultReceived between = line.made(cap_ok);
        line.arrives_at("B2");
        CHECK(unassigned(line.happens(between), UnassignedWhy::no_stay));
        CHECK(is<Attributed>(line.hits(cap_ok)));
    }
    SECTION("at the first bay, of the next unit there") {
        line.happens(at_first);
        line.unit_comes("B1", "2");
        CHECK(is<Attributed>(line.hits(mount_ok)));
        CHECK(std::get<Attributed>(line.record.outcome).stay == line.stay_of("B1")->id);
    }
    SECTION("at the first bay, of a unit that has left meanwhile") {
        line.arrives_at("B2");
        line.decides_at_b2(UnitHasLeft{line.fresh()});
        line.happens(at_first);
        REQUIRE(is<FiledLate>(line.record.outcome));
        CHECK(std::get<FiledLate>(line.record.outcome).unit == Serial{"D1"});
    }
}

TEST_CASE("who tightened at the first bay is known at the second") {
    Line line;
    line.shifted_unit();
    const auto joint = line.stay_of("B2")->joints.front();
    CHECK(joint.tightened_by == std::vector<PersonNumber>{worker});
    CHECK_FALSE(line.at("B2").signed_on.has_value());
    CHECK(line.at("B1").signed_on == worker);
}

TEST_CASE("a tool that both bays share goes with the unit, and its results with the bay where it ran") {
    auto station = two_bays();
    for (config::Tool& tool : station.tools) {
        tool.control = config::ToolControl{};
        tool.bay = "B1";
        tool.also_at = {"B2"};
    }
    Line line(station);
    const auto tool = [&]() -> const ToolState& { return *tool_of(line.state, ToolId{"T2"}); };
    const auto says = [&](bool enabled, const std::string& program) {
        const auto by = std::visit([](const auto& order) { return order.by; }, tool().order);
        line.happens(ToolControlSeen{ToolId{"T2"}, by, enabled, program, "e1", line.tools["T2"].made});
    };
    line.happens(OperatorSignedOn{BayId{"B1"}, worker});
    line.unit_comes("B1", "1");
    says(false, "");
    line.two_decide(OverrideJoint{JointId{"mount"}, "turned by hand", nm(50)});
    REQUIRE(std::holds_alternative<ToolOn>(tool().order));
    CHECK(std::get<ToolOn>(tool().order).bay == BayId{"B1"});
    says(true, "P2");
    CHECK(is<Attributed>(line.hits(cap_ok)));
    const ResultReceived late = line.made(cap_ok);
    line.moves_on();
    CHECK(std::holds_alternative<ToolOff>(tool().order));  // nobody is there to be tightened
    line.goes("B1");
    line.tells("B1");
    line.arrives_at("B2");
    CHECK(std::holds_alternative<ToolOff>(tool().order));  // it has not said yet that it stopped
    CHECK(is<Attributed>(line.happens(late)));             // while it was at the first bay, with the unit
    says(false, "");
    REQUIRE(std::holds_alternative<ToolOn>(tool().order));
    CHECK(std::get<ToolOn>(tool().order).bay == BayId{"B2"});
    says(true, "P3");
    CHECK(is<Attributed>(line.hits(clip_ok(1))));
}

TEST_CASE("a one-shot movement is used for the stay, wherever it goes, until people allow it once more") {
    Line line;
    line.shifted_unit();
    line.finishes_at_b2();
    REQUIRE(line.free("B2", "back"));
    line.counts("B2", "back");
    CHECK(is<StayMoved>(line.tells("B2")));
    line.goes("B2");
    line.tells("B2");
    line.arrives_at("B1");
    REQUIRE(line.stay_of("B1") != nullptr);
    CHECK(line.stay_of("B1")->earlier_places.size() == 2);
    CHECK(line.free("B1", "side"));
    CHECK(line.why("B1", "shift", ReasonCode::movement_used) != nullptr);
    line.proposes(supervisor, RearmPermissive{PermissiveId{"shift"}});
    CHECK(line.free("B1", "shift"));
    CHECK(line.shown("B2") == line.stay_of("B1")->token);
    line.replays_the_same();
}

TEST_CASE("a movement that was counted more than once leaves a doubt") {
    auto station = two_bays();
    station.permissives[0].one_shot = false;
    Line line(station);
    line.mounted_unit();
    line.counts("B1", "shift");
    CHECK(is<StayMoved>(line.moves_on()));
    CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
}

TEST_CASE("an incomplete unit leaves over a bay that its plan names, by the decision of two people") {
    auto station = two_bays();
    station.plans.front().leaving_incomplete.permissives = {"shift", "leave"};
    Line line(station);
    line.happens(OperatorSignedOn{BayId{"B1"}, worker});
    line.unit_comes("B1", "1");
    line.two_decide(LeaveIncomplete{});
    REQUIRE(line.order("B1", "shift").code == OnWire::leaving_incomplete);
    CHECK(line.shown("B2") == line.stay_of("B1")->token);
    REQUIRE(is<StayMoved>(line.moves_on()));
    CHECK_FALSE(std::get<StayMoved>(line.record.outcome).unproven);
    line.goes("B1");
    line.tells("B1");
    CHECK(line.order("B2", "leave").code == OnWire::withheld);
    line.arrives_at("B2");
    CHECK(line.order("B2", "leave").code == OnWire::leaving_incomplete);
    line.goes("B2");
    line.tells("B2");
    CHECK(line.stay_of("B2") == nullptr);
    CHECK(line.on_hold("D1"));
}

TEST_CASE("after a unit that went nobody knows where, a ticket says which one arrives next") {
    Line line;
    line.happens(OperatorSignedOn{BayId{"B1"}, worker});
    line.unit_comes("B1", "1");
    SECTION("from the bay before") {
        line.goes("B1");
        line.tells("B1");
    }
    SECTION("whose stay was ended while it was on its way") {
        line.moves_on();
        line.goes("B1");
        line.tells("B1");
        line.decides_at_b2(UnitHasLeft{line.fresh()});
    }
    SECTION("that passed while nobody could see it") {
        line.counts("B1", "side");
        line.tells("B1");
        line.falls_silent("B1");
        ++line.floor["B1"].arrivals;
        line.floor["B1"].departures += 2;
        line.floor["B1"].present = Presence::absent;
        line.comes_up("B1");
    }
    CHECK(line.on_hold("D1"));
    line.unit_comes("B1", "2");
    line.hits(mount_ok);
    line.hits(mount_ok);
    line.moves_on();
    line.goes("B1");
    line.tells("B1");
    line.arrives_at("B2");  // which one?
    CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
    CHECK(is<Questioned>(line.scans_at("B2", "D", "D1", "O1")));
    CHECK(line.stay_of("B2")->doubt == Doubt::moved_in_doubt);
    line.scans_at("B2", "D", "D2", "O2");
    CHECK(line.stay_of("B2")->doubt == Doubt::none);
}

TEST_CASE("people can end a stay whose unit never came") {
    Line line;
    line.mounted_unit();
    line.moves_on();
    line.decides_at_b2(UnitHasLeft{line.fresh()});
    CHECK(line.stay_of("B2") == nullptr);
    CHECK(line.on_hold("D1"));
}

TEST_CASE("a state in which a stay is at two bays, or expected where it cannot come from, is broken") {
    Line line;
    line.mounted_unit();
    REQUIRE(line.at("B2").expected);
    const auto broken = [&](const auto& change) {
        State state = line.state;
        change(state);
        return broken_invariant(line.rules, state);
    };
    CHECK(broken([](State&) {}).empty());
    CHECK(broken([](State& s) { s.bays[1].occupant = s.bays[0].occupant; }).find("another bay") !=
          std::string::npos);
    CHECK(broken([](State& s) { s.bays[1].expected->token = Token{9}; }).find("not where") !=
          std::string::npos);
    CHECK_FALSE(broken([](State& s) { s.bays[0].occupant = Empty{}; }).empty());
    line.moves_on();
    CHECK(broken([](State& s) {
              auto& output = s.bays[1].permissives.front();
              output.output = Released{s.newest, std::get<Stay>(s.bays[1].occupant).token};
              output.reasons.clear();
          }).find("on its way") != std::string::npos);
}
