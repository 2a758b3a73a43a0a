"""Tools that send frames, in plain Python and with none of our code: three invented devices, as the examples in
config/examples describe them. Each keeps its newest count, says it as its sign of life, and has a wire that a script may
break.
"""

import binascii
import os
import select
import socket
import struct
import threading
import tty

ALIVE_S = 0.1
TORQUE, ANGLE = 71.0, 15.0  # within the window of the examples' joint


class Tool:
    """What the three have in common. A derived class makes `result`, `status` and `_run`, which takes connections and
    hands what comes to `_heard`."""

    def __init__(self):
        self.changed = threading.Condition()
        self.newest = 0
        self.connections = 0
        self.acknowledged = []
        self.mute = False       # says nothing by itself
        self._wire = None
        self._stopped = threading.Event()
        self._threads = [threading.Thread(target=self._run, daemon=True),
                         threading.Thread(target=self._live, daemon=True)]

    def __enter__(self):
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, kind, error, trace):
        self._stopped.set()
        self.hang_up()
        self.close()
        for thread in self._threads:
            thread.join(20)

    def close(self):
        """Whatever else holds `_run` up."""

    # ---- what it does

    def say(self, frame):
        """False: there is no wire, or it broke."""
        with self.changed:
            if self._wire is None:
                return False
            try:
                self._wire.sendall(frame)
                return True
            except OSError:
                return False

    def report(self, counter, **values):
        """A result, newer than all before."""
        with self.changed:
            self.newest = max(self.newest, counter)
            return self.say(self.result(counter, **values))

    def hang_up(self):
        with self.changed:
            if self._wire is not None:
                self._wire.hang_up()
            self._wire = None

    def await_connections(self, count):
        with self.changed:
            return self.changed.wait_for(lambda: self.connections >= count and self._wire is not None, 20)

    def await_acknowledged(self, counter):
        with self.changed:
            return self.changed.wait_for(lambda: counter in self.acknowledged, 20)

    # ---- its parts

    def _connected(self, wire):
        with self.changed:
            self._wire = wire
            self.connections += 1
            self.changed.notify_all()
            self.greet()
        while True:
            try:
                came = wire.recv(4096)
            except OSError:
                came = b""
            if not came:
                break
            self._heard(came)
        with self.changed:
            if self._wire is wire:
                self._wire = None
        wire.hang_up()

    def greet(self):
        self.say(self.status())

    def _live(self):
        while not self._stopped.wait(ALIVE_S):  # the pace at which it lives
            if not self.mute:
                self.live()

    def live(self):
        with self.changed:
            self.say(self.status())

    def _heard(self, came):
        pass


class SocketWire:
    def __init__(self, connected):
        self._socket = connected

    def sendall(self, frame):
        self._socket.sendall(frame)

    def recv(self, most):
        return self._socket.recv(most)

    def hang_up(self):
        try:
            self._socket.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass  # the other end was quicker
        self._socket.close()


class TorquePost(Tool):
    """Lines of KEY=VALUE with a CRC-16 behind '#', at a port that the station calls (config/examples/frames-lines.json).
    The CRC is Python's own: binascii.crc_hqx from 0xFFFF."""

    def __init__(self, port):
        super().__init__()
        self._server = socket.create_server(("127.0.0.1", port))
        self.epoch = "b7"

    def close(self):
        try:
            self._server.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass  # nobody was waiting
        self._server.close()

    def _run(self):
        while not self._stopped.is_set():
            try:
                connected, _ = self._server.accept()
            except OSError:
                return
            self._connected(SocketWire(connected))

    @staticmethod
    def line(content):
        crc = binascii.crc_hqx(content.encode("ascii"), 0xFFFF)
        return f"{content}#{crc:04X}\r\n".encode("ascii")

    def status(self):
        return self.line(f"K=LIVE,N={self.newest},E={self.epoch}")

    def result(self, counter, torque=TORQUE, angle=ANGLE, ok=1):
        return self.line(f"K=RES,N={counter},E={self.epoch},PG=M12-bracket,TQ={torque:.1f},AN={angle:.1f},OK={ok}")

    @staticmethod
    def noise():
        return b"\x00\xff?PG=M12,,TQ=99.9#0000\r\n"


