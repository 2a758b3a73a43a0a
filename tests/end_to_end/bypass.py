"""Claim: with the built programs a joint whose tool is out of order is done in the other way that the rules approve, by
whoever may order that, for units that come from then on. It counts once somebody else has seen it; the board, the
history of each unit and the list of the bypass show it. Going back holds the next unit until the restart is verified.
"""

import plc
import polled_tool
import unit_story
from claims import ask_until, check
from client import Desk, from_now, set_up
from station import BEAM, BRACKET_TOOL, CAPS_TOOL, CARRIER, Station

FIRST, SECOND = "TM000871", "TM000872"
WAY = ["place-bypass", "bracket", "hand-wrench"]
TRIED = ["--verified", "six bolts of a test plate, all good"]


def decision(desk, badge, *words):
    return ["decide", *words, "--reason", "tool-care", "--text", "NR-12 does not start any more", "--seen",
            desk.shows("state")["newest_event"], *desk.signed_by(badge)]


def may_move(slave, name, expected=True):
    return slave.await_point(name, lambda point: point.may_move() == expected)


def await_codes(station, *codes):
    check(f"what holds the beam is {codes}", ask_until(lambda: station.codes(BEAM) == list(codes)), station.codes(BEAM))


def bypasses(desk):
    return desk.shows("state")["bypasses"]


def wrong_words(desk):
    desk.is_refused("a way that no rule approves", 1, "approved are bracket: hand-wrench",
                    *decision(desk, "B-32", "place-bypass", "bracket", "by-eye", "2h", "3"))
    desk.is_refused("a joint without one", 1, "approve no other way",
                    *decision(desk, "B-32", "place-bypass", "axle-box-caps", "hand-wrench", "2h", "3"))
    desk.is_refused("for longer than approved", 1, "for at most 8 h", *decision(desk, "B-32", *WAY, "9h", "3"))
    desk.is_refused("for more units than approved", 1, "for 1 to 12 units", *decision(desk, "B-32", *WAY, "2h", "13"))
    desk.is_refused("until a time that is past", 1, "before it began",
                    *decision(desk, "B-32", *WAY, from_now(hours=-1), "3"))
    desk.is_refused("until a moment that is none", 1, "it is no moment in UTC",
                    *decision(desk, "B-32", *WAY, "noon", "3"))
    desk.is_refused("for a number that is none", 2, "is no number of units", *decision(desk, "B-32", *WAY, "2h", "few"))
    desk.is_refused("production orders none", 1, "roles do not allow", *decision(desk, "B-31", *WAY, "2h", "3"))
    desk.is_refused("nothing is to be ended", 1, "is not bypassed", *decision(desk, "B-31", "end-bypass", "bracket"))
    desk.is_refused("a restart is verified somehow", 2, "give it with --verified",
                    *decision(desk, "B-32", "verify-restart", "bracket"))
    check("of all that nothing is bypassed", bypasses(desk) == [], bypasses(desk))


def done_by_hand(desk, slave, caps):
    station = desk.station
    desk.gets("quality orders the other way", *decision(desk, "B-32", *WAY, "2h", "3"))
    desk.gets("the operator signs on", "sign-on", *desk.signed_by("B-20"))
    unit_story.set_down(station, slave, FIRST, (caps,))
    for count, make in enumerate((polled_tool.snug, polled_tool.snug, polled_tool.final, polled_tool.final), start=1):
        check(f"result {count} of the caps' tool is acknowledged", caps.report(make(count)), caps.acknowledged)
    await_codes(station, "check_open")  # and nothing of the tool, whose link is lost
    desk.gets("the operator says that it is done", "confirm", "bracket", *desk.signed_by("B-20"))
    await_codes(station, "witness_missing")
    check("the beam waits", may_move(slave, BEAM, False))
    why = desk.asks("why").stdout
    check("why says for whom", "done as Setting wrench by hand, and nobody has witnessed it" in why
          and "tautgate decide witness bracket" in why, why)
    desk.is_refused("an operator is no witness", 1, "roles do not allow", *decision(desk, "B-20", "witness", "bracket"))
    desk.gets("the supervisor has seen it", *decision(desk, "B-31", "witness", "bracket"))
    check("the beam may raise the unit", may_move(slave, BEAM), station.codes(BEAM))
    state = desk.asks("state").stdout
    check("the board shows the bypass", "Bypassed" in state and "1 of 3" in state
          and "done as Setting wrench by hand" in state, state)


