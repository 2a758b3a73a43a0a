// A unit comes, is identified, is joined and leaves.
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

TEST_CASE("a good unit is lifted when its A and B joints are proven, and leaves when all is done") {
    Story story;
    story.joined_unit();
    CHECK(story.released("lift"));
    CHECK_FALSE(story.released("leave"));
    story.hits(clip_ok(2));
    story.hits(clip_ok(1));
    CHECK(story.held_by("leave", ReasonCode::check_open));
    story.happens(CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest});
    CHECK(story.released("leave"));
    story.moves("leave");
    story.departs();
    CHECK(stay_at(story.bay()) == nullptr);
    CHECK_FALSE(story.on_hold("D1"));
    CHECK(story.held_by("leave", ReasonCode::no_unit));
}

TEST_CASE("a unit whose departure is counted before its movement has left proven all the same") {
    Story story;
    story.finished_unit();
    story.departs();
    story.moves("leave");
    CHECK_FALSE(story.alarmed(AlarmCode::moved_unproven));
    CHECK_FALSE(story.on_hold("D1"));
}

TEST_CASE("a movement counted after its departure is an alarm when it was called wrong, or made twice") {
    auto station = small_station();
    station.permissives[1].one_shot = true;
    Story story(station);
    story.finished_unit();
    story.departs();
    SECTION("called wrong") {
        story.equipment.moved_wrongly = {PermissiveId{"leave"}};
        story.moves("leave");
    }
    SECTION("made twice") {
        story.equipment.moved.push_back({PermissiveId{"leave"}, 2});
        story.report();
    }
    CHECK(story.alarmed(AlarmCode::moved_unproven));
}

TEST_CASE("the next unit gets a token of its own, and nothing of the last one's proof") {
    Story story;
    story.finished_unit();
    const Token first = story.stay().token;
    story.moves("leave");
    story.departs();
    story.arrives();
    story.scans("D", "D2");
    story.scans("F", "F2");
    CHECK(story.stay().token != first);
    CHECK(story.held_by("lift", ReasonCode::joint_open));
}

TEST_CASE("a ticket is not taken for the next unit before the last one's departure is counted") {
    Story story;
    story.finished_unit();
    story.moves("leave");
    CHECK(refused(story.scans("D", "D2"), RefusalCode::not_possible_now));
    story.departs();
    story.arrives();
    CHECK(is<Applied>(story.scans("D", "D2")));
}

TEST_CASE("a unit that departs while it is withheld has left unproven: alarm and hold list") {
    Story story;
    story.identified_unit();
    story.departs();
    CHECK(story.alarmed(AlarmCode::left_unproven));
    CHECK(story.on_hold("D1"));
}

TEST_CASE("a movement while withheld is held against the unit until people acknowledge it") {
    Story story;
    story.identified_unit();
    story.moves("lift");
    CHECK(story.alarmed(AlarmCode::moved_unproven));
    CHECK(story.on_hold("D1"));
    CHECK(story.held_by("lift", ReasonCode::moved_unproven));
    CHECK(refused(story.proposes(worker, AcknowledgeMove{PermissiveId{"lift"}}), RefusalCode::not_entitled));
    CHECK(is<Applied>(story.proposes(supervisor, AcknowledgeMove{PermissiveId{"lift"}})));
    CHECK_FALSE(story.held_by("lift", ReasonCode::moved_unproven));
    CHECK(story.held_by("lift", ReasonCode::unit_on_hold));
}

TEST_CASE("a one-shot movement is used up by being made, and made again only by a decision") {
    Story story;
    story.joined_unit();
    story.moves("lift");
    CHECK(story.held_by("lift", ReasonCode::movement_used));
    CHECK_FALSE(story.alarmed(AlarmCode::moved_unproven));
    const auto before = story.state.newest;
    CHECK(is<Applied>(story.proposes(supervisor, RearmPermissive{PermissiveId{"lift"}})));
    CHECK(story.released("lift"));
    CHECK(std::get<Released>(story.permissive("lift").output).by > before);
}

TEST_CASE(
    "two movements under a release that was for one are held against the unit, though one report has both") {
    Story story;
    story.joined_unit();
    story.equipment.moved.push_back({PermissiveId{"lift"}, 2});
    story.report();
    CHECK(story.alarmed(AlarmCode::moved_unproven));
    CHECK(story.on_hold("D1"));
    CHECK(story.held_by("lift", ReasonCode::moved_unproven));
    CHECK(story.held_by("lift", ReasonCode::movement_used));
}

