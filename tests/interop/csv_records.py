"""Our reader and writer of comma-separated values against the csv module of Python, which is not ours.

Files that Python writes are read by us to the same rows, files that we write by Python, and what Python's strict
reading refuses we refuse. The rows are drawn at random, the same ones on every run.
"""

import csv
import io
import json
import os
import pathlib
import random
import subprocess
import sys

RECORDS = pathlib.Path(os.environ["TAUTGATE_BUILD_DIR"]) / "bin" / "csv_records"
SEPARATORS = {"comma": ",", "semicolon": ";"}
PIECES = ("a", "40017", '"', '""', ",", ";", "\r\n", "\n", "\r", " ", "'", "=", "é", "螺", "\ufeff")


def ours(action, separator, data):
    run = subprocess.run([str(RECORDS), action, separator], input=data, capture_output=True, timeout=20, check=False)
    return run.returncode, run.stdout


def check(claim, held, detail=""):
    if not held:
        sys.exit(f"FAILED: {claim}: {detail}")
    print(f"ok: {claim}")


def some_rows(chance):
    def field():
        return "".join(chance.choice(PIECES) for _ in range(chance.randrange(6)))
    return [[field() for _ in range(chance.randrange(1, 6))] for _ in range(200)]


def written_by_python(rows, delimiter, **style):
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, **style).writerows(rows)
    return text.getvalue().encode()


def read_by_python(data, delimiter):
    # An empty line is a record of one empty field to us, and of none to Python.
    rows = csv.reader(io.StringIO(data.decode(), newline=""), delimiter=delimiter, strict=True)
    return [row or [""] for row in rows]


def main():
    chance = random.Random(4180)
    for separator, delimiter in SEPARATORS.items():
        rows = some_rows(chance)
        for name, style in (("as it does by itself", {}), ("with every field in quotes", {"quoting": csv.QUOTE_ALL}),
                            ("with LF", {"lineterminator": "\n", "quoting": csv.QUOTE_ALL})):
            data = written_by_python(rows, delimiter, **style)
            if data.startswith("\ufeff".encode()):
                data = data[3:]
            status, out = ours("read", separator, data)
            check(f"{separator}: we read what Python writes {name}",
                  status == 0 and json.loads(out) == read_by_python(data, delimiter), out[:200])
        status, out = ours("write", separator, json.dumps(rows).encode())
        check(f"{separator}: Python reads what we write", status == 0 and read_by_python(out, delimiter) == rows,
              out[:200])
    for bad in (b'"aaa"b,ccc\r\n', b'aaa,"bbb\r\n', b'"aaa" ,bbb\r\n'):
        try:
            read_by_python(bad, ",")
            refused = False
        except csv.Error:
            refused = True
        status, out = ours("read", "comma", bad)
        check(f"both refuse {bad!r}", refused and status == 1, (refused, out))


if __name__ == "__main__":
    main()
