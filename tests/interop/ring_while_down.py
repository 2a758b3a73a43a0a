"""A tool that keeps its last results in a ring goes on while the real daemon is down: ended in order, and killed. All
that still stands in the ring comes once, in its order, with its values, over the end of the count too; it is counted
for no unit, be it the one that stands there still or one that came meanwhile, and holds until people have decided.
What was written over is a gap.
"""

import plc
from claims import ask_until, check
from example_story import (FIRST, SECOND, THIRD, TOOL, await_links, check_gap, is_stored, moved_away, outcomes_of,
                           set_down, withheld_all_the_while)
from polled_peers import EPOCH, NOT_OK, OK, RingTool
from station import BEAM, Station, example, free_ports

COUNTS = 1 << 16      # of the tool: after 65535 comes 0
BEFORE = COUNTS - 10  # its newest result when the station first sees it
READ = 7              # of its eight slots: the tool writes to the oldest one next
NOT_GOOD = {BEFORE + 3, BEFORE + 9, BEFORE + 18}


def made(counter):
    """Each result has values of its own."""
    if counter in NOT_GOOD:
        return {"torque": 60 + counter % 40 / 10, "angle": 15.5, "verdict": NOT_OK}
    return {"torque": 70 + counter % 40 / 10, "angle": 15 + counter % 30 / 10, "verdict": OK}


class UsedRing(RingTool):
    """One that has made results before, up to BEFORE."""

    def begin(self, registers):
        registers.put(190, [EPOCH])
        for counter in range(BEFORE - self.slots + 1, BEFORE + 1):
            for address, words in self.writes(counter, **made(counter)):
                registers.put(address, words)
        self.newest = BEFORE

    def writes(self, counter, torque, angle, verdict):
        return super().writes(counter % COUNTS, torque, angle, verdict)

    def make(self, count=1):
        """So many results, whose counts are given back."""
        first = self.newest + 1
        for counter in range(first, first + count):
            self.report(counter, **made(counter))
        return list(range(first, first + count))


# ---- what the station says it got


def readings(station):
    return [body["event"]["payload"]["ResultReceived"]["reading"] for body in station.events("ResultReceived")]


def as_received(reading):
    received = reading["received"]
    return int(reading["counter"]), float(received["torque"]), float(received["angle"]), reading["tool_verdict"]


def as_made(counter):
    values = made(counter)
    verdict = "ok" if values["verdict"] == OK else "not_ok"
    return counter, round(values["torque"], 1), round(values["angle"], 1), verdict


def all_came(station, counters, which):
    """Since the tool is watched it has sent exactly these results."""
    check(f"the newest of {which} comes",
          ask_until(lambda: str(counters[-1]) in [one["counter"] for one in readings(station)]),
          readings(station)[-3:])
    got = [as_received(reading) for reading in readings(station)]
    check(f"{which}: all came once, in their order, with their values",
          got == [as_made(counter) for counter in counters], got)


def belong_to_nobody(station, counters):
    outcomes = [outcomes_of(station, counter) for counter in counters]
    check("they are counted for no bolt of any unit", outcomes == [[["Unassigned"]]] * len(counters), outcomes)
    attributed = [line["counter"] for unit in (FIRST, SECOND, THIRD) for line in station.tightenings(unit)
                  if line["outcome"] != "unassigned" and int(line["counter"]) in counters]
    check("nor does a unit's record say so", attributed == [], attributed)


def waiting(station):
    """The results about which the station waits for a word of people."""
    return [int(one["facts"][0]["value"]) for one in station.reasons(BEAM) if one["code"] == "result_unassigned"]


def identified_and_held(station, unit, count):
    """A scan says which unit stands there; it answers none of what people must say."""
    station.scan(f"D LT26-0417 MB1 {unit}")
    check(f"{unit}: its ticket is scanned", ask_until(lambda: station.identified_as() == unit
                                                      and "presence_unconfirmed" not in station.codes(BEAM)),
          (station.identified_as(), station.codes(BEAM)))
    check(f"each of {count} results holds the beam", ask_until(lambda: len(waiting(station)) == count),
          station.codes(BEAM))


def set_aside(station):
    for result in waiting(station):
        station.decide({"set_result_aside": {"result": result}}, "result-lost", "Nobody can say where it was made")
    check("what people have set aside holds nothing", ask_until(lambda: waiting(station) == []), station.codes(BEAM))


# ---- the daemon


