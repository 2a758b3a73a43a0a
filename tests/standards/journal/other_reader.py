"""Somebody else's reader of a journal, written from RECORD.md alone: verifies the chain and reads every body
with the Python standard library (sqlite3, hashlib, json), none of ours.

other_reader.py JOURNAL   prints "whole N" or "wrong at N: why" and exits 0 or 1.
"""
import base64
import hashlib
import json
import sqlite3
import sys


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


def main(path):
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    assert db.execute("PRAGMA application_id").fetchone()[0] == 0x54616774
    assert db.execute("PRAGMA user_version").fetchone()[0] == 2
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
    return f"whole {expected - 1}"


if __name__ == "__main__":
    answer = main(sys.argv[1])
    print(answer)
    sys.exit(0 if answer.startswith("whole") else 1)
