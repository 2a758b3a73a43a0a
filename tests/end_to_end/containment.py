"""Claim: with the built programs a tool, a joint's specification and a person are put on quality hold from the command
line. What the tool has tightened on the unit in the bay is withheld at the PLC until quality lifts the hold; a unit
that it touched and that has left goes on the hold list, and stays there. Words that name nothing are refused in a
sentence.
"""

import plc
import unit_story
from claims import ask_until, check
from client import Desk, set_up
from station import BEAM, CAPS_TOOL, CARRIER, Station

UNIT = "TM000871"
SINCE = "2020-01-01T00:00:00Z"


def decision(desk, badge, *words):
    return ["decide", *words, "--reason", "engineering-release", "--text", "it fell off its balancer", "--seen",
            desk.shows("state")["newest_event"], *desk.signed_by(badge)]


def on_hold(desk):
    return [(hold["what"], hold["name"]) for hold in desk.shows("state")["source_holds"]]


def units_on_hold(desk):
    return {hold["unit"]: hold["why"] for hold in desk.shows("state")["holds"]}


def may_move(slave, name, expected=True):
    return slave.await_point(name, lambda point: point.may_move() == expected)


def wrong_words(desk):
    hold = ["place-hold-on", "tool", CAPS_TOOL]
    desk.is_refused("a tool that is not there", 1, "There is nothing by that name: no tool NR-99",
                    *decision(desk, "B-31", "place-hold-on", "tool", "NR-99"))
    desk.is_refused("a thing that no hold is on", 1, "it is neither tool, joint nor person",
                    *decision(desk, "B-31", "place-hold-on", "socket", "17"))
    desk.is_refused("a person by name", 1, "is no number of a person",
                    *decision(desk, "B-31", "place-hold-on", "person", "Bo Reed"))
    desk.is_refused("a moment that is none", 1, "it is no moment in UTC",
                    *decision(desk, "B-31", *hold, "--units-since", "yesterday"))
    desk.is_refused("units of another decision", 2, "--units-since belongs to place-hold-on",
                    *decision(desk, "B-31", "unit-still-here", "--units-since", SINCE))
    desk.is_refused("an operator holds nothing", 1, "roles do not allow", *decision(desk, "B-20", *hold))
    check("of all that nothing is on hold", on_hold(desk) == [], on_hold(desk))


def hold_while_it_stands(desk, slave):
    station = desk.station
    desk.gets("the supervisor puts the tool on hold", *decision(desk, "B-31", "place-hold-on", "tool", CAPS_TOOL))
    check("the beam is withheld", may_move(slave, BEAM, False), station.codes(BEAM))
    check("for that alone", station.codes(BEAM) == ["source_on_hold"], station.codes(BEAM))
    why = desk.asks("why").stdout
    check("why says so, and what quality can do", f"tool {CAPS_TOOL} is on quality hold: it fell off" in why
          and f"tautgate decide lift-hold-from tool {CAPS_TOOL}" in why, why)
    state = desk.asks("state").stdout
    check("so does the state", "On quality hold with all that it has touched" in state
          and f"tool {CAPS_TOOL}" in state, state)
    desk.is_refused("twice is once", 1, f"tool {CAPS_TOOL} is on hold",
                    *decision(desk, "B-31", "place-hold-on", "tool", CAPS_TOOL))
    lift = ["lift-hold-from", "tool", CAPS_TOOL]
    desk.is_refused("production does not lift it", 1, "roles do not allow", *decision(desk, "B-31", *lift))
    desk.gets("quality does", *decision(desk, "B-32", *lift))
    check("and the beam may move again", may_move(slave, BEAM), station.codes(BEAM))


def leave(station, slave):
    check("the beam raises the unit", may_move(slave, BEAM), station.codes(BEAM))
    slave.move(BEAM)
    check("the carrier may take it", may_move(slave, CARRIER), station.codes(CARRIER))
    slave.move(CARRIER)
    slave.set_present(False)
    check("the unit has left", ask_until(lambda: station.bay()["occupant"] is None), station.bay())


def hold_what_has_left(desk):
    hold = ["place-hold-on", "tool", CAPS_TOOL]
    desk.gets("the tool is put on hold", *decision(desk, "B-31", *hold))
    check("of units nothing was said", units_on_hold(desk) == {}, units_on_hold(desk))
    desk.is_refused("a moment to come", 1, "is to come",
                    *decision(desk, "B-31", *hold, "--units-since", "2120-01-01T00:00:00Z"))
    desk.gets("once more, with what it touched", *decision(desk, "B-31", *hold, "--units-since", SINCE))
    check("which is the unit that has left",
          units_on_hold(desk) == {UNIT: f"touched by tool {CAPS_TOOL}: it fell off its balancer"}, units_on_hold(desk))
    desk.gets("the unit is held for a cause of its own, too", *decision(desk, "B-31", "place-hold", f" {UNIT} "))
    causes = [hold["unit"] for hold in desk.shows("state")["holds"]]
    check("each cause is listed", causes == [UNIT, UNIT], causes)
    desk.gets("a joint, too", *decision(desk, "B-31", "place-hold-on", "joint", "bracket"))
    desk.gets("and a person", *decision(desk, "B-31", "place-hold-on", "person", "2"))
    check("all are shown", on_hold(desk) == [("tool", CAPS_TOOL), ("joint", "bracket"), ("person", "2")], on_hold(desk))
    desk.gets("the hold on the tool is lifted", *decision(desk, "B-32", "lift-hold-from", "tool", CAPS_TOOL))
    check("the unit is looked at by itself", list(units_on_hold(desk)) == [UNIT], units_on_hold(desk))
    desk.gets("and lifted by itself", *decision(desk, "B-32", "lift-hold", UNIT))
    history = desk.asks("unit", UNIT).stdout
    told = history.partition("Quality holds")[2].partition("Stay")[0]
    check("its history tells of them, though it had left",
          all(what in told for what in ("place hold on", "place hold ", "lift hold")), history)
    check("the others stay", (on_hold(desk), units_on_hold(desk)) == ([("joint", "bracket"), ("person", "2")], {}),
          (on_hold(desk), units_on_hold(desk)))


def main():
    with Station("client") as station:
        desk = Desk(station)
        set_up(desk)
        wrong_words(desk)
        with unit_story.both_tools(station) as tools, plc.SlavePlc(station.description) as slave:
            unit_story.await_links(station)
            unit_story.set_down(station, slave, UNIT, tools)
            unit_story.tighten_all(*tools)
            check("the proven unit may be raised", may_move(slave, BEAM), station.codes(BEAM))
            hold_while_it_stands(desk, slave)
            leave(station, slave)
            hold_what_has_left(desk)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)
        check("the record verifies", "is whole" in desk.gets("verify answers", "verify", station.journal))


if __name__ == "__main__":
    main()
