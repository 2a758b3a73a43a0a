"""Simple equipment for a script: coils and discrete inputs that are pymodbus', and a program that is the Structured Text
of deploy/plc/coils.st. The station writes the coils and reads the inputs.
"""

import os
import pathlib
import threading
import time

from modbus_peers import Registers, Slave
from structured_text import Program

RULE = (pathlib.Path(os.environ["TAUTGATE_SOURCE_DIR"]) / "deploy/plc/coils.st").read_text(encoding="ascii")
SCAN_S = 0.02

ALIVE, FIRST_RELEASE, COILS = 0, 1, 16
ECHO, HEARTBEAT, PRESENT, FIRST_OF_POINT = 0, 1, 2, 3  # moved and acting of the first permissive, then of the next


def coils_for(names):
    """The part of the station's description for permissives of these names."""
    return {"alive": ALIVE, "echo": {"number": ECHO}, "heartbeat": {"number": HEARTBEAT}, "present": {"number": PRESENT},
            "permissives": [{"permissive": name, "release": FIRST_RELEASE + place,
                             "moved": {"number": FIRST_OF_POINT + 2 * place},
                             "acting": {"number": FIRST_OF_POINT + 2 * place + 1}} for place, name in enumerate(names)]}


class Equipment:
    """The bay's equipment. `stuck` holds inputs, by number, that stay as they are told to."""

    def __init__(self, controller):
        self.link = controller
        self.names = [one["permissive"] for one in controller["coils"]["permissives"]]
        self.settings = {"BeatLimit": controller["beat_timeout_ms"],
                         "HeartbeatTime": 2 * controller["beat_interval_ms"]}
        self.moved_ms = 2 * controller["beat_timeout_ms"]
        self.program = Program(RULE)
        self.start()
        self.stuck = {}
        self.lock = threading.RLock()
        self.scanned = threading.Condition(self.lock)
        self.scans = 0
        self.failure = None
        self.refused_at = None  # when anything that could move last ceased to
        self._present = False
        self._moves = set()
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.coils = Registers({0: COILS})
        self.inputs = Registers({0: FIRST_OF_POINT + 2 * len(self.names)})
        self.slave = Slave(self.link["port"], Registers({0: 1}), co=self.coils, di=self.inputs)

    def start(self):
        self.line = self.program.instance("CoilLine")
        self.points = [self.program.instance("CoilPoint") for _ in self.names]

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, kind, error, trace):
        self._stopped.set()
        self._thread.join(20)
        self.slave.__exit__(kind, error, trace)
        if self.failure is not None and kind is None:
            raise SystemExit(f"FAILED: the equipment's program ended: {self.failure!r}")

    def _run(self):
        try:
            while not self._stopped.wait(SCAN_S):  # a scan cycle is what a program of equipment is made of
                self._scan()
        except Exception as error:  # shown at the end; until then the station sees equipment that stands still
            self.failure = error

    def _scan(self):
        with self.scanned:
            self.program.now_ms = round(time.monotonic() * 1000)
            coils = self.coils.look(0, COILS)
            could_move = any(point["MayMove"] for point in self.points)
            self.line.scan(**self.settings, Alive=bool(coils[ALIVE]))
            shown = [self.line["Echo"], self.line["Heartbeat"], self._present]
            for place, (name, point) in enumerate(zip(self.names, self.points)):
                point.scan(LineGood=self.line["Good"], LineInterrupted=self.line["Interrupted"],
                           LineSwitched=self.line["Switched"],
                           Release=bool(coils[FIRST_RELEASE + place]), Present=self._present,
                           Moved=name in self._moves, MovedTime=self.moved_ms)
                shown += [point["ShowsMoved"], point["MayMove"]]
            self._moves = set()
            for number, level in self.stuck.items():
                shown[number] = level
            self.inputs.put(0, shown)
            if could_move and not any(point["MayMove"] for point in self.points):
                self.refused_at = time.monotonic()
            self.scans += 1
            self.scanned.notify_all()

    # ---- what happens at it

    def set_present(self, present):
        with self.lock:
            self._present = present

    def move(self, name, by_hand=False):
        """One movement, as soon as it is allowed, or past the permissive. False: it never was allowed."""
        with self.scanned:
            if not by_hand and not self.scanned.wait_for(lambda: self.may_move(name), 20):
                return False
            self._moves.add(name)
            wanted = self.scans + 3
            return self.scanned.wait_for(lambda: self.scans >= wanted, 20)

    def stick(self, number):
        """An input that stands still as it is now."""
        with self.lock:
            self.stuck[number] = self.inputs.look(number, 1)[0]

    def let_go(self):
        with self.lock:
            self.stuck.clear()

    # ---- what is seen of it

    def may_move(self, name):
        return self.points[self.names.index(name)]["MayMove"]

    def await_beats(self, count):
        """Until the station has switched its alive coil over so many times."""
        for _ in range(count):
            with self.scanned:
                stood = self.alive()
                if not self.scanned.wait_for(lambda: self.alive() != stood, 20):
                    return False
        return True

    def shows_moved(self, name):
        return self.points[self.names.index(name)]["ShowsMoved"]

    def await_move_allowed(self, name, allowed=True):
        with self.scanned:
            return self.scanned.wait_for(lambda: self.may_move(name) == allowed, 20)

    def coil(self, name):
        return bool(self.coils.look(FIRST_RELEASE + self.names.index(name), 1)[0])

    def alive(self):
        return bool(self.coils.look(ALIVE, 1)[0])
