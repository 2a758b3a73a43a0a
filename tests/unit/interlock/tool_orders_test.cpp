// Which tool may run where: only for what the next step needs, and a shared one at one bay at a time.
#include <rapidcheck.h>

#include "service/interlock/check_passes.hpp"
#include "tests/unit/interlock/story.hpp"

using namespace tautgate;
using namespace tautgate::story;

namespace {

config::Station obedient_station() {
    config::Station station = small_station();
    for (config::Tool& tool : station.tools)
        tool.control = config::ToolControl{};
    return station;
}

// A second bay beside the first, and both tools at either.
config::Station shared_station() {
    config::Station station = obedient_station();
    config::Bay second = station.bays.front();
    second.id = second.name = "B2";
    second.number = 2;
    station.bays.push_back(second);
    for (config::Permissive each : small_permissives()) {
        each.bay = "B2";
        each.number = static_cast<std::uint16_t>(each.number + 10);
        each.id += "2";
        station.permissives.push_back(each);
    }
    station.plans.front().leaving_incomplete.permissives.emplace_back("side2");
    for (config::Tool& tool : station.tools)
        tool.also_at = {"B2"};
    return station;
}

struct Shop : Story {
    explicit Shop(config::Station station = obedient_station()) : Story(std::move(station)) {}

    const ToolState& tool(const std::string& id = "T1") const { return *tool_of(state, ToolId{id}); }
    const ToolOn* on(const std::string& id = "T1") const { return std::get_if<ToolOn>(&tool(id).order); }
    const ToolOff* off(const std::string& id = "T1") const { return std::get_if<ToolOff>(&tool(id).order); }
    EventNumber order(const std::string& id = "T1") const {
        return on(id) != nullptr ? on(id)->by : off(id)->by;
    }

    const Outcome& says(bool enabled, std::string program = "P1", const std::string& id = "T1") {
        return happens(ToolControlSeen{ToolId{id}, order(id), enabled, std::move(program), tools[id].epoch,
                                       tools[id].made});
    }
    // As a tool does that obeys.
    void obeys(const std::string& id = "T1") {
        says(on(id) != nullptr, on(id) != nullptr ? on(id)->program : "", id);
    }

    // ---- the second bay
    const BayState& second() const { return *bay_of(state, BayId{"B2"}); }
    const Stay& second_stay() const { return std::get<Stay>(second().occupant); }
    void second_reports(Presence present) {
        happens(ControllerLinkChanged{BayId{"B2"}, Quality::good, "", 1});
        const Token shown = stay_at(second()) != nullptr ? second_stay().token : second().offered;
        happens(ControllerReported{BayId{"B2"},
                                   present,
                                   present == Presence::present ? std::uint16_t{1} : std::uint16_t{0},
                                   0,
                                   0,
                                   {},
                                   shown,
                                   false,
                                   fresh(),
                                   {},
                                   {}});
    }
    void unit_at_second() {
        second_reports(Presence::absent);
        second_reports(Presence::present);
        happens(OperatorSignedOn{BayId{"B2"}, worker});
        for (const auto& [kind, serial] : {std::pair{"D", "D2"}, std::pair{"F", "F2"}})
            happens(TicketScanned{BayId{"B2"}, kind, Serial{serial}, "O2", std::string(kind) + "V", "", 0});
        REQUIRE(std::holds_alternative<Identified>(second_stay().identity));
    }
    bool second_waits_for(EventNumber result) const {
        return std::ranges::find(second_stay().unassigned, result, &UnassignedResult::result) !=
               second_stay().unassigned.end();
    }
};

}  // namespace

