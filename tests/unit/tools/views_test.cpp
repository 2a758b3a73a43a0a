// The person's tables, pinned word by word on answers shaped as the API's description says.
#include <catch2/catch.hpp>

#include <nlohmann/json.hpp>

#include "tools/cli/views.hpp"

using namespace tautgate::cli;
using nlohmann::json;

namespace {

json parsed(const char* text) { return json::parse(text); }

const char* const held = R"({
  "bay": "J1", "newest_event": 41, "durable_event": 41,
  "permissives": [
    {"id": "lift-beam", "number": 1, "name": "Lifting beam", "movement": "raise", "leaving": false,
     "decided": "withheld", "decided_by": null, "on_wire": "withheld",
     "reasons": [
       {"code": "joint_not_ok", "number": 60, "sentence": "motor-mounts bolt 2 is not OK",
        "remedy": "loosen it and tighten again", "clears": "by_itself", "overridable": true,
        "override": {"people": 2, "roles": ["production_supervisor", "quality_engineer"],
                     "hand_checked_value": true},
        "id": "motor-mounts", "joint": "motor-mounts", "fastener": "2", "tool": null,
        "facts": [{"name": "torque", "value": "301 N·m"}, {"name": "fastener", "value": "bolt 2"}]},
       {"code": "joint_open", "number": 61, "sentence": "axle-box is open", "remedy": "tighten it",
        "clears": "by_itself", "overridable": false, "override": null, "joint": "axle-box",
        "fastener": null, "tool": null, "facts": []}]},
    {"id": "carrier", "number": 2, "name": "carrier", "movement": null, "leaving": true,
     "decided": "released", "decided_by": 40, "on_wire": "unknown", "reasons": []}]})";

}  // namespace

TEST_CASE("why gives every reason with its remedy, how it clears, who may override it, and the facts") {
    CHECK(why_text(parsed(held), {}) == R"(Bay J1, as of event 41

lift-beam (Lifting beam): withheld
carrier: released (the equipment is told: unknown)

  1. motor-mounts bolt 2 is not OK
     do: loosen it and tighten again
     holds: lift-beam
     clears: once that is done; nobody has to decide; reason 60 (joint_not_ok)
     name in commands: motor-mounts
     may be overridden by 2 people: production supervisor or quality engineer; with a value checked by hand
     torque: 301 N·m

  2. axle-box is open
     do: tighten it
     holds: lift-beam
     clears: once that is done; nobody has to decide; reason 61 (joint_open)
)");
}

TEST_CASE(
    "a reason that holds several permissives is told once, worst first, in lines as long as the screen") {
    auto why = parsed(held);
    auto worse = why["permissives"][0]["reasons"][1];
    worse["number"] = 10;
    why["permissives"][1]["reasons"] = {why["permissives"][0]["reasons"][1], worse};
    const auto text = why_text(why, {.colours = false, .screen = 40});
    CHECK(text.find("  1. axle-box is open\n     do: tighten it\n     holds: carrier\n") !=
          std::string::npos);
    CHECK(text.find("  3. axle-box is open\n     do: tighten it\n     holds: lift-beam, carrier\n") !=
          std::string::npos);
    CHECK(text.find("  4. ") == std::string::npos);
    CHECK(text.find("     may be overridden by 2 people:\n     production supervisor or quality\n") !=
          std::string::npos);
}

TEST_CASE("why tells the command of what people may decide, and that a lost link clears by itself") {
    auto why = parsed(held);
    auto& reason = why["permissives"][0]["reasons"][1];
    reason["code"] = "tool_link_lost";
    reason["ways_out"] = {
        {{"action", "unit_still_here"}, {"people", 1}, {"roles", {"production_supervisor"}}},
        {{"action", "unlock_fastener"}, {"people", 1}, {"roles", {"production_supervisor"}}}};
    const auto text = why_text(why, {});
    CHECK(text.find("     clears: by itself; reason 61 (tool_link_lost)\n") != std::string::npos);
    CHECK(text.find(
              "     may be decided: tautgate decide unit-still-here, by 1 person: production supervisor\n") !=
          std::string::npos);
    CHECK(text.find("     may be decided: tautgate decide unlock-fastener JOINT FASTENER, by 1 person: ") !=
          std::string::npos);
}

TEST_CASE("the command of a decision is ready to copy as far as the reason knows what it is about") {
    auto why = parsed(held);
    auto& reason = why["permissives"][0]["reasons"][1];
    const auto told = [&](const char* action) {
        reason["ways_out"] = {{{"action", action}, {"people", 1}, {"roles", {"quality_engineer"}}}};
        return why_text(why, {});
    };
    reason.merge_patch(parsed(R"({"code": "result_gap", "joint": null, "tool": "NR-20"})"));
    CHECK_THAT(told("accept_gap"), Catch::Contains("tautgate decide accept-gap NR-20, by 1 person"));
    reason["facts"] = parsed(R"([{"name": "result", "value": "25"}])");
    CHECK_THAT(told("assign_result"),
               Catch::Contains("tautgate decide assign-result 25 JOINT FASTENER, by 1 person"));
    reason.merge_patch(parsed(R"({"joint": "Axle box", "id": "axle-box", "fastener": "front left"})"));
    CHECK_THAT(told("unlock_fastener"),
               Catch::Contains("tautgate decide unlock-fastener axle-box 'front left', by 1 person"));
    for (const char* odd : {"a'b", "-x", "a\u0007b"}) {
        reason["fastener"] = odd;
        CHECK_THAT(told("unlock_fastener"), Catch::Contains("unlock-fastener axle-box FASTENER, by"));
    }
}

