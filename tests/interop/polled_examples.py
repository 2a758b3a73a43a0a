"""Tools whose registers are polled, on pymodbus: the real daemon, with each of the examples in config/examples, takes their
results, judges and stores them and releases a unit. Then what a tool and its wire can do wrong: results that are shown
again, half written, late, lost, and garbage. No unit is released by any of it, and each is told of."""

import random
import struct
import sys
import threading
import time

import plc
import wires
from claims import ask_until, check
from example_story import (FIRST, SECOND, THIRD, TOOL, await_links, check_gap, is_stored, moved_away,
                           outcomes_of, proven, refusals, set_down, with_counter, withheld_all_the_while)
from polled_peers import NOT_OK, FloatTool, RingTool, SerialTool
from serial_peers import SerialLine, SerialSlave
from station import BEAM, Station, example, free_ports

LATE_S = 0.45     # more than the quarter of the silence limit in which an answer is due, less than twice that
LASTING_S = 5     # of a connection after which the station calls again at once (service/links/backoff.hpp)
DISTURBED = 70.6  # the torque of a good result whose answers are disturbed
GARBAGE = 5       # times


def why(station):
    return station.health(TOOL)["why"] or ""


def values(lines):
    return [(one["torque"], one["verdict"]) for one in lines]


def holds(station, code):
    check(f"{code} holds the beam", ask_until(lambda: code in station.codes(BEAM)), station.codes(BEAM))


def await_good(station):
    check("the link to the tool is good again", ask_until(lambda: station.tool(TOOL)["link"] == "good"),
          station.health(TOOL))


def await_lost(station):
    check("the link to the tool is lost", ask_until(lambda: station.tool(TOOL)["link"] != "good"), station.health(TOOL))


def shows(tool, torque):
    """Whether an answer has this torque in it."""
    words = tool.words(torque)
    wanted = struct.pack(f">{len(words)}H", *words)
    return lambda answer: wanted in answer


# ---- the first unit: its last result has a bad wire


def disturbed(station, slave, tool, wire, last, faults):
    """Each answer about the good result that would release the unit is disturbed, in one way after the other; then no
    more. `last`: the unit, and the count of the result. A fault without a change is the tool's own: it refuses."""
    unit, counter = last
    disturbed_one = shows(tool, DISTURBED)

    def rule_of(change):
        return lambda answer: change(answer) if disturbed_one(answer) else [answer]

    for name, change, says in faults:
        if change is not None:
            wire.rule = rule_of(change)
        tool.registers.refusing = change is None
        if tool.newest < counter:
            tool.report(counter, torque=DISTURBED)
        check(f"{name}: the station says so", ask_until(lambda wanted=says: wanted in why(station)), why(station))
        check(f"{name}: nothing is stored", with_counter(station, unit, counter) == [], station.tightenings(unit))
        holds(station, "tool_link_lost")
    check("nothing was released by any of it", not slave.point(BEAM).may_move(), "it may move")
    wire.rule = None
    tool.registers.refusing = False
    check("over a good wire the result is stored", is_stored(station, unit, counter), station.tightenings(unit))
    lines = with_counter(station, unit, counter)
    check("once, and as it was", values(lines) == [(f"{DISTURBED} N·m", "ok")], lines)
    await_good(station)
    moved_away(station, slave)


# ---- the second unit: one bolt is proven, another good result would release it


def shown_again(station, tool, wire, good_from):
    tool.report(3)
    check("result 3 is stored", is_stored(station, SECOND, 3), station.tightenings(SECOND))
    check("it is shown for many polls", tool.await_reads(10), tool.reads)
    check("the connection has lasted", ask_until(lambda: time.monotonic() > good_from + LASTING_S))
    wire.rule = wires.swallow
    await_lost(station)
    wire.rule = None
    await_good(station)
    check("it is shown again on another connection", tool.await_reads(10), tool.reads)
    lines = with_counter(station, SECOND, 3)
    check("a result that is shown again and again is stored once", values(lines) == [("71 N·m", "ok")], lines)


