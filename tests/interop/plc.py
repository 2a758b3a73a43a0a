"""The equipment's controller as protocol/PERMISSIVE.md describes it, with none of our code: the two blocks, the rule
of the PLC, and either end of the line on pymodbus.
"""

import threading
import time

from pymodbus.client import ModbusTcpClient

from modbus_peers import HOST, Registers, Slave

LAYOUT = 1
BLOCK_WORDS = 12
FEEDBACK_WORDS = 16
RELEASED, WITHHELD, LEAVING_INCOMPLETE = 0x46A7, 0xD833, 0x744D
SCAN_S = 0.02


def crc_32(words):
    """Bit by bit, as PERMISSIVE.md says: reflected 0xEDB88320, start value and final XOR all ones, high byte first."""
    crc = 0xFFFFFFFF
    for word in words:
        for byte in (word >> 8, word & 0xFF):
            crc ^= byte
            for _ in range(8):
                crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def sealed(words):
    crc = crc_32(words)
    return [*words, crc >> 16, crc & 0xFFFF]


def is_sealed(words):
    return sealed(words[:-2]) == list(words)


def long(words):
    return words[0] << 16 | words[1]


class Block:
    """A permissive block, taken apart."""

    def __init__(self, words):
        self.words = list(words)
        self.good_crc = len(words) == BLOCK_WORDS and is_sealed(words)
        self.layout, self.station, self.bay, self.permissive = words[:4]
        self.token = long(words[4:6])
        self.code, self.reason, self.moved, self.beat = words[6:10]

    def means(self):
        """The code that counts: any but two means withheld."""
        return self.code if self.code in (RELEASED, LEAVING_INCOMPLETE) else WITHHELD

    def says(self):
        return self.means(), self.token, self.moved

    def is_for(self, own):
        return (self.layout, self.station, self.bay, self.permissive) == (LAYOUT, *own)


def is_stay(token):
    return 0x00000001 <= token <= 0xFEFFFFFF


class Counts:
    """What a PLC keeps over its starts."""

    def __init__(self, arrivals=7, departures=6, starts=1, moved=0, moving=False):
        self.arrivals, self.departures, self.starts, self.moved = arrivals, departures, starts, moved
        self.moving = moving    # the last level of the movement's signal


def one_up(count):
    return (count + 1) & 0xFFFF