TEST_CASE("why tells the newest scan before the reasons, where it counted for nothing") {
    auto why = parsed(held);
    CHECK(scan_words("The ticket does not count: it is for the next bay.") == "it is for the next bay.");
    why["unused_scan"] = {{"event", 40}, {"why", "the label is empty; scan again"}};
    CHECK(why_text(why, {}).find(
              "\nThe newest scan counted for nothing: the label is empty; scan again\n\n  1. ") !=
          std::string::npos);
}

TEST_CASE("a typed order is answered without the digest and the lines of the file that it is not") {
    CHECK(typed_order_text(parsed(R"({"outcome": "accepted", "answers": [
              {"line": 0, "answer": "the request (SHA-256 00ff) is accepted; orders: 1"},
              {"line": 2, "answer": "order 40017 is added, variant express"}]})")) ==
          "order 40017 is added, variant express\n");
    CHECK(typed_order_text(parsed(R"({"outcome": "rejected", "answers": [
              {"line": 0, "answer": "the request (SHA-256 00ff) is rejected"},
              {"line": 2, "answer": "the variant is not known; give MB1"}]})")) ==
          "the order is rejected and changes nothing; correct it and send it again\n"
          "  the variant is not known; give MB1\n");
}

TEST_CASE("one held permissive makes the answer held") {
    auto why = parsed(held);
    CHECK(anything_held(why));
    why["permissives"][0]["decided"] = "released";
    CHECK_FALSE(anything_held(why));
    why["permissives"][1]["decided"] = "leaving_incomplete";
    CHECK_FALSE(anything_held(why));
}

TEST_CASE("an answer that does not say that all is released counts as held") {
    CHECK(anything_held(parsed(R"({"bay": "J1"})")));
    CHECK(anything_held(parsed(R"({"bay": "J1", "permissives": []})")));
    CHECK(anything_held(parsed(R"({"bay": "J1", "permissives": [{"id": "x"}]})")));
    CHECK(anything_held(json(nullptr)));
}

TEST_CASE("the state names bay, unit, progress of each joint, permissives and tools") {
    const auto station = parsed(R"({
      "station": {"id": "MBJ", "number": 1, "name": "motor bogie join", "site": "Larkmoor"},
      "program_version": "0.1.0", "newest_event": 9, "durable_event": 8, "rules": "ab", "people_enrolled": 3,
      "bays": [{"id": "J1", "name": "Joining table", "simulated": true,
        "controller": {"link": "good", "present": "present", "fault": false, "echoed_token": 5},
        "signed_on": {"number": 2, "name": "Odo Lammers"},
        "occupant": {"began": "2026-11-25T06:14:03.120000Z",
          "identity": {"state": "identified", "unit": "D1", "variant": "MB1", "plan": "p", "plan_revision": "3"},
          "leaves_incomplete": null, "moved_here": {"from": "J0", "permissive": "shift", "arrived": null},
          "proposals": [{"number": 7, "action": "override_joint", "subject": "motor-mounts",
             "by": {"number": 3, "name": "Jonna Fell"}, "reason_code": "tool-failed", "reason_text": "by hand"}],
          "joints": [{"id": "motor-mounts", "name": "Motor mounts", "risk": "a", "method": "tightening",
             "override": null, "confirmed": null,
             "fasteners": [
               {"name": "1", "passes": [{"proof": {"result": 4}, "not_ok": null}], "locked": false},
               {"name": "2", "passes": [{"proof": null, "not_ok": null}], "locked": true}]}]},
        "permissives": [{"id": "lift-beam", "name": "Lifting beam", "decided": "withheld",
          "on_wire": "withheld", "reasons": 2, "first_reason": "bolt 2 is locked"}]}],
      "tools": [{"id": "NR-20", "name": "NR-20", "bay": "J1", "link": "stale", "count": "following",
        "counter": 12}],
      "holds": [{"unit": "D0", "since": 3, "why": "left unproven"}], "unassigned": []})");
    CHECK(state_text(station, {}) == R"(Station MBJ (motor bogie join), Larkmoor
as of event 9, stored up to 8; 3 people enrolled; program 0.1.0

Bay J1 (Joining table), simulated
  controller: good, unit present
  signed on: Odo Lammers
  unit: D1, variant MB1, plan p revision 3 (identified), here since 2026-11-25 06:14:03Z
  moved here from bay J0 under permissive shift; it is on its way
  waits for a second person: proposal 7, override joint motor-mounts, by Jonna Fell (tool-failed: by hand)
    joint                        class  fasteners proven  note
    motor-mounts (Motor mounts)  A      1/2               2 locked
  permissive                decided   equipment told  held by    first reason
  lift-beam (Lifting beam)  withheld  withheld        2 reasons  bolt 2 is locked

Tools
  tool   bay  link   count        counter
  NR-20  J1   stale  without gap  12

Units on quality hold
  unit  since event  why
  D0    3            left unproven
)");
}

