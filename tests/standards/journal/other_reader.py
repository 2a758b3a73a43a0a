"""Somebody else's reader of a journal, written from RECORD.md alone: verifies the chain and reads every body
with the Python standard library (sqlite3, hashlib, json) and the command zstd, none of ours. Reads traces by
protocol/TRACE.md.

other_reader.py JOURNAL          prints "whole N" or "wrong at N: why" and exits 0 or 1.
other_reader.py JOURNAL DIGEST   prints the samples of the trace under this digest, a line each: microseconds,
                                 newton metres and degrees as exact fractions, or "-".
"""
import base64
import hashlib
import json
import sqlite3
import subprocess
import sys
from fractions import Fraction

# The units of TRACE.md in newton metres; NIST SP 811, appendix B.8, exact definitions.
POUND_FORCE = Fraction("4.4482216152605")
TORQUE_UNITS = [1, Fraction(1, 100), POUND_FORCE * Fraction("0.3048"), POUND_FORCE * Fraction("0.0254"),
                Fraction("9.80665")]


def kinds(variant):
    """A variant is an object of one key: its kind."""
    assert isinstance(variant, dict) and len(variant) == 1, variant
    return next(iter(variant.items()))


def text(value):
    """A text, or the bytes of one that is not valid UTF-8."""
    return value if isinstance(value, str) else base64.b64decode(value["base64"], validate=True)


def netstring(value):
    data = value.encode()
    return b"%d:%s," % (len(data), data)


def raw_fields(value):
    if isinstance(value, dict):
        for key, inner in value.items():
            if key in ("raw", "state") and isinstance(inner, str):
                base64.b64decode(inner, validate=True)
            raw_fields(inner)
    elif isinstance(value, list):
        for inner in value:
            raw_fields(inner)


def body_fault(number, body):
    event = json.loads(body)
    if event["format"] != 1:
        return "format"
    if event["event"]["number"] != str(number):
        return "number"
    int(event["event"]["at"]["utc_us"])
    kinds(event["event"]["payload"])
    kinds(event["record"]["outcome"])
    for change in event["record"].get("changes", []):
        kinds(change["now"])
        for reason in change.get("came", []) + change.get("gone", []):
            for name, value in reason.get("facts", []):
                assert text(name) is not None and text(value) is not None
    for change in event.get("stays", []):
        kinds(change)
    raw_fields(event)
    return None


def unpacked(frame):
    return subprocess.run(["zstd", "-dcq"], input=frame, capture_output=True, check=True).stdout


class Trace:
    """One curve, by TRACE.md."""

    def __init__(self, data):
        self.data, self.at = data, 0
        assert self.take(4) == b"TGTC" and self.take(1) == b"\x01"
        parts, unit = self.take(2)
        assert parts < 8 and parts & 3 != 3
        samples = self.count()
        assert 1 <= samples <= 20000
        interval = self.count() if parts & 2 else None
        torque = self.decimal(), self.decimal()
        angle = (self.decimal(), self.decimal()) if parts & 4 else None
        times = self.column(samples) if parts & 1 else [interval * i for i in range(samples)] if parts & 2 else None
        torques = [(n * torque[0] + torque[1]) * TORQUE_UNITS[unit] for n in self.column(samples)]
        angles = [n * angle[0] + angle[1] for n in self.column(samples)] if angle else None
        assert self.at == len(data)
        self.rows = [(times[i] if times else "-", torques[i], angles[i] if angles else "-")
                     for i in range(samples)]

    def take(self, count):
        self.at += count
        return self.data[self.at - count:self.at]

    def count(self):
        value, shift = 0, 0
        while True:
            byte = self.take(1)[0]
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    def signed(self):
        value = self.count()
        return -(value + 1) // 2 if value & 1 else value // 2

    def decimal(self):
        mantissa = self.signed()
        return mantissa * Fraction(10) ** self.signed()

    def column(self, samples):
        numbers, at = [], 0
        for _ in range(samples):
            at += self.signed()
            numbers.append(at)
        return numbers


def trace(path, digest):
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    (frame,) = db.execute("SELECT frame FROM trace_samples WHERE digest = ?", (digest,)).fetchone()
    return "\n".join(" ".join(str(value) for value in row) for row in Trace(unpacked(frame)).rows)


def main(path):
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    assert db.execute("PRAGMA application_id").fetchone()[0] == 0x54616774
    assert db.execute("PRAGMA user_version").fetchone()[0] == 4
    journal = db.execute("SELECT value FROM meta WHERE key = 'journal'").fetchone()[0]
    station = db.execute("SELECT value FROM meta WHERE key = 'station'").fetchone()[0]
    before = hashlib.sha256(b"tautgate journal 1 " + netstring(journal) + netstring(station)).digest()
    expected = 1
    rows = db.execute("SELECT number, CAST(body AS BLOB), hash FROM event ORDER BY number")
    for number, body, stored in rows:
        if number != expected:
            return f"wrong at {expected}: missing"
        if hashlib.sha256(before + body).digest() != stored:
            return f"wrong at {expected}: hash"
        if fault := body_fault(number, body):
            return f"wrong at {expected}: {fault}"
        before, expected = stored, expected + 1
    for digest, text in db.execute("SELECT digest, CAST(text AS BLOB) FROM document"):
        if hashlib.sha256(text).hexdigest() != digest:
            return f"wrong document {digest}"
    for digest, size, frame in db.execute("SELECT digest, bytes, frame FROM trace_samples"):
        data = unpacked(frame)
        if hashlib.sha256(data).hexdigest() != digest or len(data) != size:
            return f"wrong trace {digest}"
    return f"whole {expected - 1}"


if __name__ == "__main__":
    if len(sys.argv) > 2:
        print(trace(sys.argv[1], sys.argv[2]))
        sys.exit(0)
    answer = main(sys.argv[1])
    print(answer)
    sys.exit(0 if answer.startswith("whole") else 1)