TEST_CASE("a movement that the controller says nothing allowed is held against the unit, once, whatever we "
          "had out") {
    Story story;
    story.joined_unit();
    SECTION("told with its count") {
        story.equipment.moved_wrongly = {PermissiveId{"lift"}};
        story.moves("lift");
    }
    SECTION("told after it") {
        story.moves("lift");
        CHECK_FALSE(story.held_by("lift", ReasonCode::moved_unproven));
        story.equipment.moved_wrongly = {PermissiveId{"lift"}};
        story.report();
    }
    CHECK(story.alarmed(AlarmCode::moved_unproven));
    CHECK(story.on_hold("D1"));
    CHECK(story.held_by("lift", ReasonCode::moved_unproven));
    // It says so until the next arrival, which is no second movement.
    CHECK(is<Applied>(story.proposes(supervisor, AcknowledgeMove{PermissiveId{"lift"}})));
    story.report();
    CHECK_FALSE(story.held_by("lift", ReasonCode::moved_unproven));
}

TEST_CASE("a unit that leaves by a movement which the controller did not allow leaves unproven") {
    Story story;
    story.joined_unit();
    story.equipment.moved_wrongly = {PermissiveId{"leave"}};
    story.moves("leave");
    CHECK(story.alarmed(AlarmCode::left_unproven));
    CHECK(story.on_hold("D1"));
}

TEST_CASE("tickets that do not belong together prove nothing until the right one is scanned") {
    Story story;
    story.arrives();
    story.scans("D", "D1", "O1");
    story.scans("F", "F9", "O9");
    CHECK(story.held_by("lift", ReasonCode::wrong_pair));
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::not_identified));
    story.scans("F", "F1", "O1");
    CHECK_FALSE(story.held_by("lift", ReasonCode::wrong_pair));
    CHECK(story.held_by("lift", ReasonCode::result_unassigned));
}

TEST_CASE("a type that does not go with the variant is a wrong pair, whatever the order says") {
    Story story;
    story.arrives();
    story.scans("D", "D1", "O1", "DV");
    story.scans("F", "F1", "O1", "FW");
    CHECK(story.held_by("lift", ReasonCode::wrong_pair));
}

TEST_CASE("an unknown variant is withheld, never given a default plan") {
    Story story;
    story.arrives();
    story.scans("D", "D1", "O1", "DX");
    story.scans("F", "F1");
    CHECK(story.held_by("lift", ReasonCode::unknown_variant));
    CHECK(story.stay().joints.empty());
    CHECK(is<Applied>(story.proposes(supervisor, CorrectTicket{"D", Serial{"D1"}, "O1", "DV", "", 0})));
    CHECK(story.stay().joints.size() == 3);
}

TEST_CASE("a second ticket of a kind asks whether the unit has left; until then results are nobody's") {
    Story story;
    story.identified_unit();
    story.scans("D", "D2");
    CHECK(story.held_by("lift", ReasonCode::ticket_repeated));
    CHECK(unassigned(story.hits(mount_ok), UnassignedWhy::question_open));
    CHECK(is<Applied>(story.proposes(supervisor, UnitStillHere{})));
    CHECK_FALSE(story.held_by("lift", ReasonCode::ticket_repeated));
    CHECK(is<Attributed>(story.hits(mount_ok)));
}

TEST_CASE("a unit that is said to have left goes on the hold list, and its token is not used again") {
    Story story;
    story.identified_unit();
    const Token old = story.stay().token;
    CHECK(is<Applied>(story.proposes(supervisor, UnitHasLeft{story.fresh()})));
    CHECK(stay_at(story.bay()) == nullptr);
    CHECK(story.on_hold("D1"));
    CHECK(story.bay().offered != old);
}

TEST_CASE("a serial that was here before stops and asks; the answer covers no ticket scanned after it") {
    Story story;
    story.arrives();
    story.scans("D", "D1", "O1", "DV", 1);
    CHECK(story.held_by("leave", ReasonCode::serial_seen_before));
    CHECK(is<Applied>(story.proposes(supervisor, AcceptReturn{})));
    CHECK_FALSE(story.held_by("leave", ReasonCode::serial_seen_before));
    story.scans("F", "F1", "O1", "FV", 2);
    CHECK(story.held_by("leave", ReasonCode::serial_seen_before));
}