def torn(station, tool):
    """Result 4, not OK, is written step by step, with a read by the station between the steps."""
    steps = tool.writes(4, 60.3, 15.9, NOT_OK)

    def write_on(registers, _address, count):
        if steps and tool.writes_before(count, len(steps)):
            registers.put(*steps.pop(0))

    tool.before_read = write_on
    check("a result that was written while it was read is stored", is_stored(station, SECOND, 4),
          station.tightenings(SECOND))
    tool.before_read = None
    lines = with_counter(station, SECOND, 4)
    check("once, and no mixture of it and the one before", values(lines) == [("60.3 N·m", "not_ok")], lines)


def late(station, tool, wire):
    """An answer comes after its time, with something good that the tool no longer shows by then."""
    came = threading.Event()
    is_late = shows(tool, 72.3)

    def hold(answer):
        if came.is_set() or not is_late(answer):
            return [answer]
        came.set()
        tool.report(5, torque=60.5, verdict=NOT_OK)
        wire.deliver_after(LATE_S, answer)
        return []

    wire.rule = hold
    tool.report(5, torque=72.3)
    check("an answer is held up", came.wait(20), tool.reads)
    check("the station says that none came in time", ask_until(lambda: "no answer in time" in why(station)), why(station))
    check("the result is stored", is_stored(station, SECOND, 5), station.tightenings(SECOND))
    wire.rule = None
    lines = with_counter(station, SECOND, 5)
    check("as the tool shows it, not as the late answer had it", values(lines) == [("60.5 N·m", "not_ok")], lines)


# ---- the third unit


def before_the_unit(station, slave, tool, wire):
    """A result of a time in which nobody could ask and the unit came: it may have been made before that."""
    wire.rule = wires.swallow
    await_lost(station)
    tool.report(7)
    slave.set_present(True)
    check("a unit comes", ask_until(lambda: station.bay()["occupant"] is not None), station.bay())
    wire.rule = None
    token = set_down(station, slave, THIRD)
    check("a result that may be from before the unit is stored", is_stored(station, THIRD, 7),
          station.tightenings(THIRD))
    lines = with_counter(station, THIRD, 7)
    check("for no bolt of it", [(one["outcome"], one["why"]) for one in lines] == [("unassigned", "not_in_one_stay")],
          lines)
    holds(station, "result_unassigned")
    await_good(station)
    return token


def garbage(station, tool):
    """Registers at random, all that the tool has. What can be a result is kept for no bolt, the rest refused."""
    seed = random.randrange(1 << 32)
    print(f"the garbage is that of seed {seed}", flush=True)
    chance = random.Random(seed)
    true, refused, stored = tool.image(), refusals(station), len(station.tightenings(THIRD))
    for _ in range(GARBAGE):
        tool.put({start: [chance.randrange(1 << 16) for _ in words] for start, words in true.items()})
        check("garbage is read", tool.await_reads(4), tool.reads)

    def kept():
        return station.tightenings(THIRD)[stored:]
    check("all of it is kept or refused", ask_until(lambda: refusals(station) - refused + len(kept()) >= GARBAGE), kept())
    check("none of it for a bolt", all(one["outcome"] == "unassigned" for one in kept()), kept())
    check("the count is called broken", station.tool(TOOL)["count"] == "broken", station.tool(TOOL))
    holds(station, "result_gap")
    tool.put(true)


def nothing_new(station, tool):
    newest = station.get("/v1/station")["newest_event"]
    return tool.await_reads(10) and station.get("/v1/station")["newest_event"] == newest


def followed_again(station, tool):
    check("the tool's own registers say nothing new", ask_until(lambda: nothing_new(station, tool)), station.tool(TOOL))
    newest = tool.newest
    check("nothing of the garbage was acknowledged", set(tool.acknowledged) <= set(range(newest + 1)), tool.acknowledged)
    station.decide({"accept_gap": {"tool": TOOL}}, "result-lost", "Nobody can bring the lost results")
    check("with the gap accepted by people the count is followed again",
          ask_until(lambda: "result_gap" not in station.codes(BEAM)), station.reasons(BEAM))
    idle_from = time.monotonic() + station.description["tools"][0]["longest_run_ms"] / 1000
    check("whatever began before that is over", ask_until(lambda: time.monotonic() > idle_from))
    check("and the tool is seen idle", tool.await_reads(6), tool.reads)
    tool.report(newest + 1)
    check("the next result is stored", is_stored(station, THIRD, newest + 1), station.tightenings(THIRD))
    lines = with_counter(station, THIRD, newest + 1)
    check("and counts", [(one["outcome"], *values([one])) for one in lines] == [("attributed", ("71 N·m", "ok"))], lines)
    # What it showed before the garbage is kept once more where its count seems to have begun anew; no bolt has it twice.
    counted = [outcomes_of(station, counter).count(["Attributed"]) for counter in range(1, newest + 2)]
    check("each result but the one from before the unit was counted, once", counted == [1] * 6 + [0, 1], counted)