class Point:
    """What the PLC program keeps for one permissive. `scan` is the rule of PERMISSIVE.md, in its order. The beat limit
    is in the unit in which `scan` is told the time."""

    def __init__(self, own, beat_limit, one_shot=False, counts=None):
        self.own = own
        self.one_shot = one_shot
        self.beat_limit = beat_limit
        self.counts = counts or Counts()
        self.present = self.scanned = False
        self.token, self.wants_token = 0, False
        self.seen_beat = None       # the newest of good blocks
        self.seen_at = 0.0          # when it came
        self.accepted = None        # the block in force
        self.overruled = False      # the block in force says something else by now, under the same beat
        self.accepted_beat = 0
        self.fault = 4
        self.wrong_move = False
        self.left_allowed = False   # the unit left its place while the movement was allowed
        self.equipment_fault = False

    def lost_its_counts(self, starts):
        """As a controller that keeps nothing must begin: another number of starts shows that it was restarted."""
        self.counts.starts = starts & 0xFFFF

    def started(self):
        """The point after another start of the PLC's program."""
        self.counts.starts = one_up(self.counts.starts)
        return Point(self.own, self.beat_limit, self.one_shot, self.counts)

    def scan(self, words, present, moving, now, equipment_fault=False):
        was_allowed = self.may_move()
        self._see_unit(present, was_allowed)
        self._see_movement(moving, was_allowed)
        self.scanned = True
        self.equipment_fault = equipment_fault
        self._take_block(Block(words), now)
        in_force = None if self.overruled else self.accepted
        if self.wants_token and in_force and in_force.means() == WITHHELD and in_force.token not in (0, 0xFFFFFFFF):
            self.token, self.wants_token = in_force.token, False

    def _see_unit(self, present, was_allowed):
        if not self.scanned:
            self.wants_token = present
        elif present and not self.present:
            self.counts.arrivals = one_up(self.counts.arrivals)
            self.token, self.wants_token = 0, True
            self.wrong_move = self.left_allowed = False
        elif self.present and not present:
            self.counts.departures = one_up(self.counts.departures)
            self.wants_token = False
            self.left_allowed = was_allowed
        self.present = present

    def _see_movement(self, moving, was_allowed):
        if moving and not self.counts.moving:
            self.counts.moved = one_up(self.counts.moved)
            if not was_allowed and (self.present or not self.left_allowed):
                self.wrong_move = True
            self.left_allowed = False
        self.counts.moving = moving

    def _take_block(self, block, now):
        if not block.good_crc or not block.is_for(self.own):
            return self._lose(1)
        seen, is_over = self.seen_beat, now - self.seen_at >= self.beat_limit
        if seen is None:
            self.seen_beat, self.seen_at = block.beat, now
            return self._lose(4)
        advance = (block.beat - seen) & 0xFFFF
        if advance == 0:
            if self.accepted and is_over:
                return self._lose(2)
            if self.accepted and block.says() != self.accepted.says():
                self.overruled = True
            return None
        if advance > 32767 and not is_over:
            return self._lose(3)
        self.seen_beat, self.seen_at = block.beat, now
        if advance > 8:
            return self._lose(3)
        self.accepted, self.accepted_beat = block, block.beat
        self.overruled, self.fault = False, 0
        return None

    def _lose(self, fault):
        self.accepted, self.fault = None, fault

    def acting(self):
        block = self.accepted
        if block is None or self.overruled or not self.present:
            return WITHHELD
        if self.token == 0 or block.token != self.token:
            return WITHHELD
        if self.one_shot and block.moved != self.counts.moved:
            return WITHHELD
        return block.means()

    def tries_wiring(self):
        block = self.accepted
        return (block is not None and not self.overruled and not self.present and block.means() != WITHHELD
                and 0xFF000000 <= block.token <= 0xFFFFFFFE)

    def may_move(self):
        return is_stay(self.token) and self.acting() != WITHHELD

    def fault_now(self):
        if self.wrong_move:
            return 7
        if self.accepted is None:
            return self.fault
        if self.wants_token:
            return 5
        block = self.accepted
        if (self.token != 0 and not self.overruled and block.means() != WITHHELD and block.token != self.token
                and not self.tries_wiring()):
            return 6
        return 8 if self.equipment_fault else 0

    def feedback(self):
        token, code = self.token, self.acting()
        if self.tries_wiring():
            token, code = self.accepted.token, self.accepted.means()
        return sealed([LAYOUT, *self.own, token >> 16, token & 0xFFFF, code, self.accepted_beat,
                       int(self.present), self.counts.arrivals, self.counts.departures, self.counts.starts,
                       self.counts.moved, self.fault_now()])


