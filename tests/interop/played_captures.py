"""Captures played by tautgate-simulator to the real daemon: what a tool said once, it takes from the simulator again."""

import json
import subprocess

from claims import ask_until, check
from station import BRACKET_TOOL, CAPS_TOOL, PROGRAMS, SOURCE, Station, free_ports

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


if __name__ == "__main__":
    main()
