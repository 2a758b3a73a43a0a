"""The Structured Text of deploy/plc/coils.st, run scan by scan, against the C++ rule that the simulated equipment runs.
Coils and signals are drawn at random, from a good station and from wires that stick; every output of every scan must be
the same in both.
"""

import os
import pathlib
import random
import subprocess

from claims import check
from structured_text import Program

SOURCE = pathlib.Path(os.environ["TAUTGATE_SOURCE_DIR"])
PROGRAMS = pathlib.Path(os.environ["TAUTGATE_BIN"])
RULE = (SOURCE / "deploy/plc/coils.st").read_text(encoding="ascii")

LIMIT_MS, HEARTBEAT_MS, MOVED_MS = 500, 200, 1000
SEED = 20260512
RUNS, SCANS = 40, 400


class Signals:
    """What stands in the coils and at the inputs: each goes on as it is for a while, and some stick."""

    def __init__(self, draw):
        self.draw = draw
        self.alive, self.release, self.present, self.moved = (draw.random() < 0.5 for _ in range(4))
        self.still = False

    def step(self):
        if self.draw.random() < 0.02:
            self.still = not self.still
        if not self.still and self.draw.random() < 0.4:
            self.alive = not self.alive
        for name, how_often in (("release", 0.1), ("present", 0.04), ("moved", 0.06)):
            if self.draw.random() < how_often:
                setattr(self, name, not getattr(self, name))


class Equipment:
    """One bay with one permissive, in Structured Text."""

    def __init__(self, program):
        self.program = program
        self.start()

    def start(self):
        self.line, self.point = self.program.instance("CoilLine"), self.program.instance("CoilPoint")

    def scan(self, now, signals):
        self.program.now_ms = now
        self.line.scan(BeatLimit=LIMIT_MS, HeartbeatTime=HEARTBEAT_MS, Alive=signals.alive)
        self.point.scan(LineGood=self.line["Good"], LineInterrupted=self.line["Interrupted"],
                        LineSwitched=self.line["Switched"], Release=signals.release,
                        Present=signals.present, Moved=signals.moved, MovedTime=MOVED_MS)
        return tuple(int(value) for value in (self.line["Good"], self.line["Interrupted"], self.line["Echo"],
                                              self.line["Heartbeat"], self.point["ShowsMoved"], self.point["MayMove"]))


def answers_of_rule(commands):
    """What the C++ program says to the same commands."""
    run = subprocess.run([PROGRAMS / "coil_rule_host"], input="\n".join(commands) + "\n", capture_output=True, text=True,
                         timeout=120, check=False)
    if run.returncode != 0:
        check("the rule in C++ takes every command", False, (run.returncode, run.stderr))
    return [tuple(int(word) for word in line.split()) for line in run.stdout.splitlines()]


def compare(program, draw):
    commands, told, scans, starts = [], [], [], 0
    for _ in range(RUNS):
        equipment, signals = Equipment(program), Signals(draw)
        commands.append(f"start {LIMIT_MS} {HEARTBEAT_MS} {MOVED_MS}")
        now = draw.randrange(100_000)
        for _ in range(SCANS):
            if draw.random() < 0.005:
                equipment.start()
                commands.append(f"start {LIMIT_MS} {HEARTBEAT_MS} {MOVED_MS}")
                starts += 1
            now += draw.choice((5, 20, 20, 60)) if draw.random() < 0.97 else draw.choice((LIMIT_MS - 20, LIMIT_MS))
            signals.step()
            told.append(equipment.scan(now, signals))
            commands.append(f"scan {now} {signals.alive:d} {signals.release:d} {signals.present:d} {signals.moved:d}")
            scans.append(commands[-1])
    rule = answers_of_rule(commands)
    check("the C++ rule answers every scan", len(rule) == len(told), (len(rule), len(told)))
    differing = next((place for place, pair in enumerate(zip(told, rule)) if pair[0] != pair[1]), None)
    check(f"the Structured Text answers as the C++ rule does, in {len(told)} scans", differing is None,
          differing is not None and f"at answer {differing}: {told[differing]} where the C++ rule gives "
                                    f"{rule[differing]}, for {scans[differing]}")
    for place, name in enumerate(("good", "interrupted", "echo", "heartbeat", "moved", "may move")):
        seen = {answer[place] for answer in told}
        check(f"both levels of \"{name}\" were met", seen == {0, 1}, seen)
    check("the program was started anew, too", starts > 10, starts)


def desk_test(program):
    """What deploy/plc/README.md lets people try after the import."""
    class Still:
        alive, release, present, moved = True, True, True, False

    equipment = Equipment(program)
    stuck = [equipment.scan(now, Still)[-1] for now in range(0, 3000, 20)]
    check("coils that all stand at TRUE let nothing move", not any(stuck))


def main():
    program = Program(RULE)
    desk_test(program)
    compare(program, random.Random(SEED))


if __name__ == "__main__":
    main()
