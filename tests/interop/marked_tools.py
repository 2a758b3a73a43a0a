"""The real daemon and polled tools that do not count: a bit that toggles, or the time stamp of the newest result, says that
there is a new one. The mark may be shown before the values; another result may bear the stamp of the one before; and
for a while nobody may look.
"""

import os
import signal
import sys
import threading
import time

import example_story
import plc
from claims import ask_until, check
from example_story import TOOL
from polled_tool import Device
from station import BEAM, Station, example, free_ports

UNIT = "TM000881"
FIRST, WORDS = 40, 8
PROGRAM = 12
OK, NOT_OK = 1, 2
TIGHTEN, LOOSEN = 1, 2
LATE_S = 0.06     # the values after the mark; the description says 300 ms
HELD_UP_S = 5


class MarkedTool(Device):
    """Word 0 the toggle; 1 to 5 program, verdict, torque, angle, direction; 6 and 7 the stamp."""

    def __init__(self, port, by_stamp):
        self.by_stamp, self.toggled, self.stamp = by_stamp, 0, 1_795_800_000
        super().__init__(port, {FIRST: WORDS})

    def mark(self):
        if self.by_stamp:
            self.stamp += 1
            self.registers.put(FIRST + 6, [self.stamp >> 16, self.stamp & 0xFFFF])
        else:
            self.toggled ^= 1
            self.registers.put(FIRST, [self.toggled << 15])

    def values(self, torque, verdict=OK, direction=TIGHTEN):
        self.registers.put(FIRST + 1, [PROGRAM, verdict, round(torque * 10), 15, direction])

    def result(self, torque, verdict=OK, direction=TIGHTEN):
        with self.registers.lock:
            self.values(torque, verdict, direction)
            self.mark()


def marked(by_stamp, port):
    def change(description):
        description["joints"][0]["risk_class"] = "C"
        tool = description["tools"][0]
        tool["link"]["registers"]["port"] = port
        tool["longest_run_ms"] = 100
        tool["angle"]["resolution"] = 1
        layout = description["profiles"][0]["layout"]
        del layout["epoch"], layout["counter"]
        layout.update(table="holding", written_within_ms=300)
        layout["program"]["field"] = word(1)
        layout["torque"] = {"field": {**word(3), "scale": 0.1}, "unit": "N.m"}
        layout["angle"] = word(4)
        layout["range"]["angle_resolution"] = {"value": 1, "unit": "deg"}
        layout["direction"] = {"field": word(5), "tighten": [TIGHTEN], "loosen": [LOOSEN]}
        layout["verdict"]["field"] = word(2)
        if by_stamp:
            layout["stamp"] = {"field": {"address": FIRST + 6, "type": "uint32", "order": "abcd"},
                               "kind": "unix_seconds", "marks_result": True}
        else:
            layout["toggle"] = {**word(0), "bits": {"first": 15, "count": 1}}
    return change


def word(place):
    return {"address": FIRST + place, "type": "uint16"}


def torques(station):
    return [round(float(line["torque"].split()[0]), 1) for line in station.tightenings(UNIT)]


def never_released(slave, step):
    """What the step gives, and that the PLC never might have moved meanwhile."""
    seen, over = [], threading.Event()

    def look():
        while not over.is_set():
            seen.append(slave.point(BEAM).may_move())
            over.wait(0.02)

    watching = threading.Thread(target=look)
    watching.start()
    try:
        step()
    finally:
        over.set()
        watching.join()
    check("the beam was withheld all the while", not any(seen), "it might have moved")


def late_values(station, tool, slave):
    tool.mark()
    time.sleep(LATE_S)
    tool.values(58.0, NOT_OK)
    check("values that come after their mark are those that count",
          ask_until(lambda: torques(station) == [70.5, 58.0]), torques(station))


def another_under_one_mark(station, tool, slave):
    tool.values(60.0, NOT_OK)
    check("another result under the mark of the one before is told",
          ask_until(lambda: station.tool(TOOL)["conflict"]), station.tool(TOOL))
    check("and holds", "result_conflict" in station.codes(BEAM), station.codes(BEAM))
    tool.result(71.5)
    check("a good one after that", ask_until(lambda: 71.5 in torques(station)), torques(station))
    check("releases nothing", "result_conflict" in station.codes(BEAM), station.codes(BEAM))


def nobody_looked(station, tool, slave):
    os.kill(station.process.pid, signal.SIGSTOP)
    time.sleep(HELD_UP_S)
    tool.result(40.0, direction=LOOSEN)
    tool.result(71.5)
    os.kill(station.process.pid, signal.SIGCONT)
    check("after a time in which nobody looked people are asked what was made meanwhile",
          ask_until(lambda: {"result_gap", "results_outstanding", "tool_not_asked"} & set(station.codes(BEAM))),
          station.codes(BEAM))
    station.scan(f"D LT26-0417 MB1 {UNIT}")
    check("a scan does not answer that",
          ask_until(lambda: "presence_unconfirmed" not in station.codes(BEAM)) and station.codes(BEAM), station.codes(BEAM))


def main():
    by_stamp = sys.argv[1] == "stamp"
    for step in (late_values, another_under_one_mark, nobody_looked):
        print(f"-- {sys.argv[1]}: {step.__name__}", flush=True)
        (port,) = free_ports(1)
        with MarkedTool(port, by_stamp) as tool, \
                Station("client", marked(by_stamp, port), lambda role: example("registers-float")) as station, \
                plc.SlavePlc(station.description) as slave:
            tool.result(50.0)
            station.open_for_work()
            example_story.await_links(station)
            example_story.set_down(station, slave, UNIT)
            tool.result(70.5)
            check("the first result counts", ask_until(lambda: torques(station) == [70.5]), torques(station))
            never_released(slave, lambda: step(station, tool, slave))
            check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
