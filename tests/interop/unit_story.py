"""A unit's way through the station: it is set down, its tickets are scanned, its bolts are tightened."""

import contextlib
import time

import polled_tool
from claims import ask_until, check
from station import BEAM, BRACKET_TOOL, CAPS_TOOL, LONGEST_RUN_S


@contextlib.contextmanager
def both_tools(station):
    with polled_tool.Tool(station.tool_port(CAPS_TOOL)) as caps, \
            polled_tool.Tool(station.tool_port(BRACKET_TOOL)) as bracket:
        yield caps, bracket


def await_links(station):
    def missing():
        shown = station.get("/v1/station")
        return ([tool["id"] for tool in shown["tools"] if tool["link"] != "good"]
                + [bay["id"] for bay in shown["bays"] if bay["controller"]["link"] != "good"])

    shown = station.get("/v1/station")
    check("the station knows both tools and the bay", (len(shown["tools"]), len(shown["bays"])) == (2, 1), shown)
    check("tools and controller have good links", ask_until(lambda: not missing()), missing())


def set_down(station, plc, unit, tools, part="BF001203"):
    plc.set_present(True)
    check("the station sees a unit arrive", ask_until(lambda: station.bay()["occupant"] is not None),
          station.bay()["controller"])
    # A run that may have begun before the unit came belongs to no unit; let each tool be seen idle after that.
    idle_from = time.monotonic() + LONGEST_RUN_S
    check("the longest run is over", ask_until(lambda: time.monotonic() > idle_from))
    for tool in tools:
        check("a tool is polled while it is idle", tool.await_reads(6), tool.reads)
    station.scan_unit(unit, part)
    token = station.bay()["occupant"]["token"]
    check("every point of the PLC takes the unit's token",
          all(plc.await_point(name, lambda point: point.token == token) for name in plc.names), token)
    check("the station hears the token come back",
          ask_until(lambda: "token_not_taken" not in station.codes(BEAM)), station.codes(BEAM))
    return token


def tighten_all(caps, bracket):
    """Two caps, snug and then final, and two bolts of the bracket; each result is acknowledged before the next."""
    for count, make in enumerate((polled_tool.snug, polled_tool.snug, polled_tool.final, polled_tool.final), start=1):
        check(f"result {count} of the caps' tool is acknowledged", caps.report(make(count)), caps.acknowledged)
    for count in (1, 2):
        check(f"result {count} of the bracket's tool is acknowledged", bracket.report(polled_tool.bracket(count)),
              bracket.acknowledged)