TEST_CASE("bypasses stand above the bays, and a joint says in which way it is done") {
    const auto station = parsed(R"({"station": {"id": "MBJ", "name": "motor bogie join", "site": "Larkmoor"},
      "newest_event": 9, "durable_event": 9, "people_enrolled": 3, "program_version": "0.1.0",
      "bypasses": [
        {"joint": "bracket", "joint_name": "Torque-arm bracket", "alternate": "hand-wrench",
         "name": "Setting wrench by hand", "since": 7, "until": "2026-11-25T22:00:00.000000Z", "units": 10,
         "used": 2, "why": "NR-12 is at the crib", "ended": null},
        {"joint": "motor-mounts", "joint_name": "Motor mounts", "alternate": "spare", "name": "Spare nutrunner",
         "since": 3, "until": "2026-11-25T10:00:00.000000Z", "units": 5, "used": 5, "why": "worn", "ended": 8}],
      "bays": [{"id": "J1", "name": "J1", "simulated": false,
        "controller": {"link": "good", "present": "present", "fault": false}, "signed_on": null,
        "occupant": {"began": "2026-11-25T06:14:03.120000Z", "identity": {}, "proposals": [],
          "joints": [{"id": "bracket", "name": "bracket", "risk": "b", "method": "confirmed_check",
             "override": null, "confirmed": 8, "confirmed_by": {"number": 4, "name": "Bo Reed"}, "fasteners": [],
             "alternate": {"id": "hand-wrench", "name": "Setting wrench by hand", "witness": true},
             "witnessed": null}]},
        "permissives": []}]})");
    const auto text = state_text(station, {});
    CHECK_THAT(text, Catch::Contains("2026-11-25 22:00:00Z") && Catch::Contains("2 of 10") &&
                         Catch::Contains("ended with event 8, restart not verified"));
    CHECK(text.find("Bypassed") < text.find("Bay J1"));
    CHECK_THAT(text,
               Catch::Contains("done as Setting wrench by hand, not witnessed yet; confirmed by Bo Reed"));
}

TEST_CASE("the units of a bypass are listed, and none is said to be none") {
    const auto some = parsed(R"({"bypass": 7, "units": [{"stay": 12, "unit": "TM000871", "joint": "bracket",
        "alternate": "hand-wrench", "at": "2026-11-25T06:14:03.120000Z"}]})");
    CHECK_THAT(bypassed_text(some, {}),
               Catch::Contains("TM000871  bracket  hand-wrench  2026-11-25 06:14:03Z  12"));
    CHECK(
        bypassed_text(parsed(R"({"bypass": 7, "units": []})"), {}) ==
        "No unit was done in another way because of event 7; tautgate state shows the events of bypasses\n");
}

TEST_CASE("a wiring test is told, and what is shown released for its token is not told as withheld") {
    auto station = parsed(R"({"bays": [{"id": "J2", "name": "Second", "simulated": false,
        "controller": {"link": "good", "present": "absent", "fault": false}, "signed_on": null,
        "occupant": null, "expected": null,
        "wiring_test": {"began": 7, "permissive": "lift", "token": 4278190081,
                        "by": {"number": 3, "name": "Jonna Fell"}},
        "permissives": [
          {"id": "lift", "name": "lift", "decided": "withheld", "on_wire": "withheld", "reasons": 1,
           "first_reason": "no unit"},
          {"id": "turn", "name": "turn", "decided": "withheld", "on_wire": "withheld", "reasons": 1,
           "first_reason": "no unit"}]}]})");
    CHECK_THAT(state_text(station, {}),
               Catch::Contains(
                   "  signed on: -\n"
                   "  wiring test under way, begun by Jonna Fell, token 0xFF000001: the equipment must not "
                   "move on it\n"
                   "  unit: none\n"
                   "  permissive  decided   equipment told               held by   first reason\n"
                   "  lift        withheld  released for the test token  1 reason  no unit\n"
                   "  turn        withheld  withheld                     1 reason  no unit\n"));
    auto& bay = station["bays"][0];
    bay["wiring_test"]["permissive"] = nullptr;
    bay["permissives"][0]["on_wire"] = "unknown";
    CHECK_THAT(state_text(station, {}),
               Catch::Contains("  lift        withheld  unknown                      1 reason  no unit\n"
                               "  turn        withheld  released for the test token  1 reason  no unit\n"));
    bay["wiring_test"] = nullptr;
    CHECK_THAT(state_text(station, {}), !Catch::Contains("test"));
}