TEST_CASE("a return that nobody asked about cannot be accepted beforehand") {
    Story story;
    story.arrives();
    CHECK(refused(story.proposes(supervisor, AcceptReturn{}), RefusalCode::already_settled));
}

TEST_CASE("an arrival without a departure leaves it open which unit is here until a ticket is scanned") {
    Story story;
    story.joined_unit();
    ++story.equipment.arrivals;
    story.report();
    CHECK(story.held_by("lift", ReasonCode::presence_unconfirmed));
    story.report();
    CHECK(story.held_by("lift", ReasonCode::presence_unconfirmed));
    story.scans("D", "D1");
    CHECK(story.released("lift"));
}

TEST_CASE("two people let a unit leave incomplete: only the way out, under its own code, and on hold") {
    Story story;
    story.identified_unit();
    story.two_decide(LeaveIncomplete{});
    CHECK(story.on_wire("side") == OnWire::leaving_incomplete);
    CHECK(story.on_wire("leave") == OnWire::withheld);
    CHECK(story.on_wire("lift") == OnWire::withheld);
    CHECK(story.on_hold("D1"));
    story.moves("side");
    story.departs();
    CHECK_FALSE(story.alarmed(AlarmCode::left_unproven));
    CHECK(story.state.holds.front().why == "left incomplete");
}

TEST_CASE("doubt about the equipment holds back a unit that leaves incomplete, and a new number follows it") {
    Story story;
    story.identified_unit();
    story.two_decide(LeaveIncomplete{});
    const auto before = std::get<LeavingIncomplete>(story.permissive("side").output).by;
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::stale, "", 1});
    CHECK(story.on_wire("side") == OnWire::withheld);
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
    CHECK(story.on_wire("side") == OnWire::withheld);
    story.report();
    CHECK(story.on_wire("side") == OnWire::leaving_incomplete);
    CHECK(std::get<LeavingIncomplete>(story.permissive("side").output).by > before);
}

TEST_CASE("a check is confirmed only when the steps before it are done") {
    Story story;
    story.identified_unit();
    const Payload look = CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest};
    CHECK(refused(story.happens(look), RefusalCode::not_possible_now));
    for (const Hit& hit : {mount_ok, mount_ok, cap_ok, cap_ok})
        story.hits(hit);
    CHECK(is<Applied>(story.happens(look)));
    CHECK(refused(story.happens(look), RefusalCode::already_settled));
}

TEST_CASE("a check that was confirmed for one unit, and arrives late, is none of the next unit") {
    Story story;
    story.joined_unit();
    const Payload look = CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest};
    story.hits(clip_ok(1));
    story.hits(clip_ok(2));
    CHECK(is<Applied>(story.happens(look)));
    story.moves("leave");
    story.departs();
    story.arrives();
    story.scans("D", "D2");
    story.scans("F", "F2");
    story.hits(mount_ok);
    story.hits(mount_ok);
    story.hits(cap_ok);
    story.hits(cap_ok);
    CHECK(refused(story.happens(look), RefusalCode::seen_too_old));
    CHECK(is<Applied>(story.happens(CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest})));
}

TEST_CASE(
    "a unit that moved unproven before it had a name is on the hold list by its stay, then by its name") {
    Story story;
    story.arrives();
    story.moves("lift");
    const auto stay = stay_at(story.bay())->id;
    CHECK(story.on_hold("stay " + std::to_string(stay.value)));
    story.scans("D", "D1");
    CHECK_FALSE(story.on_hold("stay " + std::to_string(stay.value)));
    CHECK(story.on_hold("D1"));
    SECTION("and by each name that it is given") {
        story.scans("F", "F1");
        story.two_decide(CorrectTicket{"D", Serial{"D2"}, "O1", "DV", "", 0});
        CHECK(story.on_hold("D2"));
        CHECK(story.on_hold("D1"));
    }
    SECTION("also when people have acknowledged the movement") {
        CHECK(is<Applied>(story.proposes(supervisor, AcknowledgeMove{PermissiveId{"lift"}})));
        CHECK(story.on_hold("D1"));
    }
}

TEST_CASE("a unit that leaves incomplete without a ticket is on the hold list by its stay") {
    Story story;
    story.arrives();
    const auto stay = stay_at(story.bay())->id;
    story.two_decide(LeaveIncomplete{});
    story.report();
    story.moves("side");
    story.departs();
    CHECK(story.on_hold("stay " + std::to_string(stay.value)));
}

