"""Claim: every C++ file stands as clang-format would write it, and every header introduces itself.

`clang-format -i FILE` puts a file right.
"""

import re
import shutil
import subprocess
import sys

import house

BATCH = 40


def format_faults(tree, sources):
    program = shutil.which("clang-format")
    if program is None:
        raise SystemExit("clang-format is not installed; tools/setup installs it")
    for start in range(0, len(sources), BATCH):
        batch = [str(path) for path in sources[start:start + BATCH]]
        run = subprocess.run([program, "--dry-run", "-Werror", "--style=file", "--ferror-limit=1", *batch],
                             cwd=tree, capture_output=True, text=True)
        lines = [line for line in run.stderr.splitlines() if "error:" in line]
        if run.returncode != 0 and not lines:
            raise SystemExit(f"clang-format failed: {run.stderr.strip()}")
        yield from (line.replace(f"{tree}/", "") for line in lines)


def header_faults(tree, path):
    """A header opens with a comment that says what the thing is, and is guarded right after it."""
    if path.suffix != ".hpp":
        return
    name = path.relative_to(tree).as_posix()
    text = house.text_of(path) or ""
    if not re.match(r"(//[^\n]*\n)+\n?#pragma once\n", text):
        yield f"{name}:1: opens with a comment that introduces it, then #pragma once"


def main():
    tree = house.root()
    sources = house.sources(tree)
    faults = list(format_faults(tree, sources))
    faults += [fault for path in sources for fault in header_faults(tree, path)]
    return house.report("format holds", len(sources), faults)


if __name__ == "__main__":
    sys.exit(main())