TEST_CASE("an empty bay tells of the unit that may move there") {
    const auto station = parsed(R"({"bays": [{"id": "J2", "name": "Second", "simulated": false,
        "controller": {"link": "good", "present": "absent", "fault": false}, "signed_on": null,
        "occupant": null, "permissives": [],
        "expected": {"stay": 4, "from": "J1", "permissive": "shift", "arrived": false}}]})");
    CHECK(state_text(station, {}).find("  unit: none; that at bay J1 is to move here next\n") !=
          std::string::npos);
}

TEST_CASE("a unit's history is one table for each kind of line") {
    const auto unit = parsed(R"({"serial": "D1", "stays": [{"stay": 5, "bay": "J1", "token": 9,
      "began": "2026-11-25T06:14:03.120000Z", "ended": null, "leaves_incomplete": null, "unit": "D1",
      "variant": "MB1", "plan": "p", "plan_revision": "3",
      "moves": [{"event": 7, "at": "2026-11-25T06:16:00.000000Z", "from": "J0", "to": "J1",
        "permissive": "shift", "unproven": true}],
      "tickets": [{"event": 5, "at": "2026-11-25T06:14:03.120000Z", "kind": "motor", "serial": "D1",
        "order": "O7", "type": null, "accepted": true, "withdrawn": null}],
      "tightenings": [{"event": 6, "at": "2026-11-25T06:15:00.000000Z", "tool": "NR-20",
        "outcome": "attributed", "why": null, "joint": "motor-mounts", "fastener": "1", "pass": "final",
        "attempt": 1, "verdict": "not_ok", "findings": ["torque_low"], "torque": "301 N·m", "angle": null,
        "operator": {"number": 2, "name": "Odo\u001b[2J"}, "assigned_by": null}],
      "outputs": [{"event": 5, "at": "2026-11-25T06:14:03.120000Z", "permissive": "lift-beam",
        "output": "withheld", "reasons": ["joint_open", "ticket_missing"]}],
      "decisions": [{"event": 8, "at": "2026-11-25T06:20:00.000000Z", "kind": "proposed",
        "action": "override_joint", "subject": "motor-mounts", "outcome": "refused",
        "refusal": "value_missing", "proposal": null, "by": {"number": 3, "name": "Jonna Fell"},
        "seconded_by": null, "reason_code": "tool-failed", "reason_text": "by hand"},
        {"event": 9, "at": "2026-11-25T06:21:00.000000Z", "kind": "proposed", "action": "override_joint",
        "subject": "motor-mounts", "outcome": "awaits_second", "refusal": null, "proposal": null,
        "applied_by": 10, "ended_by": null, "by": {"number": 3, "name": "Jonna Fell"},
        "seconded_by": {"number": 4, "name": "Di Lund"}, "reason_code": "worn", "reason_text": null,
        "verified": "all four", "checked_torque": "250 N·m"},
        {"event": 10, "at": "2026-11-25T06:22:00.000000Z", "kind": "seconded", "action": null,
        "subject": null, "outcome": "applied", "refusal": null, "proposal": 9, "applied_by": null,
        "ended_by": null, "by": {"number": 4, "name": "Di Lund"}, "seconded_by": null, "reason_code": null,
        "reason_text": null, "verified": null, "checked_torque": null},
        {"event": 11, "at": "2026-11-25T06:23:00.000000Z", "kind": "proposed", "action": "assign_result",
        "subject": "motor-mounts", "subject_event": 7, "fastener": "2", "outcome": "applied",
        "by": {"name": "Di Lund"}},
        {"event": 12, "at": "2026-11-25T06:24:00.000000Z", "kind": "proposed", "action": "set_result_aside",
        "subject": null, "subject_event": 25, "fastener": null, "outcome": "applied",
        "by": {"name": "Di Lund"}},
        {"event": 13, "at": "2026-11-25T06:25:00.000000Z", "kind": "proposed",
        "action": "dispose_set_aside", "subject": null, "subject_event": 26, "fastener": null,
        "outcome": "applied", "by": {"name": "Di Lund"}}]}]})");
    CHECK(unit_text(unit, {}) == R"(D1: 1 stay

Stay 5 in bay J1, 2026-11-25 06:14:03Z to now
  unit D1, variant MB1, plan p revision 3
  moved from bay J0 to bay J1 under permissive shift while it was withheld, 2026-11-25 06:16:00Z (event 7)
  Tickets
    time                  kind   serial  order  type  note
    2026-11-25 06:14:03Z  motor  D1      O7     -     accepted
  Tightenings
    time                  joint         fastener  pass   try  torque   angle  verdict  tool   operator    note
    2026-11-25 06:15:00Z  motor-mounts  1         final  1    301 N·m  -      not ok   NR-20  Odo\x1B[2J  torque low
  Permissives
    time                  event  permissive  output    reasons
    2026-11-25 06:14:03Z  5      lift-beam   withheld  joint_open, ticket_missing
  Decisions
    time                  event  proposal  what               about                                by          outcome                            by hand  verified  reason
    2026-11-25 06:20:00Z  8      -         override joint     motor-mounts                         Jonna Fell  refused (value missing)            -        -         tool-failed: by hand
    2026-11-25 06:21:00Z  9      -         override joint     motor-mounts                         Jonna Fell  applied by event 10, with Di Lund  250 N·m  all four  worn
    2026-11-25 06:22:00Z  10     9         seconded           -                                    Di Lund     applied                            -        -         -
    2026-11-25 06:23:00Z  11     -         assign result      motor-mounts, 2 (result of event 7)  Di Lund     applied                            -        -         -
    2026-11-25 06:24:00Z  12     -         set result aside   result of event 25                   Di Lund     applied                            -        -         -
    2026-11-25 06:25:00Z  13     -         dispose set aside  event 26                             Di Lund     applied                            -        -         -
)");
}

