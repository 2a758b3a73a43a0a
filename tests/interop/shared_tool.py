"""The real daemon, two PLCs at two bays and one polled tool that both use, which runs only where the station lets it.
It is let run where a unit needs it; it changes the bay only once it has said that it rests, its count was looked at
after that and what it had made by then is in the journal. What it makes in between is nobody's and holds both bays;
one that does not stop does not change. The permissives of either bay follow their own unit.
"""

import sqlite3
import time

import plc
from claims import ask_until, check
from example_story import TOOL
from polled_peers import PROGRAM, SerialTool
from station import BAY, BEAM, Station, example, free_ports

OTHER = "J2"
PEERS = {BAY: "127.0.0.1", OTHER: "127.0.0.2"}  # from which the scanner of each bay calls
ENABLE, SELECT, ENABLED, SELECTED = 20, 21, 22, 23
COUNTER = 5
ON, OFF = 1, 0
LONGEST_RUN_S = 0.1
TOLD_AGAIN = 3  # times that a tool is told to stop which does not


# ---- the tool


class SharedTool(SerialTool):
    """It does as it is told, with its word for that in registers of its own. `stops`: whether it heeds an order to
    stop. `at_stop` runs when it stops, `at_start` before it starts. What goes over the wire is kept in `talk`: what
    it was told, and what it said when it was asked."""

    areas = {0: 6, ENABLE: 4}

    def __init__(self, place):
        self.stops, self.at_stop, self.at_start = True, None, None
        self.talk = []
        super().__init__(place)

    def _read(self, registers, address, count):
        asked = range(address, address + count)
        if ENABLED in asked:
            self.talk.append(("says", registers.look(ENABLED, 1)[0]))
        if COUNTER in asked:
            self.talk.append(("counts", registers.look(COUNTER, 1)[0]))
        super()._read(registers, address, count)

    def _written(self, registers, address, words):
        self.talk.append(("told", address, words[0]))
        if address == SELECT:
            registers.put(SELECTED, words)
        elif address == ENABLE and words == [ON]:
            self.act(self.at_start)
            registers.put(ENABLED, words)
        elif address == ENABLE and self.stops:
            runs = registers.look(ENABLED, 1) != [OFF]
            registers.put(ENABLED, words)
            self.act(self.at_stop if runs else None)
        elif address != ENABLE:
            raise ValueError(f"registers {address} and on are nobody's to write: {words}")
        with self.told:
            self.told.notify_all()

    def act(self, what):
        if what is not None:
            what()

    def obey(self):
        """As it was told long ago."""
        self.stops = True
        with self.registers.lock:
            self.registers.put(ENABLED, self.registers.look(ENABLE, 1))

    def make(self):
        self.report(self.newest + 1)
        return self.newest

    def is_enabled(self):
        return self.registers.look(ENABLED, 1) == [ON]

    def times_told(self, value):
        return self.talk.count(("told", ENABLE, value))

    def await_told(self, value, times):
        with self.told:
            return self.told.wait_for(lambda: self.times_told(value) >= times, 20)


def before_last_start(talk):
    """What was said between the last order to stop and the order by which it started elsewhere, which begins with
    another one to stop and the choice of the program."""
    start = len(talk) - 1 - talk[::-1].index(("told", ENABLE, ON))
    order = talk[start - 2:start + 1]
    check("it is told its program while it may not run",
          order == [("told", ENABLE, OFF), ("told", SELECT, PROGRAM), ("told", ENABLE, ON)], order)
    earlier = talk[:start - 2]
    stop = len(earlier) - 1 - earlier[::-1].index(("told", ENABLE, OFF))
    return earlier[stop + 1:]


def changed_in_order(tool):
    said = before_last_start(list(tool.talk))
    rests = ("says", OFF)
    check("before that it had said that it rests", rests in said, said)
    after = said[said.index(rests):]
    check("and its count was looked at after that", ("counts", tool.newest) in after, after)


# ---- the station


def copied(things, change):
    return things + [{**one, **change(one)} for one in things]


def shared(tool_port):
    def change(description):
        (port,) = free_ports(1)
        description["bays"] = copied(description["bays"], lambda bay: {
            "id": OTHER, "number": 2, "controller": {**bay["controller"], "port": port}})
        description["permissives"] = copied(description["permissives"], lambda one: {
            "id": at(OTHER, one["id"]), "number": one["number"] + 10, "bay": OTHER})
        description["scanners"] = copied(description["scanners"], lambda _one: {
            "id": "SC-2", "bay": OTHER, "peer": PEERS[OTHER]})
        description["plans"][0]["leaving_incomplete"]["permissives"].append(at(OTHER, "side-track"))
        tool = description["tools"][0]
        registers = tool["link"]["registers"]
        del registers["serial"]
        registers.update(host="127.0.0.1", port=tool_port, poll_interval_ms=50)
        tool.update(longest_run_ms=round(LONGEST_RUN_S * 1000), silence_limit_ms=4000, also_at=[OTHER],
                    control={"answer_within_ms": 500})
        layout = description["profiles"][0]["layout"]
        del layout["acknowledge"]
        layout["control"] = {"enable": {"address": ENABLE, "on": ON, "off": OFF},
                             "enabled": {"address": ENABLED, "type": "uint16"},
                             "program": SELECT, "selected": {"address": SELECTED, "type": "uint16"},
                             "programs": [{"code": PROGRAM, "text": "M12-bracket"}]}
    return change


