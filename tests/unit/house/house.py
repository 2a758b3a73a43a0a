"""What the checks of the house share: which files there are, and what each of them includes.

Python's standard library only, so that the checks run before anything of ours is built.
"""

import os
import pathlib
import re
import subprocess

SOURCE_SUFFIXES = {".cpp", ".hpp"}
INCLUDE = re.compile(r'^\s*#\s*include\s+(?:"(?P<ours>[^"]+)"|<(?P<theirs>[^>]+)>)', re.MULTILINE)


def root():
    """The source tree: given by the test runner, else the one that this file lies in."""
    given = os.environ.get("TAUTGATE_SOURCE_DIR")
    return pathlib.Path(given) if given else pathlib.Path(__file__).resolve().parents[3]


def files(tree):
    """Every file that is, or would be, committed; without git, every file outside build/."""
    if (tree / ".git").exists():
        listed = subprocess.run(
            ["git", "-c", f"safe.directory={tree}", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=tree, check=True, capture_output=True).stdout
        names = sorted({name for name in listed.decode().split("\0") if name})
        return [tree / name for name in names if (tree / name).is_file()]
    return sorted(path for path in tree.rglob("*")
                  if path.is_file() and path.relative_to(tree).parts[0] != "build")


def sources(tree):
    found = [path for path in files(tree) if path.suffix in SOURCE_SUFFIXES]
    if not found:
        raise SystemExit(f"no C++ source below {tree}: nothing was checked")
    return found


def text_of(path):
    """The file as text, or None if it is not text."""
    try:
        return path.read_bytes().decode("utf-8")
    except UnicodeDecodeError:
        return None


def includes(path):
    """(line, name, is_ours) of every include in the file, comments and strings taken as they stand."""
    text = text_of(path) or ""
    for match in INCLUDE.finditer(text):
        line = text.count("\n", 0, match.start("ours") if match["ours"] else match.start("theirs")) + 1
        yield line, match["ours"] or match["theirs"], match["ours"] is not None


def closure(tree, path):
    """The file and every file of ours that it includes, directly or through another."""
    reached, waiting = set(), [path]
    while waiting:
        current = waiting.pop()
        if current in reached or not current.is_file():
            continue
        reached.add(current)
        waiting.extend(tree / name for _, name, ours in includes(current) if ours)
    return reached


def report(claim, checked, faults):
    """Prints every fault, then one line that says what was looked at. Returns the exit code."""
    for fault in faults:
        print(fault)
    print(f"{claim}: {checked} files read, {len(faults)} faults")
    return 1 if faults else 0