TEST_CASE("a proposal that is about the unit itself is told without a gap where others name something") {
    const auto station = parsed(R"({"bays": [{"id": "J1", "occupant": {"proposals": [{"number": 7,
        "action": "leave_incomplete", "subject": null, "by": {"name": "Di Lund"}, "reason_code": "worn",
        "reason_text": "no spare"}]}}]})");
    CHECK(state_text(station, {}).find("proposal 7, leave incomplete, by Di Lund (worn: no spare)\n") !=
          std::string::npos);
}

TEST_CASE("a decision among the events says what it is to bring") {
    const auto told = [](const char* action) {
        auto event =
            parsed(R"({"number": 21, "body": {"event": {"payload": {"Proposed": {"bay": "J1", "by": 5}}},
            "record": {"outcome": {"Applied": {}}}}})");
        event["body"]["event"]["payload"]["Proposed"]["action"] = parsed(action);
        return event_text(event, {});
    };
    CHECK(told(R"({"LiftHold": {"serial": "TM000871"}})") ==
          "    21  -  decision to lift the hold: serial TM000871, bay J1, by person 5\n");
    CHECK(told(R"({"LeaveIncomplete": {}})") ==
          "    21  -  decision to let the unit leave incomplete: bay J1, by person 5\n");
    CHECK(told(R"({"SetResultAside": {"result": "25"}})") ==
          "    21  -  decision to set the result aside: result 25, bay J1, by person 5\n");
    CHECK(told(R"({"FromANewerProgram": {}})").find("decision (from a newer program): bay J1") !=
          std::string::npos);
}

TEST_CASE("an override by two names both in the state") {
    const auto station = parsed(R"({"bays": [{"id": "J1", "occupant": {"joints": [{"id": "m", "fasteners": [],
        "override": {"by": {"name": "Cy Marsh"}, "seconded_by": {"name": "Di Lund"}}}]}}]})");
    CHECK(state_text(station, {}).find("overridden by Cy Marsh and Di Lund") != std::string::npos);
}

TEST_CASE("a serial that was never seen is said to be so") {
    CHECK(unit_text(parsed(R"({"serial": "D\u0007", "stays": []})"), {}) ==
          "The journal has never seen D\\x07\n");
}

TEST_CASE("health names each input with its age, one never heard of as such") {
    const auto health = parsed(R"({"overall": "withheld", "up_s": 12, "program_version": "0.1.0",
      "reasons": [{"code": "x", "what": "NR-20 is silent", "remedy": "see its cable", "withholds": true}],
      "inputs": [{"kind": "tool", "id": "NR-20", "bay": "J1", "quality": "unknown", "age_ms": null, "why": null,
                  "counts": {"became_good": 0, "lost": 0, "failures": 0, "curves_refused": 6}},
                 {"kind": "controller", "id": "J1", "bay": "J1", "quality": "good", "age_ms": 40, "why": null,
                  "counts": {"became_good": 1, "lost": 0, "failures": 0, "curves_refused": 0}}],
      "journal": {"path": "j.db", "newest_event": 3, "durable_event": 3, "disk_free_bytes": 49258795008}})");
    CHECK(health_text(health, {}) == R"(withheld, up 12 s, program 0.1.0
  withholds: NR-20 is silent; do: see its cable
  input       id     bay  quality  last heard  why
  tool        NR-20  J1   unknown  never       -
  controller  J1     J1   good     40 ms ago   -
  6 curves of tool NR-20 not kept, since more came than results
journal j.db: event 3, stored up to 3, 49.3 GB free on its disk
its whole file is not checked yet since the start
)");
    auto later = health;
    later["reasons"][0]["remedy"] = "";
    CHECK_THAT(health_text(later, {}), Catch::Contains("withholds: NR-20 is silent\n"));
    later["inputs"][1]["age_ms"] = 12118;
    later["journal"]["disk_free_bytes"] = 512300000;
    later["inputs"][0]["polls"] = {{"good", 900}, {"failed", 1}, {"skipped", 12}, {"discarded", 0}};
    later["inputs"][0]["counts"]["lost"] = 2;
    CHECK_THAT(health_text(later, {}),
               Catch::Contains("good     12.1 s ago  -\n") &&
                   Catch::Contains(", 512.3 MB free on its disk\n") &&
                   Catch::Contains("\n  tool NR-20 since the start: 12 polls left out "
                                   "since those before took too long, 1 poll without "
                                   "an answer, 2 times lost\n"));
}

