// Each reason holds, is told in words, and clears the way its table says.
#include "tests/unit/interlock/ordering.hpp"
#include "tests/unit/interlock/story.hpp"

#include <functional>

#include <boost/describe.hpp>
#include <boost/mp11/algorithm.hpp>

using namespace tautgate;
using namespace tautgate::story;

namespace {

using Act = std::function<void(Story&)>;

// `permissive` is free for a unit that has everything (`finished`); `fault` holds it back, `cure` clears
// that.
struct Row {
    ReasonCode code;
    const char* permissive;
    Act fault;
    Act cure;
};

Act both(Act first, Act then) {
    return [first = std::move(first), then = std::move(then)](Story& story) {
        first(story);
        then(story);
    };
}
Act decided(PersonNumber by, std::function<Action(Story&)> action) {
    return [by, action = std::move(action)](Story& story) {
        auto what = action(story);
        story.proposes(by, std::move(what));
    };
}
Act decided(PersonNumber by, Action action) {
    return decided(by, [action](Story&) { return action; });
}
void nothing(Story&) {}
void bypass_mount(Story& story, const std::string& way) {
    story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(station_with_ways()));
    story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
    story.proposes(quality, PlaceBypass{JointId{"mount"}, way, story.now_ns / 1000 + 3'600'000'000, 2});
}

const std::vector<Row>& rows() {
    using enum ReasonCode;
    static const Act finished = [](Story& story) { story.finished_unit(); };
    static const Act joined = [](Story& story) { story.joined_unit(); };
    static const Act identified = [](Story& story) { story.identified_unit(); };
    static const Act arrived = [](Story& story) { story.arrives(); };
    static const std::vector<Row> all{
        {no_rules_in_force, "lift",
         [](Story& story) {
             story.state.rules.reset();
             story.report();
         },
         [](Story& story) {
             story.happens(RulesApproved{Revision{"r1"}, admin, supervisor, {}});
         }},
        {bay_not_in_rules, "lift",
         [](Story& story) {
             auto other = small_station();
             other.permissives.erase(other.permissives.begin());
             story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(other));
             story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
         },
         [](Story& story) {
             story.happens(RulesApproved{Revision{"r1"}, admin, supervisor, {}});
         }},
        {event_set_aside, "leave",
         both(finished,
              [](Story& s) {
                  s.happens(EventSetAside{BayId{"B1"}, "raw", "why", {}, "", 0, 0});
              }),
         decided(supervisor, [](Story& s) -> Action { return DisposeSetAside{s.stay().set_aside.front()}; })},
        {decision_differs, "leave",
         both(finished,
              [](Story& s) {
                  s.happens(DecisionDiffered{EventNumber{3}, "next"});
              }),
         decided(supervisor, AcceptDifference{})},
        {moved_unproven, "lift", both(identified, [](Story& s) { s.moves("lift"); }),
         decided(supervisor, AcknowledgeMove{PermissiveId{"lift"}})},
        {unit_on_hold, "leave", both(finished, decided(supervisor, PlaceHold{Serial{"D1"}})),
         decided(quality, LiftHold{Serial{"D1"}})},
        {tool_overdue, "leave",
         [](Story& story) {
             auto watched = small_station();
             watched.tools.front().calibration = config::CalibrationRule{};
             story.rules.emplace(Revision{"r2"}, std::make_shared<const config::Station>(watched));
             story.happens(RulesApproved{Revision{"r2"}, admin, supervisor, {}});
             story.identified_unit();
         },
         decided(quality, RecordCalibration{ToolId{"T1"}, 0, "C-17"})},
        {restart_unverified, "leave",
         [](Story& story) {
             bypass_mount(story, "spare");
             story.proposes(supervisor, EndBypass{JointId{"mount"}});
             story.identified_unit();
         },
         decided(quality, VerifyRestart{JointId{"mount"}, "tried on the test plate"})},
        {witness_missing, "leave",
         [](Story& story) {
             bypass_mount(story, "watched");
             story.identified_unit();
             story.hits({"T2", "P1", 50});
             story.hits({"T2", "P1", 50});
         },
         decided(supervisor, WitnessJoint{JointId{"mount"}})},
        {source_on_hold, "leave", both(finished, decided(supervisor, PlaceHoldOn{HeldTool{ToolId{"T1"}}})),
         decided(quality, LiftHoldFrom{HeldTool{ToolId{"T1"}}})},
        {wrong_pair, "lift",
         both(arrived,
              [](Story& s) {
                  s.scans("D", "D1");
                  s.scans("F", "F1", "O2");
              }),
         decided(supervisor, CorrectTicket{"F", Serial{"F1"}, "O1", "FV", "", 0})},
        {unknown_variant, "lift",
         both(arrived,
              [](Story& s) {
                  s.scans("D", "D1", "O1", "DX");
                  s.scans("F", "F1");
              }),
         decided(supervisor, CorrectTicket{"D", Serial{"D1"}, "O1", "DV", "", 0})},
        {ticket_repeated, "leave", both(finished, [](Story& s) { s.scans("D", "D2"); }),
         decided(supervisor, UnitStillHere{})},
        {serial_seen_before, "leave", both(arrived, [](Story& s) { s.scans("D", "D1", "O1", "DV", 1); }),
         decided(supervisor, AcceptReturn{})},
        {no_unit, "lift", nothing, arrived},
        {ticket_missing, "lift", both(arrived, [](Story& s) { s.scans("D", "D1"); }),
         [](Story& s) { s.scans("F", "F1"); }},
        {presence_unconfirmed, "leave",
         both(finished,
              [](Story& s) {
                  ++s.equipment.starts;
                  s.report();
              }),
         [](Story& s) { s.scans("D", "D1"); }},
        {unit_absent, "leave",
         both(finished,
              [](Story& s) {
                  s.equipment.present = Presence::absent;
                  s.report();
              }),
         [](Story& s) {
             s.equipment.present = Presence::present;
             s.report();
         }},
        {order_unknown, "leave", both(take_orders, finished),
         [](Story& s) { s.happens(from_folder({added("O1", "V")})); }},
        {order_cancelled, "leave",
         both(both(ordered, finished), [](Story& s) { s.happens(from_folder({cancelled("O1")})); }),
         decided(supervisor, SettleOrder{OrderChoice::as_taken})},
        {order_changed, "leave",
         both(both(ordered, finished), [](Story& s) { s.happens(from_folder({changed("O1", "W")})); }),
         decided(supervisor, SettleOrder{OrderChoice::as_taken})},
        {order_used, "leave",
         both(both(ordered, finished),
              [](Story& s) {
                  s.moves("leave");
                  s.departs();
                  s.arrives();
                  s.scans("D", "D2");
                  s.scans("F", "F2");
              }),
         decided(supervisor, SettleOrder{OrderChoice::as_taken})},
        {order_differs, "leave",
         both(take_orders,
              [](Story& s) {
                  s.happens(from_folder({added("O1", "V", {{"F", "", "F7"}})}));
                  s.identified_unit();
              }),
         [](Story& s) {
             s.two_decide(CorrectTicket{"F", Serial{"F7"}, "O1", "FV", "", 0});
         }},
        {subassembly_used, "leave",
         both(arrived,
              [](Story& s) {
                  s.scans("D", "D1");
                  s.happens(in_unit("F1", "D8"));
              }),
         decided(supervisor, AcceptReuse{Serial{"F1"}})},
        {controller_link_lost, "leave",
         both(finished,
              [](Story& s) {
                  s.happens(ControllerLinkChanged{BayId{"B1"}, Quality::stale, "", 1});
              }),
         [](Story& s) {
             s.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
         }},
        {controller_fault, "leave",
         both(finished,
              [](Story& s) {
                  s.equipment.fault = true;
                  s.report();
              }),
         [](Story& s) {
             s.equipment.fault = false;
             s.report();
         }},
        {token_not_taken, "leave",
         both(finished,
              [](Story& s) {
                  s.equipment.echoed = Token{1};
                  s.report();
              }),
         [](Story& s) {
             s.equipment.echoed = s.stay().token;
             s.report();
         }},
        {movement_used, "lift", both(joined, [](Story& s) { s.moves("lift"); }),
         decided(supervisor, RearmPermissive{PermissiveId{"lift"}})},
        {next_bay_occupied, "lift",
         both(joined,
              [](Story& s) {
                  auto queue = small_station();
                  queue.permissives.front().moves_to = "B2";  // of which nothing is known
                  s.rules[Revision{"r1"}] = std::make_shared<const config::Station>(queue);
                  s.report();
              }),
         [](Story& s) {
             s.rules[Revision{"r1"}] = std::make_shared<const config::Station>(small_station());
             s.report();
         }},
        {tool_link_lost, "leave",
         both(finished,
              [](Story& s) {
                  s.happens(ToolLinkChanged{ToolId{"T1"}, Quality::failed, "", 1});
              }),
         [](Story& s) {
             s.happens(ToolLinkChanged{ToolId{"T1"}, Quality::good, "", 1});
         }},
        {tool_not_asked, "leave", both(finished, [](Story& s) { s.restarts(false); }),
         [](Story& s) { s.links_come_up(); }},
        {result_gap, "leave",
         both(finished,
              [](Story& s) {
                  s.tools["T1"].made += 1;
                  s.hits(mount_ok);
              }),
         decided(supervisor, AcceptGap{ToolId{"T1"}})},
        {results_outstanding, "leave",
         both(finished,
              [](Story& s) {
                  s.happens(ToolAnswered{ToolId{"T1"}, "e1", 3});
              }),
         [](Story& s) { s.hits(mount_ok); }},
        {result_conflict, "leave",
         both(finished,
              [](Story& s) {
                  auto twin = s.made(mount_ok);
                  twin.reading.counter = 1;
                  s.happens(twin);
              }),
         decided(supervisor, AcceptGap{ToolId{"T1"}})},
        {result_unassigned, "leave", both(finished, [](Story& s) { s.hits(mount_ok); }),
         decided(supervisor, [](Story& s) -> Action { return SetResultAside{s.state.newest}; })},
        {fastener_locked, "lift",
         both(identified,
              [](Story& s) {
                  s.hits(mount_low);
                  s.hits(mount_low);
              }),
         decided(supervisor, UnlockFastener{JointId{"mount"}, 0})},
        {replacement_due, "leave",
         both(joined,
              [](Story& s) {
                  s.hits({"T2", "P3", 20, 45, 1});
              }),
         decided(supervisor, UnlockFastener{JointId{"clip"}, 0})},
        {loosening_due, "lift", both(identified, [](Story& s) { s.hits(mount_low); }),
         [](Story& s) { s.hits(mount_loosened); }},
        {joint_not_ok, "lift", both(identified, [](Story& s) { s.hits(mount_low); }),
         [](Story& s) {
             s.hits(mount_loosened);
             s.hits(mount_ok);
         }},
        {joint_open, "lift", both(joined, [](Story& s) { s.hits(mount_loosened); }),
         [](Story& s) {
             s.hits(mount_ok);
             s.hits(mount_ok);
         }},
        {check_open, "leave",
         both(joined,
              [](Story& s) {
                  s.hits(clip_ok(1));
                  s.hits(clip_ok(2));
              }),
         [](Story& s) {
             s.happens(CheckConfirmed{BayId{"B1"}, "look", worker, s.state.newest});
         }},
        {curve_awaited, "lift",
         [](Story& s) {
             auto limits = small_station();
             limits.joints[0].passes[0].window.curve.emplace();
             s.rules.at(Revision{"r1"}) = std::make_shared<const config::Station>(limits);
             s.identified_unit();
             s.hits(mount_ok);
         },
         [](Story& s) {
             const protocol::CurveReport good{
                 {},
                 {{protocol::FinalTorque{}, nm(50)}, {protocol::FinalAngle{protocol::FromStart{}}, deg(45)}}};
             s.happens(TraceReceived{ToolId{"T1"}, "e1", s.tools["T1"].made, "c1", 2, 3, good});
         }},
        {check_waits, "leave",
         [](Story& s) {
             auto checked = small_station();
             checked.joints[2].passes.push_back(checked.joints[2].passes.front());
             checked.joints[2].passes.back().name = "check";
             checked.joints[2].passes.back().check = config::CheckPass{std::chrono::seconds{90}};
             s.rules.at(Revision{"r1"}) = std::make_shared<const config::Station>(checked);
             s.joined_unit();
             s.hits(clip_ok(1));
             s.hits(clip_ok(2));
         },
         [](Story& s) {
             const auto wait = *s.joint("clip").wait;
             s.now_ns += std::chrono::nanoseconds(std::chrono::seconds{90}).count();
             s.happens(CheckDue{s.stay().id, JointId{"clip"}, wait.pass, wait.began});
         }},
    };
    return all;
}

// How the reason went away, seen from the events that did it.
Clears way_of(const std::vector<Event>& events, std::size_t from) {
    for (std::size_t i = from; i < events.size(); ++i) {
        const Payload& payload = events[i].payload;
        if (std::holds_alternative<Proposed>(payload) || std::holds_alternative<RulesApproved>(payload))
            return Clears::by_decision;
    }
    return Clears::by_itself;
}

}  // namespace

