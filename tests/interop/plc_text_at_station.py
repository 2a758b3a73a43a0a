"""The real daemon and a PLC that runs the Structured Text of deploy/plc, with pymodbus as the PLC's Modbus client: a
unit is set down, proven, raised and taken away, and the PLC's program starts anew under the next one.
"""

import os
import pathlib

import plc
import structured_text
import unit_story
from claims import ask_until, check
from station import BEAM, CARRIER, Station
from structured_text import Program

UNIT = "TM000874"
RULE = (pathlib.Path(os.environ["TAUTGATE_SOURCE_DIR"]) / "deploy/plc/permissive.st").read_text(encoding="ascii")


class TextBay:
    """The program's part for the bay, called once a scan, and what it keeps over its starts."""

    def __init__(self):
        self.program = Program(RULE)
        self.counts = structured_text.initial(self.program.types["BAYCOUNTS"])
        self.start()

    def start(self):
        self.unit = self.program.instance("BayUnit")

    def scan(self, present, now):
        self.program.now_ms = round(now * 1000)
        self.unit.scan(Present=present, Counts=self.counts)


class TextPoint:
    """One PermissivePoint, with the face of plc.Point. The first of the bay's points calls the part for the bay."""

    def __init__(self, bay, is_first, settings):
        self.bay, self.is_first, self.settings = bay, is_first, settings
        self.movements = structured_text.initial(bay.program.types["MOVEMENTCOUNT"])
        self.free_after_count = []  # of each scan that counted a movement: whether another was allowed after it
        self.start()

    def start(self):
        self.block = self.bay.program.instance("PermissivePoint")

    def scan(self, words, present, moving, now):
        if self.is_first:
            self.bay.scan(present, now)
        made_before = self.movements.v_MADE
        self.block.scan(**self.settings, Block=words, Unit=self.bay.unit["Unit"], Moved=moving, EquipmentFault=False,
                        Movements=self.movements)
        if self.movements.v_MADE != made_before:
            self.free_after_count.append(self.may_move())

    @property
    def token(self):
        return plc.long(self.feedback()[4:6])

    def acting(self):
        return self.feedback()[6]

    def may_move(self):
        return self.block["MayMove"]

    def feedback(self):
        return self.block["Feedback"]


class TextPlc(plc.MasterPlc):
    def __init__(self, description):
        super().__init__(description)
        self.bay = TextBay()
        self.points = [TextPoint(self.bay, place == 0, {
            "Station": description["number"], "Bay": description["bays"][0]["number"], "Permissive": one["number"],
            "OneShot": one.get("one_shot", False), "BeatLimit": self.link["echo_timeout_ms"]})
            for place, one in enumerate(description["permissives"])]

    def start(self):
        """The PLC's program is started anew, as by switching the PLC off and on."""
        with self.lock:
            self.bay.start()
            for point in self.points:
                point.start()


def proven(station, controller, tools):
    token = unit_story.set_down(station, controller, UNIT, tools)
    check("the Structured Text may not move yet", not controller.point(BEAM).may_move(), "it may")
    unit_story.tighten_all(*tools)
    check("it may once every joint is proven", controller.await_point(BEAM, lambda point: point.may_move()),
          station.codes(BEAM))
    return token


def movements(station, controller, token):
    check("the beam is raised", controller.move(BEAM), station.codes(BEAM))
    check("which uses up its release in the very scan that counts it",
          controller.point(BEAM).free_after_count == [False], controller.point(BEAM).free_after_count)
    check("and at the station", ask_until(lambda: "movement_used" in station.codes(BEAM)), station.codes(BEAM))
    station.decide({"rearm_permissive": {"permissive": BEAM}}, "engineering-release",
                   "the lift was interrupted half way")
    check("released once more it may move again", controller.await_point(BEAM, lambda point: point.may_move()),
          station.codes(BEAM))
    check("the carrier takes the unit away", controller.move(CARRIER), station.codes(CARRIER))
    controller.set_present(False)
    check("the station sees the bay empty",
          ask_until(lambda: station.bay()["occupant"] is None and not station.bay()["departure_due"]), station.bay())
    controller.set_present(True)
    check("the next unit's token is taken, and it is another",
          controller.await_point(BEAM, lambda point: point.token not in (0, token)), hex(controller.point(BEAM).token))


def started_anew(station, controller):
    controller.start()
    check("a start of its program under a unit makes the station ask whether it is still the same",
          ask_until(lambda: "presence_unconfirmed" in station.codes(BEAM)), station.codes(BEAM))
    check("and the unit's token is taken again, withheld",
          ask_until(lambda: "token_not_taken" not in station.codes(BEAM)) and not controller.point(BEAM).may_move(),
          station.codes(BEAM))
    check("the link stays good", ask_until(lambda: station.controller_link() == "good"), station.controller_link())


def main():
    with Station("server") as station:
        station.open_for_work()
        with unit_story.both_tools(station) as tools, TextPlc(station.description) as controller:
            unit_story.await_links(station)
            token = proven(station, controller, tools)
            movements(station, controller, token)
            started_anew(station, controller)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