TEST_CASE(
    "a tool may not run while a joint relaxes before its check, and runs with the check's program then") {
    config::Station station = obedient_station();
    config::Joint& mount = station.joints.front();
    mount.passes.push_back(check_after(std::chrono::seconds{60}, mount.passes.front()));
    mount.placement = config::Placement::by_tool;
    Shop shop(station);
    shop.identified_unit();
    for (const std::uint32_t position : {1U, 2U}) {
        REQUIRE(shop.on());
        shop.obeys();
        shop.hits({"T1", "P1", 50, 45, position});
    }
    CHECK(shop.off());
    const auto waiting = waiting_checks(shop.rules, shop.state);
    REQUIRE(waiting.size() == 1);
    shop.now_ns += std::chrono::nanoseconds(waiting.front().wait).count();
    shop.happens(waiting.front().due);
    REQUIRE(shop.on());
    CHECK(shop.on()->program == "K1");
}

TEST_CASE("a tool may run for the open joint with its program, and not before or after") {
    Shop shop;
    CHECK(shop.off());
    shop.happens(OperatorSignedOn{BayId{"B1"}, worker});
    shop.arrives();
    shop.scans("D", "D1");
    CHECK(shop.off());
    shop.scans("F", "F1");
    REQUIRE(shop.on());
    CHECK(shop.on()->by == shop.state.newest);
    CHECK(shop.on()->bay == BayId{"B1"});
    CHECK(shop.on()->program == "P1");
    CHECK_FALSE(shop.on()->confirmed);
    shop.says(true);
    CHECK(shop.on()->confirmed);
    shop.hits(mount_ok);
    const EventNumber same = shop.order();
    CHECK(shop.on());
    shop.hits(mount_ok);
    REQUIRE(shop.off());
    CHECK(shop.off()->by == shop.state.newest);
    CHECK(same != shop.order());
}

TEST_CASE("the next joint of the same tool is another order, with its own program") {
    Shop shop;
    shop.joined_unit();
    REQUIRE(shop.on("T2"));
    CHECK(shop.on("T2")->program == "P3");
}

TEST_CASE("another word than the order is no confirmation") {
    Shop shop;
    shop.identified_unit();
    shop.says(true, "P2");
    CHECK_FALSE(shop.on()->confirmed);
    shop.says(false);
    CHECK_FALSE(shop.on()->confirmed);
    shop.happens(ToolControlSeen{ToolId{"T1"}, EventNumber{1}, true, "P1", "e1", 0});
    CHECK_FALSE(shop.on()->confirmed);
    shop.says(true);
    CHECK(shop.on()->confirmed);
}

TEST_CASE("whatever makes a result worthless stops the tool, and it runs again by a new order") {
    Shop shop;
    shop.identified_unit();
    const EventNumber before = shop.order();
    SECTION("its link") {
        shop.happens(ToolLinkChanged{ToolId{"T1"}, Quality::stale, "", 1});
        CHECK(shop.off());
        shop.happens(ToolLinkChanged{ToolId{"T1"}, Quality::good, "", 1});
    }
    SECTION("the link to the equipment") {
        shop.happens(ControllerLinkChanged{BayId{"B1"}, Quality::failed, "", 1});
        CHECK(shop.off());
        shop.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
        shop.report();
        shop.scans("D", "D1");
    }
    SECTION("a second unit's ticket") {
        shop.scans("D", "D9");
        CHECK(shop.off());
        shop.proposes(supervisor, UnitStillHere{});
    }
    SECTION("results that it holds and we lack") {
        shop.happens(ToolAnswered{ToolId{"T1"}, "e1", 1});
        CHECK(shop.off());
        shop.proposes(supervisor, AcceptGap{ToolId{"T1"}});
    }
    SECTION("a start of the station") {
        shop.restarts(true);
        CHECK(shop.off());
        shop.links_come_up();
        shop.scans("D", "D1");
    }
    REQUIRE(shop.on());
    CHECK(before < shop.order());
}