TEST_CASE("of units that left without a ticket the newest hundred are on the hold list, of others all") {
    Story story;
    REQUIRE(is<Applied>(story.proposes(supervisor, PlaceHold{Serial{"D9"}})));
    std::vector<std::string> left;
    for (int i = 0; i < 103; ++i) {
        story.arrives();
        left.push_back("stay " + std::to_string(stay_at(story.bay())->id.value));
        story.departs();
    }
    CHECK(story.state.holds.size() == 101);
    CHECK(story.on_hold("D9"));
    CHECK_FALSE(story.on_hold(left[2]));
    CHECK(story.on_hold(left[3]));
    CHECK(story.on_hold(left.back()));
}

TEST_CASE("a serial number that reads like a stay is a serial number") {
    Story story;
    story.arrives();
    const std::string left = "stay " + std::to_string(stay_at(story.bay())->id.value);
    story.departs();
    const auto holds_of = [&](const std::string& unit, bool nameless) {
        return std::ranges::count_if(story.state.holds, [&](const UnitHold& hold) {
            return hold.unit.text == unit && hold.nameless == nameless;
        });
    };
    REQUIRE(holds_of(left, true) == 1);
    SECTION("that is not withheld for what stood there without a name") {
        story.arrives();
        story.scans("D", left);
        CHECK_FALSE(story.held_by("lift", ReasonCode::unit_on_hold));
    }
    SECTION("that is held for itself, and stays held however many leave without a name") {
        REQUIRE(is<Applied>(story.proposes(supervisor, PlaceHold{Serial{left}})));
        for (int i = 0; i < 103; ++i) {
            story.arrives();
            story.departs();
        }
        CHECK(holds_of(left, false) == 1);
        CHECK(holds_of(left, true) == 0);
        story.arrives();
        story.scans("D", left);
        CHECK(story.held_by("lift", ReasonCode::unit_on_hold));
    }
    SECTION("and whoever lifts the holds of that name lifts both") {
        REQUIRE(is<Applied>(story.proposes(supervisor, PlaceHold{Serial{left}})));
        REQUIRE(is<Applied>(story.proposes(quality, LiftHold{Serial{left}})));
        CHECK(story.state.holds.empty());
    }
}

TEST_CASE("equipment of a bay is not changed by new rules while a unit is there") {
    const auto approved = [](config::Station next, bool unit_there) {
        Story story;
        story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(std::move(next)));
        story.identified_unit();
        if (!unit_there)
            story.departs();
        return story.happens(
            RulesApproved{Revision{"r2"}, admin, supervisor, {{BayId{"B1"}, story.fresh()}}});
    };
    auto simulated_tool = small_station();
    simulated_tool.tools.front().simulated = true;
    auto without_tool = small_station();
    without_tool.tools.erase(without_tool.tools.begin());
    auto simulated_bay = small_station();
    simulated_bay.bays.front().simulated = true;
    auto moved_tool = small_station();
    moved_tool.bays.push_back(moved_tool.bays.front());
    moved_tool.bays.back().id = "B2";
    moved_tool.tools.front().bay = "B2";
    for (const auto& next : {simulated_tool, without_tool, simulated_bay, moved_tool}) {
        CHECK(refused(approved(next, true), RefusalCode::not_possible_now));
        CHECK(is<Applied>(approved(next, false)));
    }
    CHECK(is<Applied>(approved(small_station(), true)));
}

TEST_CASE("a stay ends under the rules with which it began; the next one follows the new ones") {
    Story story;
    auto stricter = small_station();
    stricter.joints.front().passes.front().window.torque.min = nm(55);
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(std::move(stricter)));
    story.identified_unit();
    story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
    story.hits(mount_ok);
    CHECK(story.judgement().verdict == evaluation::Verdict::ok);
    story.departs();
    story.arrives();
    story.scans("D", "D2");
    story.scans("F", "F2");
    story.hits(mount_ok);
    CHECK(story.judgement().verdict == evaluation::Verdict::not_ok);
}

