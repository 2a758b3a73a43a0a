"""`tautgate look` at a device that is pymodbus', and a tool of the line protocol in plain Python: what is shown is what the
device has, nothing is written to it, what is recorded can be shown again, and each trouble is one sentence."""

import contextlib
import hmac
import json
import os
import pathlib
import re
import secrets
import socket
import struct
import subprocess
import tempfile
import threading
import time

import polled_tool
from claims import check
from station import SOURCE, free_ports, without_comments

LOOK = [pathlib.Path(os.environ["TAUTGATE_BIN"]) / "tautgate", "look"]
POLLED, CALLER, KEYED = "NR-16", "NR-12", "NR-20"


def look(*words, **options):
    run = subprocess.run([*LOOK, *map(str, words)], capture_output=True, text=True, timeout=60, check=False,
                         stdin=subprocess.DEVNULL, **options)
    return run.returncode, run.stdout, run.stderr


def described(folder, polled_port, caller_port, **changes):
    station = json.loads(without_comments((SOURCE / "config/larkmoor.json").read_text(encoding="utf-8")))
    station["tool_port"] = {"address": "127.0.0.1", "port": caller_port}
    for tool in station["tools"]:
        if tool["id"] == POLLED:
            tool["link"]["registers"].update({"port": polled_port, "poll_interval_ms": 50, **changes})
    file = folder / f"station-{len(list(folder.iterdir()))}.json"
    file.write_text(json.dumps(station), encoding="utf-8")
    return file


def fields_in(text):
    return {field["field"]: field for field in json.loads(text)["fields"]}


def one_look(file, tool):
    tool.show(polled_tool.final(7, 256.5, 27.3))
    code, out, err = look(file, POLLED, "--once", "--json", "--orders")
    check("one look ends well, and says nothing to the standard error", (code, err) == (0, ""), (code, err))
    fields = fields_in(out)
    torque = struct.unpack(">2H", struct.pack(">f", 256.5))
    check("the raw words are those that pymodbus was given",
          fields["torque"]["words"] == [f"{word:04X}" for word in torque], fields["torque"])
    check("address and number from one stand beside each other",
          (fields["torque"]["address"], fields["torque"]["address_from_one"]) == (104, 105), fields["torque"])
    check("the fields say what they hold", [fields[name]["value"] for name in ("torque", "angle", "counter", "epoch")]
          == ["256.5", "27.3", "7", str(polled_tool.EPOCH)], fields)
    check("codes say what they mean", (fields["program"]["meaning"], fields["verdict"]["meaning"],
                                       fields["direction"]["meaning"]) == ("M16-final", "OK", "tighten"), fields)
    high, low = torque
    # The four orders by Python's own struct.
    orders = {"abcd": struct.pack(">2H", high, low), "cdab": struct.pack(">2H", low, high),
              "badc": struct.pack("<2H", high, low), "dcba": struct.pack("<2H", low, high)}
    for order, raw in orders.items():
        shown = float(fields["torque"]["orders"][order])
        wanted = struct.unpack(">f", raw)[0]
        check(f"the order {order} is that of Python's struct", abs(shown - wanted) <= abs(wanted) * 1e-6,
              (shown, wanted))


def what_does_not_decode(file, tool):
    words = polled_tool.final(8).words()
    words[2] = 9
    tool.registers.put(polled_tool.START, words)
    code, out, _ = look(file, POLLED, "--once")
    check("what does not decode gives exit code 1", code == 1, code)
    row = next(line for line in out.splitlines() if " direction " in line)
    check("its row is marked, with the words and the reason",
          re.search(r"\? +102 +103 +holding +0009 +direction .*code 9 means neither", row), row)
    check("and no result would be taken", "no result would be taken from it: direction: code 9" in out, out)
    # Far beyond what the sensor of NR-16 measures: the rest of it is a result.
    tool.show(polled_tool.final(8, 90_000.0))
    code, out, err = look(file, POLLED, "--once")
    check("a value that the service could not use gives exit code 1, and is named in the last line",
          code == 1 and re.search(r"\?.* torque .*outside the range", out)
          and err.endswith("the station could not use: torque; see what stands there after the ?\n"), (code, out, err))
    check("the link errors that are detected stand at the head", "Link errors (OPC 10000-15) that it detects: " in out, out)
    tool.show(polled_tool.final(8))


