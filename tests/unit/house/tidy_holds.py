"""Claim: clang-tidy has nothing to say about any source that the build compiles.

A source is read again only when it, a header of ours that it includes, its compile command, the rules or the
program changed: what was found clean is noted by digest in <build>/tidy. The precompiled header is left out, so
that a source which forgot an include of its own is found here.
"""

import concurrent.futures
import hashlib
import json
import os
import pathlib
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time

import house

PROGRAMS = ("clang-tidy-19", "clang-tidy-20", "clang-tidy-21", "clang-tidy-22", "clang-tidy")
OLDEST = 19  # earlier ones cannot read libstdc++'s <expected>
NOT_OURS = {"tests/catch_main.cpp"}  # one macro that unfolds to the whole of Catch2
KEPT = re.compile(r"-(?:std=|D|U|I|isystem|f(?:no-)?exceptions)")


def find_program():
    for name in PROGRAMS:
        path = shutil.which(name)
        if path is None:
            continue
        said = subprocess.run([path, "--version"], capture_output=True, text=True, check=True).stdout
        version = re.search(r"version (\d+)\.\S+", said)
        if version and int(version[1]) >= OLDEST:
            return path, version[0]
    raise SystemExit(f"no clang-tidy {OLDEST} or later is installed; tools/setup installs it")


def plain_command(entry):
    """The compile command with what clang needs: language, macros and folders."""
    words = shlex.split(entry["command"])
    kept, index = [], 0
    while index < len(words):
        word = words[index]
        if KEPT.match(word):
            kept.append(word)
            if word in ("-I", "-D", "-U", "-isystem"):
                index += 1
                kept.append(words[index])
        index += 1
    return ["clang++", *kept, "-c", entry["file"]]


def digest_of(tree, entry, command, program):
    digest = hashlib.sha256()
    rules = [folder / ".clang-tidy" for folder in pathlib.Path(entry["file"]).parents if folder.is_relative_to(tree)]
    for part in (program[1], " ".join(command), *(path.read_text() for path in rules if path.is_file())):
        digest.update(part.encode() + b"\0")
    for path in sorted(house.closure(tree, pathlib.Path(entry["file"]))):
        digest.update(path.as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def read_one(program, folder, file):
    began = time.monotonic()
    run = subprocess.run([program[0], "--quiet", "-p", folder, file], capture_output=True, text=True)
    return run.returncode, run.stdout + ("" if run.returncode == 0 else run.stderr), time.monotonic() - began


def main():
    tree = house.root()
    build = pathlib.Path(os.environ.get("TAUTGATE_BUILD_DIR", tree / "build/release"))
    program = find_program()
    listed = json.loads((build / "compile_commands.json").read_text())
    entries = {entry["file"]: entry for entry in listed
               if pathlib.Path(entry["file"]).is_relative_to(tree)
               and not pathlib.Path(entry["file"]).is_relative_to(build)
               and pathlib.Path(entry["file"]).relative_to(tree).as_posix() not in NOT_OURS}
    if not entries:
        raise SystemExit(f"{build}/compile_commands.json names no source of ours: nothing was checked")

    notes = build / "tidy"
    notes.mkdir(exist_ok=True)
    commands = {file: plain_command(entry) for file, entry in entries.items()}
    digests = {file: digest_of(tree, entry, commands[file], program) for file, entry in entries.items()}
    waiting = [file for file in entries if not (notes / digests[file]).exists()]

    faults = []
    with tempfile.TemporaryDirectory() as folder:
        pathlib.Path(folder, "compile_commands.json").write_text(json.dumps(
            [{"directory": entries[file]["directory"], "file": file, "arguments": commands[file]} for file in waiting]))
        with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
            running = {pool.submit(read_one, program, folder, file): file for file in waiting}
            for done, future in enumerate(concurrent.futures.as_completed(running), start=1):
                file = running[future]
                code, said, seconds = future.result()
                name = pathlib.Path(file).relative_to(tree).as_posix()
                print(f"[{done}/{len(waiting)}] {name} {seconds:.1f} s", flush=True)
                if code == 0:
                    (notes / digests[file]).touch()
                else:
                    faults.append(said.replace(f"{tree}/", "").strip())
    # Notes of sources as they are no longer are of no use.
    for note in notes.iterdir():
        if note.name not in digests.values():
            note.unlink()
    print(f"{len(entries) - len(waiting)} of {len(entries)} sources were unchanged since they were found clean")
    return house.report("tidy holds", len(entries), faults)


if __name__ == "__main__":
    sys.exit(main())
