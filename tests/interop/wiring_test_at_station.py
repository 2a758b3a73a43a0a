"""A wiring test at the real daemon, against a PLC by an independent rule: the equipment never moves by it. Not while a
unit is set down in the middle of it, and not after the station was killed in it."""

import subprocess

import plc
import unit_story
from claims import ask_until, check
from station import BAY, BEAM, PROGRAMS, Station

UNIT = "TM000874"
RESERVED = range(0xFF000000, 0xFFFFFFFF)


class WatchedPlc(plc.SlavePlc):
    """Notes each scan in which some movement was possible."""

    def __init__(self, description):
        self.could_move = []
        super().__init__(description)

    def scan(self, blocks):
        feedback = super().scan(blocks)
        self.could_move += [(name, point.token) for name, point in zip(self.names, self.points) if point.may_move()]
        return feedback


def of_quality(description):
    description["wiring_tests"] = {"roles": ["quality_engineer"]}


def begin(station, slave):
    station.post(f"/v1/bays/{BAY}/wiring-test", {"act": "begin"}, station.people["quality_engineer"])
    check("the PLC shows that its wiring is tried", slave.await_point(BEAM, lambda point: point.tries_wiring()),
          slave.point(BEAM).accepted and slave.point(BEAM).accepted.words)
    check("by a token that no unit ever has", slave.point(BEAM).accepted.token in RESERVED,
          slave.point(BEAM).accepted.words)


def comes_in_the_middle(station, slave):
    begin(station, slave)
    slave.set_present(True)
    check("a unit that is set down ends the test", ask_until(lambda: station.bay()["wiring_test"] is None),
          station.bay())
    slave.set_present(False)
    check("the bay is empty again", ask_until(lambda: station.bay()["occupant"] is None), station.bay())


def command(station, *words):
    return [PROGRAMS / "tautgate", "--api", f"http://127.0.0.1:{station.description['api']['port']}", "wiring-test", BAY,
            *words, *station.signed_by("quality_engineer")]


def ended_as(station, slave, words, code, end):
    """The command itself, which watches until the test is over."""
    with subprocess.Popen(command(station, BEAM), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE, text=True) as watching:
        try:
            check("the command begins the test", slave.await_point(BEAM, lambda point: point.tries_wiring()),
                  slave.point(BEAM).accepted and slave.point(BEAM).accepted.words)
            end()
            out, err = watching.communicate(timeout=30)
        finally:
            watching.kill()
    check("it shows what is tried", "released is shown for token 0xFF" in out, (out, err))
    check(f"it says: {words}", out.splitlines()[-1:] == [f"over: {words}"], (out, err))
    check(f"and ends with {code}", watching.returncode == code, (watching.returncode, err))


def by_the_command(station, slave):
    def by_person():
        again = subprocess.run(command(station, BEAM), stdin=subprocess.DEVNULL, capture_output=True, text=True,
                               timeout=30, check=False)
        check("a second one is not begun, and it is told how the first ends",
              again.returncode == 1 and "is being tried already" in again.stderr and "--end" in again.stderr,
              (again.stdout, again.stderr))
        done = subprocess.run(command(station, "--end"), stdin=subprocess.DEVNULL, capture_output=True, text=True,
                              timeout=30, check=False)
        check("the test is ended by the command", done.returncode == 0, (done.stdout, done.stderr))

    ended_as(station, slave, "a person ended it", 0, by_person)
    ended_as(station, slave, "a unit may be there: an arrival, a ticket, or a present signal that is not off", 1,
             lambda: slave.set_present(True))
    slave.set_present(False)
    check("the bay is empty after it", ask_until(lambda: station.bay()["occupant"] is None), station.bay())


def killed_in_the_middle(station, slave):
    begin(station, slave)
    station.process.kill()
    station.process.wait()
    slave.set_present(True)
    check("the PLC loses sight of the station", slave.await_point(BEAM, lambda point: point.accepted is None),
          slave.point(BEAM).fault)
    with station:
        unit_story.await_links(station)
        check("no test goes on after the start", station.bay()["wiring_test"] is None, station.bay())
        station.scan_unit(UNIT)
        check("the unit that came meanwhile gets a token of its own",
              slave.await_point(BEAM, lambda point: point.token == station.bay()["occupant"]["token"]),
              (slave.point(BEAM).token, station.bay()["occupant"]))
        check("which is none of the reserved", slave.point(BEAM).token not in RESERVED, slave.point(BEAM).token)
        check("and is withheld for its joints", "joint_open" in station.codes(BEAM), station.codes(BEAM))
        check("in no scan was a movement possible", slave.could_move == [], slave.could_move)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


def main():
    station = Station("client", of_quality)
    with unit_story.both_tools(station), WatchedPlc(station.description) as slave:
        station.__enter__()
        station.open_for_work()
        unit_story.await_links(station)
        by_the_command(station, slave)
        comes_in_the_middle(station, slave)
        killed_in_the_middle(station, slave)


if __name__ == "__main__":
    main()
