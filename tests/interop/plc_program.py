"""The Structured Text of deploy/plc, run scan by scan, against two other writings of the same rule: the one of plc.py,
made from PERMISSIVE.md, and the C++ that the simulated controller runs. Registers and signals are drawn at random,
good and bad ones; every feedback block of every scan must be the same in all three.
"""

import os
import pathlib
import random
import subprocess
import zlib

import plc
import structured_text
from claims import check
from structured_text import Program, Refused, RunFault

SOURCE = pathlib.Path(os.environ["TAUTGATE_SOURCE_DIR"])
PROGRAMS = pathlib.Path(os.environ["TAUTGATE_BIN"])
RULE = (SOURCE / "deploy/plc/permissive.st").read_text(encoding="ascii")
EXAMPLE_BAY = (SOURCE / "deploy/plc/example_bay.st").read_text(encoding="ascii")

STATION, BAY = 7, 2
LIMIT_MS = 500
SEED = 20260417
RUNS, SCANS = 40, 250
CODES = (plc.RELEASED, plc.RELEASED, plc.RELEASED, plc.LEAVING_INCOMPLETE, plc.WITHHELD, plc.WITHHELD, 0, 0xFFFF,
         plc.RELEASED ^ 1)
CHALLENGE = 0xFF00BEEF
TOKENS = (0x00C0FFEE, 0x00C0FFEE, 0x00C0FFEF, CHALLENGE, CHALLENGE, 0, 0xFFFFFFFF, 0xFEFFFFFF)
MOVEMENTS = {(False, False): 0, (True, False): 1, (True, True): 2}  # by MayMove and Incomplete


# ---- the translator itself


def refuses(text):
    try:
        Program(text)
    except Refused as refusal:
        return str(refusal)
    return ""


def function(result, declarations, body):
    return f"FUNCTION F : {result}\nVAR_INPUT {declarations} END_VAR\n{body}\nEND_FUNCTION"


def ends(what):
    try:
        what()
    except RunFault:
        return True
    return False


def translator():
    """The test stands on it, so it must notice what a PLC would do otherwise than its neighbour."""
    wrong = {
        "a number where bits should be": function("WORD", "A : UINT;", "F := A;"),
        "bits where a number should be": function("UINT", "A : WORD;", "F := A + 1;"),
        "a literal beyond its type": function("UINT", "A : UINT;", "F := 65536;"),
        "two types compared": function("BOOL", "A : UINT; B : UDINT;", "F := A = B;"),
        "an input that is given a value": function("UINT", "A : UINT;", "A := 1; F := A;"),
        "a name that is not declared": function("UINT", "A : UINT;", "F := B;"),
        "a condition that is no BOOL": function("UINT", "A : UINT;", "IF A THEN F := 1; END_IF;"),
        "a statement without an end": function("UINT", "A : UINT;", "F := A"),
        "a function of nobody": function("UINT", "A : UINT;", "F := ROUND_UP(A);"),
        "a comment that never ends": "(* FUNCTION",
    }
    for what, text in wrong.items():
        check(f"the translator refuses {what}", refuses(text) != "", text)
    add = Program(function("UINT", "A : UINT;", "F := A + 1;"))
    check("a sum beyond its type ends the run",
          add.call("F", A=65534) == 65535 and ends(lambda: add.call("F", A=65535)))
    index = Program("TYPE Row : ARRAY [0..3] OF WORD; END_TYPE\n",
                    function("WORD", "R : Row; I : INT;", "F := R[I];"))
    check("an index beyond its array ends the run, below as above",
          index.call("F", R=[1, 2, 3, 4], I=3) == 4 and ends(lambda: index.call("F", R=[1, 2, 3, 4], I=4))
          and ends(lambda: index.call("F", R=[1, 2, 3, 4], I=-1)))
    order = Program(function("BOOL", "A : BOOL; B : BOOL; C : BOOL;", "F := A OR B AND NOT C;"))
    check("AND binds stronger than OR, NOT stronger than AND",
          [order.call("F", A=a, B=b, C=c) for a, b, c in ((1, 0, 1), (0, 1, 1), (0, 1, 0))] == [True, False, True])

    # The timing diagram of the standard's on-delay timer, from memory.
    timed = Program()
    timer = timed.instance("TON")
    shown = []
    for now, signal in ((0, False), (10, True), (59, True), (60, True), (70, True), (80, False), (90, True),
                        (139, True), (140, True)):
        timed.now_ms = now
        timer.scan(IN=signal, PT=50)
        shown.append((timer["Q"], timer["ET"]))
    check("TON: true once its input has been true for the time given, false with its input",
          shown == [(False, 0), (False, 0), (False, 49), (True, 50), (True, 50), (False, 0), (False, 0), (False, 49),
                    (True, 50)], shown)