def record_and_replay(file, tool, folder):
    capture = folder / "nr16.capture"
    counter = iter(range(9, 60_000))

    def tighten(_registers, _address, _count):
        if tool.reads % 10 == 9:
            number = next(counter)
            tool.show(polled_tool.final(number, 250.0 + number / 10))

    tool.before_read = tighten
    code, live, err = look(file, POLLED, "--for", "2s", "--json", "--record", capture)
    tool.before_read = None
    check("a recorded look ends well", (code, err) == (0, ""), (code, err))
    code, again, err = look(file, "--replay", capture, "--json")
    check("its replay ends well", (code, err) == (0, ""), (code, err))

    def without_times(text):
        return [{key: value for key, value in json.loads(line).items() if key != "at_us"}
                for line in text.splitlines()]

    check("it saw results come", any(field["changed"] for line in without_times(live) for field in line["fields"]))
    check("the replay shows the very same rows, without the device", without_times(again) == without_times(live))
    code, _, err = look(file, POLLED, "--once", "--record", capture)
    check("a capture is not written over", code == 3 and "is there already" in err, (code, err))

    whole = capture.read_bytes()
    (folder / "cut.capture").write_bytes(whole[:-5])
    code, cut, err = look(file, "--replay", folder / "cut.capture", "--json")
    check("a capture that was cut off is shown up to there", code == 0 and "was cut off" in err and cut and
          without_times(live)[:len(cut.splitlines())] == without_times(cut), (code, err))
    lines = whole.splitlines(keepends=True)
    lines[3] = b"rubbish\n"
    (folder / "bad.capture").write_bytes(b"".join(lines))
    (folder / "empty.capture").write_bytes(lines[0])
    code, _, err = look(file, "--replay", folder / "empty.capture")
    check("of a capture without anything in it that is told", code == 1 and "nothing was recorded in it; " in err,
          (code, err))
    code, _, err = look(file, "--replay", folder / "bad.capture")
    check("a line that is none is named", code == 3 and "bad.capture:4: it is no JSON object" in err, (code, err))


def nothing_written(tool):
    check("nothing was written to the device", tool.acknowledged == [], tool.acknowledged)


