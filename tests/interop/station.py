"""One whole station for a script: the built tautgated on free ports of the loopback, and its people.

The station's description is that of the demo, cut down to two joints whose tools are both polled over Modbus. Two
tools, since there are two ways to notice a block that was written while it was read.
"""

import copy
import fcntl
import http.client
import json
import os
import pathlib
import random
import re
import secrets
import shutil
import signal
import socket
import subprocess
import tempfile

from claims import ask_until, check

SOURCE = pathlib.Path(os.environ.get("TAUTGATE_SOURCE_DIR", pathlib.Path(__file__).resolve().parents[2]))
PROGRAMS = pathlib.Path(os.environ.get("TAUTGATE_BIN", SOURCE / "build" / "release" / "bin"))

BAY = "J1"
BEAM = "lift-beam"
CARRIER = "carrier"
CAPS_TOOL = "NR-16"     # its counter is written last and read again
BRACKET_TOOL = "NR-12"  # its counter is written first, so that the whole block is read again
LONGEST_RUN_S = 0.1     # of either tool


# Below those that the system hands to whoever connects: one of these is not taken meanwhile by a client.
PORTS = range(15_000, 32_000)


# Files whose locks keep ports from other scripts as long as this one runs: between a look whether a port is free and
# the program that takes it, another script may look as well.
KEPT = []


def keep(port):
    """False: another script has it."""
    folder = pathlib.Path(tempfile.gettempdir()) / f"tautgate-ports-{os.getuid()}"
    folder.mkdir(exist_ok=True)
    lock = open(folder / str(port), "a", encoding="ascii")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        return False
    KEPT.append(lock)
    return True


def free_ports(count):
    """Ports that nobody used a moment ago. All are held at once, so that no port is given twice."""
    held = []
    while len(held) < count:
        port = random.choice(PORTS)
        try:
            held.append(socket.create_server(("127.0.0.1", port)))
        except OSError:
            continue  # in use: another one
        if not keep(port):
            held.pop().close()
    ports = [probe.getsockname()[1] for probe in held]
    for probe in held:
        probe.close()
    return ports


def without_comments(text):
    """The description of the demo has comments, which json does not read. Texts in it hold no '//'."""
    return re.sub(r"//.*", "", text)


def only(things, ids):
    return [thing for thing in things if thing["id"] in ids]


def description(role):
    """The demo's description with two joints, two polled tools and ports of its own; `role` is the station's on the
    line to the controller."""
    station = json.loads(without_comments((SOURCE / "config" / "larkmoor.json").read_text(encoding="utf-8")))
    api, scanner, controller, caps, bracket = free_ports(5)
    station["api"]["port"] = api
    station["scanner_port"]["port"] = scanner
    del station["tool_port"]
    # Patient enough for peers in a script on a busy computer; no check is about how long it takes.
    station["bays"][0]["controller"].update(role=role, port=controller, settling_ms=300, echo_timeout_ms=1500)

    station["tools"] = only(station["tools"], (CAPS_TOOL, BRACKET_TOOL))
    station["profiles"] = two_profiles(station["profiles"][0])
    wires = {CAPS_TOOL: (caps, "counter-last"), BRACKET_TOOL: (bracket, "counter-first")}
    for tool in station["tools"]:
        port, profile = wires[tool["id"]]
        tool["link"] = {"registers": {"host": "127.0.0.1", "port": port, "unit": 1, "profile": profile,
                                      "poll_interval_ms": 50}}
        tool["longest_run_ms"] = int(LONGEST_RUN_S * 1000)
        tool["silence_limit_ms"] = 4000

    station["joints"] = only(station["joints"], ("axle-box-caps", "bracket"))
    for joint in station["joints"]:
        joint["fasteners"] = joint["fasteners"][:2]
        joint["risk_class"] = "B"  # class A wants the whole block read twice
    station["variants"] = only(station["variants"], ("MB1",))
    station["plans"] = only(station["plans"], ("plan-mb1",))
    station["plans"][0]["stages"] = [
        {"name": "tickets", "steps": [{"scan": "D"}, {"scan": "F"}]},
        {"name": "joints", "steps": [{"tighten": "axle-box-caps"}, {"tighten": "bracket"}]}]
    return station