TEST_CASE(
    "every reason holds its permissive, is told in words with all its facts, and clears as its table says") {
    for (const Row& row : rows()) {
        Story story;
        INFO("reason " << static_cast<int>(row.code));
        row.fault(story);
        CHECK(story.on_wire(row.permissive) == OnWire::withheld);
        const Reason* reason = story.reason(row.permissive, row.code);
        REQUIRE(reason != nullptr);
        const std::string told = sentence(*reason) + remedy(*reason);
        INFO(told);
        CHECK(told.find_first_of("{}[]") == std::string::npos);
        CHECK(told.find(" ? ") == std::string::npos);
        CHECK_FALSE(remedy(*reason).empty());

        const auto before = story.events.size();
        row.cure(story);
        CHECK_FALSE(story.held_by(row.permissive, row.code));
        const Clears expected = text_of(row.code).clears;
        if (expected == Clears::by_confirming_presence) {
            CHECK(std::holds_alternative<TicketScanned>(story.events.back().payload));
        } else {
            CHECK(way_of(story.events, before) == expected);
        }
    }
}

TEST_CASE("no reason lacks a row above") {
    boost::mp11::mp_for_each<boost::describe::describe_enumerators<ReasonCode>>([](auto each) {
        INFO(each.name);
        CHECK(std::ranges::count(rows(), each.value, &Row::code) == 1);
    });
}

