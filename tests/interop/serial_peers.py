"""A serial line between two pseudo-terminals, with a slave of pymodbus at its far end and room for a master at its near
one: mbpoll, or the daemon."""

import asyncio
import contextlib
import os
import pty
import select
import subprocess
import threading
import tty

from modbus_peers import Slave
from wires import Answers

from pymodbus.datastore import ModbusServerContext
from pymodbus.server.async_io import ModbusSerialServer

BAUD, PARITY = 19200, "even"


class SerialLine(Answers):
    """Two terminals, `near` and `far`, by their paths; what is written to one is read from the other."""

    def __init__(self):
        super().__init__()
        self._ends = []
        for _ in range(2):
            master, end = pty.openpty()
            tty.setraw(end)
            os.set_blocking(master, False)
            self._ends.append((master, end))  # the end stays open: the line does not hang up with its last user
        self.near, self.far = (os.ttyname(end) for _, end in self._ends)
        self._stopped, self._stop = os.pipe()
        self._thread = threading.Thread(target=self._carry, daemon=True)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, kind, error, trace):
        os.write(self._stop, b"x")
        self._thread.join(20)
        for descriptor in (*self._ends[0], *self._ends[1], self._stopped, self._stop):
            os.close(descriptor)

    def _carry(self):
        near, far = (master for master, _ in self._ends)
        while True:
            ready, _, _ = select.select([near, far, self._stopped], [], [])
            if self._stopped in ready:
                return
            for master in ready:
                try:
                    came = os.read(master, 512)
                except BlockingIOError:
                    continue  # emptied meanwhile by whoever opens that end
                if master == near:
                    self._put(far, came)
                else:
                    self.answer(came)

    def deliver(self, answer):
        self._put(self._ends[0][0], answer)

    @staticmethod
    def _put(master, said):
        """What nobody reads is lost, as on a cable, and holds up nobody."""
        with contextlib.suppress(BlockingIOError):
            os.write(master, said)


class SerialSlave(Slave):
    """A pymodbus server for unit 1 on a serial line, whose path stands for the port. It keeps silent for other units."""

    async def _serve(self, up):
        self._loop = asyncio.get_running_loop()
        self._stopping = asyncio.Event()
        # A pseudo-terminal has no parity, and pyserial insists on what it asked for.
        server = ModbusSerialServer(ModbusServerContext(slaves={1: self.unit}, single=False), port=self.port, baudrate=BAUD,
                                    parity="N", ignore_missing_slaves=True)
        await server.start()
        if server.transport is None:
            raise RuntimeError(f"pymodbus does not open {self.port}")
        up.set()
        await self._stopping.wait()
        await server.shutdown()


def mbpoll_serial(device, *options):
    """One poll, references counted from 0 as on the wire. Gives what it ended with and what it said."""
    run = subprocess.run(
        ["mbpoll", "-m", "rtu", "-b", str(BAUD), "-P", PARITY, "-a", "1", "-0", "-1", "-o", "5", *options, device],
        capture_output=True, text=True, timeout=30, check=False)
    return run.returncode, run.stdout + run.stderr