def crc(program, draw):
    """Against zlib's CRC-32, which is that of IEEE 802.3."""
    for _ in range(50):
        words = [draw.randrange(0x10000) for _ in range(draw.randrange(1, 15))]
        total = 0xFFFFFFFF
        for word in words:
            total = program.call("Crc32OfWord", Before=total, Value=word)
        told = zlib.crc32(b"".join(word.to_bytes(2, "big") for word in words))
        if total ^ 0xFFFFFFFF != told:
            check("the CRC-32 of the Structured Text is zlib's", False, (words, hex(total), hex(told)))
    check("the CRC-32 of the Structured Text is zlib's", True)


def desk_test(program):
    """What deploy/plc/README.md promises for the example that PERMISSIVE.md prints."""
    page = (SOURCE / "protocol/PERMISSIVE.md").read_text(encoding="utf-8")
    words = [int(word, 16) for word in page.split("after 3 movements, beat 9 is")[1].split("##")[0].split()]
    faults = []
    for permissive in (1, 2):
        unit, point = program.instance("BayUnit"), program.instance("PermissivePoint")
        unit.scan(Present=False, Counts=structured_text.initial(program.types["BAYCOUNTS"]))
        point.scan(Station=7, Bay=2, Permissive=permissive, OneShot=False, BeatLimit=LIMIT_MS, Block=words,
                   Unit=unit["Unit"], Moved=False, EquipmentFault=False,
                   Movements=structured_text.initial(program.types["MOVEMENTCOUNT"]))
        faults.append(point["Fault"])
    check("the example of PERMISSIVE.md is good for the permissive that it names, and for no other", faults == [4, 1],
          faults)


# ---- the same rule three times


class Registers:
    """What stands in the registers of one permissive: mostly what a good station writes, and every kind of wrong."""

    def __init__(self, own, draw):
        self.own, self.draw = own, draw
        self.token, self.code, self.beat = 0x00C0FFEE, plc.WITHHELD, draw.choice((0, 5, 0xFFF0, 0xFFFF))
        self.moved = 0
        self.good = self.words = [0] * plc.BLOCK_WORDS
        self.older = []

    def block(self, layout=plc.LAYOUT, own=None, reason=0):
        return plc.sealed([layout, *(own or self.own), self.token >> 16, self.token & 0xFFFF, self.code, reason,
                           self.moved, self.beat])

    def write(self, advance):
        self.beat = (self.beat + advance) & 0xFFFF
        self.older = [*self.older[-20:], self.good]
        self.good = self.words = self.block(reason=self.draw.randrange(80))

    def step(self, point):
        """One scan's worth. The station's side knows what a feedback would have told it."""
        draw = self.draw
        if draw.random() < 0.25:
            return  # they stand
        self.moved = point.counts.moved if draw.random() < 0.9 else draw.randrange(0x10000)
        if draw.random() < 0.15:
            self.token = draw.choice(TOKENS)
        if point.wants_token and draw.random() < 0.8:
            self.code = plc.WITHHELD
        elif draw.random() < 0.2:
            self.code = draw.choice(CODES)
        kind = draw.random()
        if kind < 0.86:
            self.write(draw.choice((1, 1, 1, 1, 2, 8)))
        elif kind < 0.89:
            self.write(draw.choice((9, 10, 0x8000, 0xFFF8, 0xFFFF)))  # too far, or from the past
        elif kind < 0.93:
            self.write(0)  # another text under the same beat
        elif kind < 0.95:
            self.words = [*self.words]
            self.words[draw.randrange(plc.BLOCK_WORDS)] ^= 1 << draw.randrange(16)
        elif kind < 0.97:
            wrong = list(self.own)
            wrong[draw.randrange(3)] += draw.choice((0, 1))
            self.words = self.block(layout=draw.choice((0, 1, 2)), own=wrong)
        elif self.older:
            self.words = draw.choice(self.older)


