"""Claim: the built programs name themselves, their commands and what is wrong with a command line, in one sentence,
and the examples in their help fit the demo station.
"""

import os
import pathlib
import re
import subprocess
import sys
import tempfile

BIN = pathlib.Path(os.environ["TAUTGATE_BIN"])
SOURCE = pathlib.Path(os.environ["TAUTGATE_SOURCE_DIR"])
faults = []


def check(good, what):
    if not good:
        faults.append(what)


def run(program, *words):
    return subprocess.run([BIN / program, *words], capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL)


def refused(words, sentence):
    """The command line is refused with this sentence and exit code 2."""
    answer = run("tautgate", *words)
    check(answer.returncode == 2 and answer.stderr == f"tautgate: {sentence}\n",
          f"tautgate {' '.join(words)}: {answer.returncode}, {answer.stderr!r}")


for program in ("tautgate", "tautgated", "tautgate-simulator"):
    said = run(program, "--version")
    check(said.returncode == 0 and re.fullmatch(rf"{program} \d+\.\d+\.\d+ \S+\n", said.stdout),
          f"{program} --version: {said.returncode}, {said.stdout!r}{said.stderr!r}")

refused(["statee"], "there is no command 'statee'; did you mean state? see tautgate --help")
refused(["check"], "there is no command 'check'; did you mean check-config? see tautgate --help")
refused(["sign"], "there is no command 'sign'; did you mean sign-on or sign-off? see tautgate --help")
refused(["--json", "--api", "http://127.0.0.1:1", "frobnicate"],
        "there is no command 'frobnicate'; see tautgate --help")
refused([], "the command line was not understood: it names no command; see tautgate --help")
refused(["follow", "--from", "0"],
        "the command line was not understood: --from: '0' is no whole number from 1 on; see tautgate follow --help")
refused(["second", "abc"],
        "the command line was not understood: proposal: 'abc' is no whole number from 1 on; see tautgate second --help")
refused(["look", "station.json", "NR-12", "--for", "7q"],
        "the command line was not understood: --for: '7q' is no time; give a whole number of ms, s, min or h, as in "
        "700ms, 60s or 5min; see tautgate look --help")
refused(["look", "station.json", "NR-12", "--for", "0ms"],
        "the command line was not understood: --for: '0ms' is too short or too long; give 1ms to 168h; see tautgate look "
        "--help")
refused(["look", "station.json", "NR-12", "--for", "60"],
        "the command line was not understood: --for: '60' has no unit; give ms, s, min or h with it, as in 60s; see "
        "tautgate look --help")
refused(["look", "station.json", "NR-12", "--record", ""],
        "the command line was not understood: --record: it is empty; name a file; see tautgate look --help")
refused(["trace", "1", "--journal", str(SOURCE)],
        f"the command line was not understood: --journal: {SOURCE} is a folder; name the file in it; see tautgate trace "
        "--help")
for words, sentence in (
        (["NR-16", "--port", "4000"], "--port is for tools that call the station, and NR-16 does not; leave it out"),
        (["NR-16", "--keys", str(SOURCE)], "--keys is for tools that have a key, and NR-16 has none; leave it out"),
        (["NR-12", "--orders"], "--orders is for tools that are polled, and NR-12 is not; leave it out")):
    unused = run("tautgate", "look", SOURCE / "config/larkmoor.json", *words, "--once")
    check(unused.returncode == 2 and unused.stderr.endswith(f"tautgate: {sentence}\n"), f"look {words}: {unused}")
folder_named = run("tautgate", "verify", str(SOURCE))
check(folder_named.returncode == 3 and "is a folder; name the file of the journal in it" in folder_named.stderr,
      f"verify of a folder: {folder_named}")
known = re.findall(r'"id": "(NR-\d+)"', (SOURCE / "config/larkmoor.json").read_text())
refused(["look", str(SOURCE / "config/larkmoor.json")],
        f"{SOURCE / 'config/larkmoor.json'} has several tools; name one of: {', '.join(known)}")
by_option, by_place = (run("tautgate", "--api", "http://127.0.0.1:1", "why", *words) for words in (["--bay", "J1"], ["J1"]))
check((by_option.returncode, by_option.stderr) == (by_place.returncode, by_place.stderr) == (3, by_place.stderr),
      f"why --bay J1: {by_option}, why J1: {by_place}")
refused(["decide", "leave-incomplete", "x"],
        "leave-incomplete is about the unit in the bay and takes nothing after it; leave out x")

# Every command shows how it is called, with the options that all of them take.
overview = run("tautgate", "--help").stdout
commands = re.findall(r"^  ([a-z-]+) {2,}\S", overview.split("Subcommands:")[1], re.M)
check(len(commands) > 15, f"tautgate --help lists the commands {commands}")
for command in commands:
    text = run("tautgate", command, "--help").stdout
    check("--json" in text and "--api URL" in text and f"tautgate {command}" in text, f"{command} --help: {text}")

