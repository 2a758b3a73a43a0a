"""Modbus peers that nobody here wrote: mbpoll as a master, pymodbus as a slave on a thread of its own."""

import asyncio
import logging
import re
import subprocess
import threading

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server.async_io import ModbusTcpServer

# A slave that is stopped, and a master that meets a closed port, are what these tests are about.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

HOST = "127.0.0.1"


def mbpoll(port, *options, values=()):
    """One poll, references counted from 0 as on the wire. Gives what it ended with and what it said. It waits half a
    second for a connection whatever it is told, which is little on a busy computer: then it is asked again."""
    for _ in range(10):
        run = subprocess.run(
            ["mbpoll", "-m", "tcp", "-p", str(port), "-a", "1", "-0", "-1", "-o", "5", *options, HOST,
             *[str(value) for value in values]],
            capture_output=True, text=True, timeout=30, check=False)
        said = run.stdout + run.stderr
        if "Connection failed: Operation now in progress" not in said:
            break
    return run.returncode, said


def shown_registers(text):
    """The registers in what mbpoll shows, which prints those from 0x8000 on with their signed value too."""
    return [int(value) & 0xFFFF for value in re.findall(r"^\[\d+\]:\s+(-?\d+)", text, re.MULTILINE)]


class Registers(ModbusSparseDataBlock):
    """Registers of a slave. `on_read` runs before a master is given registers, `on_write` after one has written some;
    both with (registers, address, count or values). A request is served whole."""

    def __init__(self, areas, on_read=None, on_write=None):
        super().__init__({start: [0] * length for start, length in areas.items()})
        self.lock = threading.RLock()
        self.on_read = on_read
        self.on_write = on_write
        self.failure = None  # of one of the two: pymodbus would only tell the master of it
        self.refusing = False  # every request, as one for registers that are not there

    # The names are those of pymodbus.
    def validate(self, address, count=1):
        return not self.refusing and super().validate(address, count)

    def getValues(self, address, count=1):
        with self.lock:
            self._tell(self.on_read, address, count)
            return super().getValues(address, count)

    def setValues(self, address, values, use_as_default=False):
        with self.lock:
            super().setValues(address, values, use_as_default)
            self._tell(self.on_write, address, list(values))

    def _tell(self, whom, address, what):
        if whom is None:
            return
        try:
            whom(self, address, what)
        except Exception as error:
            self.failure = error
            raise

    # For the side that owns the registers: nobody is told.
    def look(self, address, count):
        with self.lock:
            return super().getValues(address, count)

    def put(self, address, words):
        with self.lock:
            super().setValues(address, list(words))


class Slave:
    """A pymodbus server for unit 1 on a thread of its own. `table`: where the registers are, `bits`: coils and discrete
    inputs, as pymodbus names them."""

    def __init__(self, port, registers, table="hr", **bits):
        self.port = port
        self.registers = registers
        self.unit = ModbusSlaveContext(zero_mode=True, **{table: registers}, **bits)
        self._thread = None
        self.start()

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        self.stop()
        if self.registers.failure is not None and kind is None:
            raise SystemExit(f"FAILED: the slave could not serve: {self.registers.failure!r}")

    def start(self):
        up = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve(up)), daemon=True)
        self._thread.start()
        if not up.wait(20):
            raise SystemExit(f"FAILED: no slave came up at port {self.port}")

    def stop(self):
        """As if its plug were pulled: no port, and the connections end. More than once is fine."""
        if self._thread is None:
            return
        self._loop.call_soon_threadsafe(self._stopping.set)
        self._thread.join(20)
        self._thread = None

    async def _serve(self, up):
        self._loop = asyncio.get_running_loop()
        self._stopping = asyncio.Event()
        server = ModbusTcpServer(ModbusServerContext(slaves={1: self.unit}, single=False), address=(HOST, self.port),
                                 allow_reuse_address=True, loop=self._loop)
        serving = asyncio.ensure_future(server.serve_forever())
        await server.serving
        up.set()
        await self._stopping.wait()
        for connection in list(server.active_connections.values()):
            connection.transport.abort()
        await server.server_close()
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)
