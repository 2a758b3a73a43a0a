"""The station is killed between a result and its curve. The tool still shows the curve, and it speaks against the result:
the joint is not OK, as if nothing had happened, though its rules accept a curve that is missing."""

import plc
import polled_tool
import unit_story
from claims import ask_until, check
from station import BRACKET_TOOL, CAPS_TOOL, Station

UNIT = "TM000875"
BELONGS, COUNT, SAMPLES, AT_MOST = 400, 401, 410, 50
PATIENCE_MS = 3000


def with_curves(description):
    for profile in description["profiles"]:
        profile["layout"]["trace"] = {
            "belongs_to": {"address": BELONGS, "type": "uint16"}, "count": {"address": COUNT, "type": "uint16"},
            "samples": AT_MOST, "interval_us": 1000, "torque_unit": "N.m",
            "torque": {"field": {"address": SAMPLES, "type": "int16", "scale": 0.1}, "apart": 2},
            "angle": {"field": {"address": SAMPLES + 1, "type": "uint16", "scale": 0.1}, "apart": 2}}
    caps = next(joint for joint in description["joints"] if joint["id"] == "axle-box-caps")
    caps["passes"][0]["window"]["curve"] = {"target": "torque", "if_missing_or_damaged": "accept",
                                            "patience_ms": PATIENCE_MS}


class CurveTool(polled_tool.Tool):
    """The demo's tool, which shows the curve of its newest result some time after it."""

    def __init__(self, place):
        self.newest = 0
        polled_tool.Device.__init__(
            self, place, {polled_tool.START: polled_tool.LENGTH, polled_tool.ACKNOWLEDGE: 1, BELONGS: 2 * AT_MOST + 20},
            polled_tool.ACKNOWLEDGE, polled_tool.Slave)

    def show_curve(self, counter, peak):
        samples = [value for step in range(AT_MOST) for value in (int(peak * 10 * (step + 1) / AT_MOST), step * 2)]
        self.registers.put(SAMPLES, samples)
        self.registers.put(COUNT, [AT_MOST])
        self.registers.put(BELONGS, [counter])


def curves(station):
    return [body["event"]["payload"]["TraceReceived"]["counter"] for body in station.events("TraceReceived")]


def verdicts(station):
    return [line["verdict"] for line in station.tightenings(UNIT)]


def main():
    station = Station("client", with_curves)
    with CurveTool(station.tool_port(CAPS_TOOL)) as caps, CurveTool(station.tool_port(BRACKET_TOOL)) as bracket, \
            plc.SlavePlc(station.description) as slave:
        station.__enter__()
        station.open_for_work()
        unit_story.await_links(station)
        unit_story.set_down(station, slave, UNIT, (caps, bracket))
        check("the result is stored", caps.report(polled_tool.snug(1)), caps.acknowledged)
        station.process.kill()
        station.process.wait()
        caps.show_curve(1, 40.0)  # the result says 80 N.m
        with station:
            unit_story.await_links(station)
            check("the curve is read after the start", ask_until(lambda: curves(station)), station.log()[-2000:])
            check("it is that of the result", set(curves(station)) == {"1"}, curves(station))
            check("it was not given up before", station.events("CurveGivenUp") == [], station.events("CurveGivenUp"))
            judged = station.events("TraceReceived")[0]["record"]["outcome"]
            check("and speaks against it", judged.get("CurveJudged", {}).get("judgement", {}).get("verdict") == "not_ok",
                  judged)
            check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
