"""Claim: every include points the way that the architecture allows, and the rules know no clock and no I/O.

A wrong arrow also fails to link; this test says which line drew it.
"""

import re
import sys

import house

# A folder may include itself and folders of a lower rank. Folders of equal rank do not know each other.
RANK = {
    "protocol": 0,
    "config": 1,
    "service/domain": 2,
    "service/evaluation": 3,
    "service/interlock": 4,
    "service/journal": 5,
    "service/history": 6,
    "service/people": 6,
    "service/links": 7,
    "service/web": 7,
    "service/station": 8,
}

# tools/ are clients of the service: of its inside they may know how to read the journal, what is told of a unit from
# it, and nothing else.
TOOLS_MAY_INCLUDE = {"protocol", "config", "tools"}
READERS = ("service/journal/reader.hpp", "service/history/past_why_json.hpp", "service/history/record_json.hpp",
           "service/history/trial_json.hpp")

# Written by the build; each with the folders that may include it.
GENERATED = {"version.hpp": {"service/station", "tools"}}

# decide() must give the same answer for the same arguments, for ever: nothing here may ask the world.
PURE = ("service/domain", "service/evaluation", "service/interlock")
IMPURE_INCLUDE = re.compile(
    r"^(boost/(asio|beast)(/|\.hpp)|modbus|SQLiteCpp/|sqlite3|spdlog/|systemd/|sodium|sys/|unistd\.h|time\.h|ctime"
    r"|fstream|iostream|cstdio|stdio\.h|filesystem|thread|mutex|shared_mutex|condition_variable|future|atomic|random)")
IMPURE_CALL = re.compile(r"::now\s*\(|\b(?:gettimeofday|clock_gettime|std::time|std::rand|getenv|random_device)\b")
GLOBAL_USING = re.compile(r"using\s+namespace\s")
LINE_COMMENT = re.compile(r"//.*")


def folder_of(name):
    """The folder of the architecture that a path belongs to, or None for one that is not part of it."""
    parts = name.split("/")
    if len(parts) < 2:
        return None
    return "/".join(parts[:2]) if parts[0] == "service" and len(parts) > 2 else parts[0]


def allowed(folder, target, reader_files, target_name):
    if folder == target or folder == "tests":
        return True
    if folder == "tools":
        return target in TOOLS_MAY_INCLUDE or target_name in reader_files
    return target in RANK and RANK[target] < RANK[folder]


def arrow_faults(tree, path, reader_files):
    name = path.relative_to(tree).as_posix()
    folder = folder_of(name)
    if folder not in RANK and folder not in ("tools", "tests"):
        yield f"{name}: lies in no folder of the architecture ({', '.join(RANK)}, tools, tests)"
        return
    for line, included, ours in house.includes(path):
        if not ours:
            continue
        if included in GENERATED:
            if folder not in GENERATED[included] and folder != "tests":
                yield f"{name}:{line}: only {sorted(GENERATED[included])} may include the generated \"{included}\""
        elif not (tree / included).is_file():
            yield (f"{name}:{line}: \"{included}\" is no file of this tree; "
                   f"an include of ours starts at the root, one of others stands in <>")
        elif not allowed(folder, folder_of(included), reader_files, included):
            yield f"{name}:{line}: {folder} must not include {included}: the arrow points the wrong way"


def purity_faults(tree, path):
    name = path.relative_to(tree).as_posix()
    if folder_of(name) not in PURE:
        return
    for reached in sorted(house.closure(tree, path)):
        through = "" if reached == path else f" (through {reached.relative_to(tree).as_posix()})"
        for line, included, ours in house.includes(reached):
            if not ours and IMPURE_INCLUDE.match(included):
                yield f"{name}:{line if not through else 1}: includes <{included}>{through}; the rules do no I/O"
    for number, line in enumerate((house.text_of(path) or "").splitlines(), start=1):
        call = IMPURE_CALL.search(LINE_COMMENT.sub("", line))
        if call:
            yield f"{name}:{number}: asks the world ({call[0].strip()}); time and chance come in with the event"


def global_name_faults(tree, path):
    """Whoever includes a header gets its names; it brings none to everybody's scope."""
    name = path.relative_to(tree).as_posix()
    if path.suffix != ".hpp" or folder_of(name) == "tests":
        return
    for number, line in enumerate((house.text_of(path) or "").splitlines(), start=1):
        if GLOBAL_USING.match(line):
            yield f"{name}:{number}: a header uses names for everybody who includes it; write them out"


def main():
    tree = house.root()
    reader_files = {path.relative_to(tree).as_posix() for reader in READERS if (tree / reader).is_file()
                    for path in house.closure(tree, tree / reader)}
    sources = house.sources(tree)
    faults = [fault for path in sources
              for fault in (*arrow_faults(tree, path, reader_files), *purity_faults(tree, path),
                           *global_name_faults(tree, path))]
    return house.report("arrows hold", len(sources), faults)


if __name__ == "__main__":
    sys.exit(main())