class Plc:
    """The scan of a PLC with one point for each permissive that it carries: the bay's main controller, or the further
    one that is named. Whoever derives says how blocks come in and feedback goes out."""

    def __init__(self, description, further=None):
        bay = description["bays"][0]
        others = {one["id"]: one for one in bay.get("further_controllers", [])}
        self.link = bay["controller"] if further is None else others[further]
        carried = [name for one in others.values() for name in one["permissives"]]
        by_id = {one["id"]: one for one in description["permissives"]}
        own = ([by_id[name] for name in self.link["permissives"]] if further is not None
               else [one for one in description["permissives"] if one["id"] not in carried])
        beat_limit = self.link.get("beat_timeout_ms", self.link.get("echo_timeout_ms", 500)) / 1000
        self.names = [one["id"] for one in own]
        self.points = [Point((description["number"], bay["number"], one["number"]), beat_limit,
                             one.get("one_shot", False))
                       for one in own]
        self.lock = threading.RLock()
        self.scanned = threading.Condition(self.lock)
        self.scans = 0
        self.failure = None
        self._present = False
        self._moves = set()
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, kind, error, trace):
        self._stopped.set()
        self._thread.join(20)
        if self.failure is not None and kind is None:
            raise SystemExit(f"FAILED: the PLC's program ended: {self.failure!r}")

    def _run(self):
        try:
            while not self._stopped.wait(SCAN_S):  # a scan cycle is what a PLC is made of
                self.cycle()
        except Exception as error:  # shown at the end; until then the station sees a PLC that stands still
            self.failure = error

    def cycle(self):
        raise NotImplementedError

    def scan(self, blocks):
        """All blocks in a row come in; all feedback in a row goes out."""
        with self.scanned:
            now = time.monotonic()
            moves, self._moves = self._moves, set()
            for place, point in enumerate(self.points):
                words = blocks[place * BLOCK_WORDS:(place + 1) * BLOCK_WORDS]
                point.scan(words, self._present, self.names[place] in moves, now)
            self.scans += 1
            self.scanned.notify_all()
            return [word for point in self.points for word in point.feedback()]

    # ---- what the equipment does

    def set_present(self, present):
        with self.lock:
            self._present = present

    def move(self, name):
        """One movement, high for one scan and low again, as soon as it is allowed. False: it never was."""
        with self.scanned:
            if not self.scanned.wait_for(lambda: self.point(name).may_move(), 20):
                return False
            self._moves.add(name)
            wanted = self.scans + 3
            return self.scanned.wait_for(lambda: self.scans >= wanted, 20)

    def push(self, name):
        """One movement at the next scan, whether or not it is allowed."""
        with self.lock:
            self._moves.add(name)

    def point(self, name):
        return self.points[self.names.index(name)]

    def await_point(self, name, wanted, limit_s=20):
        """True once `wanted(point)` holds after a scan; False at the limit."""
        with self.scanned:
            return self.scanned.wait_for(lambda: wanted(self.point(name)), limit_s)


class MasterPlc(Plc):
    """The PLC is the master: pymodbus reads the station's blocks and writes the feedback to it, each block whole, in
    a request of its own."""

    def __init__(self, description, further=None):
        super().__init__(description, further)
        self.client = ModbusTcpClient(HOST, port=self.link["port"], timeout=5)
        self.writes_feedback = True
        self.read_failed = 0

    def __exit__(self, kind, error, trace):
        super().__exit__(kind, error, trace)
        self.client.close()

    def cycle(self):
        blocks = []
        for place in range(len(self.points)):
            answer = self.client.read_holding_registers(
                self.link["permissive_address"] + place * BLOCK_WORDS, BLOCK_WORDS, slave=1)
            if answer.isError():
                self.read_failed += 1
                return
            blocks += answer.registers
        feedback = self.scan(blocks)
        if not self.writes_feedback:
            return
        for place in range(len(self.points)):
            answer = self.client.write_registers(
                self.link["feedback_address"] + place * FEEDBACK_WORDS,
                feedback[place * FEEDBACK_WORDS:(place + 1) * FEEDBACK_WORDS], slave=1)
            if answer.isError():
                raise RuntimeError(f"the station refused the feedback: {answer}")


class SlavePlc(Plc):
    """The PLC is the slave: the station writes the blocks into pymodbus' registers and reads the feedback there.
    Every write of the station is kept."""

    def __init__(self, description, further=None):
        super().__init__(description, further)
        self.length = len(self.points) * BLOCK_WORDS
        self.frozen = False
        self.writes = []
        registers = Registers({self.link["permissive_address"]: self.length,
                               self.link["feedback_address"]: len(self.points) * FEEDBACK_WORDS},
                              on_write=lambda _registers, address, words: self.writes.append((address, words)))
        self.slave = Slave(self.link["port"], registers)

    def __exit__(self, kind, error, trace):
        super().__exit__(kind, error, trace)
        self.slave.__exit__(kind, error, trace)

    def cycle(self):
        if self.frozen:
            return
        blocks = self.slave.registers.look(self.link["permissive_address"], self.length)
        self.slave.registers.put(self.link["feedback_address"], self.scan(blocks))

    def written_blocks(self):
        """What the station wrote, block by block, in the order in which it came."""
        writes = list(self.writes)
        return [Block(words[at:at + BLOCK_WORDS]) for _, words in writes for at in range(0, len(words), BLOCK_WORDS)]
