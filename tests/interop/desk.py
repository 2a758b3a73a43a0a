"""A stand-in for everything that is wired to one of the examples in config/examples: its tool, the PLC of its equipment and
its scanner. For trials at a desk, by the guides; what it does is typed, a line at a time.

    /usr/bin/python3 tests/interop/desk.py my-station.json
"""

import contextlib
import http.client
import json
import os
import pathlib
import socket
import sys

import plc
from claims import ask_until
from framed_peers import HandTool, SerialWrench, TorquePost
from polled_peers import NOT_OK, FloatTool, RingTool, SerialTool
from serial_peers import SerialLine, SerialSlave
from station import BEAM, without_comments

ARRIVAL_S = 5  # in which a service that runs has seen a unit come
PULLED_S = 1   # for so long a trigger or a push button is held, at what may not run yet
HELP = """unit SERIAL             a unit is set down, and its ticket scanned
tighten [TORQUE ANGLE]  the tool makes a result: 71 and 15 if nothing is said, not OK outside of 67 to 75 N.m
again                   it makes the newest result once more, under the same count
jump                    it makes the next one, and nobody hears of it
move                    the beam raises the unit, once it is released, and the unit leaves
help, quit"""


def path_of(link):
    """The serial line of a link, at the path that the description gives it."""
    path = pathlib.Path(link["serial"]["device"])
    if path.is_relative_to("/dev"):
        sys.exit(f"{path} would be a real line: let the description name a path elsewhere, as /tmp/nutrunner")
    return path


@contextlib.contextmanager
def line_at(path):
    with SerialLine() as line:
        path.unlink(missing_ok=True)
        os.symlink(line.near, path)
        try:
            yield line.far
        finally:
            path.unlink()


@contextlib.contextmanager
def tool_of(description):
    link = description["tools"][0]["link"]
    if "registers" in link:
        registers = link["registers"]
        if "serial" in registers:
            with line_at(path_of(registers)) as far, SerialTool(far, slave=SerialSlave) as tool:
                yield tool
        else:
            make = RingTool if registers["profile"] == "ring-block" else FloatTool
            with make(registers["port"]) as tool:
                yield tool
        return
    frames = link["frames"]
    if "serial" in frames:
        with line_at(path_of(frames)) as far, SerialWrench(far) as tool:
            yield tool
    elif "call" in frames:
        with TorquePost(frames["call"]["port"]) as tool:
            yield tool
    else:
        with HandTool(frames["listen"]["port"]) as tool:
            yield tool


class Desk:
    def __init__(self, description, tool, equipment):
        self.api, self.scanner = description["api"], description["scanner_port"]
        self.tool, self.equipment = tool, equipment
        self.scanner_wire = None
        self.made = {}

    def is_seen(self):
        connection = http.client.HTTPConnection("127.0.0.1", self.api["port"], timeout=ARRIVAL_S)
        try:
            connection.request("GET", "/v1/station")
            return json.loads(connection.getresponse().read())["bays"][0]["occupant"] is not None
        except OSError:
            return False
        finally:
            connection.close()

    def unit(self, serial):
        self.equipment.set_present(True)
        # A ticket that is scanned before the station has seen a unit is nobody's.
        if not ask_until(self.is_seen, ARRIVAL_S):
            return "the station does not see the unit: does the service run, and are the rules approved?"
        if self.scanner_wire is not None:
            self.scanner_wire.close()
        # It stays connected until the next scan, as a scanner does.
        self.scanner_wire = socket.create_connection((self.scanner["address"], self.scanner["port"]), timeout=20)
        self.scanner_wire.sendall(f"D LT26-0417 MB1 {serial}\r\n".encode("ascii"))
        return f"{serial} is there and scanned"

    def tighten(self, torque="71", angle="15"):
        if not ask_until(lambda: getattr(self.tool, "enabled", True), PULLED_S):
            return "the trigger is pulled, but the tool is not let run"
        self.made = {"torque": float(torque), "angle": float(angle)}
        if not 67 <= float(torque) <= 75:
            self.made["ok" if hasattr(self.tool, "result") else "verdict"] = (
                0 if hasattr(self.tool, "result") else NOT_OK)
        self.tool.report(self.tool.newest + 1, **self.made)
        return f"result {self.tool.newest}"

    def again(self):
        self.tool.report(self.tool.newest, **self.made)
        return f"result {self.tool.newest} once more"

    def jump(self):
        self.tool.newest += 1
        return f"result {self.tool.newest} is made, and lost"

    def move(self):
        if not ask_until(self.equipment.point(BEAM).may_move, PULLED_S):
            return "the beam does not move: it is not released"
        self.equipment.move(BEAM)
        self.equipment.set_present(False)
        return "the beam has raised the unit, and it has left"

    def obey(self, line):
        word, *rest = line.split()
        acts = {"unit": self.unit, "tighten": self.tighten, "again": self.again, "jump": self.jump, "move": self.move,
                "help": lambda: HELP}
        try:
            return acts[word](*rest)
        except (KeyError, TypeError, ValueError):
            return f"not understood: {line}\n{HELP}"
        except OSError as error:
            return f"{line}: {error}"


def main(file):
    description = json.loads(without_comments(pathlib.Path(file).read_text(encoding="utf-8")))
    with tool_of(description) as tool, plc.SlavePlc(description) as equipment:
        desk = Desk(description, tool, equipment)
        print(HELP, flush=True)
        for line in sys.stdin:
            if line.split() == ["quit"]:
                return
            if line.strip():
                print(desk.obey(line), flush=True)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(sys.argv[1])
