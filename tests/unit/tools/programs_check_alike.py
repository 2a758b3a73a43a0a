"""Claim: the service and the command line find the same in a description, in the same words: in every faulty file that the
tests have, in every good one, in the examples and in the demo station.
"""

import os
import pathlib
import subprocess
import sys

BIN = pathlib.Path(os.environ["TAUTGATE_BIN"])
SOURCE = pathlib.Path(os.environ["TAUTGATE_SOURCE_DIR"])
FILES = [*sorted((SOURCE / "tests/unit/config").rglob("*.json")), *sorted((SOURCE / "config/examples").glob("*.json")),
         SOURCE / "config/larkmoor.json"]
faults = []


def lines_of(*words):
    run = subprocess.run([BIN / words[0], *map(str, words[1:])], capture_output=True, timeout=60, stdin=subprocess.DEVNULL,
                         check=False)
    return run.returncode, run.stdout.decode("utf-8", "replace").splitlines()


def findings(file):
    """What both say of the file; the last line of each is its own sum of it."""
    service, said = lines_of("tautgated", "--check-config", "--config", file)
    command, told = lines_of("tautgate", "check-config", file)
    if said[:-1] != told[:-1]:
        faults.append(f"{file.name}: tautgated says {said[:-1]}, tautgate says {told[:-1]}")
    if service != command:
        faults.append(f"{file.name}: tautgated ends with {service}, tautgate with {command}")
    return told[:-1]


found = {file: findings(file) for file in FILES}
bad = [file for file in FILES if "bad" in file.parts]
if len(bad) < 100 or not all(found[file] for file in bad):
    faults.append(f"of {len(bad)} faulty files nothing is found in {[file.name for file in bad if not found[file]]}")
# What only the wires show, and a warning: both have their line in the file.
coils = found[SOURCE / "tests/unit/config/good/coils.json"]
if not any(": warning: /" in line and ".json:" in line for line in coils):
    faults.append(f"coils.json has a warning with its line: {coils}")

for fault in faults:
    print(fault)
print(f"programs check alike: {len(FILES)} files, {len(faults)} faults")
sys.exit(1 if faults else 0)
