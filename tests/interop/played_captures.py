"""Captures played by tautgate-simulator to the real daemon: what a tool said once, it takes from the simulator again."""

import base64
import json
import pathlib
import subprocess
import tempfile

from claims import ask_until, check
from framed_peers import SerialWrench
from serial_peers import SerialLine
from station import BRACKET_TOOL, CAPS_TOOL, PROGRAMS, SOURCE, Station, example, free_ports

FRAMED_TOOL = "NR-12"
POLLED = SOURCE / "tests/unit/links/captures/nutrunner.capture"


def with_caller(description):
    """The bracket's tool calls the station instead."""
    description["tool_port"] = {"address": "127.0.0.1", "port": free_ports(1)[0]}
    tool = next(one for one in description["tools"] if one["id"] == BRACKET_TOOL)
    tool["link"] = {"line": {"peer": "127.0.0.1"}}


def play(station, capture, *more):
    return subprocess.run([PROGRAMS / "tautgate-simulator", "--config", station.file, "--replay", capture, *more],
                          capture_output=True, text=True, timeout=60, check=False, stdin=subprocess.DEVNULL)


def results(station, tool):
    return [body["event"]["payload"]["ResultReceived"] for body in station.events("ResultReceived")
            if body["event"]["payload"]["ResultReceived"]["tool"] == tool]


def polled(station):
    run = play(station, POLLED, "--once")
    check("the recorded device answers where the description says, until all was asked for",
          run.returncode == 0 and f":{station.tool_port(CAPS_TOOL)}" in run.stdout, (run.stdout, run.stderr))
    # The first is of before the station looked; both were shown to it.
    check("the station took both results that were shown then",
          ask_until(lambda: [one["reading"]["counter"] for one in results(station, CAPS_TOOL)][-1:] in ([2], ["2"])),
          results(station, CAPS_TOOL))


def lines(*words):
    return "".join(json.dumps(word) + "\n" for word in words)


def capture_of_lines(file, tool):
    said = [lines({"hello": {"tool": tool, "epoch": "17", "last": "1"}}),
            lines({"result": {"counter": "1", "direction": "tighten", "program": "M12-bracket",
                              "torque": {"value": 71, "unit": "N.m"}, "angle": {"value": 15, "unit": "deg"},
                              "verdict": "ok"}})]
    head = {"capture_version": 1, "wire": "lines", "tool": tool, "connection": "127.0.0.1:1", "profile": "",
            "profile_sha256": "", "began": "2026-11-26T06:14:03.000000Z"}
    parts = [{"at_us": 200_000 * number, "from": "tool", "hex": text.encode().hex()}
             for number, text in enumerate(said)]
    file.write_text(lines(head, *parts), encoding="utf-8")


def caller(station):
    capture = station.folder / "caller.capture"
    capture_of_lines(capture, BRACKET_TOOL)
    run = play(station, capture, "--once")
    check("the recorded caller says all of it", run.returncode == 0 and "calls 127.0.0.1" in run.stdout,
          (run.stdout, run.stderr))
    check("the station took its result", ask_until(lambda: len(results(station, BRACKET_TOOL)) == 1),
          results(station, BRACKET_TOOL))


def framed_on_serial_line(folder):
    """Recorded by look from a device that is plain Python; then played to the daemon, under the path that the description
    names."""
    with SerialLine() as line:
        description = example("frames-serial")
        description["tools"][0]["link"]["frames"]["serial"]["device"] = line.near
        file, capture = folder / "recorded.json", folder / "wrench.capture"
        file.write_text(json.dumps(description), encoding="utf-8")
        with SerialWrench(line.far) as wrench:
            with subprocess.Popen([PROGRAMS / "tautgate", "look", file, FRAMED_TOOL, "--for", "3s", "--json", "--record",
                                   capture], stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True) as run:
                check("the look hears the tool", any('"newest"' in line for line in run.stdout))
                wrench.report(1)
                run.communicate(timeout=30)
    said = b"".join(bytes.fromhex(part["hex"]) for part in map(json.loads, capture.read_text("utf-8").splitlines()[1:])
                    if part["from"] == "tool")
    check("the result is in the capture", SerialWrench.result(1) in said, said)
    device = folder / "line"

    def described(description):
        description["tools"][0]["link"]["frames"]["serial"]["device"] = str(device)
        description["tools"][0]["simulated"] = True
    with Station("frames-serial", described, example) as station:
        station.open_for_work()
        run = play(station, capture, "--once")
        check("it is played where the description has the line", run.returncode == 0 and
              f"speaks on the serial line {device}\n" in run.stdout, (run.stdout, run.stderr))
        check("the station took its result", ask_until(lambda: len(results(station, FRAMED_TOOL)) == 1),
              (results(station, FRAMED_TOOL), station.events("InputRefused")))
        result = results(station, FRAMED_TOOL)[0]["reading"]
        check("byte for byte as it was", base64.b64decode(result["received"]["raw"]) == SerialWrench.result(1), result)
        check("nothing that was played is refused", station.events("InputRefused") == [], station.events("InputRefused"))
        check("the line is gone with the simulator", not device.is_symlink())
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


def troubles(station):
    elsewhere = station.folder / "elsewhere.capture"
    elsewhere.write_text(POLLED.read_text(encoding="utf-8").replace(CAPS_TOOL, "NR-99", 1), encoding="utf-8")
    run = play(station, elsewhere)
    check("a capture of another tool is one sentence with a remedy",
          run.returncode == 3 and "tool 'NR-99'" in run.stderr and run.stderr.count("\n") == 1, run.stderr)
    rubbish = station.folder / "rubbish.capture"
    rubbish.write_text("{}\n", encoding="utf-8")
    run = play(station, rubbish)
    check("what is no capture is named with its line", run.returncode == 3 and "rubbish.capture:1:" in run.stderr,
          run.stderr)
    real = json.loads(station.file.read_text(encoding="utf-8"))
    for tool in real["tools"]:
        tool["simulated"] = False
    (station.folder / "real.json").write_text(json.dumps(real), encoding="utf-8")
    run = subprocess.run([PROGRAMS / "tautgate-simulator", "--config", station.folder / "real.json", "--replay", POLLED],
                         capture_output=True, text=True, timeout=60, check=False, stdin=subprocess.DEVNULL)
    check("a real tool is not played", run.returncode == 3 and "a capture is no measurement" in run.stderr, run.stderr)


def main():
    with Station("client", with_caller) as station:
        station.open_for_work()
        polled(station)
        caller(station)
        troubles(station)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)
    with tempfile.TemporaryDirectory(prefix="tautgate-played-") as folder:
        framed_on_serial_line(pathlib.Path(folder))


if __name__ == "__main__":
    main()