def at(bay, permissive):
    return permissive if bay == BAY else f"{permissive}-2"


def of_bay(description, bay):
    """What the PLC of one bay has to know."""
    return {**description, "bays": [one for one in description["bays"] if one["id"] == bay],
            "permissives": [one for one in description["permissives"] if one["bay"] == bay]}


class Shop:
    """The station, its tool, and the PLC of each bay."""

    def __init__(self, station, tool, plcs):
        self.station, self.tool, self.plcs = station, tool, plcs

    def codes(self, bay):
        return self.station.codes(at(bay, BEAM), bay)

    def control(self):
        return self.station.tool(TOOL)["control"]

    def may_move(self, bay):
        return self.plcs[bay].point(at(bay, BEAM)).may_move()

    def is_at(self, bay):
        return (self.control()["at"], self.control()["confirmed"], self.tool.is_enabled()) == (bay, True, True)

    def await_at(self, bay):
        check(f"the tool is let run at {bay}, and says so", ask_until(lambda: self.is_at(bay)), self.control())

    def await_rest(self):
        check("the tool rests", ask_until(lambda: not self.control()["may_run"] and self.control()["confirmed"]),
              self.control())
        check("as it says itself", not self.tool.is_enabled(), self.tool.talk[-5:])

    def outcome(self, counter):
        """Of a result, with the unit for which it was counted."""
        found = [body["record"]["outcome"] for body in self.station.events("ResultReceived")
                 if int(body["event"]["payload"]["ResultReceived"]["reading"]["counter"]) == counter]
        return found[0] if len(found) == 1 else found

    def counts_at(self, bay):
        """The tool makes a result, which is that of the unit there."""
        check("the tool is seen idle", self.tool.await_reads(8), self.tool.reads)
        counter = self.tool.make()
        stay = self.station.bay(bay)["occupant"]["stay"]
        check(f"result {counter} comes", ask_until(lambda: self.outcome(counter)))
        outcome = self.outcome(counter)
        check(f"and counts for the unit at {bay}", int(outcome.get("Attributed", {}).get("stay", 0)) == stay, outcome)

    def is_between(self, counter):
        check(f"result {counter} comes", ask_until(lambda: self.outcome(counter)))
        outcome = self.outcome(counter)
        check("and counts for no unit, since it was made between two bays",
              outcome.get("Unassigned", {}).get("why") == "between_bays", outcome)
        for bay in self.plcs:
            check(f"the unit at {bay} waits for a word about it",
                  ask_until(lambda bay=bay: "result_unassigned" in self.codes(bay)), self.codes(bay))
            check(f"nothing may move at {bay}", not self.may_move(bay), self.codes(bay))

    def set_aside(self, bay):
        for one in self.station.bay(bay)["occupant"]["unassigned"]:
            self.station.decide({"set_result_aside": {"result": one["result"]}}, "result-lost",
                                "It was made on a test piece", bay)

    def call_to(self, bay):
        self.station.post(f"/v1/bays/{bay}/tools", {"tool": TOOL}, self.station.people["line_operator"])

    def set_down(self, bay, unit):
        self.plcs[bay].set_present(True)
        check(f"{unit}: the station sees a unit arrive at {bay}",
              ask_until(lambda: self.station.bay(bay)["occupant"] is not None), self.station.bay(bay))
        token = self.station.bay(bay)["occupant"]["token"]
        check(f"{unit}: every point of the PLC takes its token",
              all(self.plcs[bay].await_point(name, lambda point: point.token == token)
                  for name in self.plcs[bay].names), token)
        # What could have been begun before the unit came belongs to no unit.
        idle_from = time.monotonic() + LONGEST_RUN_S
        check(f"{unit}: whatever began before it is over", ask_until(lambda: time.monotonic() > idle_from))
        check(f"{unit}: and the tool is seen idle", self.tool.await_reads(8), self.tool.reads)
        self.station.scan(f"D LT26-0417 MB1 {unit}", peer=PEERS[bay])
        check(f"{unit}: its ticket is scanned", ask_until(lambda: self.station.identified_as(bay) == unit),
              self.station.identified_as(bay))

    def released(self, bay):
        check(f"{bay} is released", self.plcs[bay].await_point(at(bay, BEAM), lambda point: point.may_move()),
              self.codes(bay))

    def moved_away(self, bay):
        check(f"the beam of {bay} moves", self.plcs[bay].move(at(bay, BEAM)), self.codes(bay))
        self.plcs[bay].set_present(False)
        check("the unit leaves", ask_until(lambda: self.station.bay(bay)["occupant"] is None), self.station.bay(bay))


# ---- the story


def nobody_needs_it(shop):
    shop.await_rest()
    check("nobody has let it run", shop.tool.times_told(ON) == 0, shop.tool.talk)


