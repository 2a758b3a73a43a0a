"""`tautgate look` at tools that send frames, in plain Python: each frame is shown raw beside what it means, what does not
decode says why, nothing is acknowledged, and what is recorded can be shown again."""

import contextlib
import json
import os
import pathlib
import socket
import subprocess
import tempfile
import threading

from claims import ask_until, check
from framed_peers import HandTool, SerialWrench, TorquePost
from serial_peers import SerialLine
from station import example, free_ports

LOOK = [pathlib.Path(os.environ["TAUTGATE_BIN"]) / "tautgate", "look"]
TOOL = "NR-12"


def look(*words):
    run = subprocess.run([*LOOK, *map(str, words)], capture_output=True, text=True, timeout=60, check=False,
                         stdin=subprocess.DEVNULL)
    return run.returncode, run.stdout, run.stderr


def described(folder, name, change):
    station = example(name)
    change(station["tools"][0]["link"]["frames"], station["profiles"][0]["frames"])
    file = folder / f"{name}-{len(list(folder.iterdir()))}.json"
    file.write_text(json.dumps(station), encoding="utf-8")
    return file


def values(shown):
    return {field["field"]: field["value"] for field in shown["fields"]}


def without_times(text):
    return [{key: value for key, value in json.loads(line).items() if key != "at_us"} for line in text.splitlines()]


def seen_while(file, tool, act, *words):
    """What a look of three seconds shows, while the tool does something once it is connected."""
    connections = tool.connections
    with subprocess.Popen([*LOOK, str(file), TOOL, "--for", "3s", "--json", *map(str, words)],
                          stdout=subprocess.PIPE, text=True) as run:
        check("the look and the tool are connected", tool.await_connections(connections + 1), tool.connections)
        act()
        out, _ = run.communicate(timeout=30)
    return run.returncode, out


def lines(folder):
    port, = free_ports(1)
    with TorquePost(port) as tool:
        def at_port(link, _profile):
            link["call"]["port"] = port
        file = described(folder, "frames-lines", at_port)
        tool.newest = 12
        code, out, err = look(file, TOOL, "--once", "--json")
        check("one look ends well, and says nothing to the standard error", (code, err) == (0, ""), (code, out, err))
        first = without_times(out)[0]
        check("it names the message and its values",
              (first["message"], first["understood"], values(first)["newest"], values(first)["epoch"])
              == ("sign of life", True, "12", "b7"), first)
        check("with the very bytes", bytes.fromhex(first["hex"]) == tool.status(), first)

        capture = folder / "post.capture"
        code, out = seen_while(file, tool, lambda: tool.report(13), "--record", capture)
        results = [shown for shown in without_times(out) if shown["message"] == "result"]
        check("a result is shown once, with what it means", len(results) == 1 and code == 0, (code, results))
        code, again, err = look(file, "--replay", capture, "--json")
        check("the replay shows the very same, without the tool", (code, err) == (0, "")
              and without_times(again) == without_times(out), (code, err))

        code, out = seen_while(file, tool, lambda: tool.say(tool.noise()))
        odd = [shown for shown in without_times(out) if not shown["understood"]]
        check("noise is shown, with the reason", odd and all(shown["fault"] for shown in odd), out)

        def wrong_key(link, profile):
            at_port(link, profile)
            profile["messages"][0]["result"]["angle"] = {"key": "WINKEL"}
        wrong = described(folder, "frames-lines", wrong_key)
        code, again, err = look(wrong, "--replay", capture)
        check("what does not decode is marked, and the other profile is told of",
              "?" in again and "key WINKEL" in again and "not the one that the capture was made with" in err,
              (code, again, err))
        code, _, err = look(file, TOOL, "--acknowledge")
        check("nothing can be acknowledged", code == 2 and "leave out --acknowledge" in err, (code, err))
    file = described(folder, "frames-lines", at_port)
    code, _, err = look(file, TOOL, "--once")
    check("a tool that is not there is one sentence with a remedy",
          code == 3 and "Connection refused; check the port" in err and err.count("\n") == 1, (code, err))