TEST_CASE("an event is one line of values with their units and names, and one more for each permissive") {
    const auto event = parsed(R"({"number": 17, "hash": "00", "body": {"event": {"number": "17",
        "at": {"utc_us": "1764051243120000", "monotonic_ns": "1", "boot": "b"},
        "payload": {"ResultReceived": {"tool": "NR-20", "epoch": "e1", "digest": "255",
          "made": {"from_ns": "-5", "to_ns": "7", "boot": "b"},
          "reading": {"counter": "4", "torque": {"Torque": {"micro_nm": "301000000"}},
                      "angle": {"Absent": {}}, "tool_limits": {"torque_min": {"micro_nm": "130000000"},
                      "angle_max": {"micro_deg": "25000000"}}, "received": {"raw": {"base64": "AA=="}}}}}},
      "record": {"outcome": {"Attributed": {"joint": "motor-mounts", "fastener": 1, "pass": 0, "attempt": 1}},
        "changes": [{"bay": "J1", "permissive": "lift-beam", "now": {"Withheld": {}},
          "came": [{"code": "joint_not_ok"}, {"code": "joint_not_ok"}], "gone": [{"code": "joint_open"}]}]}}})");
    const std::string told =
        "    17  2025-11-25 06:14:03Z  result received: epoch e1, angle absent, counter 4, angle max "
        "25 deg, torque min 130 N·m, torque 301 N·m, tool NR-20 -> attributed: attempt 1, ";
    const std::string change =
        "         bay J1 lift-beam: withheld; new reasons: joint not ok; gone: joint open\n";
    CHECK(event_text(event, {}) == told + "fastener 2, joint motor-mounts, pass 1\n" + change);
    const auto names = names_of_joints(parsed(R"({"bays": [{"occupant": {"joints": [{"id": "motor-mounts",
        "fasteners": [{"name": "front left", "passes": [{"name": "snug"}]}, {"name": "rear right"}]}]}}]})"));
    CHECK(joints_in(event) == std::vector<std::string>{"motor-mounts"});
    CHECK(event_text(event, {}, names) ==
          told + "fastener rear right, joint motor-mounts, pass snug\n" + change);
}

TEST_CASE("what the station itself withholds for stands first, also where everything is decided released") {
    const auto why = parsed(R"({"bay": "J1", "newest_event": 9, "permissives": [
        {"id": "lift", "name": "Lift", "decided": "released", "on_wire": "withheld", "reasons": []}],
        "withheld_by_station": [{"code": "journal_damaged", "what": "event 2 was changed", "remedy": "call"}]})");
    CHECK_THAT(why_text(why, {}),
               Catch::StartsWith("Bay J1, as of event 9\n\nThe station withholds everything: event 2 "
                                 "was changed\n  do: call; tautgate health tells more\n\n"));
    CHECK(anything_held(why));
}

TEST_CASE("a reason of which only the facts changed still holds, and is no new one") {
    const auto event = parsed(R"({"number": 3, "hash": "00", "body": {"event": {"number": "3",
        "at": {"utc_us": "1764051243120000"}, "payload": {"SnapshotTaken": {"state": {"base64": "AA=="}}}},
      "record": {"outcome": {"Applied": {}},
        "changes": [{"bay": "J1", "permissive": "lift-beam", "now": {"Withheld": {}},
          "came": [{"code": "joint_open", "joint": "caps", "facts": [["done", "3"]]},
                   {"code": "joint_open", "joint": "bracket"}],
          "gone": [{"code": "joint_open", "joint": "caps", "facts": [["done", "2"]]},
                   {"code": "unit_absent"}]}]}}})");
    CHECK_THAT(
        event_text(event, {}),
        Catch::EndsWith("bay J1 lift-beam: withheld; new reasons: joint open; gone: unit absent; still: "
                        "joint open\n"));
}

TEST_CASE("a positioning arm that moved is told by its position, in no clock but that of people") {
    auto event = parsed(R"({"number": 19, "body": {"event": {"number": "19",
        "at": {"utc_us": "1764051243120000"},
        "payload": {"ArmMoved": {"tool": "NR-12", "position": "2",
          "changed": {"from_ns": "15898640624866", "to_ns": "15898680715460", "boot": "1c13ab7b"}}}},
      "record": {"outcome": {"Applied": {}}}}})");
    CHECK(event_text(event, {}) == "    19  2025-11-25 06:14:03Z  arm moved: position 2, tool NR-12\n");
    event["body"]["event"]["payload"]["ArmMoved"]["position"] = nullptr;
    CHECK(event_text(event, {}) ==
          "    19  2025-11-25 06:14:03Z  arm moved: position none, or moving, tool NR-12\n");
}