TEST_CASE("a decision of people does what no passing of time does") {
    for (const Row& row : rows()) {
        if (text_of(row.code).clears != Clears::by_decision)
            continue;
        if (row.code == ReasonCode::no_rules_in_force || row.code == ReasonCode::bay_not_in_rules)
            continue;
        Story story;
        row.fault(story);
        INFO("reason " << static_cast<int>(row.code));
        story.restarts(true);
        story.links_come_up();
        CHECK(story.held_by(row.permissive, row.code));
    }
}

TEST_CASE("what clears by a decision names that decision among the ways out, and who may take it") {
    for (const Row& row : rows()) {
        Story story;
        row.fault(story);
        INFO("reason " << static_cast<int>(row.code));
        const Reason* reason = story.reason(row.permissive, row.code);
        REQUIRE(reason != nullptr);
        const auto ways = ways_out(story.rules, story.state, BayId{"B1"}, *reason);
        for (const WayOut& way : ways) {
            CHECK(way.people >= 1);
            CHECK_FALSE(way.roles.empty());
        }
        const bool of_rules =
            row.code == ReasonCode::no_rules_in_force || row.code == ReasonCode::bay_not_in_rules;
        if (text_of(row.code).clears != Clears::by_decision || of_rules)
            continue;
        const auto before = story.events.size();
        row.cure(story);
        bool named = false;
        for (auto event = story.events.begin() + static_cast<std::ptrdiff_t>(before);
             event != story.events.end(); ++event) {
            if (const auto* proposed = std::get_if<Proposed>(&event->payload))
                named = named || std::ranges::any_of(ways, [&](const WayOut& way) {
                            return way.action.index() == proposed->action.index();
                        });
        }
        CHECK(named);
    }
}

