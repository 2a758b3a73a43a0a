"""Tools whose registers are pymodbus': the real daemon polls, judges, stores and acknowledges their results."""

import sqlite3
import struct

import plc
import polled_tool
import unit_story
from claims import ask_until, check
from modbus_peers import mbpoll, shown_registers
from station import BEAM, BRACKET_TOOL, CAPS_TOOL, Station

UNIT = "TM000873"
SHOWN_BEFORE = 7  # the result that the caps' tool shows when the station first sees it


def stored_at_acknowledgement(station, tool, seen):
    """While the daemon still waits for the answer to its acknowledgement, somebody else looks into the journal."""
    def look(counter):
        with sqlite3.connect(f"file:{station.journal}?mode=ro", uri=True) as journal:
            found = journal.execute("SELECT count(*) FROM tightening WHERE tool = ? AND counter = ?",
                                    (tool, str(counter))).fetchone()[0]
        seen.append((tool, counter, found))
    return look


def stored_first(seen, least):
    check("at every acknowledgement so far the result was in the journal already, once",
          len(seen) >= least and all(found == 1 for _, _, found in seen), seen)


def of_tool(station, tool):
    return [line for line in station.tightenings(UNIT) if line["tool"] == tool]


def with_counter(station, tool, counter):
    return [line for line in of_tool(station, tool) if line["counter"] == str(counter)]


def shown_before(station, caps):
    check("a result from before is acknowledged, so that the tool can go on",
          caps.await_acknowledged(SHOWN_BEFORE), caps.acknowledged)
    outcomes = [list(body["record"]["outcome"]) for body in station.events("ResultReceived")]
    check("it is kept, and counted for nothing", outcomes in ([["BeforeBaseline"]], [["Repeated"]]), outcomes)
    check("the station follows the count from there", station.tool(CAPS_TOOL)["counter"] == SHOWN_BEFORE,
          station.tool(CAPS_TOOL))


def one_result(station, caps, seen):
    check("the first result is acknowledged", caps.report(polled_tool.snug(8, 80.5, 12.3)), caps.acknowledged)
    stored_first(seen, 2)
    line = with_counter(station, CAPS_TOOL, 8)
    check("it is stored once, with joint, fastener, pass and attempt",
          [(one["joint"], one["fastener"], one["pass"], one["attempt"]) for one in line]
          == [("axle-box-caps", "left 1", "snug", 1)], line)
    check("it is judged OK", (line[0]["verdict"], line[0]["findings"]) == ("ok", []), line)
    check("with the torque and angle that the tool showed",
          (line[0]["torque"], line[0]["angle"]) == ("80.5 N·m", "12.3 deg"), line)


def mbpoll_agrees(station, caps):
    """mbpoll reads from the tool what the daemon has in its record."""
    port = station.tool_port(CAPS_TOOL)
    status, text = mbpoll(port, "-t", "4", "-r", str(polled_tool.START), "-c", str(polled_tool.LENGTH))
    words = shown_registers(text)
    check("mbpoll reads the tool's block", status == 0 and len(words) == polled_tool.LENGTH, text)
    line = with_counter(station, CAPS_TOOL, words[-1])
    torque = struct.unpack(">f", struct.pack(">2H", *words[4:6]))[0]
    check("mbpoll and the record agree about torque and angle",
          len(line) == 1 and (line[0]["torque"], line[0]["angle"])
          == (f"{torque:.1f} N·m", f"{words[6] / 10:.1f} deg"), (line, words))
    acknowledged = mbpoll(port, "-t", "4", "-r", str(polled_tool.ACKNOWLEDGE))[1]
    check("mbpoll sees the acknowledgement in its register", shown_registers(acknowledged) == [caps.acknowledged[-1]],
          acknowledged)


def bad_result(station, bracket):
    low = polled_tool.bracket(1, 60.0, 15.0, polled_tool.TORQUE_OUTSIDE)
    check("a result that is not OK is acknowledged too", bracket.report(low), bracket.acknowledged)
    line = with_counter(station, BRACKET_TOOL, 1)
    check("it is judged not OK, for its torque", line[0]["verdict"] == "not_ok" and "torque_low" in line[0]["findings"],
          line)
    check("and holds the beam", "joint_not_ok" in station.codes(BEAM), station.codes(BEAM))