TEST_CASE("a locked fastener stops the tool until people decide, one that is to be loosened does not") {
    Shop shop;
    shop.identified_unit();
    shop.hits(mount_low);
    CHECK(shop.joint("mount").fasteners[0].loosening_due);
    CHECK(shop.on());
    shop.hits(mount_loosened);
    shop.hits(mount_low);
    shop.hits(mount_loosened);
    REQUIRE(shop.joint("mount").fasteners[0].locked);
    // The other fastener of a listed joint waits for its turn.
    shop.hits({"T1", "P1", 50});
    CHECK(shop.held_by("lift", ReasonCode::fastener_locked));
}

TEST_CASE("an overridden joint needs no tool any more") {
    Shop shop;
    shop.identified_unit();
    shop.two_decide(OverrideJoint{JointId{"mount"}, "hand", nm(50)});
    CHECK(shop.off());
}

TEST_CASE("a tool that had said that it rests and runs all the same is told of, and proves nothing") {
    Shop shop;
    shop.joined_unit();
    shop.happens(ToolCalled{BayId{"B1"}, ToolId{"T1"}, worker});
    CHECK(is<Refused>(shop.record.outcome));
    REQUIRE(shop.off());
    shop.obeys();
    REQUIRE(shop.off()->confirmed);
    SECTION("tightening") {
        CHECK(unassigned(shop.hits(mount_ok), UnassignedWhy::tool_disabled));
        CHECK(shop.alarmed(AlarmCode::ran_while_disabled));
        CHECK(shop.held_by("lift", ReasonCode::result_unassigned));
    }
    SECTION("loosening") {
        CHECK(is<Loosened>(shop.hits(mount_loosened)));
        CHECK(shop.alarmed(AlarmCode::ran_while_disabled));
        CHECK_FALSE(shop.released("lift"));
    }
    SECTION("a run that was begun before is none of that") {
        auto result = shop.made(mount_ok);
        result.made.from_ns -= 2'000'000'000;
        shop.happens(result);
        CHECK_FALSE(shop.alarmed(AlarmCode::ran_while_disabled));
    }
}

TEST_CASE("a tool that does not stop when told is told of once") {
    Shop shop;
    shop.joined_unit();
    shop.says(true);
    CHECK(shop.alarmed(AlarmCode::tool_disobeys));
    CHECK_FALSE(shop.off()->confirmed);
    shop.says(true);
    CHECK_FALSE(shop.alarmed(AlarmCode::tool_disobeys));
    shop.obeys();
    CHECK(shop.off()->confirmed);
}

TEST_CASE("a tool at rest is confirmed only once its count is ours") {
    Shop shop;
    shop.identified_unit();
    shop.hits(mount_ok);
    const auto last = shop.made(mount_ok);  // on its way
    shop.happens(ToolLinkChanged{ToolId{"T1"}, Quality::good, "", 1});
    shop.two_decide(OverrideJoint{JointId{"mount"}, "hand", nm(50)});
    REQUIRE(shop.off());
    shop.says(false);
    CHECK_FALSE(shop.off()->confirmed);
    shop.happens(last);
    REQUIRE(shop.off());
    // The late result ended the override's reason to stop; whatever it is now, its count is ours.
    CHECK(std::get<Following>(shop.tool().count).counter == last.reading.counter);
}

TEST_CASE(
    "a shared tool belongs to the bay that needed it first until it rests and its count was looked at") {
    Shop shop(shared_station());
    shop.obeys();
    shop.identified_unit();
    REQUIRE(shop.on());
    CHECK(shop.on()->bay == BayId{"B1"});
    shop.unit_at_second();
    CHECK(shop.on()->bay == BayId{"B1"});
    shop.hits(mount_ok);
    shop.hits(mount_ok);
    REQUIRE(shop.off());
    SECTION("its word with another count is not enough") {
        shop.happens(ToolControlSeen{ToolId{"T1"}, shop.order(), false, "", "e1", 99});
        CHECK(shop.off());
    }
    SECTION("nor is that it may still run") {
        shop.says(true);
        CHECK(shop.off());
    }
    SECTION("nor the word about another order") {
        shop.happens(ToolControlSeen{ToolId{"T1"}, EventNumber{1}, false, "", "e1", shop.tools["T1"].made});
        CHECK(shop.off());
    }
    shop.says(false);
    REQUIRE(shop.on());
    CHECK(shop.on()->bay == BayId{"B2"});
    const auto counted = shop.hits(mount_ok);
    REQUIRE(is<Attributed>(counted));
    CHECK(std::get<Attributed>(counted).stay == shop.second_stay().id);
}