def binary(folder):
    port, = free_ports(1)
    with HandTool(port) as tool:
        def at_port(link, _profile):
            link["listen"]["port"] = port
        file = described(folder, "frames-binary", at_port)
        code, out = seen_while(file, tool, lambda: tool.report(5, torque=71.5))
        results = [values(shown) for shown in without_times(out) if shown["message"] == "result"]
        check("a binary result is shown as it is",
              code == 0 and [(one["counter"], one["torque"]) for one in results] == [("5", "71.5 N·m")], (code, results))
        check("it is not acknowledged", tool.acknowledged == [], tool.acknowledged)
    with HandTool(port, source="127.0.0.2") as stranger:
        code, _, err = look(file, TOOL, "--for", "1s")
        check("somebody else calls more than once", stranger.connections > 1, stranger.connections)
        check("and is told of once, with the remedy",
              err.count("127.0.0.2 called") == 1 and "if that is the tool, correct peer" in err, (code, err))
        check("where the tool itself did not call, that is what is to be looked at",
              code == 3 and "check that it is on, and that it calls this address and port" in err
              and "wants to hear" not in err, (code, err))

    def elsewhere(link, _profile):
        link["listen"].update(address="192.0.2.1", port=port)  # nobody has it: RFC 5737
    code, _, err = look(described(folder, "frames-binary", elsewhere), TOOL, "--once")
    check("an address that this computer has not is one sentence with a remedy",
          code == 3 and "an address of this computer" in err and err.count("\n") == 1, (code, err))


def serial(folder):
    with SerialLine() as line:
        def on_line(link, _profile):
            link["serial"]["device"] = line.near
        file = described(folder, "frames-serial", on_line)
        with SerialWrench(line.far) as tool:
            code, out, err = look(file, TOOL, "--once", "--json")
            check("a tool on a serial line is heard", code == 0, (code, out, err))
            check("and not let run", tool.told == [], tool.told)
            check("it says its count", ask_until(lambda: values(without_times(out)[0])["newest"] == "0"), out)


def says_only(port, sent, *words):
    """What a look says of a tool that sends these bytes ten times a second, and no others."""
    over = threading.Event()

    def talk(server):
        wire, _ = server.accept()
        with wire, contextlib.suppress(OSError):
            while not over.is_set():
                wire.sendall(sent)
                over.wait(0.1)

    with socket.create_server(("127.0.0.1", port)) as server:
        talking = threading.Thread(target=talk, args=(server,), daemon=True)
        talking.start()
        try:
            return look(*words)
        finally:
            over.set()
            talking.join()


def odd_talkers(folder):
    port, = free_ports(1)

    def at_port(link, _profile):
        link["call"]["port"] = port
    file = described(folder, "frames-lines", at_port)
    code, _, err = says_only(port, b"", file, TOOL, "--once")
    check("one look at a tool that says nothing ends, and is a no",
          code == 1 and "nothing came in time" in err and err.count("\n") == 1, (code, err))
    code, out, _ = says_only(port, b"R;17;71.3\n", file, TOOL, "--for", "3500ms")
    told = out.count("no end of a frame yet")
    check("bytes without the end of a frame are shown meanwhile, at most once a second", code == 1 and 2 <= told <= 3,
          (code, out))
    check("with the end that the profile has", "52 3B 31 37" in out and "a frame ends with 0D 0A" in out, out)
    code, out, _ = says_only(port, b"x\r\n", file, TOOL, "--for", "2500ms")
    check("what repeats is told once a second, and how often at the end", code == 1 and out.count("the same, ") <= 3
          and out.count("is no frame") + out.count("are no frame") == 1, (code, out))


def main():
    with tempfile.TemporaryDirectory(prefix="tautgate-look-") as name:
        lines(pathlib.Path(name))
        binary(pathlib.Path(name))
        serial(pathlib.Path(name))
        odd_talkers(pathlib.Path(name))


main()