class Signals:
    """Of the equipment: a unit comes and goes, movements are reported, mostly when they may be made."""

    def __init__(self, draw):
        self.draw = draw
        self.present = draw.random() < 0.3
        self.moved = [False, False]
        self.fault = False

    def step(self, points):
        draw = self.draw
        if draw.random() < (0.04 if self.present else 0.1):
            self.present = not self.present
        if draw.random() < 0.03:
            self.fault = not self.fault
        for place, point in enumerate(points):
            chance = (0.3 if self.moved[place] or point.left_allowed else 0.05 if point.may_move() or not self.present
                      else 0.01)
            self.moved[place] = self.moved[place] != (draw.random() < chance)


class Bay:
    """One bay with a one-shot permissive and one that is not, as the Structured Text, as plc.py and as the commands
    for the C++ program."""

    def __init__(self, program, draw, first_point):
        self.program, self.draw = program, draw
        self.owns = [(STATION, BAY, 1), (STATION, BAY, 2)]
        self.one_shot = (True, False)
        bay_counts = [draw.choice((0, 7, 0xFFFE)) for _ in range(3)]
        moved = [draw.choice((0, 0xFFFE)) for _ in self.owns]
        self.counts = structured_text.initial(program.types["BAYCOUNTS"])
        self.counts.v_ARRIVALS, self.counts.v_DEPARTURES, self.counts.v_PLCSTARTS = bay_counts
        self.moved = [structured_text.initial(program.types["MOVEMENTCOUNT"]) for _ in moved]
        for movements, count in zip(self.moved, moved):
            movements.v_MADE = count
        self.points = [plc.Point(own, LIMIT_MS, one_shot, plc.Counts(*bay_counts, count)).started()
                       for own, one_shot, count in zip(self.owns, self.one_shot, moved)]
        self.registers = [Registers(own, draw) for own in self.owns]
        self.signals = Signals(draw)
        self.first_point = first_point
        self.commands = [" ".join(map(str, ("point", *own, LIMIT_MS, int(one_shot), *bay_counts, count)))
                         for own, one_shot, count in zip(self.owns, self.one_shot, moved)]
        self._load()

    def _load(self):
        self.unit = self.program.instance("BayUnit")
        self.plcs = [self.program.instance("PermissivePoint") for _ in self.owns]

    def start(self):
        """The PLC's program starts anew; the counts stay."""
        self._load()
        self.points = [point.started() for point in self.points]
        self.commands += [f"start {self.first_point + place}" for place in range(len(self.owns))]

    def scan(self, now):
        """One scan of both; gives what each of the two permissives answers as (Structured Text, plc.py)."""
        self.program.now_ms = now
        self.unit.scan(Present=self.signals.present, Counts=self.counts)
        answers = []
        for place, (point, own, registers) in enumerate(zip(self.points, self.owns, self.registers)):
            moved, fault = self.signals.moved[place], self.signals.fault
            self.plcs[place].scan(Station=own[0], Bay=own[1], Permissive=own[2], OneShot=self.one_shot[place],
                                  BeatLimit=LIMIT_MS, Block=registers.words, Unit=self.unit["Unit"], Moved=moved,
                                  EquipmentFault=fault, Movements=self.moved[place])
            point.scan(registers.words, self.signals.present, moved, now, fault)
            self.commands.append(" ".join(map(str, ("scan", self.first_point + place, now, int(self.signals.present),
                                                    int(moved), int(fault), *registers.words))))
            answers.append((self._answer(place), answer_of(point)))
        return answers

    def _answer(self, place):
        one = self.plcs[place]
        return (*one["Feedback"], MOVEMENTS.get((one["MayMove"], one["Incomplete"]), "incomplete, yet refused"))


