"""A tool on a serial line, whose registers are pymodbus' (Modbus RTU): mbpoll reads it, then the real daemon polls,
judges, stores and acknowledges its results and releases the unit; mbpoll reads what the daemon wrote."""

import plc
import polled_tool
import unit_story
from claims import check
from modbus_peers import shown_registers
from serial_peers import BAUD, PARITY, SerialLine, SerialSlave, mbpoll_serial
from station import BEAM, BRACKET_TOOL, CAPS_TOOL, Station

UNIT = "TM000875"


def on(line):
    """The caps' tool is reached over the line."""
    def change(description):
        tool = next(one for one in description["tools"] if one["id"] == CAPS_TOOL)
        registers = tool["link"]["registers"]
        del registers["host"], registers["port"]
        registers["serial"] = {"device": line.near, "baud": BAUD, "parity": PARITY, "stop_bits": 1}
    return change


def registers_of(line, address, count):
    status, text = mbpoll_serial(line.near, "-t", "4", "-r", str(address), "-c", str(count))
    words = shown_registers(text)
    check(f"mbpoll reads {count} registers of the tool over the serial line", status == 0 and len(words) == count, text)
    return words


def with_counter(station, counter):
    return [one for one in station.tightenings(UNIT) if (one["tool"], one["counter"]) == (CAPS_TOOL, str(counter))]


def unit_is_released(station, slave, tools):
    unit_story.set_down(station, slave, UNIT, tools)
    check("the PLC may not move yet", not slave.point(BEAM).may_move(), "it may")
    unit_story.tighten_all(*tools)
    check("the beam is released at the PLC once every joint is proven",
          slave.await_point(BEAM, lambda point: point.acting() == plc.RELEASED), station.codes(BEAM))
    lines = [with_counter(station, counter) for counter in (1, 2, 3, 4)]
    check("each result of the tool is in the record, once and as it was shown",
          [[(one["torque"], one["angle"]) for one in line] for line in lines]
          == [[("80 N·m", "12 deg")]] * 2 + [[("256 N·m", "25 deg")]] * 2, lines)


def main():
    with SerialLine() as line, polled_tool.Tool(line.far, slave=SerialSlave) as caps:
        check("the tool shows no result yet",
              registers_of(line, polled_tool.START, polled_tool.LENGTH) == [polled_tool.EPOCH] + [0] * 16, "others")
        with Station("client", on(line)) as station:
            with polled_tool.Tool(station.tool_port(BRACKET_TOOL)) as bracket, \
                    plc.SlavePlc(station.description) as slave:
                station.open_for_work()
                unit_story.await_links(station)
                unit_is_released(station, slave, (caps, bracket))
            check("the daemon ends in order", station.stop() == 0, station.process.returncode)
        check("mbpoll sees the newest acknowledgement in its register",
              registers_of(line, polled_tool.ACKNOWLEDGE, 1) == [4], caps.acknowledged)
        newest = registers_of(line, polled_tool.START, polled_tool.LENGTH)
        check("and the result that it is about", newest[-1] == 4, newest)


if __name__ == "__main__":
    main()