TEST_CASE("a shared tool is let run nowhere before it said once that it rests") {
    Shop shop(shared_station());
    shop.identified_unit();
    CHECK(shop.off());
    shop.obeys();
    CHECK(shop.on());
}

TEST_CASE("a result that was made at one bay and comes when the tool is at another goes to the one") {
    Shop shop(shared_station());
    shop.obeys();
    shop.identified_unit();
    shop.unit_at_second();
    auto late = shop.made(mount_ok);
    // Called away; the tool says that it rests with the result counted, which comes after that.
    CHECK(is<Applied>(shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, worker})));
    REQUIRE(shop.off());
    shop.obeys();
    CHECK(shop.off());
    const auto counted = shop.happens(late);
    REQUIRE(is<Attributed>(counted));
    CHECK(std::get<Attributed>(counted).stay == shop.stay().id);
    // Its count is ours now, and it goes where it was called to.
    REQUIRE(shop.on());
    CHECK(shop.on()->bay == BayId{"B2"});
}

TEST_CASE("what a shared tool makes between two bays is nobody's, and both units wait for a word about it") {
    Shop shop(shared_station());
    shop.obeys();
    shop.identified_unit();
    shop.unit_at_second();
    shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, worker});
    REQUIRE(shop.off());
    shop.obeys();
    REQUIRE(shop.on());
    auto between = shop.made(mount_ok);
    between.made.from_ns -= 20'000'000'000;
    CHECK(unassigned(shop.happens(between), UnassignedWhy::between_bays));
    const EventNumber result = shop.state.newest;
    CHECK(shop.held_by("lift", ReasonCode::result_unassigned));
    CHECK(shop.second_waits_for(result));
    // Filed at one of them it is nobody else's: it counts once.
    shop.two_decide(AssignResult{result, JointId{"mount"}, 0});
    CHECK(shop.joint("mount").fasteners[0].passes[0].proof);
    CHECK_FALSE(shop.second_waits_for(result));
}

TEST_CASE("only who is signed on at a bay where it is needed calls a shared tool to it") {
    Shop shop(shared_station());
    shop.obeys();
    shop.identified_unit();
    CHECK(is<Refused>(shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, worker})));
    shop.unit_at_second();
    CHECK(is<Refused>(shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, supervisor})));
    CHECK(is<Refused>(shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T9"}, worker})));
    CHECK(is<Applied>(shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, worker})));
}

TEST_CASE("what a shared tool at rest had said does not hold over a lost link") {
    Shop shop(shared_station());
    shop.obeys();
    REQUIRE(shop.off()->confirmed);
    shop.happens(ToolLinkChanged{ToolId{"T1"}, Quality::failed, "", 1});
    CHECK_FALSE(shop.off()->confirmed);
    shop.happens(ToolLinkChanged{ToolId{"T1"}, Quality::good, "", 1});
    shop.identified_unit();
    CHECK(shop.off());
    shop.obeys();
    CHECK(shop.on());
}

namespace {

// A shared tool used by people who pull the trigger wherever it lets them, results that come late, and words
// of the tool that are true when they are said and may be overtaken.
class Hectic {
  public:
    Hectic() {
        shop_.obeys();
        shop_.identified_unit();
        shop_.unit_at_second();
    }