def first_come_first_served(shop):
    shop.set_down(BAY, "TM000881")
    shop.await_at(BAY)
    shop.set_down(OTHER, "TM000882")
    shop.counts_at(BAY)
    check("it was let run once, at the bay where the unit stands longer", shop.tool.times_told(ON) == 1,
          shop.control())
    for bay in shop.plcs:
        check(f"{bay} waits for its bolts", ask_until(lambda bay=bay: shop.codes(bay) == ["joint_open"]),
              shop.codes(bay))
    shop.counts_at(BAY)
    shop.await_at(OTHER)
    changed_in_order(shop.tool)
    shop.released(BAY)
    check("the other bay is not", not shop.may_move(OTHER), shop.codes(OTHER))
    shop.counts_at(OTHER)
    check("nor is it by one bolt of two", not shop.may_move(OTHER), shop.codes(OTHER))
    shop.moved_away(BAY)


def does_not_stop(shop):
    """Called away, it goes on."""
    shop.set_down(BAY, "TM000883")
    check("it stays where it is needed still", shop.is_at(OTHER), shop.control())
    shop.tool.stops = False
    starts, stops = shop.tool.times_told(ON), shop.tool.times_told(OFF)
    shop.call_to(BAY)
    check("it is told to stop, and told again", shop.tool.await_told(OFF, stops + TOLD_AGAIN), shop.tool.talk[-9:])
    check("that it does not is told", ask_until(lambda: shop.control()["disobeys"]), shop.control())
    check("and an alarm", ask_until(lambda: "alarm tool_disobeys" in shop.station.log()), shop.station.log()[-2000:])
    shop.is_between(shop.tool.make())
    check("it goes on to be told", shop.tool.await_told(OFF, stops + 2 * TOLD_AGAIN), shop.tool.talk[-9:])
    check("and was let run nowhere meanwhile",
          (shop.tool.times_told(ON), shop.control()["at"], shop.control()["called_to"]) == (starts, None, BAY),
          shop.control())


def stops_at_last(shop):
    shop.tool.obey()
    shop.await_at(BAY)
    changed_in_order(shop.tool)
    shop.counts_at(BAY)
    shop.counts_at(BAY)
    shop.await_at(OTHER)
    shop.counts_at(OTHER)
    for bay in shop.plcs:
        check(f"with every bolt of {bay} proven, the result in between holds still",
              ask_until(lambda bay=bay: shop.codes(bay) == ["result_unassigned"]), shop.codes(bay))
    shop.set_aside(BAY)
    shop.released(BAY)
    check("a word about one unit is none about the other", shop.codes(OTHER) == ["result_unassigned"],
          shop.codes(OTHER))
    shop.set_aside(OTHER)
    shop.released(OTHER)
    for bay in shop.plcs:
        shop.moved_away(bay)
    shop.await_rest()


def with_a_result_at_the_stop(shop):
    """It obeys, and its count goes on in the same moment: a run that had begun before."""
    shop.set_down(OTHER, "TM000884")
    shop.await_at(OTHER)
    shop.set_down(BAY, "TM000885")
    stored = []
    shop.tool.at_stop = shop.tool.make
    shop.tool.at_start = lambda: stored.append(in_journal(shop.station, shop.tool.newest))
    shop.call_to(BAY)
    shop.await_at(BAY)
    shop.tool.at_stop = shop.tool.at_start = None
    changed_in_order(shop.tool)
    check("when it was let run at the other bay, what it made before was in the journal", stored == [1], stored)
    shop.is_between(shop.tool.newest)
    shop.counts_at(BAY)


def in_journal(station, counter):
    with sqlite3.connect(f"file:{station.journal}?mode=ro", uri=True) as journal:
        return journal.execute("SELECT count(DISTINCT counter) FROM tightening WHERE tool = ? AND counter = ?",
                               (TOOL, str(counter))).fetchone()[0]


def stopped_at_the_end(shop):
    shop.await_at(BAY)
    check("the daemon ends in order", shop.station.stop() == 0, shop.station.process.returncode)
    check("and has stopped the tool", not shop.tool.is_enabled() and shop.tool.talk[-1] == ("told", ENABLE, OFF),
          shop.tool.talk[-5:])


def main():
    (port,) = free_ports(1)
    with SharedTool(port) as tool, \
            Station("client", shared(port), lambda role: example("registers-serial")) as station, \
            plc.SlavePlc(of_bay(station.description, BAY)) as near, \
            plc.SlavePlc(of_bay(station.description, OTHER)) as far:
        shop = Shop(station, tool, {BAY: near, OTHER: far})
        station.open_for_work()
        check("tool and both controllers have good links",
              ask_until(lambda: station.tool(TOOL)["link"] == "good"
                        and all(station.bay(bay)["controller"]["link"] == "good" for bay in shop.plcs)),
              station.get("/v1/health"))
        for step in (nobody_needs_it, first_come_first_served, does_not_stop, stops_at_last,
                     with_a_result_at_the_stop, stopped_at_the_end):
            print(f"-- {step.__name__}", flush=True)
            step(shop)


if __name__ == "__main__":
    main()
