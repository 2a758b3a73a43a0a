"""The real daemon is held up as a whole, as on a computer that stands still for a while: no link breaks, and yet nobody
looked. The unit is taken away meanwhile and another one set down, seen by an I/O module beside equipment that knows
coils only.
"""

import contextlib
import os
import signal
import time

import coils_at_station
import unit_story
from claims import ask_until, check
from coil_equipment import Equipment
from modbus_peers import Registers, Slave
from station import BAY, BEAM, CARRIER, Station, free_ports

UNIT = "TM000875"
PRESENT, RAISED, GONE = 5, 6, 7
HELD_UP_S = 4  # longer than the module's and the line's limits
WATCHED_S = 5


class Watched(Equipment):
    """Its sensors are wired to an I/O module, too."""

    wired = None

    def set_present(self, present):
        super().set_present(present)
        self.wired.put(PRESENT, [int(present)])


def by_module(port):
    def change(description):
        coils_at_station.by_coils(description)
        coils = description["bays"][0]["controller"]["coils"]
        del coils["present"]
        for permissive in coils["permissives"]:
            del permissive["moved"]
        description["io"] = [
            {"id": "IO-1", "bay": BAY, "host": "127.0.0.1", "port": port, "unit": 1, "poll_interval_ms": 50,
             "silence_limit_ms": 800,
             "inputs": [sensor("unit", PRESENT, {"present": {}}),
                        sensor("raised", RAISED, {"moved": {"permissive": BEAM}}),
                        sensor("gone", GONE, {"moved": {"permissive": CARRIER}})]}]
    return change


def sensor(name, number, use):
    return {"id": name, "table": "discrete_inputs", "number": number, "debounce_ms": 50, **use}


@contextlib.contextmanager
def held_up(station):
    os.kill(station.process.pid, signal.SIGSTOP)
    try:
        time.sleep(HELD_UP_S / 2)
        yield
        time.sleep(HELD_UP_S / 2)
    finally:
        os.kill(station.process.pid, signal.SIGCONT)


def another_unit_while_held_up(station, equipment, tools):
    coils_at_station.set_down(station, equipment, UNIT, tools)
    unit_story.tighten_all(*tools)
    check("the proven unit may be raised", ask_until(lambda: equipment.may_move(BEAM)), station.reasons(BEAM))
    with held_up(station):
        equipment.set_present(False)
        time.sleep(1)
        equipment.set_present(True)  # another one, of which no bolt was ever tightened
        check("equipment that hears nothing does not move", ask_until(lambda: not equipment.may_move(BEAM)), "it may")
    seen = []
    end = time.monotonic() + WATCHED_S
    ask_until(lambda: seen.append(equipment.may_move(BEAM)) or time.monotonic() > end, 2 * WATCHED_S)
    check("the unit that came meanwhile is never released", not any(seen), station.codes(BEAM))
    check("people are asked which unit it is", "presence_unconfirmed" in station.codes(BEAM), station.codes(BEAM))


def main():
    (port,) = free_ports(1)
    inputs = Registers({0: 10})
    with Slave(port, Registers({0: 1}), di=inputs), Station("client", by_module(port)) as station, \
            unit_story.both_tools(station) as tools, Watched(station.controller) as equipment:
        equipment.wired = inputs
        station.open_for_work()
        unit_story.await_links(station)
        another_unit_while_held_up(station, equipment, tools)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