    void step(int what) {
        switch (what % 7) {
        case 0: return pull_trigger();
        case 1: return deliver();
        case 2: return say();
        case 3: shop_.happens(ToolCalled{BayId{"B1"}, ToolId{"T1"}, worker}); return;
        case 4: shop_.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, worker}); return;
        case 5: shop_.happens(ToolLinkChanged{ToolId{"T1"}, Quality::failed, "", 1}); return;
        default: shop_.happens(ToolLinkChanged{ToolId{"T1"}, Quality::good, "", 1}); return;
        }
    }
    [[nodiscard]] std::size_t counted() const { return counted_; }

  private:
    struct Made {
        ResultReceived result;
        std::optional<EventNumber> stay;  // the tool was let run at its bay when it was made
    };

    // Without leave it does not run.
    void pull_trigger() {
        const ToolOn* on = shop_.on();
        if (on == nullptr)
            return;
        const Stay& stay = on->bay == BayId{"B1"} ? shop_.stay() : shop_.second_stay();
        made_.push_back({shop_.made(mount_ok), stay.id});
        shop_.says(true, on->program);
    }
    void deliver() {
        if (made_.empty())
            return;
        const Made next = made_.front();
        made_.erase(made_.begin());
        const Outcome outcome = shop_.happens(next.result);
        const auto* counted = std::get_if<Attributed>(&outcome);
        if (counted == nullptr)
            return;
        ++counted_;
        RC_ASSERT(next.stay == counted->stay);
    }
    // The count that the tool tells is of what it has made, wherever that is by now.
    void say() { shop_.obeys(); }

    Shop shop_{shared_station()};
    std::vector<Made> made_;
    std::size_t counted_ = 0;
};

}  // namespace

TEST_CASE(
    "whatever happens to a shared tool, a result counts for the unit at which it was made, or for none") {
    std::size_t counted = 0;
    CHECK(rc::check("shared tool", [&](const std::vector<std::uint8_t>& acts) {
        Hectic hectic;
        for (const std::uint8_t act : acts)
            hectic.step(act);
        counted += hectic.counted();
    }));
    CHECK(counted > 0);
}

TEST_CASE("what a shared tool makes once it was called away is nobody's, whether or not it obeys") {
    Shop shop(shared_station());
    shop.obeys();
    shop.identified_unit();
    shop.obeys();
    shop.unit_at_second();
    shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, worker});
    REQUIRE(shop.off());
    shop.says(true);
    CHECK(shop.tool().disobeys);
    CHECK(unassigned(shop.hits(mount_ok), UnassignedWhy::between_bays));
    CHECK_FALSE(shop.joint("mount").fasteners[0].passes[0].proof);
    CHECK(shop.held_by("lift", ReasonCode::result_unassigned));
}

TEST_CASE("a call ends with the need for it, and none is made to where the tool is") {
    Shop shop(shared_station());
    shop.obeys();
    shop.identified_unit();
    shop.obeys();
    shop.unit_at_second();
    const EventNumber order = shop.order();
    SECTION("it is there") {
        CHECK(is<Applied>(shop.happens(ToolCalled{BayId{"B1"}, ToolId{"T1"}, worker})));
        CHECK_FALSE(shop.tool().called_to);
        CHECK(shop.order() == order);
    }
    SECTION("it is called back before it went") {
        shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, worker});
        CHECK(is<Applied>(shop.happens(ToolCalled{BayId{"B1"}, ToolId{"T1"}, worker})));
        shop.obeys();
        REQUIRE(shop.on());
        CHECK(shop.on()->bay == BayId{"B1"});
        CHECK_FALSE(shop.tool().called_to);
    }
    SECTION("the unit that needed it is gone") {
        shop.happens(ToolCalled{BayId{"B2"}, ToolId{"T1"}, worker});
        shop.second_reports(Presence::absent);
        CHECK_FALSE(shop.tool().called_to);
        shop.obeys();
        REQUIRE(shop.on());
        const EventNumber again = shop.order();
        shop.obeys();
        shop.report();
        CHECK(shop.order() == again);
    }
}