def two_profiles(profile):
    last = copy.deepcopy(profile)
    last["id"] = "counter-last"
    last["layout"]["second_read"] = "counter"
    first = copy.deepcopy(profile)
    first["id"] = "counter-first"
    first["layout"]["second_read"] = "block"
    first["layout"]["program"]["names"] = [{"code": 171, "text": "M12-bracket"}]
    return [last, first]


def example(name):
    """The description of an example of config/examples, on ports of its own."""
    text = (SOURCE / "config" / "examples" / f"{name}.json").read_text(encoding="utf-8")
    station = json.loads(without_comments(text))
    station["api"]["port"], station["scanner_port"]["port"], controller = free_ports(3)
    station["bays"][0]["controller"].update(port=controller, settling_ms=300, echo_timeout_ms=1500)
    return station


class Station:
    """The daemon as a process of its own, which does not outlive the script. `change` may alter its description, which
    is made by `describe`."""

    def __init__(self, role, change=lambda description: None, describe=description):
        self.description = describe(role)
        change(self.description)
        self.controller = self.description["bays"][0]["controller"]
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="tautgate-interop-"))
        self.state_folder = self.folder / "state"
        self.state_folder.mkdir()
        self.file = self.folder / "station.json"
        self.write()
        self.people = {}
        self.papers = {}  # badge and secret of each of the people
        self.process = None

    def write(self):
        """The description as it is now, for a daemon that is yet to start."""
        self.file.write_text(json.dumps(self.description, indent=2), encoding="utf-8")

    def __enter__(self):
        with open(self.folder / "tautgated.log", "ab") as log:
            self.process = subprocess.Popen(
                ["setpriv", "--pdeathsig", "KILL", PROGRAMS / "tautgated", "--config", self.file,
                 "--state-dir", self.state_folder],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        if not ask_until(self.answers):
            self.end("the daemon does not answer")
        return self

    def __exit__(self, kind, error, trace):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if kind is not None:
            print("--- the daemon's last words:\n" + self.log()[-4000:], flush=True)
        if "TAUTGATE_KEEP" not in os.environ:
            shutil.rmtree(self.folder, ignore_errors=True)  # what cannot be removed stays behind

    def end(self, why):
        self.process.kill()
        self.process.wait()
        raise SystemExit(f"FAILED: {why}\n{self.log()}")

    def log(self):
        return (self.folder / "tautgated.log").read_text(encoding="utf-8", errors="replace")

    def runs(self):
        return self.process.poll() is None

    def answers(self):
        if not self.runs():
            self.end("the daemon ended at once")
        try:
            return self.call("GET", "/v1/health")[0] == 200
        except OSError:
            return False  # not listening yet

    def stop(self):
        """An orderly end, whose code is given back."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout=20)

    @property
    def journal(self):
        return self.state_folder / self.description["journal"]

    def tool_port(self, tool):
        return next(known for known in self.description["tools"]
                    if known["id"] == tool)["link"]["registers"]["port"]

    # ---- the HTTP interface

    def call(self, method, target, body=None, session=None, second=None):
        connection = http.client.HTTPConnection("127.0.0.1", self.description["api"]["port"], timeout=20)
        headers = {}
        if session:
            headers["Authorization"] = f"Bearer {session}"
        if second:
            headers["Second-Session"] = second
        if body is not None:
            headers["Content-Type"] = "application/json"
        try:
            connection.request(method, target, None if body is None else json.dumps(body), headers)
            answer = connection.getresponse()
            return answer.status, answer.read().decode("utf-8")
        finally:
            connection.close()

    def get(self, target):
        status, text = self.call("GET", target)
        if status != 200:
            raise SystemExit(f"FAILED: GET {target}: {status} {text}")
        return json.loads(text)

    def post(self, target, body, session=None, second=None):
        status, text = self.call("POST", target, body, session, second)
        if status not in (200, 201, 202):
            raise SystemExit(f"FAILED: POST {target}: {status} {text}")
        return json.loads(text) if text else {}

    # ---- what it shows

    def bay(self, bay=BAY):
        return next(one for one in self.get("/v1/station")["bays"] if one["id"] == bay)

    def controller_link(self):
        return self.bay()["controller"]["link"]

    def tool(self, tool):
        return next(known for known in self.get("/v1/station")["tools"] if known["id"] == tool)

    def reasons(self, permissive, bay=BAY):
        shown = self.get(f"/v1/bays/{bay}/why")["permissives"]
        return next(one for one in shown if one["id"] == permissive)["reasons"]

    def codes(self, permissive, bay=BAY):
        return [reason["code"] for reason in self.reasons(permissive, bay)]

    def health(self, thing):
        return next(one for one in self.get("/v1/health")["inputs"] if one["id"] == thing)

    def events(self, kind):
        """The stored bodies of all events of a kind, oldest first."""
        found, start = [], 1
        while True:
            status, text = self.call("GET", f"/v1/events?from={start}")
            if status != 200:
                raise SystemExit(f"FAILED: asking for events: {status} {text}")
            lines = [json.loads(line) for line in text.splitlines()]
            if not lines:
                return found
            found += [line["body"] for line in lines if kind in line["body"]["event"]["payload"]]
            start = lines[-1]["number"] + 1

    def tightenings(self, serial):
        """None as long as nothing of the unit is on the disk."""
        status, text = self.call("GET", f"/v1/units/{serial}")
        if status not in (200, 404):
            raise SystemExit(f"FAILED: asking for {serial}: {status} {text}")
        stays = json.loads(text)["stays"] if status == 200 else []
        return [line for stay in stays for line in stay["tightenings"]]

    # ---- people

    def open_for_work(self):
        """Four invented people are enrolled, two approve the rules, one signs on at the bay."""
        code = (self.state_folder / "enrol.code").read_text(encoding="ascii").split()[0]
        self.enrol("administrator", "Mara Quillen", {"enrolment_code": code})
        self.enrol("line_operator", "Odo Lammers", {}, "administrator")
        self.enrol("production_supervisor", "Jonna Fell", {}, "administrator", "line_operator")
        self.enrol("quality_engineer", "Ines Tarrow", {}, "administrator", "line_operator")
        rules = self.get("/v1/rules")
        if not rules["staged"]:
            self.end(f"the description is faulty: {rules['faults']}")
        self.post("/v1/rules/approve", {"digest": rules["staged"]},
                  self.people["administrator"], self.people["production_supervisor"])
        self.post(f"/v1/bays/{BAY}/operator", {"act": "sign_on"}, self.people["line_operator"])

    def enrol(self, role, name, more, first=None, second=None):
        badge, secret = f"LT-{2001 + len(self.people)}", secrets.token_urlsafe(16)
        self.post("/v1/people", {"name": name, "badge": badge, "roles": [role], "secret": secret, **more},
                  self.people.get(first), self.people.get(second))
        self.papers[role] = (badge, secret)
        self.sign_in(role)

    def sign_in(self, role):
        badge, secret = self.papers[role]
        self.people[role] = self.post("/v1/sign-in", {"badge": badge, "secret": secret})["session"]

    def sign_in_anew(self):
        """After another start of the daemon, which knows no session from before."""
        for role in self.papers:
            self.sign_in(role)

    def signed_by(self, role):
        """How a command of tautgate is told who does it."""
        badge, secret = self.papers[role]
        file = self.folder / f"{badge}.secret"
        file.touch(mode=0o600)
        file.write_text(secret, encoding="ascii")
        return ["--as", badge, "--secret-file", file]

    def decide(self, action, reason_code, reason_text, bay=BAY):
        """The supervisor decides; where the station asks for a second person, quality agrees."""
        answer = self.post(f"/v1/bays/{bay}/decisions",
                           {"action": action, "reason_code": reason_code, "reason_text": reason_text,
                            "seen": self.get("/v1/station")["newest_event"]},
                           self.people["production_supervisor"])
        if answer.get("proposal") is not None:
            self.post(f"/v1/bays/{bay}/decisions/{answer['proposal']}/second",
                      {"seen": self.get("/v1/station")["newest_event"]}, self.people["quality_engineer"])

    def scan(self, *labels, peer="127.0.0.1"):
        """A scanner that calls from its address, says its labels and hangs up."""
        with socket.create_connection(("127.0.0.1", self.description["scanner_port"]["port"]), timeout=20,
                                      source_address=(peer, 0)) as wire:
            for label in labels:
                wire.sendall(label.encode("ascii") + b"\r\n")

    def scan_unit(self, unit, part="BF001203"):
        self.scan(f"D LT26-0417 MB1 {unit}", f"F LT26-0417 FR1 {part}")
        check(f"both tickets of {unit} are scanned", ask_until(lambda: self.identified_as() == unit),
              self.identified_as())

    def identified_as(self, bay=BAY):
        occupant = self.bay(bay)["occupant"]
        return occupant["identity"]["unit"] if occupant else None
