"""Wires between the station and a device, on which a script spoils what the device answers."""

import socket
import struct
import threading

from pymodbus.utilities import computeCRC

HOST = "127.0.0.1"


class Answers:
    """What a wire does to answers. `rule` makes of each the parts that are to arrive instead: none where nothing is to
    come, two where it comes twice. A derived class brings a part to the station with `deliver`."""

    def __init__(self):
        self.rule = None

    def answer(self, answer):
        rule = self.rule
        for part in [answer] if rule is None else rule(answer):
            self.deliver(part)

    def deliver(self, answer):
        raise NotImplementedError

    def deliver_after(self, delay_s, answer):
        """A device that is late."""
        late = threading.Timer(delay_s, lambda: self.deliver(answer))
        late.daemon = True
        late.start()


class TcpWire(Answers):
    """Takes calls at `port` and carries them to `far`, one caller at a time. A device answers with one piece, since it is
    asked for one thing at a time."""

    def __init__(self, port, far):
        super().__init__()
        self.calls = 0
        self._far = far
        self._server = socket.create_server((HOST, port))
        self._station = None
        self._stopped = False
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, kind, error, trace):
        self._stopped = True
        for end in (self._server, self._station):
            hang_up(end)
        self._thread.join(20)

    def deliver(self, answer):
        try:
            self._station.sendall(answer)
        except OSError:
            pass  # it has given up this connection

    def _run(self):
        while not self._stopped:
            try:
                station, _ = self._server.accept()
            except OSError:
                return
            self.calls += 1
            self._station = station
            with socket.create_connection((HOST, self._far), timeout=20) as device:
                device.settimeout(None)
                ends = (station, device)
                answers = threading.Thread(target=carry, args=(ends, device, self.answer), daemon=True)
                answers.start()
                carry(ends, station, device.sendall)
                answers.join(20)


def carry(ends, source, sink):
    try:
        while came := source.recv(4096):
            sink(came)
    except OSError:
        pass  # an end of the wire hung up
    for end in ends:
        hang_up(end)


def hang_up(end):
    if end is None:
        return
    try:
        end.shutdown(socket.SHUT_RDWR)
    except OSError:
        pass  # the other end was quicker
    end.close()


# ---- what becomes of an answer


def swallow(_answer):
    return []


def cut_off(answer):
    return [answer[:len(answer) // 2]]


def twice(answer):
    return [answer, answer]


def of_unit_9_over_tcp(answer):
    return [answer[:6] + b"\x09" + answer[7:]]


def of_unit_9_on_serial_line(answer):
    body = b"\x09" + answer[1:-2]
    return [body + struct.pack(">H", computeCRC(body))]


def with_bad_crc(answer):
    return [answer[:-1] + bytes([answer[-1] ^ 0x01])]