TEST_CASE("a missing ticket counts for nothing while it is asked whether the unit has left") {
    Story story;
    story.arrives();
    story.scans("D", "D1");
    story.scans("D", "D2");
    story.scans("F", "F2");
    CHECK_FALSE(std::holds_alternative<Identified>(story.stay().identity));
    story.proposes(supervisor, UnitStillHere{});
    CHECK(story.held_by("lift", ReasonCode::ticket_missing));
    story.scans("F", "F1");
    CHECK(std::holds_alternative<Identified>(story.stay().identity));
}

TEST_CASE("a unit that was to leave incomplete but was finished leaves as a proven one") {
    for (const bool movement_first : {true, false}) {
        Story story;
        story.identified_unit();
        story.two_decide(LeaveIncomplete{});
        for (const Hit& hit : {mount_ok, mount_ok, cap_ok, cap_ok, clip_ok(1), clip_ok(2)})
            story.hits(hit);
        story.happens(CheckConfirmed{BayId{"B1"}, "look", worker, story.state.newest});
        story.proposes(quality, LiftHold{Serial{"D1"}});
        REQUIRE(story.released("leave"));
        if (movement_first)
            story.moves("leave");
        story.departs();
        CHECK_FALSE(story.on_hold("D1"));
        CHECK(stay_at(story.bay()) == nullptr);
    }
}

TEST_CASE("what a movement had been counted before its permissive came with new rules is no movement") {
    Story story;
    story.identified_unit();
    auto wider = small_station();
    wider.permissives.push_back(permissive("extra", 4));
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(std::move(wider)));
    story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
    story.equipment.moved.push_back({PermissiveId{"extra"}, 12});
    story.report();
    CHECK(story.stay().moved_unproven.empty());
    CHECK_FALSE(story.on_hold("D1"));
    story.moves("extra");
    CHECK(story.alarmed(AlarmCode::moved_unproven));
}

TEST_CASE("a label that was printed anew puts a wrong pair right, also under the same serial number") {
    Story story;
    story.arrives();
    story.scans("D", "D1", "O1");
    story.scans("F", "F1", "O2");
    CHECK(story.held_by("lift", ReasonCode::wrong_pair));
    story.scans("F", "F1", "O1");
    CHECK_FALSE(story.held_by("lift", ReasonCode::wrong_pair));
    CHECK(stay_at(story.bay())->tickets.back().order == "O1");
}

TEST_CASE(
    "a label with a known serial number and another order is another label: it asks, and confirms nothing") {
    Story story;
    story.identified_unit();
    story.restarts(false);
    story.scans("F", "F1", "O9");
    CHECK(story.held_by("lift", ReasonCode::presence_unconfirmed));
    CHECK(story.held_by("lift", ReasonCode::ticket_repeated));
    story.scans("F", "F1");
    CHECK_FALSE(story.held_by("lift", ReasonCode::presence_unconfirmed));
}

TEST_CASE("a serial number that stands in another bay is asked about, before anything of it is stored") {
    auto station = small_station();
    station.bays.push_back(station.bays.front());
    station.bays.back().id = station.bays.back().name = "B2";
    station.bays.back().number = 2;
    Story story(std::move(station));
    story.identified_unit();
    BayState* other = bay_of(story.state, BayId{"B2"});
    REQUIRE(other != nullptr);
    other->occupant = story.bay().occupant;
    std::get<Stay>(other->occupant).token = story.fresh();
    std::get<Stay>(other->occupant).id = EventNumber{1};
    story.scans("D", "D1");
    CHECK_FALSE(story.held_by("lift", ReasonCode::serial_seen_before));
    story.departs();
    story.arrives();
    story.scans("D", "D1");
    CHECK(story.held_by("lift", ReasonCode::serial_seen_before));
}

TEST_CASE("of movements in one report the one that takes the unit away was the last") {
    Story story;
    story.finished_unit();
    CHECK(story.released("lift"));
    CHECK(story.released("leave"));
    story.equipment.moved = {{PermissiveId{"leave"}, 1}, {PermissiveId{"lift"}, 1}};
    story.report();
    CHECK_FALSE(story.alarmed(AlarmCode::moved_unproven));
    CHECK_FALSE(story.on_hold("D1"));
}

TEST_CASE("nobody is signed off where nobody is signed on") {
    Story story;
    story.identified_unit();
    CHECK(is<Applied>(story.happens(OperatorSignedOff{BayId{"B1"}, supervisor})));
    CHECK(refused(story.happens(OperatorSignedOff{BayId{"B1"}, supervisor}), RefusalCode::not_possible_now));
}
