"""The real daemon and two PLCs at one bay: the beam's is the main one and tells of the unit, the carrier's takes it away.
The argument is the station's role on the line to the carrier's PLC.
"""

import json
import sys

import plc
import polled_tool
import unit_story
from claims import ask_until, check
from station import BAY, BEAM, CARRIER, Station, free_ports

CARRIER_PLC = "carrier-plc"
BEAT_MS = 250


def with_second_controller(role):
    def change(description):
        bay = description["bays"][0]
        # Slow beats: while a PLC says nothing new for a moment, nobody calls it lost.
        bay["controller"].update(beat_interval_ms=BEAT_MS, echo_timeout_ms=2000)
        bay["further_controllers"] = [{**bay["controller"], "id": CARRIER_PLC, "permissives": ["side-track", CARRIER],
                                       "role": role, "port": free_ports(1)[0], "permissive_address": 20,
                                       "feedback_address": 200, "presence_within_ms": 5000}]
    return change


class Both:
    """Both PLCs as the one that the bay seems to have."""

    def __init__(self, beam, carrier):
        self.beam, self.carrier = beam, carrier
        self.names = [*beam.names, *carrier.names]

    def of(self, name):
        return self.beam if name in self.beam.names else self.carrier

    def set_present(self, present):
        self.beam.set_present(present)
        self.carrier.set_present(present)

    def await_point(self, name, wanted):
        return self.of(name).await_point(name, wanted)

    def await_acting(self, station, code):
        for name in (BEAM, CARRIER):
            check(f"the PLC of {name} acts on 0x{code:04X}",
                  self.await_point(name, lambda point: point.acting() == code), station.codes(name))


def still(carrier, stands_still):
    """The carrier's PLC says nothing new; everything else goes on."""
    with carrier.lock:
        if isinstance(carrier, plc.SlavePlc):
            carrier.frozen = stands_still
        else:
            carrier.writes_feedback = not stands_still


def tighten(tools, unit):
    """All bolts of the unit with this number, counted from zero."""
    caps, bracket = tools
    for at, make in enumerate((polled_tool.snug, polled_tool.snug, polled_tool.final, polled_tool.final)):
        check("a result of the caps' tool is acknowledged", caps.report(make(4 * unit + at + 1)), caps.acknowledged)
    for at in (1, 2):
        check("a result of the bracket's tool is acknowledged", bracket.report(polled_tool.bracket(2 * unit + at)),
              bracket.acknowledged)


def released_unit(station, both, tools, number):
    unit = f"TM00087{number}"
    unit_story.set_down(station, both, unit, tools, f"BF00120{number}")
    check("the carrier's PLC may not move yet", not both.carrier.point(CARRIER).may_move(), "it may")
    tighten(tools, number)
    both.await_acting(station, plc.RELEASED)
    return unit


def held(station):
    return [one["unit"] for one in station.get("/v1/station")["holds"]]


def alarms(station, code):
    return [body for body in station.events("ControllerReported") if f'"{code}"' in json.dumps(body)]


def await_empty(station):
    check("the station sees the bay empty",
          ask_until(lambda: station.bay()["occupant"] is None and not station.bay()["departure_due"]),
          station.bay())


def lose_one(station, both, lost, name):
    """Either PLC stands still: both are withheld, and released again for the unit that never left."""
    real = lost.cycle
    lost.cycle = lambda: None
    other = both.carrier if lost is both.beam else both.beam
    shown = CARRIER if lost is both.beam else BEAM
    check(f"without {name} the other PLC is withheld too",
          other.await_point(shown, lambda point: point.acting() == plc.WITHHELD), station.codes(shown))
    check("the link is named as the reason",
          all("controller_link_lost" in station.codes(one) for one in (BEAM, CARRIER)), station.codes(shown))
    check(f"health says which of them it is: {name}", station.health(name)["quality"] == "stale", station.health(name))
    check("and that the other one is good",
          station.health(BAY if lost is both.carrier else CARRIER_PLC)["quality"] == "good", station.health(BAY))
    lost.cycle = real
    both.await_acting(station, plc.RELEASED)


def movement_first(station, both, tools):
    unit = released_unit(station, both, tools, 0)
    lose_one(station, both, both.carrier, CARRIER_PLC)
    lose_one(station, both, both.beam, BAY)
    check("the beam is raised", both.beam.move(BEAM), station.codes(BEAM))
    check("the release of the beam was for one movement",
          ask_until(lambda: "movement_used" in station.codes(BEAM)), station.codes(BEAM))
    check("the carrier takes the unit away", both.carrier.move(CARRIER), station.codes(CARRIER))
    check("the stay ends with the carrier's movement", ask_until(lambda: station.bay()["occupant"] is None),
          station.bay())
    both.set_present(False)
    await_empty(station)
    check("the unit left as a proven one", unit not in held(station), held(station))


def station_was_told(station, both):
    """The beam's PLC has been read, or has written, twice since now."""
    scans = both.beam.scans
    writes = len(both.beam.writes)
    check("the station goes on talking to the beam's PLC",
          ask_until(lambda: both.beam.scans >= scans + 3 and len(both.beam.writes) >= writes + 3), writes)


def departure_first(station, both, tools):
    unit = released_unit(station, both, tools, 1)
    still(both.carrier, True)
    both.beam.set_present(False)
    station_was_told(station, both)
    check("the departure alone ends no stay", station.bay()["occupant"] is not None, station.bay())
    both.carrier.push(CARRIER)
    both.carrier.set_present(False)
    still(both.carrier, False)
    await_empty(station)
    check("the unit left as a proven one", unit not in held(station), held(station))
    check("no movement is called wrong", not alarms(station, "moved_unproven"), alarms(station, "moved_unproven"))


def wrong_movement(station, both, tools):
    """It is made at the carrier while the beam's PLC tells that the unit went."""
    unit = "TM000872"
    unit_story.set_down(station, both, unit, tools, "BF001202")
    still(both.carrier, True)
    both.beam.set_present(False)
    station_was_told(station, both)
    both.carrier.push(CARRIER)
    still(both.carrier, False)
    check("the carrier's PLC calls its movement wrong",
          both.await_point(CARRIER, lambda point: point.fault_now() == 7), both.carrier.point(CARRIER).fault_now())
    both.carrier.set_present(False)
    await_empty(station)
    check("the unit left unproven", unit in held(station), held(station))
    check("and the movement is an alarm", alarms(station, "moved_unproven"), station.events("ControllerReported")[-3:])


def main():
    role = sys.argv[1]
    second = plc.SlavePlc if role == "client" else plc.MasterPlc
    with Station("client", with_second_controller(role)) as station:
        station.open_for_work()  # only with rules in force does the station listen to the carrier's PLC
        with unit_story.both_tools(station) as tools, plc.SlavePlc(station.description) as beam, \
                second(station.description, CARRIER_PLC) as carrier:
            unit_story.await_links(station)
            both = Both(beam, carrier)
            check("each PLC has its own permissives", (beam.names, carrier.names) == ([BEAM], ["side-track", CARRIER]),
                  (beam.names, carrier.names))
            movement_first(station, both, tools)
            departure_first(station, both, tools)
            wrong_movement(station, both, tools)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