TEST_CASE("what people asked for and was refused is not told as done") {
    const auto event = parsed(R"({"number": 3, "hash": "00", "body": {"event": {"number": "3",
        "at": {"utc_us": "1764051243120000"},
        "payload": {"RulesApproved": {"by": "2", "seconded_by": "3", "revision": {"digest": "ab"}}}},
      "record": {"outcome": {"Refused": {"code": "not_entitled", "detail": ""}}}}})");
    CHECK(event_text(event, {}) ==
          "     3  2025-11-25 06:14:03Z  approval of rules: refused (not entitled); by "
          "person 2, seconded by person 3\n");
}

TEST_CASE("why something was refused or misread is told whole, however long it is") {
    const std::string why = "the value of the angle lies outside of what the tool can measure; see that the "
                            "profile names the right register, and the right unit of it";
    auto event = parsed(R"({"number": 4, "hash": "00", "body": {"event": {"number": "4",
        "at": {"utc_us": "1764051243120000"},
        "payload": {"InputRefused": {"source": "CW-1", "raw": "AAEC", "count": "1"}}},
      "record": {"outcome": {"Applied": {}}}}})");
    event["body"]["event"]["payload"]["InputRefused"]["why"] = why;
    CHECK(event_text(event, {}) ==
          "     4  2025-11-25 06:14:03Z  input refused: count 1, source CW-1, why " + why + "\n");
    event["body"]["event"]["payload"] = {{"LabelMisread", {{"bay", "J1"}, {"raw", "AA"}, {"why", why}}}};
    CHECK(event_text(event, {}) == "     4  2025-11-25 06:14:03Z  label misread: bay J1, why " + why + "\n");
    event["body"]["event"]["payload"]["LabelMisread"]["typed_by"] = "2";
    CHECK(event_text(event, {}) ==
          "     4  2025-11-25 06:14:03Z  label misread: bay J1, typed by person 2, why " + why + "\n");
}

TEST_CASE("of a long value of an event the beginning stands, and of bytes and marks nothing") {
    auto event = parsed(R"({"number": 4, "hash": "00", "body": {"event": {"number": "4",
        "at": {"utc_us": "1764051243120000"},
        "payload": {"HandChecked": {"bay": "J1", "secret_mark": "00ff", "state": "AAEC"}}},
      "record": {"outcome": {"Applied": {}}}}})");
    event["body"]["event"]["payload"]["HandChecked"]["instrument"] = std::string(61, 'x');
    CHECK(event_text(event, {}) == "     4  2025-11-25 06:14:03Z  check by hand: bay J1, instrument " +
                                       std::string(57, 'x') + "...\n");
    event["body"]["event"]["payload"]["HandChecked"]["instrument"] = std::string(60, 'x');
    CHECK(event_text(event, {}) ==
          "     4  2025-11-25 06:14:03Z  check by hand: bay J1, instrument " + std::string(60, 'x') + "\n");
    event["body"]["event"]["payload"]["HandChecked"] = parsed(R"({"why": {"base64": "/w=="}})");
    CHECK(event_text(event, {}) ==
          "     4  2025-11-25 06:14:03Z  check by hand: why is no text; --json has its bytes\n");
}

TEST_CASE("who signs on and who signs off are told by the same word") {
    const auto told = [](const char* payload) {
        auto event = parsed(R"({"number": 4, "body": {"event": {},
            "record": {"outcome": {"Applied": {}}}}})");
        event["body"]["event"]["payload"] = parsed(payload);
        return event_text(event, {});
    };
    CHECK(told(R"({"OperatorSignedOn": {"bay": "J1", "person": "2"}})") ==
          "     4  -  sign-on: bay J1, by person 2\n");
    CHECK(told(R"({"OperatorSignedOff": {"bay": "J1", "by": "2"}})") ==
          "     4  -  sign-off: bay J1, by person 2\n");
}

TEST_CASE("an event whose stored text is damaged is shown as damaged") {
    CHECK(event_text(parsed(R"({"number": 3, "hash": "00", "damaged_body": "{"})"), {}) ==
          "     3  the stored text is damaged; check the record with tautgate verify\n");
}

TEST_CASE("people are listed with the number and the badge by which they sign in") {
    CHECK(people_text(
              parsed(R"({"people": [{"number": 2, "badge": "B-20", "name": "Bo Reed", "suspended": false,
        "roles": ["line_operator"], "can_sign_in": true, "locked_for_s": 30}]})"),
              {}) == "number  badge  name     note             roles\n"
                     "2       B-20   Bo Reed  locked for 30 s  line operator\n");
}