TEST_CASE("a way out asks for as many people, of the roles, as the decision itself then does") {
    Story story;
    story.identified_unit();
    const Reason* open = story.reason("lift", ReasonCode::joint_open);
    REQUIRE(open != nullptr);
    REQUIRE(open->joint == "mount");
    const auto ways = ways_out(story.rules, story.state, BayId{"B1"}, *open);
    REQUIRE(ways.size() == 1);
    CHECK(ways.front().people == 2);
    CHECK(ways.front().roles == std::vector<Role>{Role::production_supervisor, Role::quality_engineer});
    CHECK(std::get<OverrideJoint>(ways.front().action).verified.empty());
    CHECK_FALSE(std::get<OverrideJoint>(ways.front().action).checked_torque.has_value());
    // What nobody has to decide has none.
    const Reason none{ReasonCode::tool_link_lost, "", "", "T1", {}};
    CHECK(ways_out(story.rules, story.state, BayId{"B1"}, none).empty());
}

TEST_CASE("where a loosening took all proof of a joint, the reasons say so and where to begin again") {
    Story story;
    story.identified_unit();
    for (const Hit& hit : {mount_ok, mount_low, mount_loosened})
        story.hits(hit);
    const std::string note =
        "; a loosening may have been of any of its fasteners, so all are tightened again from 1 on.";
    CHECK(sentence(*story.reason("lift", ReasonCode::joint_open)) ==
          "mount: 2 of 2 still to do in final, next 1" + note);
    story.hits(mount_low);
    CHECK(sentence(*story.reason("lift", ReasonCode::fastener_locked)) ==
          "mount, 1: the allowed attempts are used up" + note);
}

