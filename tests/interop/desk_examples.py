"""The stand-in of the guides (desk.py) with each of the examples in config/examples and the real daemon: what is typed is
what the station sees. All six at once."""

import json
import socket
import subprocess
import sys
import tempfile
import time

import desk as stand_in
import plc
from claims import ask_until, check
from example_story import FIRST, SECOND, TOOL, is_stored, longest_delay_s
from station import SOURCE, Station, example, free_ports

EXAMPLES = tuple(stand_in.EXAMPLES)


class Typed:
    """The stand-in as a process that is typed to."""

    def __init__(self, file):
        self.process = subprocess.Popen([sys.executable, "-B", SOURCE / "tests" / "interop" / "desk.py", file],
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def __enter__(self):
        while self.answer() not in ("help, quit", ""):
            pass  # what it takes
        return self

    def __exit__(self, kind, error, trace):
        self.process.kill()
        self.process.wait()

    def answer(self):
        """A line; empty: it ended."""
        return self.process.stdout.readline().strip()

    def says(self, typed, wanted):
        self.process.stdin.write(typed + "\n")
        self.process.stdin.flush()
        answer = self.answer()
        check(f"to '{typed}' it says '{wanted}'", answer == wanted, answer)


def place_for(station, tool_link):
    """A port or a line of its own for the tool."""
    way = tool_link.get("registers") or tool_link["frames"]
    if "serial" in way:
        way["serial"]["device"] = str(station / "line")
    else:
        (way.get("call") or way.get("listen") or way)["port"], = free_ports(1)


def says_what_is_in_use():
    taken, = free_ports(1)
    station = example("frames-lines")
    station["tools"][0]["link"]["frames"]["call"]["port"] = taken
    with tempfile.NamedTemporaryFile("w", suffix=".json") as file, socket.create_server(("127.0.0.1", taken)):
        json.dump(station, file)
        file.flush()
        ended = subprocess.run([sys.executable, "-B", SOURCE / "tests" / "interop" / "desk.py", file.name],
                               stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False)
    check("a port in use is one sentence", ended.returncode == 1 and ended.stderr.count("\n") == 1 and
          f"port {taken} of its tool is in use" in ended.stderr, (ended.returncode, ended.stderr))


def typed(desk, station):
    desk.says(f"unit {FIRST}", f"{FIRST} is there and scanned")
    check("the station knows the unit", ask_until(lambda: station.identified_as() == FIRST), station.bay())
    idle_from = time.monotonic() + longest_delay_s(station)
    check("whatever began before it is over", ask_until(lambda: time.monotonic() > idle_from))
    desk.says(f"unit {SECOND}", f"{FIRST} still stands there: let it move first, or decide that it has left")
    desk.says("move", "the beam does not move: it is not released")
    for counter in (1, 2):
        desk.says("tighten", f"result {counter}")
        check(f"result {counter} is stored", is_stored(station, FIRST, counter), station.tightenings(FIRST))
        desk.says("again", f"result {counter} once more")
    check("the unit is released",
          ask_until(lambda: not station.get("/v1/bays/J1/why")["permissives"][0]["reasons"]), station.codes("lift-beam"))
    desk.says("move", "the beam has raised the unit, and it has left")
    check("the unit leaves", ask_until(lambda: station.bay()["occupant"] is None), station.bay())
    stored = [(one["counter"], one["torque"], one["verdict"]) for one in station.tightenings(FIRST)]
    check("each result is there once", stored == [("1", "71 N·m", "ok"), ("2", "71 N·m", "ok")], stored)


def run(name):
    holder = Station(name, lambda description: None, example)
    place_for(holder.folder, holder.description["tools"][0]["link"])
    holder.write()
    with Typed(holder.file) as desk, holder as station:
        desk.says(f"unit {FIRST}", "the station does not see the unit: does the service run, and are the rules approved?")
        station.open_for_work()
        check("the tool has a good link", ask_until(lambda: station.tool(TOOL)["link"] == "good"), station.tool(TOOL))
        typed(desk, station)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)
        desk.process.stdin.write("quit\n")
        desk.process.stdin.close()
        check("so does the stand-in", desk.process.wait(timeout=20) == 0, desk.process.returncode)


def of_no_file():
    asked = subprocess.run([sys.executable, "-B", SOURCE / "tests" / "interop" / "desk.py", "/nowhere/station.json"],
                           capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL, check=False)
    check("a file that is not there is told in one sentence", asked.returncode == 1 and asked.stderr.count("\n") == 1
          and asked.stderr.startswith("/nowhere/station.json: No such file or directory; name "), asked)


def of_another_file():
    file = SOURCE / "config" / "larkmoor.json"
    asked = subprocess.run([sys.executable, "-B", SOURCE / "tests" / "interop" / "desk.py", file],
                           capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL, check=False)
    check("a station that is no copy of an example is told in one sentence", asked.returncode == 1 and
          asked.stderr.count("\n") == 1 and ": it is wired otherwise than the examples " in asked.stderr, asked)


def other_starts():
    """What a controller that keeps no counts must show; the service then asks people instead of taking its counts."""
    station = example("frames-lines")
    own = stand_in.restarted(plc.SlavePlc(station)).points
    check("the stand-in's PLC shows another start than one that was just made",
          {point.counts.starts for point in own} == {point.counts.starts for point in own[:1]} and
          own[0].counts.starts != plc.Counts().starts, [point.counts.starts for point in own])


def main():
    of_no_file()
    of_another_file()
    other_starts()
    says_what_is_in_use()
    runs = {name: subprocess.Popen([sys.executable, "-B", __file__, name], stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                                   text=True) for name in EXAMPLES}
    failed = []
    for name, process in runs.items():
        said, _ = process.communicate()
        print(f"--- {name}\n{said}", flush=True)
        if process.returncode != 0:
            failed.append(name)
    check("the stand-in does for every example", failed == [], failed)


if __name__ == "__main__":
    run(sys.argv[1]) if len(sys.argv) > 1 else main()