TEST_CASE("rules of which none are in force yet are told as that") {
    CHECK(rules_text(parsed(
              R"({"in_force": null, "file": "f.json", "staged": "ab", "differs": true, "faults": []})")) ==
          "in force: none yet, so everything is withheld\nfile: f.json\nstaged: ab\n"
          "the file waits for the approval of two people\n");
}

TEST_CASE("what the check warns of is read before the rules are approved") {
    CHECK(rules_text(parsed(
              R"({"in_force": null, "file": "f.json", "staged": "ab", "differs": true, "faults": [],
                  "warnings": ["f.json:7: warning: /bays/0: too fast; give more"]})")) ==
          "in force: none yet, so everything is withheld\nfile: f.json\nstaged: ab\n"
          "the file waits for the approval of two people\nf.json:7: warning: /bays/0: too fast; give more\n");
}

TEST_CASE("an error of the service is one sentence: what, where, why, remedy") {
    CHECK(error_text(parsed(R"({"error": {"code": "c", "what": "no such bay", "where": "/v1/bays/X",
                                "why": "there are J1", "remedy": "name one of them"}})"),
                     404) == "no such bay: there are J1; name one of them");
    CHECK_THAT(error_text(parsed(R"({"error": {"code": "c", "what": "no curve", "where": "/v1/traces/1",
        "why": "none", "remedy": "see in GET /v1/units/{serial} which results have one"}})"),
                          404),
               Catch::EndsWith("see in tautgate unit SERIAL which results have one"));
    CHECK(error_text(parsed(R"({"error": {"code": "c", "what": "nobody was enrolled", "where": "/secret",
                                "why": "it is too short", "remedy": "give more"}})"),
                     422) == "nobody was enrolled (secret): it is too short; give more");
    CHECK(error_text(parsed(R"({"error": {"code": "c", "what": "nothing was changed", "where": "/digest",
                                "why": "it differs", "remedy": "look at GET /v1/rules and approve what it shows"}})"),
                     409) ==
          "nothing was changed (digest): it differs; look with tautgate rules and approve what it shows");
    CHECK(error_text(json(nullptr), 502) == "the service answered 502 without saying why; look into its log "
                                            "(in its terminal, or with journalctl where it is a service)");
}

TEST_CASE("answers of other shapes than described are shown as far as they go") {
    for (const auto& odd : {json(nullptr), json("text"), json(3), json::array({1, "x"}),
                            json{{"bays", 3}, {"permissives", "x"}, {"stays", {{{"tickets", 1}}}}}}) {
        CHECK_FALSE(state_text(odd, {}).empty());
        CHECK_FALSE(why_text(odd, {}).empty());
        CHECK_FALSE(unit_text(odd, {}).empty());
        CHECK_FALSE(health_text(odd, {}).empty());
        CHECK_FALSE(event_text(odd, {}).empty());
        CHECK_FALSE(rules_text(odd).empty());
        CHECK_FALSE(people_text(odd, {}).empty());
    }
}

TEST_CASE("why of the past names the moment, the unit, who decided by what, and every reason as it was") {
    const char* const then = R"({
  "bay": "J1", "event": 88, "at": "2026-11-27T04:52:16.399265Z", "program": "0.1.0",
  "occupant": {"stay": 54, "unit": "TM000872", "variant": "MB1", "plan": "plan-mb1", "plan_revision": "1",
               "rules": "2d0c5fc9115a77777777"},
  "stored_otherwise": 60,
  "permissives": [
    {"id": "lift-beam", "name": "Lifting beam", "movement": "raise", "leaving": false, "decided": "withheld",
     "decided_by": 87, "decided_at": "2026-11-27T04:52:16.1Z", "program": "0.1.0", "rules": "2d0c5fc9115a77777777",
     "reasons": [
       {"code": "movement_used", "number": 43, "sentence": "lift-beam: the movement was already made for this unit.",
        "remedy": "If it was interrupted, a supervisor allows it once more.", "clears": "by_decision",
        "overridable": false, "override": null, "id": null, "joint": null, "fastener": null, "tool": null,
        "facts": []}]},
    {"id": "carrier", "name": "carrier", "movement": null, "leaving": true, "decided": "released",
     "decided_by": null, "decided_at": null, "program": null, "rules": null, "reasons": []}]})";
    CHECK(past_why_text(parsed(then), {}) == R"(Bay J1, as it was at event 88 (2026-11-27 04:52:16Z)
unit TM000872 (stay 54), variant MB1, plan plan-mb1 revision 1, by rules 2d0c5fc9115a

lift-beam (Lifting beam): withheld, since event 87 (2026-11-27 04:52:16Z), decided by program 0.1.0 and rules 2d0c5fc9115a

carrier: released

This program decides event 60 otherwise than is stored; the reasons are this program's

  1. lift-beam: the movement was already made for this unit.
     do: If it was interrupted, a supervisor allows it once more.
     holds: lift-beam
     clears: by decision; reason 43 (movement_used)
)");
}
