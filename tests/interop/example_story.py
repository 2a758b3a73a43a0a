"""The way of units through the examples of config/examples: one joint of two bolts, one tool, one ticket."""

import time

import plc
from claims import ask_until, check
from station import BEAM

TOOL = "NR-12"
FIRST, SECOND, THIRD = "TM000881", "TM000882", "TM000883"


def longest_delay_s(station):
    tool = station.description["tools"][0]
    return (tool["silence_limit_ms"] + tool["longest_run_ms"]) / 1000


def await_links(station):
    check("tool and controller have good links",
          ask_until(lambda: station.tool(TOOL)["link"] == "good" and station.controller_link() == "good"),
          station.get("/v1/health"))


def withheld_all_the_while(slave, token, which):
    check(f"the beam was withheld from the {which} unit all the while",
          all(block.code == plc.WITHHELD for block in slave.written_blocks()
              if block.token == token and block.permissive == 1), "a release")


def set_down(station, slave, unit):
    slave.set_present(True)
    check(f"{unit}: the station sees a unit arrive", ask_until(lambda: station.bay()["occupant"] is not None),
          station.bay()["controller"])
    # A result that could have been begun before the unit came belongs to no unit.
    idle_from = time.monotonic() + longest_delay_s(station)
    check(f"{unit}: whatever began before it is over", ask_until(lambda: time.monotonic() > idle_from))
    station.scan(f"D LT26-0417 MB1 {unit}")
    check(f"{unit}: its ticket is scanned", ask_until(lambda: station.identified_as() == unit),
          station.identified_as())
    token = station.bay()["occupant"]["token"]
    check(f"{unit}: every point of the PLC takes its token",
          all(slave.await_point(name, lambda point: point.token == token) for name in slave.names), token)
    check(f"{unit}: the PLC may not move yet", not slave.point(BEAM).may_move(), "it may")
    return token


def with_counter(station, unit, counter):
    return [one for one in station.tightenings(unit) if one["counter"] == str(counter)]


def is_stored(station, unit, counter):
    return ask_until(lambda: with_counter(station, unit, counter))


def outcomes_of(station, counter):
    return [list(body["record"]["outcome"]) for body in station.events("ResultReceived")
            if str(body["event"]["payload"]["ResultReceived"]["reading"]["counter"]) == str(counter)]


def refusals(station):
    return sum(body["event"]["payload"]["InputRefused"]["count"] for body in station.events("InputRefused"))


def check_gap(station, expected, got):
    check(f"result {got} after {expected - 1} is a gap", ask_until(lambda: "result_gap" in station.codes(BEAM)),
          station.codes(BEAM))
    gap = next(one for one in station.reasons(BEAM) if one["code"] == "result_gap")
    check("the gap names the tool, the expected count and the one that came",
          (gap["tool"], {fact["name"]: fact["value"] for fact in gap["facts"]})
          == (TOOL, {"expected": str(expected), "got": str(got)}), gap)


def proven(station, slave, tool, unit, counters):
    """Good results, one for a bolt."""
    for counter in counters:
        check(f"the PLC may not move before result {counter}", not slave.point(BEAM).may_move(), "it may")
        tool.ready()
        tool.report(counter)
        check(f"result {counter} is stored", is_stored(station, unit, counter), station.tightenings(unit))
    lines = [with_counter(station, unit, counter) for counter in counters]
    check("each is there once, judged OK, as the tool sent it",
          [[(one["torque"], one["angle"], one["verdict"]) for one in line] for line in lines]
          == [[("71 N·m", "15 deg", "ok")]] * len(lines), lines)


def moved_away(station, slave):
    check("the beam is released at the PLC once the joint is proven",
          slave.await_point(BEAM, lambda point: point.acting() == plc.RELEASED), station.reasons(BEAM))
    check("and moves", slave.move(BEAM), station.codes(BEAM))
    slave.set_present(False)
    check("the unit leaves", ask_until(lambda: station.bay()["occupant"] is None), station.bay())