class HandTool(Tool):
    """Length and binary numbers, high byte first; it calls the station, waits for each result to be acknowledged and
    sends its curve (config/examples/frames-binary.json)."""

    START = b"\xa6"
    RESULT, STATUS, CURVE, STORED = 1, 2, 3, 4

    def __init__(self, port, source="127.0.0.1"):
        super().__init__()
        self.port, self.source = port, source
        self._came = b""

    def _run(self):
        while not self._stopped.is_set():
            try:
                connected = socket.create_connection(("127.0.0.1", self.port), timeout=20,
                                                     source_address=(self.source, 0))
                connected.settimeout(None)
            except OSError:
                self._stopped.wait(ALIVE_S)  # the pace at which it calls
                continue
            self._connected(SocketWire(connected))
            self._stopped.wait(ALIVE_S)

    def frame(self, content):
        return self.START + struct.pack(">H", len(content) + 3) + content

    def status(self):
        return self.frame(struct.pack(">BI", self.STATUS, self.newest))

    def result(self, counter, torque=TORQUE, angle=ANGLE, ok=1):
        return self.frame(struct.pack(">BIBfHB", self.RESULT, counter, 12, torque, round(angle * 10), ok))

    def curve(self, counter, torques):
        """Tenths of a newton metre, 2 ms apart."""
        return self.frame(struct.pack(f">BIH{len(torques)}H", self.CURVE, counter, len(torques), *torques))

    def noise(self):
        return b"\x00\x11\x22" * 7

    def _heard(self, came):
        self._came += came
        while len(self._came) >= 3:
            length = struct.unpack(">H", self._came[1:3])[0]
            if len(self._came) < length:
                return
            content, self._came = self._came[3:length], self._came[length:]
            kind, counter = struct.unpack(">BI", content)
            if kind != self.STORED:
                raise ValueError(f"nobody says {content!r} to this tool")
            with self.changed:
                self.acknowledged.append(counter)
                self.changed.notify_all()


class SerialWire:
    def __init__(self, path, stopped):
        self._descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
        self._stopped = stopped
        tty.setraw(self._descriptor)

    def sendall(self, frame):
        while frame:
            frame = frame[os.write(self._descriptor, frame):]

    def recv(self, most):
        while not self._stopped.is_set():
            if select.select([self._descriptor], [], [], ALIVE_S)[0]:
                return os.read(self._descriptor, most)
        return b""

    def hang_up(self):
        pass  # a cable has nobody who could hang up


class SerialWrench(Tool):
    """Values between semicolons, on a serial line; it says by itself how it is, and runs only while it is let
    (config/examples/frames-serial.json)."""

    def __init__(self, path):
        super().__init__()
        self.enabled = False
        self.told = []
        self.deaf = False       # does as it is told no more
        self._came = b""
        self._path = path

    def _run(self):
        wire = SerialWire(self._path, self._stopped)
        self._connected(wire)

    def greet(self):
        """A cable tells nobody that there is somebody at its other end."""

    def status(self):
        return f"A;{self.newest};{int(self.enabled)}\r".encode("ascii")

    @staticmethod
    def result(counter, torque=TORQUE, angle=ANGLE, ok="OK"):
        return f"R;{counter};{torque:.1f};{angle:.1f};{'OK' if ok in (1, 'OK') else 'NOK'}\r".encode("ascii")

    @staticmethod
    def noise():
        return b"\xf8\xf8R;;;\xf8\r"

    def _heard(self, came):
        with self.changed:
            self._came += came
            while b"\r" in self._came:
                word, self._came = self._came.split(b"\r", 1)
                self._take(word.decode("ascii"))

    def _take(self, word):
        if word not in ("RUN", "HALT"):
            raise ValueError(f"nobody says {word!r} to this tool")
        self.told.append(word)
        if not self.deaf:
            self.enabled = word == "RUN"
        self.changed.notify_all()

    def await_enabled(self, enabled):
        with self.changed:
            return self.changed.wait_for(lambda: self.enabled == enabled, 20)