# The examples work at the demo station: the torque lies in the audit window of the joint.
station = (SOURCE / "config/larkmoor.json").read_text()
for text in (overview, run("tautgate", "decide", "--help").stdout):
    joint, torque = re.search(r"decide override (\S+) .*?--torque (\d+)", text, re.S).groups()
    window = re.search(rf'"id": "{joint}",.*?"audit": {{"unit": "N.m", "min": (\d+), "max": (\d+)}}', station, re.S)
    check(int(window[1]) <= int(torque) <= int(window[2]), f"{torque} N.m is outside the audit window of {joint}")
    check("--as B-12" not in text.split("decide override")[1].split("--torque")[0], "an administrator overrides")
for serial in re.findall(r"tautgate unit (\S+)", overview + run("tautgate", "unit", "--help").stdout):
    check(serial in ("SERIAL", "[OPTIONS]") or re.fullmatch(r"TM[0-9]{6}", serial), f"{serial} is no serial of the demo station")

# What tools/demo passes on is what the simulator knows.
known = run("tautgate-simulator", "--commands")
check(known.returncode == 0 and {"help", "good", "tighten", "quit"} <= set(known.stdout.split()),
      f"tautgate-simulator --commands: {known.returncode}, {known.stdout!r}")

# Keys of tools: drawn where there is none, and never written over.
with tempfile.TemporaryDirectory() as folder:
    key = pathlib.Path(folder) / "NR-20.key"

    def made(*words):
        return run("tautgate", "make-keys", SOURCE / "config/larkmoor.json", folder, *words)

    first = made()
    check(first.returncode == 0 and f"tool NR-20: {key} was made" in first.stdout and
          re.fullmatch(r"[0-9a-f]{64}\n", key.read_text()) and key.stat().st_mode & 0o777 == 0o600,
          f"make-keys: {first.returncode}, {first.stdout!r}{first.stderr!r}")
    check([one.name for one in pathlib.Path(folder).iterdir()] == ["NR-20.key"], "a key of a tool that has none")
    drawn = key.read_text()
    for words, code, sentence in (([], 0, f"{key} is there already, and was left as it is"),
                                  (["NR-20"], 1, f"the key {key} was not made: there is one already; take it away first"),
                                  (["NR-12"], 2, "the description names no key of tool NR-12; add \"key\" to its line"),
                                  (["NR-16"], 2, "tool NR-16 can have no key: only tools that call by the line "
                                                 "protocol can, here: NR-"),
                                  (["NR-99"], 2, "no tool 'NR-99' is in the description; those that can have a key "
                                                 "are: NR-")):
        again = made(*words)
        check(again.returncode == code and sentence in again.stdout + again.stderr and key.read_text() == drawn,
              f"make-keys {words}: {again.returncode}, {again.stdout!r}{again.stderr!r}")
    key.chmod(0o644)
    readable = made()
    check(readable.returncode == 1 and "may be read by others" in readable.stderr, f"make-keys: {readable}")
    key.unlink()
    check(made("NR-20", "--json").returncode == 0 and key.read_text() != drawn, "no new key was drawn")
    nowhere = run("tautgate", "make-keys", SOURCE / "config/larkmoor.json", f"{folder}/nowhere")
    check(nowhere.returncode == 1 and "No such file or directory; make the folder" in nowhere.stderr,
          f"make-keys: {nowhere}")

# What is wrong with a command line is told in one sentence, and an option that nobody knows before one that is missing.
for program, words, sentence in (
        ("tautgated", ["--cfg", "x.json"], "--cfg"), ("tautgated", [], "--config is missing"),
        ("tautgate-simulator", ["--cfg", "x.json"], "--cfg"), ("tautgate-simulator", [], "--config is missing"),
        ("tautgate-simulator", ["--config", str(SOURCE)], f"{SOURCE} is a folder; name the file in it"),
        ("tautgate-simulator", ["--seed", "abc"], "--seed: 'abc' is no whole number; give one, as in 7")):
    answer = run(program, *words)
    told = answer.stderr + answer.stdout
    check(answer.returncode in (2, 64) and sentence in told and ("--config" in sentence or "--config is" not in told),
          f"{program} {words}: {answer}")
elsewhere = run("tautgate-simulator", "--config", SOURCE / "config/larkmoor.json", "--bay", "J9")
check(elsewhere.returncode == 3 and "the description has no bay 'J9'; its bays are: J1" in elsewhere.stderr,
      f"simulator in another bay: {elsewhere}")

# Nor does the simulator know a key of its own.
unkeyed = run("tautgate-simulator", "--config", SOURCE / "config/larkmoor.json", "--once")
check(unkeyed.returncode == 3 and "tool NR-20 speaks with a key; name the folder of its file NR-20.key" in unkeyed.stderr,
      f"tautgate-simulator without keys: {unkeyed.returncode}, {unkeyed.stderr!r}")

for fault in faults:
    print(fault, file=sys.stderr)
print(f"programs answer: {len(commands)} commands, {len(faults)} faults")
sys.exit(1 if faults else 0)
