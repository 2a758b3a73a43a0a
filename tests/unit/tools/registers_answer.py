"""Claim: `tautgate registers` hands the programmer of a controller the same registers in every form, and nothing at
all of a description that is faulty.
"""

import csv
import io
import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile

BIN = pathlib.Path(os.environ["TAUTGATE_BIN"])
SOURCE = pathlib.Path(os.environ["TAUTGATE_SOURCE_DIR"])
DEMO = SOURCE / "config/larkmoor.json"
COLUMNS = ("address", "reference", "in_block", "name", "type", "always", "meaning")
faults = []


def check(good, what):
    if not good:
        faults.append(what)


def run(*words):
    return subprocess.run([BIN / "tautgate", "registers", *map(str, words)], capture_output=True, timeout=60,
                          stdin=subprocess.DEVNULL)


def text(*words):
    answer = run(*words)
    check(answer.returncode == 0 and not answer.stderr, f"registers {words}: {answer.returncode}, {answer.stderr!r}")
    return answer.stdout.decode("utf-8")


def listed_in(everything):
    """Every register of the JSON as a row: bay, permissive, block, and the columns as texts."""
    for bay in everything["bays"]:
        for permissive in bay["permissives"]:
            for block, side in (("permissive", "station_to_plc"), ("feedback", "plc_to_station")):
                for one in permissive[side]["registers"]:
                    values = ["" if one[column] is None else str(one[column]) for column in COLUMNS]
                    yield (bay["id"], permissive["id"], block, *values)


def same_in_every_form():
    rows = list(listed_in(json.loads(text(DEMO, "--json"))))
    check(len(rows) == 3 * (12 + 16), f"--json lists {len(rows)} registers")
    # Python's csv module reads RFC 4180; strict, so that it forgives nothing.
    read = csv.DictReader(io.StringIO(text(DEMO, "--csv"), newline=""), strict=True)
    check(rows == [tuple(row[column] for column in ("bay", "permissive", "block", *COLUMNS)) for row in read],
          "--csv lists other registers than --json")
    page = text(DEMO)
    for row in rows:
        line = "| " + " | ".join(row[3:]) + " |"
        check(line.replace("|  |", "| |") in page.replace("|  |", "| |"), f"the page lacks {line}")
    for form in ([], ["--checklist"]):
        tables_hold(text(DEMO, *form), form)


def tables_hold(page, form):
    """Every row of a Markdown table is as wide as its head."""
    check("not a safety function" in page, f"{form}: the caution is missing")
    tables = re.findall(r"(?:^\|.*\n)+", page, re.MULTILINE)
    check(len(tables) >= 4, f"{form}: {len(tables)} tables")
    for table in tables:
        widths = [re.sub(r"\\.", "", line).count("|") for line in table.splitlines()]
        check(len(set(widths)) == 1, f"{form}: rows of different widths in {table[:120]!r}")


def refused(words, code, *sentences):
    """Nothing is listed, and each sentence stands on standard error."""
    answer = run(*words)
    said = answer.stderr.decode("utf-8")
    check(answer.returncode == code and not answer.stdout and all(one in said for one in sentences),
          f"registers {words}: {answer.returncode}, {answer.stdout[:80]!r}, {said!r}")


def nothing_of_faulty_ones():
    with tempfile.TemporaryDirectory() as folder:
        none = pathlib.Path(folder, "none.json")
        refused([none], 3, f"tautgate: {none}: there is no such file")
        bare = pathlib.Path(folder, "bare.json")
        demo = DEMO.read_text(encoding="utf-8")
        cut = re.sub(r'"permissives": \[\n.*?\n    \]', '"permissives": []', demo, count=1, flags=re.DOTALL)
        check(len(cut) < len(demo), "the permissives were not cut out")
        bare.write_text(cut, encoding="utf-8")
        refused([bare], 1, "/permissives", "nothing was listed, since")
    refused([SOURCE / "tests/unit/config/bad/structure/misspelt-key.json"], 1, "misspelt-key.json:",
            "put right what is named above")
    refused([DEMO, "--csv", "--checklist"], 2, "--csv", "--checklist", "see tautgate registers --help")
    refused([DEMO, "--json", "--csv"], 2,
            "--json, --csv and --checklist are three forms of the answer; give one of them")
    refused([], 2, "file is required")


same_in_every_form()
nothing_of_faulty_ones()
for fault in faults:
    print(fault, file=sys.stderr)
print(f"registers answer: {len(faults)} faults")
sys.exit(1 if faults else 0)
