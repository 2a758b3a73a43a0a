"""The PLC of protocol/PERMISSIVE.md at either end of a line that one of the npm packages speaks."""

import json
import subprocess

import plc
from plc import BLOCK_WORDS, FEEDBACK_WORDS
from station import SOURCE


class Peer:
    """The package, in a process of its own that does not outlive the script. Asked from one thread at a time."""

    def __init__(self, package, end, port):
        self.process = subprocess.Popen(
            ["setpriv", "--pdeathsig", "KILL", "node", SOURCE / "tests" / "interop" / "npm_peer.mjs",
             SOURCE / "build" / "npm" / "node_modules", package, end, str(port)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        if "ready" not in self._answer():
            raise SystemExit(f"FAILED: {package} does not come up as a {end}")

    def ask(self, what, *operands):
        self.process.stdin.write(json.dumps({what: operands}) + "\n")
        self.process.stdin.flush()
        answer = self._answer()
        if "failed" in answer:
            raise RuntimeError(f"{what} {operands}: {answer['failed']}")
        return answer.get("words")

    def _answer(self):
        line = self.process.stdout.readline()
        if not line:
            raise RuntimeError(f"the peer ended with {self.process.wait(20)}")
        return json.loads(line)

    def stop(self):
        self.process.stdin.close()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()


class NpmPlc(plc.Plc):
    """What both ends have in common. `shown` are the blocks as the package gave them at the last scan."""

    END = None

    def __init__(self, description, package):
        super().__init__(description)
        self.shown = []
        self.peer = Peer(package, self.END, self.link["port"])

    def __exit__(self, kind, error, trace):
        try:
            super().__exit__(kind, error, trace)
        finally:
            self.peer.stop()

    def blocks(self):
        """As of the last scan, taken apart."""
        with self.lock:
            return [plc.Block(self.shown[at:at + BLOCK_WORDS]) for at in range(0, len(self.shown), BLOCK_WORDS)]

    def block(self, name):
        return self.blocks()[self.names.index(name)]

    def await_block(self, name, wanted):
        """The block of the permissive once `wanted(block)` holds, or the last one seen."""
        with self.scanned:
            self.scanned.wait_for(lambda: self.shown and wanted(self.block(name)), 20)
            return self.block(name)


class MasterPlc(NpmPlc):
    """The package is the master of the daemon: it reads the blocks and writes the feedback, each area in a request."""

    END = "client"

    def cycle(self):
        words = self.peer.ask("read", self.link["permissive_address"], len(self.points) * BLOCK_WORDS)
        with self.lock:
            self.shown = words
            feedback = self.scan(words)
        for place in range(len(self.points)):
            self.peer.ask("write", self.link["feedback_address"] + place * FEEDBACK_WORDS,
                          feedback[place * FEEDBACK_WORDS:(place + 1) * FEEDBACK_WORDS])


class SlavePlc(NpmPlc):
    """The package holds the registers that the daemon writes and reads."""

    END = "server"

    def cycle(self):
        words = self.peer.ask("look", self.link["permissive_address"], len(self.points) * BLOCK_WORDS)
        with self.lock:
            self.shown = words
            feedback = self.scan(words)
        self.peer.ask("put", self.link["feedback_address"], feedback)
