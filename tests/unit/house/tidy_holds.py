"""Claim: clang-tidy has nothing to say about any source that the build compiles.

What the build compiles as one (the joined sources of a target) is read as one, since most of the time goes into the
headers. It is read again only when a source in it, a header of ours that it includes, its compile command, the rules
or the program changed: what was found clean is noted by digest in <build>/tidy. The precompiled headers are left out,
so that a forgotten include is found here.
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


def is_joined(build, path):
    return path.is_relative_to(build) and path.parent.name == "Unity"


def is_ours(tree, build, path):
    if path.is_relative_to(build):
        return is_joined(build, path)
    return path.is_relative_to(tree) and path.relative_to(tree).as_posix() not in NOT_OURS


def name_of(tree, build, path):
    """The source, or the target whose sources are joined."""
    return path.parent.parent.stem if is_joined(build, path) else path.relative_to(tree).as_posix()


def sources_in(build, path):
    return [pathlib.Path(name) for _, name, _ in house.includes(path)] if is_joined(build, path) else [path]


def digest_of(tree, build, entry, command, program):
    digest = hashlib.sha256()
    source = sources_in(build, pathlib.Path(entry["file"]))[0]
    rules = [folder / ".clang-tidy" for folder in source.parents if folder.is_relative_to(tree)]
    for part in (program[1], " ".join(command), *(path.read_text() for path in rules if path.is_file())):
        digest.update(part.encode() + b"\0")
    for path in sorted(house.closure(tree, pathlib.Path(entry["file"]))):
        digest.update(path.as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def place_of(build, file):
    """Where clang-tidy is to believe that it reads the file: joined sources among themselves, for their rules."""
    path = pathlib.Path(file)
    return sources_in(build, path)[0].parent / f"joined_{path.parent.parent.stem}.cpp" if is_joined(build, path) else path


def overlay(build, files):
    """What clang-tidy finds there."""
    return {"version": 0, "roots": [
        {"type": "file", "name": place_of(build, file).as_posix(), "external-contents": file}
        for file in files if is_joined(build, pathlib.Path(file))]}


def read_one(program, folder, file):
    began = time.monotonic()
    run = subprocess.run([program[0], "--quiet", f"--vfsoverlay={folder}/overlay.json", "-p", folder, file],
                         capture_output=True, text=True)
    return run.returncode, run.stdout + ("" if run.returncode == 0 else run.stderr), time.monotonic() - began


def main():
    tree = house.root()
    build = pathlib.Path(os.environ.get("TAUTGATE_BUILD_DIR", tree / "build/release"))
    program = find_program()
    listed = json.loads((build / "compile_commands.json").read_text())
    entries = {entry["file"]: entry for entry in listed if is_ours(tree, build, pathlib.Path(entry["file"]))}
    if not entries:
        raise SystemExit(f"{build}/compile_commands.json names no source of ours: nothing was checked")

    notes = build / "tidy"
    notes.mkdir(exist_ok=True)
    commands = {file: plain_command(entry) for file, entry in entries.items()}
    digests = {file: digest_of(tree, build, entry, commands[file], program) for file, entry in entries.items()}
    waiting = [file for file in entries if not (notes / digests[file]).exists()]

    faults = []
    with tempfile.TemporaryDirectory() as folder:
        pathlib.Path(folder, "overlay.json").write_text(json.dumps(overlay(build, waiting)))
        pathlib.Path(folder, "compile_commands.json").write_text(json.dumps(
            [{"directory": entries[file]["directory"], "file": place_of(build, file).as_posix(),
              "arguments": [*commands[file][:-1], place_of(build, file).as_posix()]} for file in waiting]))
        with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
            running = {pool.submit(read_one, program, folder, place_of(build, file).as_posix()): file for file in waiting}
            for done, future in enumerate(concurrent.futures.as_completed(running), start=1):
                file = running[future]
                code, said, seconds = future.result()
                name = name_of(tree, build, pathlib.Path(file))
                print(f"[{done}/{len(waiting)}] {name} {seconds:.1f} s", flush=True)
                if code == 0:
                    (notes / digests[file]).touch()
                else:
                    faults.append(said.replace(f"{tree}/", "").strip())
    # Notes of sources as they are no longer are of no use.
    for note in notes.iterdir():
        if note.name not in digests.values():
            note.unlink()
    print(f"{len(entries) - len(waiting)} of {len(entries)} readings were unchanged since they were found clean")
    read = {source for file in entries for source in sources_in(build, pathlib.Path(file))}
    return house.report("tidy holds", len(read), faults)


if __name__ == "__main__":
    sys.exit(main())