def one_left_out(station, tool):
    tool.report(10)
    check_gap(station, expected=9, got=10)
    lines = is_stored(station, THIRD, 10)
    check("what came behind the gap is kept, for no bolt",
          [(one["outcome"], one["why"]) for one in lines] == [("unassigned", "count_broken")], lines)


def overrun(station, tool):
    """Ten between two polls: more than the ring keeps."""
    with tool.registers.lock:
        for counter in range(9, 19):
            tool.report(counter)
    check_gap(station, expected=9, got=12)
    lines = [is_stored(station, THIRD, counter) for counter in range(12, 19)]
    check("what the ring still has is kept, each once and for no bolt",
          [[one["outcome"] for one in line] for line in lines] == [["unassigned"]] * 7, lines)


def overwritten(station, tool):
    """The tool does not wait until its result is stored, and goes on to the next while that is read."""
    steps = [lambda: tool.show(9, torque=71.4), lambda: tool.report(10, torque=60.7, verdict=NOT_OK)]

    def go_on(_registers, _address, count):
        if steps and tool.writes_before(count, len(steps)):
            steps.pop(0)()

    tool.before_read = go_on
    check_gap(station, expected=9, got=10)
    tool.before_read = None
    check("the next one is stored", is_stored(station, THIRD, 10), station.tightenings(THIRD))
    lines = with_counter(station, THIRD, 9)
    check("what was being read is not", lines == [], lines)
    check("nothing is acknowledged behind the gap", max(tool.acknowledged) == 8, tool.acknowledged)


def walk(station, tool, wire, faults, lose):
    with plc.SlavePlc(station.description) as slave:
        station.open_for_work()
        await_links(station)
        set_down(station, slave, FIRST)
        proven(station, slave, tool, FIRST, (1,))
        disturbed(station, slave, tool, wire, (FIRST, 2), faults[:2])
        good_from = time.monotonic()
        set_down(station, slave, SECOND)
        shown_again(station, tool, wire, good_from)
        torn(station, tool)
        late(station, tool, wire)
        disturbed(station, slave, tool, wire, (SECOND, 6), faults[2:])
        token = before_the_unit(station, slave, tool, wire)
        garbage(station, tool)
        followed_again(station, tool)
        lose(station, tool)
        withheld_all_the_while(slave, token, "third")
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


# What is done to the answers about a result, and what the station says of it.
FAULTS = [("an answer that breaks off", wires.cut_off, "no answer in time"),
          ("an exception", None, "it has no such registers (exception 2)")]
OVER_TCP = [*FAULTS,
            ("an answer of another unit", wires.of_unit_9_over_tcp, "the answer is of unit 9, not of unit 1"),
            ("answers that come twice", wires.twice, "the answer is to another request")]
ON_SERIAL_LINE = [*FAULTS,
                  ("an answer with a wrong CRC", wires.with_bad_crc, "Invalid CRC"),
                  ("an answer of another unit", wires.of_unit_9_on_serial_line, "not from requested slave")]


def over_tcp(name, make, lose):
    near, far = free_ports(2)

    def change(description):
        description["tools"][0]["link"]["registers"]["port"] = near
    with make(far) as tool, wires.TcpWire(near, far) as wire, Station(name, change, example) as station:
        walk(station, tool, wire, OVER_TCP, lose)


def on_serial_line():
    with SerialLine() as line:
        def change(description):
            description["tools"][0]["link"]["registers"]["serial"]["device"] = line.near
        with SerialTool(line.far, slave=SerialSlave) as tool, Station("registers-serial", change, example) as station:
            walk(station, tool, line, ON_SERIAL_LINE, overwritten)


if __name__ == "__main__":
    {"float": lambda: over_tcp("registers-float", FloatTool, one_left_out),
     "ring": lambda: over_tcp("registers-ring", RingTool, overrun),
     "serial": on_serial_line}[sys.argv[1]]()
