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
import time

import plc
from claims import ask_until
from framed_peers import HandTool, SerialWrench, TorquePost
from polled_peers import NOT_OK, FloatTool, RingTool, SerialTool
from serial_peers import SerialLine, SerialSlave
from station import BEAM, without_comments

ARRIVAL_S = 5  # in which a service that runs has seen a unit come
PULLED_S = 1   # for so long a trigger or a push button is held, at what may not run yet
# What is played, with the profile of its tool.
EXAMPLES = {"registers-float": "float-block", "registers-ring": "ring-block", "registers-serial": "serial-block",
            "frames-lines": "torque-post", "frames-binary": "hand-tool", "frames-serial": "serial-wrench"}
PROFILES = set(EXAMPLES.values())
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
        self.standing = None  # the serial number that was scanned last of what stands there

    def is_seen(self):
        connection = http.client.HTTPConnection("127.0.0.1", self.api["port"], timeout=ARRIVAL_S)
        try:
            connection.request("GET", "/v1/station")
            bays = json.loads(connection.getresponse().read())["bays"]
            return bool(bays) and bays[0]["occupant"] is not None  # none: no rules are approved yet
        except OSError:
            return False
        finally:
            connection.close()

    def unit(self, serial):
        if self.standing not in (None, serial) and self.is_seen():
            return f"{self.standing} still stands there: let it move first, or decide that it has left"
        self.equipment.set_present(True)
        # A ticket that is scanned before the station has seen a unit is nobody's.
        if not ask_until(self.is_seen, ARRIVAL_S):
            self.equipment.set_present(False)  # the next try is an arrival again
            return "the station does not see the unit: does the service run, and are the rules approved?"
        if self.scanner_wire is not None:
            self.scanner_wire.close()
        # It stays connected until the next scan, as a scanner does.
        self.scanner_wire = socket.create_connection((self.scanner["address"], self.scanner["port"]), timeout=20)
        self.scanner_wire.sendall(f"D LT26-0417 MB1 {serial}\r\n".encode("ascii"))
        self.standing = serial
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
        self.standing = None
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


def is_example(description):
    """Whether it has the wiring that is played here: that of a copy of an example, whatever else was changed in it."""
    try:
        link, controller = description["tools"][0]["link"], description["bays"][0]["controller"]
        profile = (link.get("registers") or link["frames"])["profile"]
        return (profile in PROFILES and "port" in controller and "address" in description["scanner_port"] and
                "port" in description["api"] and BEAM in [one["id"] for one in description["permissives"]])
    except (AttributeError, IndexError, KeyError, TypeError):
        return False


def description_in(file):
    try:
        description = json.loads(without_comments(pathlib.Path(file).read_text(encoding="utf-8")))
    except OSError as error:
        sys.exit(f"{file}: {error.strerror}; name the description of a station, such as a copy of one in config/examples")
    except ValueError as error:
        sys.exit(f"{file}: {error}; see tautgate check-config")
    if not is_example(description):
        sys.exit(f"{file}: it is wired otherwise than the examples that are played here; copy one of {', '.join(EXAMPLES)} "
                 "in config/examples")
    return description


def ports_of(description):
    """Those at which is listened here, with what listens there."""
    link = description["tools"][0]["link"]
    tool = link.get("registers") or link["frames"].get("call") or {}
    return [(whose, end["port"]) for whose, end in (("tool", tool), ("controller", description["bays"][0]["controller"]))
            if "port" in end]


def is_free(port):
    try:
        socket.create_server(("127.0.0.1", port)).close()
    except OSError:
        return False
    return True


def restarted(equipment):
    """It keeps no counts from one trial to the next, and shows that as a controller must: by other starts."""
    starts = int(time.time())
    for point in equipment.points:
        point.lost_its_counts(starts)
    return equipment


def main(file):
    description = description_in(file)
    for whose, port in ports_of(description):
        if not is_free(port):
            sys.exit(f"{file}: port {port} of its {whose} is in use; end the other desk or program that has it, or give the "
                     "description another one")
    with tool_of(description) as tool, restarted(plc.SlavePlc(description)) as equipment:
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