def torn_block(station, bracket):
    """The tool writes its counter first and its values after it, one by one, while the station reads. Whichever of
    two reads the station begins with, it meets the new counter with values of which not all are new."""
    old, new = polled_tool.bracket(1, 60.0, 15.0).words(), polled_tool.bracket(2, 71.5, 16.0).words()
    order = [16, 4, 5, 6]  # counter, torque, angle
    images = []
    for step in range(1, len(order)):
        image = list(old)
        for place in order[:step]:
            image[place] = new[place]
        images.append(image)
    images.append(new)

    def write_on(registers, address, _count):
        if address == polled_tool.START and images:
            registers.put(polled_tool.START, images.pop(0))

    bracket.before_read = write_on
    check("a result that was written while it was read is acknowledged", bracket.await_acknowledged(2),
          bracket.acknowledged)
    bracket.before_read = None
    line = with_counter(station, BRACKET_TOOL, 2)
    check("only the whole result was stored, no mixture of old and new values",
          [(one["torque"], one["angle"], one["verdict"]) for one in line] == [("71.5 N·m", "16 deg", "ok")], line)


def overwritten_block(station, caps):
    """The tool goes on to the next result while one is read: the counter is another one at the second read."""
    mixed = polled_tool.snug(9, 81.0, 12.0).words()
    after = polled_tool.snug(10, 88.0, 20.0).words()
    mixed[6] = after[6]  # the angle is the next result's already

    def go_on(registers, address, count):
        if count == polled_tool.LENGTH and mixed:
            registers.put(polled_tool.START, mixed)
            mixed.clear()
        elif address == polled_tool.COUNTER and not mixed:
            registers.put(polled_tool.START, after)

    caps.before_read = go_on
    check("results that were lost by it are a gap", ask_until(lambda: "result_gap" in station.codes(BEAM)),
          station.codes(BEAM))
    caps.before_read = None
    gap = next(one for one in station.reasons(BEAM) if one["code"] == "result_gap")
    check("the gap names the tool, the expected count and the one that came",
          (gap["tool"], {fact["name"]: fact["value"] for fact in gap["facts"]})
          == (CAPS_TOOL, {"expected": "9", "got": "10"}), gap)
    check("the mixture was not stored", with_counter(station, CAPS_TOOL, 9) == [], with_counter(station, CAPS_TOOL, 9))
    late = with_counter(station, CAPS_TOOL, 10)
    check("the next result is kept, for no fastener",
          [(one["outcome"], one["joint"]) for one in late] == [("unassigned", None)], late)


def jump(station, caps):
    """While the gap is open, the count jumps once more."""
    newest = caps.acknowledged[-1]
    caps.show(polled_tool.snug(14))
    check("a jump of the counter is kept too",
          ask_until(lambda: with_counter(station, CAPS_TOOL, 14)), of_tool(station, CAPS_TOOL))
    check("nothing is acknowledged over a gap", caps.acknowledged[-1] == newest == 8, caps.acknowledged)
    check("the station calls the count broken",
          (station.tool(CAPS_TOOL)["count"], station.tool(CAPS_TOOL)["expected"]) == ("broken", 9),
          station.tool(CAPS_TOOL))
    station.decide({"accept_gap": {"tool": CAPS_TOOL}}, "result-lost", "Nobody can bring the lost results")
    check("with the gap accepted by people the tool may drop what it has", caps.await_acknowledged(14),
          caps.acknowledged)
    check("and the count is followed again", ask_until(lambda: "result_gap" not in station.codes(BEAM)),
          station.codes(BEAM))


def main():
    seen = []
    with Station("client") as station:
        with polled_tool.Tool(station.tool_port(CAPS_TOOL), newest=SHOWN_BEFORE) as caps, \
                polled_tool.Tool(station.tool_port(BRACKET_TOOL)) as bracket, \
                plc.SlavePlc(station.description) as slave:
            caps.on_acknowledged = stored_at_acknowledgement(station, CAPS_TOOL, seen)
            bracket.on_acknowledged = stored_at_acknowledgement(station, BRACKET_TOOL, seen)
            station.open_for_work()
            unit_story.await_links(station)
            shown_before(station, caps)
            unit_story.set_down(station, slave, UNIT, (caps, bracket))
            one_result(station, caps, seen)
            mbpoll_agrees(station, caps)
            bad_result(station, bracket)
            torn_block(station, bracket)
            overwritten_block(station, caps)
            jump(station, caps)
            stored_first(seen, 5)
            check("nothing was released meanwhile",
                  all(block.code == plc.WITHHELD for block in slave.written_blocks()), "a release")
            check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