def answer_of(point):
    movement = 0 if not point.may_move() else 2 if point.acting() == plc.LEAVING_INCOMPLETE else 1
    return (*point.feedback(), movement)


def answers_of_rule(commands):
    """What the C++ program says to the same commands."""
    run = subprocess.run([PROGRAMS / "plc_rule_host"], input="\n".join(commands) + "\n", capture_output=True, text=True,
                         timeout=120, check=False)
    if run.returncode != 0:
        check("the rule in C++ takes every command", False, (run.returncode, run.stderr))
    return [(*(int(word, 16) for word in line.split()[:-1]), int(line.split()[-1])) for line in run.stdout.splitlines()]


def compare(program, draw):
    """Every answer of every scan; and that the random draw reached what matters."""
    commands, told, seen = [], [], {"faults": set(), "movements": set(), "starts": 0, "wrapped": False}
    for run in range(RUNS):
        bay = Bay(program, draw, first_point=2 * run)
        now = draw.randrange(100_000)
        for number in range(SCANS):
            if number and draw.random() < 0.01:
                bay.start()
                seen["starts"] += 1
            now += draw.choice((5, 20, 20, 60)) if draw.random() < 0.97 else draw.choice((LIMIT_MS - 20, LIMIT_MS))
            bay.signals.step(bay.points)
            for point, registers in zip(bay.points, bay.registers):
                registers.step(point)
            for place, (text, model) in enumerate(bay.scan(now)):
                if text != model:
                    check("the Structured Text answers as plc.py does, scan by scan", False,
                          f"in run {run}, scan {number}, permissive {place + 1}: {shown(text)}\nwhere plc.py gives "
                          f"{shown(model)}\nfor {bay.commands[-2 + place]}")
                told.append(text)
                seen["faults"].add(text[13])
                seen["movements"].add((text[-1], place))
                seen["wrapped"] = seen["wrapped"] or text[12] == 0xFFFF
        commands += bay.commands
    check(f"the Structured Text answers as plc.py does, in {len(told)} scans", True)
    check("every fault was met", seen["faults"] == set(range(9)), sorted(seen["faults"]))
    check("every movement was met, on both permissives", len(seen["movements"]) == 6, sorted(seen["movements"]))
    check("the program was started anew, and counts passed their end", seen["starts"] > 10 and seen["wrapped"], seen)
    rule = answers_of_rule(commands)
    check("the C++ rule answers every scan", len(rule) == len(told), (len(rule), len(told)))
    differing = next((place for place, pair in enumerate(zip(told, rule)) if pair[0] != pair[1]), None)
    check("and answers the same", differing is None, differing is not None and
          f"at answer {differing}: {shown(told[differing])}\nwhere the C++ rule gives {shown(rule[differing])}")


def shown(answer):
    return " ".join(f"{word:04X}" for word in answer[:-1]) + f", movement {answer[-1]}"


# ---- the example


