"""Tools whose registers are polled, on pymodbus: three invented devices, as the examples in config/examples describe
them. Each makes results by `report`; `show` writes one as if nobody read meanwhile, `writes` says in which order it would
do so otherwise.
"""

import struct

from polled_tool import Device

EPOCH = 3
PROGRAM = 12
OK, NOT_OK = 1, 2
TORQUE, ANGLE = 71.0, 15.0  # within the window of the examples' joint


class Example(Device):
    """What the three have in common. A derived class has `areas`, which start with all that its results are made of, and
    `writes`."""

    areas = {}

    def __init__(self, place, acknowledge=None, **more):
        self.newest = 0
        super().__init__(place, self.areas, acknowledge, **more)

    def ready(self):
        """It runs without being asked."""

    def show(self, counter, torque=TORQUE, angle=ANGLE, verdict=OK):
        with self.registers.lock:
            for address, words in self.writes(counter, torque, angle, verdict):
                self.registers.put(address, words)

    def report(self, counter, **values):
        self.newest = counter
        self.show(counter, **values)

    def image(self):
        """All its registers, area by area."""
        return {start: self.registers.look(start, length) for start, length in self.areas.items()}

    def put(self, image):
        with self.registers.lock:
            for start, words in image.items():
                self.registers.put(start, words)

    def writes_before(self, count, left):
        """Of a read of so many registers: whether it is one of those between which it writes, of which so many are left."""
        return True


class FloatTool(Example):
    """Floating-point numbers, low word first, in input registers. It writes its counter before its values
    (config/examples/registers-float.json)."""

    areas = {40: 9}

    def __init__(self, place, **more):
        super().__init__(place, table="ir", **more)

    def begin(self, registers):
        registers.put(40, [EPOCH])

    @staticmethod
    def words(value):
        high, low = struct.unpack(">2H", struct.pack(">f", value))
        return [low, high]

    def writes(self, counter, torque, angle, verdict):
        low, high = self.words(torque)
        return [(48, [counter]), (44, [low]), (45, [high]), (46, self.words(angle)), (41, [PROGRAM, verdict])]


class Tenths(Example):
    """Torque and angle as tenths in one register each."""

    @staticmethod
    def words(value):
        return [round(value * 10)]


class RingTool(Tenths):
    """Its last eight results one behind the other, the newest's count before them. It writes that first, and in a slot
    the count first (config/examples/registers-ring.json)."""

    areas = {190: 2, 200: 64}
    slots, stride = 8, 8

    def begin(self, registers):
        registers.put(190, [EPOCH])

    def writes(self, counter, torque, angle, verdict):
        slot = 200 + counter % self.slots * self.stride
        return [(191, [counter]), (slot, [counter]), (slot + 3, self.words(torque)), (slot + 4, self.words(angle)),
                (slot + 1, [PROGRAM, verdict])]

    def writes_before(self, count, left):
        return count > 2 or left == 5  # of the slot, once the newest count is written


class SerialTool(Tenths):
    """Tenths in holding registers, and the count of what is stored written back; it writes its counter last
    (config/examples/registers-serial.json)."""

    areas = {0: 6, 10: 1}

    def __init__(self, place, **more):
        super().__init__(place, acknowledge=10, **more)

    def begin(self, registers):
        registers.put(0, [EPOCH])

    def writes(self, counter, torque, angle, verdict):
        return [(3, self.words(torque)), (4, self.words(angle)), (1, [PROGRAM, verdict]), (5, [counter])]

    def writes_before(self, count, left):
        return (count > 1) == (left > 1)  # its count comes between its values and their count, which are read apart