TEST_CASE("a loosening that is certainly of the one fastener leaves no such note") {
    Story story;
    story.identified_unit();
    for (const Hit& hit : {mount_low, mount_loosened, mount_low})
        story.hits(hit);
    CHECK(sentence(*story.reason("lift", ReasonCode::fastener_locked)) ==
          "mount, 1: the allowed attempts are used up.");
    CHECK(sentence(*story.reason("lift", ReasonCode::joint_open)) ==
          "mount: 2 of 2 still to do in final, next 1.");
}

TEST_CASE("what is not its turn yet is told with what comes before it") {
    Story story;
    story.identified_unit();
    CHECK(sentence(*story.reason("lift", ReasonCode::joint_open)) ==
          "mount: 2 of 2 still to do in final, next 1.");
    const auto* look = story.reason("leave", ReasonCode::check_open);
    REQUIRE(look != nullptr);
    CHECK(sentence(*look) == "Not confirmed yet: Look at it, after mount.");
    CHECK(remedy(*look) == "Do it and confirm it, once mount is done.");
    Story joined;
    joined.joined_unit();
    look = joined.reason("leave", ReasonCode::check_open);
    REQUIRE(look != nullptr);
    CHECK(sentence(*look) == "Not confirmed yet: Look at it.");
    CHECK(remedy(*look) == "Do it and confirm it.");
}

TEST_CASE("what a reason does not know is left out of its sentence together with its words") {
    Reason reason{ReasonCode::joint_not_ok, "mount", "1", "", {{"finding", "odd"}, {"advice", "look"}}};
    CHECK(sentence(reason) == "mount, 1: not OK, odd.");
    reason.facts.push_back({"found", "9 N·m"});
    reason.facts.push_back({"allowed", ""});
    CHECK(sentence(reason) == "mount, 1: not OK, odd (9 N·m).");
    reason.facts.back().value = "40 N·m";
    CHECK(sentence(reason) == "mount, 1: not OK, odd (9 N·m; allowed 40 N·m).");
}

TEST_CASE("an empty bay is told as empty only where the equipment says that it is") {
    Story story;
    const auto told = [&] {
        const Reason* reason = story.reason("lift", ReasonCode::no_unit);
        REQUIRE(reason != nullptr);
        return sentence(*reason) + " " + remedy(*reason);
    };
    const std::string empty = "No unit is at the bay. Bring a unit and scan its tickets.";
    CHECK(told() == empty);
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::failed, "", 1});
    CHECK(told() == "Whether a unit is at the bay is not known. Wait until the equipment has said so.");
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
    story.report();
    CHECK(told() == empty);

    story.finished_unit();
    story.moves("leave");
    CHECK(told() == "The last unit's leaving was counted, but the sensor still sees something. "
                    "Clear the place.");
    story.departs();
    CHECK(told() == empty);
}

TEST_CASE("all reasons are given, worst first, each once") {
    Story story;
    story.identified_unit();
    story.scans("D", "D2");
    story.happens(ToolLinkChanged{ToolId{"T1"}, Quality::stale, "", 1});
    std::vector<ReasonCode> codes;
    for (const Reason& reason : story.permissive("lift").reasons)
        codes.push_back(reason.code);
    CHECK(codes == std::vector<ReasonCode>{ReasonCode::ticket_repeated, ReasonCode::tool_link_lost,
                                           ReasonCode::joint_open, ReasonCode::joint_open});
}

TEST_CASE("a loss of sight of the equipment does not clear by the link alone") {
    Story story;
    story.finished_unit();
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::failed, "", 1});
    story.happens(ControllerLinkChanged{BayId{"B1"}, Quality::good, "", 1});
    CHECK(story.held_by("leave", ReasonCode::presence_unconfirmed));
    CHECK(story.held_by("leave", ReasonCode::unit_absent));
    story.report();
    CHECK(story.released("leave"));
}