def troubles(folder, polled_port, caller_port):
    file = described(folder, free_ports(1)[0], caller_port)
    code, _, err = look(file, POLLED, "--once")
    check("a device that refuses is one sentence with a remedy",
          code == 3 and "Connection refused; check the port" in err and err.count("\n") == 1, (code, err))
    code, _, err = look(file, POLLED, "--once", "--record", folder / "nothing.capture")
    check("nothing that came leaves no file", code == 3 and not (folder / "nothing.capture").exists(), (code, err))

    # A name that nobody can have: RFC 2606, section 2.
    file = described(folder, polled_port, caller_port, host="no-such-tool.invalid")
    code, _, err = look(file, POLLED, "--once")
    check("a host name without an address is not called a refusal",
          code == 3 and "knows no address of that name" in err and "refused" not in err, (code, err))

    file = described(folder, polled_port, caller_port, unit=9)
    code, out, _ = look(file, POLLED, "--once")
    # pymodbus answers for a unit that it does not serve with an exception, or not at all.
    check("a wrong unit says so", code == 1 and re.search(r"no answer came in time; check the unit|exception", out), out)

    code, _, err = look(file, "NR-61", "--once")
    check("a tool that is not there names the one that was meant",
          code == 2 and "no tool or I/O module 'NR-61'" in err and "did you mean NR-16?" in err, (code, err))

    with socket.create_server(("127.0.0.1", 0), backlog=0) as full, contextlib.ExitStack() as callers:
        for _ in range(4):  # those who may wait wait already, so that nobody else is answered
            caller = callers.enter_context(socket.socket())
            caller.setblocking(False)
            caller.connect_ex(full.getsockname())
        file = described(folder, full.getsockname()[1], caller_port)
        code, _, err = look(file, POLLED, "--once")
        check("a device that is off is told by the time that it was given",
              code == 3 and "no answer within 1 s; check that it is on, its cable, its address, and what lies between"
              in err and "progress" not in err, (code, err))

    with socket.create_server(("127.0.0.1", 0)) as other:
        def speak_http():
            wire, _ = other.accept()
            with wire:
                wire.recv(260)
                wire.sendall(b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n")

        speaking = threading.Thread(target=speak_http, daemon=True)
        speaking.start()
        file = described(folder, other.getsockname()[1], caller_port)
        code, out, err = look(file, POLLED, "--once")
        speaking.join()
        check("a port where something else answers is told so, with what came",
              code == 1 and "it answered, but not in Modbus [48 54 54 50 2F" in out and "check the port" in out,
              (code, out, err))

    with socket.create_server(("127.0.0.1", 0)) as silent:
        file = described(folder, silent.getsockname()[1], caller_port)
        code, out, _ = look(file, POLLED, "--once")
        check("a device that does not answer is told after a second", code == 1 and "no answer came in time" in out, out)

    station = json.loads(file.read_text(encoding="utf-8"))
    for tool in station["tools"]:
        if tool["id"] == POLLED:
            tool["link"]["registers"] = {"serial": {"device": "/dev/no-such-line", "baud": 19200, "parity": "even",
                                                    "stop_bits": 1},
                                         "unit": 1, "profile": "nutrunner-block", "poll_interval_ms": 50}
    file.write_text(json.dumps(station), encoding="utf-8")
    code, _, err = look(file, POLLED, "--once")
    check("a serial device that is not there is one sentence with a remedy",
          code == 3 and "cannot open /dev/no-such-line" in err and "check the cable" in err, (code, err))
    for tool in station["tools"]:
        if tool["id"] == POLLED:
            tool["link"]["registers"]["serial"]["device"] = str(folder)
    file.write_text(json.dumps(station), encoding="utf-8")
    code, _, err = look(file, POLLED, "--once")
    check("a folder in place of a serial device is called so",
          code == 3 and "is a folder and no serial line; name the device of one" in err, (code, err))


def caller(file, port, folder):
    capture = folder / "nr12.capture"
    with subprocess.Popen([*LOOK, str(file), CALLER, "--for", "3s", "--json", "--record", str(capture)],
                          stdout=subprocess.PIPE, text=True) as run:
        for _ in range(100):
            try:
                tool = socket.create_connection(("127.0.0.1", port), timeout=5)
                break
            except ConnectionRefusedError:
                time.sleep(0.02)  # the pace of asking; what counts is the answer
        with tool, tool.makefile("rw", newline="\n") as lines:
            def say(text):
                lines.write(text + "\n")
                lines.flush()

            say(json.dumps({"hello": {"tool": CALLER, "epoch": "17", "last": "3"}}))
            welcome = json.loads(lines.readline())
            say(json.dumps({"result": {"counter": "3", "direction": "tighten", "program": "M12-bracket",
                                       "torque": {"value": 71, "unit": "N.m"},
                                       "angle": {"value": 15, "unit": "deg"}, "verdict": "ok"}}))
            say(json.dumps({"result": {"counter": "4", "colour": "blue"}}))
            answers = [json.loads(lines.readline())]
            while list(answers[-1]) == ["beat"]:
                answers.append(json.loads(lines.readline()))
        out, _ = run.communicate(timeout=30)
    check("a tool that calls is welcomed from its first result on", welcome == {"welcome": {"resend_from": "1"}}, welcome)
    check("no result is acknowledged", all(list(answer) != ["acknowledge"] for answer in answers), answers)
    check("a line that is not understood is refused with its reason", "colour" in json.dumps(answers[-1]), answers)
    seen = [json.loads(line) for line in out.splitlines()]
    check("what was said is shown",
          any("torque 71 N·m; angle 15 deg; verdict OK" in says for one in seen for says in one["says"]), seen)
    check("the last line is not understood, which is the exit code", run.returncode == 1 and not seen[-1]["understood"])
    code, again, _ = look(file, "--replay", capture, "--json")
    check("a capture of a tool that calls shows the same lines",
          [json.loads(line)["raw"] for line in again.splitlines()] == [one["raw"] for one in seen] and code == 1)


class SealedCaller:
    """The other side of *keyed lines* in protocol/LINE.md, with Python's own hmac."""

    def __init__(self, port, tool, key):
        self.numbers = {"tool": 0, "station": 0}
        with_nonce = {"hello": {"tool": tool, "epoch": "4", "last": "0", "nonce": secrets.token_hex(16)}}
        hello = json.dumps(with_nonce)
        self.wire = socket.create_connection(("127.0.0.1", port), timeout=10)
        self.lines = self.wire.makefile("r", encoding="utf-8")
        self.send(hello)
        self.challenge = json.loads(self.lines.readline())
        start = f"tautgate line seal 1\n{hello}\n{self.challenge['challenge']['nonce']}"
        self.session = hmac.digest(bytes.fromhex(key), start.encode(), "sha256")

    def send(self, text):
        self.wire.sendall((text + "\n").encode("utf-8"))

    def seal(self, side, line):
        number, self.numbers[side] = self.numbers[side], self.numbers[side] + 1
        return hmac.digest(self.session, f"{side}\n{number}\n{line}".encode(), "sha256").hex()

    def say(self, message):
        line = json.dumps(message)
        self.send(f"{self.seal('tool', line)} {line}")

    def hear(self):
        """The next line that is no beat; its seal must be right."""
        while True:
            seal, line = self.lines.readline().rstrip("\n").split(" ", 1)
            check("every line of the look bears the right seal", seal == self.seal("station", line), line)
            if "beat" not in json.loads(line):
                return json.loads(line)


def keyed_caller(file, port, folder):
    key, capture = secrets.token_hex(32), folder / "keyed.capture"
    keys = folder / "keys"
    keys.mkdir()
    (keys / f"{KEYED}.key").touch(mode=0o600)
    (keys / f"{KEYED}.key").write_text(key + "\n", encoding="ascii")
    code, _, err = look(file, KEYED, "--once")
    check("without the tool's key nothing can be heard of it, in one sentence",
          code == 2 and f"name the folder of its file {KEYED}.key" in err and err.count("\n") == 1, (code, err))
    with subprocess.Popen([*LOOK, str(file), KEYED, "--for", "4s", "--json", "--keys", str(keys), "--record", str(capture)],
                          stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True) as run:
        for _ in range(100):
            try:
                tool = SealedCaller(port, KEYED, key)
                break
            except ConnectionRefusedError:
                time.sleep(0.02)  # the pace of asking; what counts is the answer
        tool.say({"beat": {}})
        welcome = tool.hear()
        tool.say({"result": {"counter": "1", "direction": "tighten", "torque": {"value": 500, "unit": "N.m"}}})
        tool.send('0' * 64 + ' {"beat":{}}')
        refused = tool.hear()
        out, _ = run.communicate(timeout=30)
    check("who has the key is welcomed", welcome == {"welcome": {"resend_from": "1"}}, welcome)
    check("a wrong seal is refused", "whose seal is wrong" in json.dumps(refused), refused)
    seen = [json.loads(line) for line in out.splitlines()]
    check("what it says is shown without its seal",
          [one["raw"][:9] for one in seen[:3]] == ['{"hello":', '{"beat": ', '{"result"'] and
          any("torque 500 N·m" in says for says in seen[2]["says"]), seen)
    code, again, _ = look(file, "--replay", capture, "--json")
    check("its capture shows the same lines", [json.loads(line)["raw"] for line in again.splitlines()][:3] ==
          [one["raw"] for one in seen][:3], again)


def main():
    polled_port, caller_port = free_ports(2)
    with tempfile.TemporaryDirectory(prefix="tautgate-look-") as name:
        folder = pathlib.Path(name)
        file = described(folder, polled_port, caller_port)
        with polled_tool.Tool(polled_port) as tool:
            one_look(file, tool)
            what_does_not_decode(file, tool)
            record_and_replay(file, tool, folder)
            troubles(folder, polled_port, caller_port)
            nothing_written(tool)
        caller(file, caller_port, folder)
        keyed_caller(file, caller_port, folder)


main()