class ExampleRun:
    """The example's program with a station that writes good blocks for it."""

    def __init__(self, program):
        self.program = program
        self.plc = program.instance("ExampleBay")
        self.beat, self.token = 100, 0x0BADCAFE
        self.codes = [plc.WITHHELD, plc.WITHHELD]
        self.moved = [0, 0]
        self.signals = {}

    def scan(self, times=1, **signals):
        self.signals.update(signals)
        for _ in range(times):
            self.program.now_ms += 20
            self.beat = (self.beat + 1) & 0xFFFF
            words = []
            for place in (0, 1):
                words += plc.sealed([1, 1, 1, place + 1, self.token >> 16, self.token & 0xFFFF, self.codes[place], 0,
                                     self.moved[place], self.beat])
            self.plc.scan(FromStation=words, **self.signals)
        return self

    def start(self):
        self.plc = self.program.instance("ExampleBay", self.plc.retained())

    def back(self, place):
        """What the station reads back of a permissive, if it is whole."""
        words = self.plc["ToStation"][place * plc.FEEDBACK_WORDS:(place + 1) * plc.FEEDBACK_WORDS]
        if not plc.is_sealed(words) or words[:4] != [1, 1, 1, place + 1]:
            check("the example's feedback blocks are whole", False, words)
        return words


def example(program):
    run = ExampleRun(program)
    run.scan(3).scan(5, UnitSensor=True)
    check("a unit that is there for less than 200 ms has not arrived", run.back(0)[8:10] == [0, 0], run.back(0))
    run.scan(10)
    check("then it has, for both permissives, and its token is taken",
          all(run.back(place)[8:12] == [1, 1, 0, 1] and plc.long(run.back(place)[4:6]) == run.token
              for place in (0, 1)), run.plc["ToStation"])
    wanted = {"RaiseWanted": True, "BeamReady": True, "LeaveWanted": True, "CarrierReady": True}
    run.scan(5, **wanted)
    check("without a release nothing runs, whoever asks",
          not run.plc["RaiseBeam"] and not run.plc["DriveCarrier"], run.back(0))
    run.codes[0] = plc.RELEASED
    run.scan()
    check("the beam's release lets the beam run, not the carrier",
          run.plc["RaiseBeam"] and not run.plc["DriveCarrier"], run.back(0))
    run.codes[0] = plc.WITHHELD
    check("a release that goes before the unit has left its rests stops the beam", not run.scan().plc["RaiseBeam"])
    run.codes[0] = plc.RELEASED
    run.scan().scan(6, BeamLifted=True)
    check("a lift that was begun uses up the release and is finished",
          run.back(0)[12] == 1 and run.back(0)[6] == plc.WITHHELD and run.plc["RaiseBeam"], run.back(0))
    run.scan(1, RaiseWanted=False).scan(1, RaiseWanted=True)
    check("once stopped it does not go on by itself", not run.plc["RaiseBeam"], run.back(0))
    run.moved[0] = 1
    check("it does when the station releases it once more", run.scan().plc["RaiseBeam"], run.back(0))
    check("and ends at the top", not run.scan(BeamIsUp=True).plc["RaiseBeam"])
    run.codes[1] = plc.LEAVING_INCOMPLETE
    run.scan(1, CarrierReady=False)
    check("a release alone moves no carrier that is not ready",
          not run.plc["DriveCarrier"] and run.plc["LeavesUnproven"], run.back(1))
    run.scan(1, CarrierReady=True).scan(20, UnitSensor=False, BeamLifted=False)
    check("the carrier takes the unit off its place sensor and drives on",
          run.plc["DriveCarrier"] and run.back(1)[8] == 0 and run.back(1)[10] == 1, run.back(1))
    run.scan(10, CarrierGone=True)
    check("until it has passed, which counts one and is no fault",
          not run.plc["DriveCarrier"] and run.back(1)[12:14] == [1, 0], run.back(1))
    run.start()
    run.scan()
    check("a start keeps the counts and adds to that of the starts",
          run.back(0)[9:13] == [1, 1, 2, 1] and run.back(1)[12] == 1, run.plc["ToStation"])


def main():
    translator()
    program = Program(RULE, EXAMPLE_BAY)
    draw = random.Random(SEED)
    crc(program, draw)
    desk_test(program)
    compare(program, draw)
    example(program)


if __name__ == "__main__":
    main()
