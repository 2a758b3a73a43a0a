"""Claim: a first start makes at most the last folder of its path, says that a new record begins, and leaves nothing behind
where its port is taken. However many files it may open, it opens no more than select() can wait for.
"""

import json
import os
import pathlib
import resource
import signal
import socket
import subprocess
import tempfile

from claims import check
from station import SOURCE, free_ports, without_comments

PROGRAM = pathlib.Path(os.environ["TAUTGATE_BIN"]) / "tautgated"
BEGINS = "a new, empty record begins in "
LIMIT_S = 30
SELECT_TAKES = 1024  # FD_SETSIZE of glibc, as in select(2)


def started(config, state):
    return subprocess.Popen([PROGRAM, "--config", config, "--state-dir", state], stdin=subprocess.DEVNULL,
                            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)


def ended_by_itself(config, state):
    with started(config, state) as daemon:
        said = daemon.communicate(timeout=LIMIT_S)[1]
        return daemon.returncode, said


def run_until_up(config, state):
    with started(config, state) as daemon:
        said = ""
        for line in daemon.stderr:
            said += line
            if " up; its output is a process permissive" in line:
                daemon.send_signal(signal.SIGTERM)
        return daemon.wait(LIMIT_S), said


def open_files_of(pid):
    for line in pathlib.Path(f"/proc/{pid}/limits").read_text(encoding="ascii").splitlines():
        if line.startswith("Max open files"):
            return int(line.split()[3])
    return None


def limit_when_up(config, state, given):
    """With a soft limit of `given` open files at the start."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (given, before[1]))
    try:
        daemon = started(config, state)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
    found = None
    with daemon:
        for line in daemon.stderr:
            if " up; its output is a process permissive" in line:
                found = open_files_of(daemon.pid)
                daemon.send_signal(signal.SIGTERM)
        daemon.wait(LIMIT_S)
    return found


def described(folder):
    station = json.loads(without_comments((SOURCE / "config/larkmoor.json").read_text(encoding="utf-8")))
    station["api"]["port"], station["tool_port"]["port"], station["scanner_port"]["port"] = free_ports(3)
    file = folder / "station.json"
    file.write_text(json.dumps(station), encoding="utf-8")
    return file, station["api"]["port"], station["journal"]


def main():
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        config, port, journal = described(folder)

        mistyped = folder / "lrkmoor" / "state"
        code, said = ended_by_itself(config, mistyped)
        check("a path whose folders are not there is a wrong usage", code == 2, (code, said))
        check("it says what to do", f"make the folder {mistyped.parent} first" in said, said)
        check("and nothing was made of it", not mistyped.parent.exists())

        state = folder / "state"
        with socket.socket() as taken:
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            taken.bind(("127.0.0.1", port))
            taken.listen(1)
            code, said = ended_by_itself(config, state)
            check("a port that is taken ends a first start with its own code", code == 69, (code, said))
            check("no record begins there", BEGINS not in said, said)
            check("and nothing is left behind", not state.exists(), list(state.glob("*")) if state.exists() else "")

        code, said = run_until_up(config, state)
        check("a first start ends in order", code == 0, (code, said))
        check("it says that a new record begins, and where", f"{BEGINS}{state / journal};" in said, said)
        code, said = run_until_up(config, state)
        check("the next one goes on with it", code == 0 and BEGINS not in said, (code, said))

        check("no descriptor beyond those of select() is ever handed out",
              limit_when_up(config, state, SELECT_TAKES + 1) == SELECT_TAKES)
        check("and a lower limit stays", limit_when_up(config, state, SELECT_TAKES // 2) == SELECT_TAKES // 2)


if __name__ == "__main__":
    main()
