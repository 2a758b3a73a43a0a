"""Claim: with the built programs alone a station is set up and used from the command line: the first administrator,
others, the approval of the rules, an operator, a scan, a decision of one and one of two people, an orderly end, and a
record that verifies. A wrong secret and a decision with one signature too few are refused.
"""

import json
import os
import pathlib
import re
import signal
import socket
import subprocess
import sys
import tempfile
import time

BIN = pathlib.Path(os.environ["TAUTGATE_BIN"])
SOURCE = pathlib.Path(os.environ["TAUTGATE_SOURCE_DIR"])
PATIENCE_S = 60
faults = []


def check(good, what):
    if not good:
        faults.append(what)


def free_ports(count):
    held = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [one.getsockname()[1] for one in held]
    for one in held:
        one.close()
    return ports


class Desk:
    """A person at the station's PC: a daemon, and the command line that asks it."""

    def __init__(self, folder):
        self.folder = folder
        text = (SOURCE / "config/larkmoor.json").read_text()
        known = sorted(set(re.findall(r'"port": (\d+)', text)))
        for port, free in zip(known, free_ports(len(known))):
            text = text.replace(f'"port": {port}', f'"port": {free}')
        self.config = folder / "station.json"
        self.config.write_text(text)
        (folder / "examples").mkdir()
        self.api = re.search(r'"api": \{[^}]*"port": (\d+)', text)[1]
        self.daemon = subprocess.Popen(
            [BIN / "tautgated", "--config", self.config, "--state-dir", folder / "state"],
            stderr=(folder / "log").open("w"))
        self.secrets = {}

    def await_file(self, path):
        end = time.monotonic() + PATIENCE_S
        while not path.exists():
            if time.monotonic() > end or self.daemon.poll() is not None:
                raise SystemExit(f"{path.name} did not come:\n{(self.folder / 'log').read_text()}")
            time.sleep(0.02)
        return path

    def asks(self, *words):
        return subprocess.run([BIN / "tautgate", "--api", f"http://127.0.0.1:{self.api}", *map(str, words)],
                              capture_output=True, text=True, timeout=PATIENCE_S, stdin=subprocess.DEVNULL)

    def gets(self, *words):
        """It is done, and says this."""
        said = self.asks(*words)
        check(said.returncode == 0, f"tautgate {' '.join(map(str, words))}: {said.returncode}, {said.stderr}{said.stdout}")
        return said.stdout

    def await_turn(self, *words):
        """After a wrong secret the next try has to wait."""
        end = time.monotonic() + PATIENCE_S
        while "has to wait" in self.asks(*words).stderr and time.monotonic() < end:
            time.sleep(0.1)

    def is_refused(self, sentence, code, *words):
        said = self.asks(*words)
        check(said.returncode == code and sentence in said.stderr + said.stdout,
              f"tautgate {' '.join(map(str, words))}: {said.returncode}, {said.stderr}{said.stdout}")

    def secret(self, badge, text=None):
        path = self.folder / f"secret-{badge}-{len(self.secrets)}"
        path.touch(mode=0o600)
        path.write_text((text or f"the secret of {badge}") + "\n")
        self.secrets.setdefault(badge, path)
        return path

    def as_(self, badge, second=None):
        words = ["--as", badge, "--secret-file", self.secrets[badge]]
        return words + ["--second", second, "--second-secret-file", self.secrets[second]] if second else words

    def enrols(self, name, badge, role, *by):
        self.gets("enrol", "--name", name, "--badge", badge, "--role", role, "--new-secret-file", self.secret(badge), *by)


def set_up(desk):
    code = desk.await_file(desk.folder / "state/enrol.code")
    desk.enrols("Ada Vale", "B-12", "administrator", "--code-file", code)
    desk.enrols("Bo Reed", "B-20", "line_operator", *desk.as_("B-12"))
    desk.enrols("Cy Marsh", "B-31", "production_supervisor", *desk.as_("B-12", "B-20"))
    desk.enrols("Di Lund", "B-32", "quality_engineer", *desk.as_("B-12", "B-20"))
    people = desk.gets("people", *desk.as_("B-12"))
    for badge in ("B-12", "B-20", "B-31", "B-32"):
        check(badge in people, f"{badge} is not among the people: {people}")
    staged = json.loads(desk.asks("--json", "rules").stdout)["staged"]  # exits 1: it differs from what is in force
    desk.is_refused("rules need two people", 2, "approve-rules", "--digest", staged, *desk.as_("B-12"))
    desk.gets("approve-rules", "--digest", staged, *desk.as_("B-12", "B-31"))
    check(json.loads(desk.gets("--json", "rules"))["in_force"] == staged, "the approved rules are not in force")


def use(desk):
    desk.gets("sign-on", *desk.as_("B-20"))
    check(json.loads(desk.gets("--json", "state"))["bays"][0]["signed_on"] is not None, "nobody is signed on")
    seen = json.loads(desk.gets("--json", "state"))["newest_event"]
    hold = ["decide", "place-hold", "TM000871", "--reason", "engineering-release", "--text", "a crack was seen in it",
            "--seen", seen]
    wrong = desk.secret("B-32", "not the secret")
    desk.is_refused("do not fit together", 1, *hold, "--as", "B-32", "--secret-file", wrong)
    desk.await_turn(*hold, *desk.as_("B-32"))
    holds = json.loads(desk.gets("--json", "state"))["holds"]
    check([held["unit"] for held in holds] == ["TM000871"], f"on hold: {holds}")
    desk.gets("sign-off", *desk.as_("B-20"))
    desk.is_refused("nobody is signed on", 1, "sign-off", *desk.as_("B-20"))
    desk.gets("suspend", "B-20", *desk.as_("B-12", "B-31"))
    again = ["renew-secret", "B-20", "--new-secret-file", desk.secret("B-20", "another one, and long")]
    desk.is_refused("is suspended", 1, *again, *desk.as_("B-12", "B-31"))
    desk.gets(*again, "--reinstate", *desk.as_("B-12", "B-31"))
    check(desk.asks("why").returncode == 1, "a station without a unit is not held")


def main():
    with tempfile.TemporaryDirectory() as name:
        desk = Desk(pathlib.Path(name))
        try:
            set_up(desk)
            use(desk)
            journal = next((desk.folder / "state").glob("*.db"))
            desk.daemon.send_signal(signal.SIGTERM)
            check(desk.daemon.wait(PATIENCE_S) == 0, "the daemon did not end in order")
            check("is whole" in desk.gets("verify", journal), "the record does not verify")
        finally:
            desk.daemon.kill()
            desk.daemon.wait()
        if faults:
            print((desk.folder / "log").read_text()[-4000:])
    for fault in faults:
        print(fault)
    print(f"the command line does what it says: {len(faults)} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
