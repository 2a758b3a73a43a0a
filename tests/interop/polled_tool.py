"""A tool that shows its newest result in holding registers, on pymodbus, in the layout of the demo's profile."""

import struct
import threading
import time

from modbus_peers import Registers, Slave

START, LENGTH, COUNTER, ACKNOWLEDGE = 100, 17, 116, 130
EPOCH = 3
TIGHTEN = 1
OK, TORQUE_OUTSIDE = 1, 2


class Result:
    """One tightening. Limits are those of the tool's program, in N.m and degrees."""

    def __init__(self, counter, program, torque, angle, limits, verdict=OK):
        self.counter, self.program, self.torque, self.angle = counter, program, torque, angle
        self.limits, self.verdict = limits, verdict

    def words(self):
        torque = struct.unpack(">2H", struct.pack(">f", self.torque))
        limits = [round(limit * 10) for limit in self.limits]
        stamp = struct.unpack(">4H", struct.pack(">Q", int(time.time() * 1000)))
        return [EPOCH, self.program, TIGHTEN, self.verdict, *torque, round(self.angle * 10), 0, *limits, *stamp,
                self.counter]


def snug(counter, torque=80.0, angle=12.0):
    return Result(counter, 161, torque, angle, (70, 90, 3, 25))


def final(counter, torque=256.0, angle=25.0):
    return Result(counter, 162, torque, angle, (241, 271, 13, 40))


def bracket(counter, torque=71.0, angle=15.0, verdict=OK):
    return Result(counter, 171, torque, angle, (67, 75, 7, 26), verdict)


class Device:
    """Shows results and takes acknowledgements. `before_read` may change what a master is about to be given. `slave`
    serves the registers of `areas` at `place`: a port, or the path of a serial line. `acknowledge`: the register in which
    it is told what is stored."""

    def __init__(self, place, areas, acknowledge=None, slave=Slave, **tables):
        self.told = threading.Condition()
        self.reads = 0
        self.acknowledged = []
        self.before_read = None       # (registers, address, count)
        self.on_acknowledged = None   # (counter), while the master waits for its answer
        self.acknowledge = acknowledge
        registers = Registers(areas, on_read=self._read, on_write=self._written)
        self.begin(registers)
        self.slave = slave(place, registers, **tables)

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        self.slave.__exit__(kind, error, trace)

    def begin(self, registers):
        """What it shows before anybody asks."""

    @property
    def registers(self):
        return self.slave.registers

    def await_acknowledged(self, counter, limit_s=20):
        with self.told:
            return self.told.wait_for(lambda: counter in self.acknowledged, limit_s)

    def await_reads(self, count):
        with self.told:
            wanted = self.reads + count
            return self.told.wait_for(lambda: self.reads >= wanted, 20)

    def _read(self, registers, address, count):
        if self.before_read is not None:
            self.before_read(registers, address, count)
        with self.told:
            self.reads += 1
            self.told.notify_all()

    def _written(self, _registers, address, words):
        if address != self.acknowledge or len(words) != 1:
            raise ValueError(f"registers {address} and on are nobody's to write: {words}")
        if self.on_acknowledged is not None:
            self.on_acknowledged(words[0])
        with self.told:
            self.acknowledged.append(words[0])
            self.told.notify_all()


class Tool(Device):
    """One with the layout of the demo's profile."""

    def __init__(self, place, newest=0, slave=Slave):
        self.newest = newest
        super().__init__(place, {START: LENGTH, ACKNOWLEDGE: 1}, ACKNOWLEDGE, slave)

    def begin(self, registers):
        registers.put(START, snug(self.newest).words() if self.newest else [EPOCH] + [0] * (LENGTH - 1))

    def show(self, result):
        self.registers.put(START, result.words())

    def report(self, result):
        """Shows a result and waits until it is acknowledged. False: it was not, in time."""
        self.show(result)
        return self.await_acknowledged(result.counter)