def leave(station, slave):
    slave.move(BEAM)
    check("the carrier may take it", may_move(slave, CARRIER), station.codes(CARRIER))
    slave.move(CARRIER)
    slave.set_present(False)
    check("the unit has left", ask_until(lambda: station.bay()["occupant"] is None), station.bay())


def is_marked(desk):
    bypass = bypasses(desk)[0]["since"]
    history = desk.asks("unit", FIRST).stdout
    check("the unit's history says how it was done",
          f"joint bracket was done as Setting wrench by hand (hand-wrench), by the bypass of event {bypass}" in history,
          history)
    listed = desk.asks("bypassed", bypass).stdout
    check("the bypass lists it", FIRST in listed and "hand-wrench" in listed, listed)
    desk.is_refused("of another event there is none", 1, "No unit was done in another way", "bypassed", 1)


def back_as_planned(desk, slave, caps, bracket):
    station = desk.station
    desk.is_refused("nothing is verified before it ended", 1, "is bypassed still",
                    *decision(desk, "B-32", "verify-restart", "bracket", *TRIED))
    desk.gets("the supervisor ends it", *decision(desk, "B-31", "end-bypass", "bracket"))
    check("the tool is back", ask_until(lambda: station.tool(BRACKET_TOOL)["link"] == "good"),
          station.tool(BRACKET_TOOL))
    unit_story.set_down(station, slave, SECOND, (caps, bracket), "BF001204")
    for count, make in enumerate((polled_tool.snug, polled_tool.snug, polled_tool.final, polled_tool.final), start=5):
        check(f"result {count} of the caps' tool is acknowledged", caps.report(make(count)), caps.acknowledged)
    for count in (1, 2):
        check(f"result {count} of the bracket's tool is acknowledged", bracket.report(polled_tool.bracket(count)),
              bracket.acknowledged)
    await_codes(station, "restart_unverified")
    check("the proven unit waits", may_move(slave, BEAM, False))
    state = desk.asks("state").stdout
    check("the board says for what", "restart not verified" in state, state)
    desk.is_refused("production verifies nothing", 1, "roles do not allow",
                    *decision(desk, "B-31", "verify-restart", "bracket", *TRIED))
    desk.gets("quality does", *decision(desk, "B-32", "verify-restart", "bracket", *TRIED))
    check("the beam may raise it", may_move(slave, BEAM), station.codes(BEAM))
    check("nothing is bypassed any more", bypasses(desk) == [], bypasses(desk))
    history = desk.asks("unit", SECOND).stdout
    check("the unit was done as planned, and its history says what was verified",
          "was done as" not in history and "six bolts of a test plate" in history, history)


def main():
    with Station("client") as station:
        desk = Desk(station)
        set_up(desk)
        wrong_words(desk)
        with polled_tool.Tool(station.tool_port(CAPS_TOOL)) as caps, plc.SlavePlc(station.description) as slave:
            with polled_tool.Tool(station.tool_port(BRACKET_TOOL)):
                unit_story.await_links(station)
            check("the bracket's tool is lost", ask_until(lambda: station.tool(BRACKET_TOOL)["link"] != "good"),
                  station.tool(BRACKET_TOOL))
            done_by_hand(desk, slave, caps)
            leave(station, slave)
            is_marked(desk)
            with polled_tool.Tool(station.tool_port(BRACKET_TOOL)) as bracket:
                back_as_planned(desk, slave, caps, bracket)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)
        check("the record verifies", "is whole" in desk.gets("verify answers", "verify", station.journal))


if __name__ == "__main__":
    main()
