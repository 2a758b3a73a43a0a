"""The controller line in the server role against mbpoll, a Modbus master that nobody here wrote.

The feedback block that is written bears the CRC-32 of Python's zlib, which is not ours either.
"""

import os
import pathlib
import re
import struct
import subprocess
import sys
import zlib

HOST = pathlib.Path(os.environ["TAUTGATE_BUILD_DIR"]) / "bin" / "controller_server_host"


def mbpoll(port, *options, values=()):
    """mbpoll counts references from 0 with -0; one poll only."""
    words = [str(value) for value in values]
    run = subprocess.run(
        ["mbpoll", "-m", "tcp", "-p", str(port), "-a", "1", "-0", "-1", "-o", "2", *options, "127.0.0.1", *words],
        capture_output=True, text=True, timeout=20, check=False)
    return run.returncode, run.stdout + run.stderr


def registers(text):
    return [int(value) & 0xFFFF for value in re.findall(r"^\[\d+\]:\s+(-?\d+)", text, re.MULTILINE)]


def with_crc(words):
    crc = zlib.crc32(struct.pack(f">{len(words)}H", *words))
    return [*words, crc >> 16, crc & 0xFFFF]


def check(claim, held, detail=""):
    if not held:
        sys.exit(f"FAILED: {claim}: {detail}")
    print(f"ok: {claim}")


def main():
    host = subprocess.Popen([str(HOST)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        port = int(host.stdout.readline().split()[1])

        status, text = mbpoll(port, "-t", "4", "-r", "0", "-c", "12")
        words = registers(text)
        check("mbpoll reads the block of 12 registers", status == 0 and len(words) == 12, text)
        check("it is withheld, for this station, bay, permissive and token",
              words[:4] == [1, 7, 2, 1] and words[4:6] == [0x1234, 0x5678] and words[6] == 0xD833, words)
        check("its CRC-32 is the one of zlib", with_crc(words[:10]) == words, words)

        feedback = with_crc([1, 7, 2, 1, 0x1234, 0x5678, 0xD833, words[9], 1, 41, 40, 3, 17, 0])
        status, text = mbpoll(port, "-t", "4", "-r", "100", values=feedback)
        check("mbpoll writes the feedback block", status == 0, text)
        line = host.stdout.readline().strip()
        check("the line reports what was written",
              line == "reported arrivals=41 departures=40 starts=3 moved=17 echoed=0x12345678", line)

        status, text = mbpoll(port, "-t", "4", "-r", "0", values=words)
        check("a write to the permissive is refused", "Illegal data address" in text, text)
        status, text = mbpoll(port, "-t", "4", "-r", "100", values=feedback[:15])
        check("a part of a feedback block is refused", "Illegal data address" in text, text)
        status, text = mbpoll(port, "-t", "3", "-r", "0", "-c", "1")
        check("input registers are refused", "Illegal function" in text, text)
    finally:
        host.stdin.close()
        host.wait(timeout=10)
    check("the host ends in order", host.returncode == 0, host.returncode)


if __name__ == "__main__":
    main()
