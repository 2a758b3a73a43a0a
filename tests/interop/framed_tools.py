"""Tools that send frames, in plain Python: the real daemon, with each of the examples in config/examples, takes their
results, judges, stores and acknowledges them and releases a unit; then one that came twice, one in pieces, noise, one that
was lost and one that came late, with the next unit withheld all the while."""

import sys

import plc
from claims import ask_until, check
from example_story import (FIRST, SECOND, TOOL, await_links, check_gap, is_stored, moved_away, outcomes_of,
                           proven, refusals, set_down, with_counter, withheld_all_the_while)
from framed_peers import HandTool, SerialWrench, TorquePost
from serial_peers import SerialLine
from station import BEAM, Station, example, free_ports

def twice(station, tool):
    tool.ready()
    tool.report(3)
    check("result 3 is stored", is_stored(station, SECOND, 3), station.tightenings(SECOND))
    tool.say(tool.result(3))
    check("a result that comes twice is a repetition", ask_until(lambda: ["Repeated"] in outcomes_of(station, 3)),
          outcomes_of(station, 3))
    check("and is stored once", len(with_counter(station, SECOND, 3)) == 1, with_counter(station, SECOND, 3))


def in_pieces(station, tool):
    """One that is not OK, so that it holds the beam: its first half, then the wire breaks, then all of it."""
    frame = tool.result(4, torque=60.0, ok=0)
    connections = tool.connections
    before = refusals(station)
    tool.newest = 4
    with tool.changed:
        tool.say(frame[:len(frame) // 2])
        tool.hang_up()
    tool.after_break(frame, connections)
    check("the half of it is refused", ask_until(lambda: refusals(station) > before), refusals(station))
    tool.mute = False
    tool.say(frame)
    check("a result that came in pieces is stored", is_stored(station, SECOND, 4), station.tightenings(SECOND))
    line = with_counter(station, SECOND, 4)
    check("once, and as it was", [(one["torque"], one["verdict"]) for one in line] == [("60 N·m", "not_ok")], line)


def noise(station, tool):
    before = refusals(station)
    tool.say(tool.noise())
    check("noise is refused and kept", ask_until(lambda: refusals(station) > before), refusals(station))
    tool.newest = 5
    tool.say(tool.result(5, torque=60.0, ok=0))
    check("what comes after it is stored", is_stored(station, SECOND, 5), station.tightenings(SECOND))


def lost_and_late(station, tool):
    tool.report(7)
    check_gap(station, expected=6, got=7)
    tool.say(tool.result(6))
    check("the one that comes late closes the gap", ask_until(lambda: "result_gap" not in station.codes(BEAM)),
          station.codes(BEAM))
    late = ask_until(lambda: outcomes_of(station, 6))  # decided first, then on the disk
    check("it is kept, once", len(late) == 1 and late != [["Repeated"]], late)


def walk(station, tool):
    with plc.SlavePlc(station.description) as slave:
        station.open_for_work()
        await_links(station)
        set_down(station, slave, FIRST)
        proven(station, slave, tool, FIRST, (1, 2))
        moved_away(station, slave)
        token = set_down(station, slave, SECOND)
        twice(station, tool)
        in_pieces(station, tool)
        noise(station, tool)
        lost_and_late(station, tool)
        withheld_all_the_while(slave, token, "second")
        tool.last_words(station)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)
        tool.when_stopped()


class Lines(TorquePost):
    def ready(self):
        pass

    def after_break(self, _frame, connections):
        check("the station calls again", self.await_connections(connections + 1), self.connections)

    def last_words(self, station):
        check("nobody but its epoch names the count", station.tool(TOOL)["counter"] == 7, station.tool(TOOL))
        self.epoch = "b8"
        self.newest = 0
        check("a restart of the tool is noticed", ask_until(lambda: "result_gap" in station.codes(BEAM)),
              station.codes(BEAM))

    def when_stopped(self):
        pass


class Binary(HandTool):
    def ready(self):
        pass

    def after_break(self, _frame, connections):
        check("the tool calls again", self.await_connections(connections + 1), self.connections)

    def last_words(self, station):
        check("every result was acknowledged, those before the gap in their order",
              self.await_acknowledged(7) and self.acknowledged[0] == 1 and {1, 2, 3, 4, 5, 6, 7} == set(self.acknowledged),
              self.acknowledged)
        check("the one that came twice was acknowledged twice", self.acknowledged.count(3) == 2, self.acknowledged)
        torques = [round(7.1 * step) for step in range(101)]
        self.say(self.curve(3, torques))
        curves = []

        def arrived():
            curves[:] = [body["event"]["payload"]["TraceReceived"] for body in station.events("TraceReceived")]
            return curves
        check("its curve is kept with the result", ask_until(arrived), curves)
        check("whole", (str(curves[0]["counter"]), curves[0]["samples"]) == ("3", 101), curves)
        before = len(curves)
        for _ in range(80):
            self.say(self.curve(3, torques))
        check("of many more curves than results some are kept, and the rest is counted and refused",
              ask_until(lambda: station.health(TOOL)["counts"]["curves_refused"] >= 8
                        and arrived() and len(curves) - before + station.health(TOOL)["counts"]["curves_refused"] == 80),
              (len(curves), station.health(TOOL)))
        with HandTool(self.port, source="127.0.0.2") as stranger:
            before = refusals(station)
            check("somebody else calls", stranger.await_connections(1), stranger.connections)
            check("and is refused", ask_until(lambda: refusals(station) > before), refusals(station))
        check("which the tool does not notice", station.tool(TOOL)["link"] == "good", station.tool(TOOL))

    def when_stopped(self):
        pass


class Serial(SerialWrench):
    def ready(self):
        check("the tool is let run", self.await_enabled(True), self.told)

    def after_break(self, _frame, _connections):
        """Nobody hangs up on a serial line: the pause ends the half."""

    def last_words(self, station):
        check("it was told not to run before anything else", self.told[0] == "HALT", self.told)
        self.mute = True
        check("its silence holds the beam", ask_until(lambda: "tool_link_lost" in station.codes(BEAM)),
              station.codes(BEAM))
        self.mute = False
        check("and it is heard again", ask_until(lambda: station.tool(TOOL)["link"] == "good"), station.tool(TOOL))

    def when_stopped(self):
        check("it is told not to run when the station ends", self.await_enabled(False), self.told)

    def hang_up(self):
        """There is nobody to do it; the tool just says no more."""
        self.mute = True


def lines():
    port, = free_ports(1)

    def change(description):
        description["tools"][0]["link"]["frames"]["call"]["port"] = port
    with Lines(port) as tool, Station("frames-lines", change, example) as station:
        walk(station, tool)


def binary():
    port, = free_ports(1)

    def change(description):
        description["tools"][0]["link"]["frames"]["listen"]["port"] = port
    with Binary(port) as tool, Station("frames-binary", change, example) as station:
        walk(station, tool)


def serial():
    with SerialLine() as line:
        def change(description):
            description["tools"][0]["link"]["frames"]["serial"]["device"] = line.near
        with Serial(line.far) as tool, Station("frames-serial", change, example) as station:
            walk(station, tool)


if __name__ == "__main__":
    {"lines": lines, "binary": binary, "serial": serial}[sys.argv[1]]()