def ended(station):
    check("the daemon ends in order", station.stop() == 0, station.process.returncode)


def killed(station):
    station.process.kill()
    station.process.wait()


def forgotten(slave):
    """Until then the PLC would give another unit the token of the one before."""
    check("the PLC's time-out is over", all(slave.await_point(name, lambda point: point.accepted is None)
                                            for name in slave.names))


def up_again(station):
    station.__enter__()
    await_links(station)
    station.sign_in_anew()


# ---- the units


def first_stands_there_still(station, slave, tool):
    token = set_down(station, slave, FIRST)
    counters = tool.make()
    check("a result counts for a bolt of the first unit", is_stored(station, FIRST, counters[0]),
          station.tightenings(FIRST))
    ended(station)
    counters += tool.make(3)
    up_again(station)
    all_came(station, counters, "three results of a time without a daemon")
    belong_to_nobody(station, counters[1:])
    identified_and_held(station, FIRST, 3)
    check("the tool is seen idle", tool.await_reads(6), tool.reads)
    counters += tool.make()
    check("the next one, under a daemon that watches, counts",
          ask_until(lambda: outcomes_of(station, counters[-1]) == [["Attributed"]]),
          outcomes_of(station, counters[-1]))
    check("so that every bolt is proven", ask_until(lambda: set(station.codes(BEAM)) == {"result_unassigned"}),
          station.codes(BEAM))
    withheld_all_the_while(slave, token, "first")
    set_aside(station)
    moved_away(station, slave)
    return counters


def exchanged(slave):
    check("the unit is lifted out", scanned_present(slave, False))
    check("and another one is set down", scanned_present(slave, True))
    check("which has no token yet", slave.point(BEAM).token == 0, slave.point(BEAM).token)


def scanned_present(slave, present):
    slave.set_present(present)
    return slave.await_point(BEAM, lambda point: point.present == present)


def third_came_meanwhile(station, slave, tool, counters):
    token = set_down(station, slave, SECOND)
    counters = counters + tool.make()
    check("a result counts for a bolt of the second unit", is_stored(station, SECOND, counters[-1]),
          station.tightenings(SECOND))
    killed(station)
    forgotten(slave)
    late = tool.make(READ)
    check("the count began anew meanwhile", late[0] < COUNTS <= late[-1], late)
    exchanged(slave)
    tool.slave.stop()  # the station is to hear of the unit first
    station.__enter__()
    check("the station sees another unit", ask_until(lambda: (station.bay()["occupant"] or {}).get("token") not in
                                                     (None, token)), station.bay()["occupant"])
    tool.slave.start()
    await_links(station)
    counters += late
    all_came(station, counters, "all that the ring holds")
    belong_to_nobody(station, late)
    identified_and_held(station, THIRD, READ)
    check("no bolt of the unit that came is taken for tightened",
          not any(bolt["passes"][0]["attempts"] for joint in station.bay()["occupant"]["joints"]
                  for bolt in joint["fasteners"]), station.bay()["occupant"]["joints"])
    return counters


def more_than_slots(station, tool, counters):
    ended(station)
    late = tool.make(READ + 3)
    up_again(station)
    kept = late[-READ:]
    check_gap(station, expected=late[0], got=kept[0])
    all_came(station, counters + kept, "what the ring still has")
    belong_to_nobody(station, kept)
    identified_and_held(station, THIRD, 2 * READ)
    check("the station calls the count broken", station.tool(TOOL)["count"] == "broken", station.tool(TOOL))
    station.decide({"accept_gap": {"tool": TOOL}}, "result-lost", "Nobody can bring the lost results")
    check("with the gap accepted by people the count is followed again",
          ask_until(lambda: "result_gap" not in station.codes(BEAM)), station.reasons(BEAM))
    check("what came behind it holds still", len(waiting(station)) == 2 * READ, station.codes(BEAM))


def main():
    (port,) = free_ports(1)

    def change(description):
        description["tools"][0]["link"]["registers"]["port"] = port
    with UsedRing(port) as tool, Station("client", change, lambda role: example("registers-ring")) as station, \
            plc.SlavePlc(station.description) as slave:
        station.open_for_work()
        await_links(station)
        counters = first_stands_there_still(station, slave, tool)
        counters = third_came_meanwhile(station, slave, tool, counters)
        more_than_slots(station, tool, counters)
        withheld_all_the_while(slave, station.bay()["occupant"]["token"], "third")
        ended(station)


if __name__ == "__main__":
    main()