TEST_CASE("a tool whose profile chooses no program runs with whatever it has") {
    config::Station station = obedient_station();
    protocol::RegisterProfile profile;
    profile.control = protocol::RegisterControl{};
    station.profiles.push_back({"no-program", profile});
    config::RegisterLink link;
    link.profile = "no-program";
    station.tools.front().link = link;
    Shop shop(station);
    shop.identified_unit();
    REQUIRE(shop.on());
    CHECK(shop.on()->program.empty());
    shop.says(true, "");
    CHECK(shop.on()->confirmed);
}

namespace {

// Two bays, of which the second's unit brings the sub-assembly that the first one's has.
struct Twice : Shop {
    Twice() : Shop(shared_station()) {}

    void comes_with(const std::string& part, const std::optional<JoinedBefore>& before = {}) {
        second_reports(Presence::absent);
        second_reports(Presence::present);
        happens(TicketScanned{BayId{"B2"}, "D", Serial{"D2"}, "O2", "DV", "", 0});
        TicketScanned scanned{BayId{"B2"}, "F", Serial{part}, "O2", "FV", "", 0};
        scanned.joined = before;
        happens(scanned);
    }
    const Reason* second_held() const {
        const auto& reasons = second().permissives.front().reasons;
        const auto found = std::ranges::find(reasons, ReasonCode::subassembly_used, &Reason::code);
        return found == reasons.end() ? nullptr : &*found;
    }
};

}  // namespace

TEST_CASE(
    "a sub-assembly in two units at once withholds both, and the one that stays when the other leaves") {
    Twice shop;
    shop.identified_unit();
    shop.comes_with("F1");
    CHECK(shop.held_by("lift", ReasonCode::subassembly_used));
    CHECK(shop.second_held() != nullptr);
    CHECK(is<Applied>(shop.proposes(supervisor, AcceptReuse{Serial{"F1"}})));
    CHECK_FALSE(shop.held_by("lift", ReasonCode::subassembly_used));
    CHECK(shop.second_held() != nullptr);
    shop.departs();
    REQUIRE(stay_at(shop.bay()) == nullptr);
    CHECK(shop.second_held() != nullptr);
}

TEST_CASE("a sub-assembly is known by its kind, though its unit bears the same number") {
    Twice shop;
    shop.happens(OperatorSignedOn{BayId{"B1"}, worker});
    shop.arrives();
    shop.scans("D", "100");
    shop.scans("F", "100");
    shop.comes_with("100");
    CHECK(shop.held_by("lift", ReasonCode::subassembly_used));
    CHECK(shop.second_held() != nullptr);
    shop.departs();
    CHECK(shop.second_held() != nullptr);
}

TEST_CASE("that a sub-assembly was taken out of a former unit says nothing of the one that has it now") {
    const JoinedBefore before{Serial{"D8"}, EventNumber{3}, 0};
    Twice shop;
    shop.happens(OperatorSignedOn{BayId{"B1"}, worker});
    shop.arrives();
    shop.scans("D", "D1");
    TicketScanned scanned{BayId{"B1"}, "F", Serial{"F1"}, "O1", "FV", "", 0};
    scanned.joined = before;
    shop.happens(scanned);
    CHECK(is<Applied>(shop.proposes(supervisor, AcceptReuse{Serial{"F1"}})));
    CHECK_FALSE(shop.held_by("lift", ReasonCode::subassembly_used));
    shop.comes_with("F1", before);
    REQUIRE(shop.held_by("lift", ReasonCode::subassembly_used));
    CHECK(sentence(*shop.reason("lift", ReasonCode::subassembly_used)).starts_with("F1 is in unit D2"));
    REQUIRE(shop.second_held() != nullptr);
    CHECK(sentence(*shop.second_held()).starts_with("F1 is in unit D8"));
    shop.departs();
    REQUIRE(shop.second_held() != nullptr);
    CHECK(sentence(*shop.second_held()).starts_with("F1 is in unit D1"));
}
