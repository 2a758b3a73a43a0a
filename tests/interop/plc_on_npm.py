"""The real daemon against Modbus packages of npm, as their server and as their client: each reads a withheld and a
released permissive as what they are.

    plc_on_npm.py PACKAGE client|server     the end that the package has

The layout, the CRC-32 and the rule of the PLC are those of plc.py, with none of the code that the daemon is built from.
"""

import socket
import sys

import npm_plc
import plc
import unit_story
from claims import ask_until, check
from modbus_peers import HOST
from station import BEAM, CARRIER, Station

UNIT = "TM000874"
ENDS = {"client": ("server", npm_plc.MasterPlc), "server": ("client", npm_plc.SlavePlc)}


def is_good(block, number):
    return block.good_crc and block.is_for((1, 1, number))


def listens(port):
    try:
        socket.create_connection((HOST, port), timeout=20).close()
    except OSError:
        return False
    return True


def empty_bay(package, controller):
    blocks = controller.blocks()
    check(f"{package} reads a block for each permissive, sealed by its CRC-32 and under its own number",
          len(blocks) == 3 and all(is_good(block, number) for number, block in enumerate(blocks, start=1)),
          [block.words for block in blocks])
    check("all are withheld", all(block.code == plc.WITHHELD for block in blocks), [block.words for block in blocks])
    beat = blocks[0].beat
    later = controller.await_block(BEAM, lambda block: block.beat != beat)
    check("the beat that it reads advances", 1 <= (later.beat - beat) & 0xFFFF, (beat, later.beat))


def withheld(package, station, controller, token):
    reason = station.reasons(BEAM)[0]["number"]
    block = controller.await_block(BEAM, lambda block: (block.token, block.reason) == (token, reason))
    check(f"{package} reads the unit's permissive as withheld, with the reason that the station gives",
          is_good(block, 1) and (block.code, block.token, block.reason) == (plc.WITHHELD, token, reason), block.words)
    check("and the PLC may not move", not controller.point(BEAM).may_move(), "it may")


def released(package, station, controller, tools, token):
    unit_story.tighten_all(*tools)
    check("the PLC acts on the release once every joint is proven",
          controller.await_point(BEAM, lambda point: point.acting() == plc.RELEASED), station.codes(BEAM))
    block = controller.block(BEAM)
    check(f"{package} reads the permissive as released, for this unit and without a reason",
          is_good(block, 1) and (block.code, block.token, block.reason) == (plc.RELEASED, token, 0), block.words)
    check("the station hears the echo of it", station.controller_link() == "good", station.controller_link())


def withheld_again(package, station, controller):
    """One movement uses the release up; the movement is reported through the package too."""
    check("the PLC raises the beam", controller.move(BEAM), station.codes(BEAM))
    check("the station counts the movement", ask_until(lambda: "movement_used" in station.codes(BEAM)),
          station.codes(BEAM))
    block = controller.await_block(BEAM, lambda block: block.code == plc.WITHHELD)
    check(f"{package} reads the permissive as withheld again, after one movement",
          is_good(block, 1) and (block.code, block.moved) == (plc.WITHHELD, 1), block.words)
    other = controller.await_block(CARRIER, lambda block: block.code == plc.RELEASED)
    check("and the carrier's, beside it, as released", is_good(other, 2) and other.code == plc.RELEASED, other.words)


def main():
    package, end = sys.argv[1:]
    role, controller_of = ENDS[end]
    with Station(role) as station:
        # First the rules, whose approval begins the line anew: a client of these packages does not call again.
        station.open_for_work()
        if end == "client":
            check("the daemon listens", ask_until(lambda: listens(station.controller["port"])), station.log())
        with unit_story.both_tools(station) as tools, controller_of(station.description, package) as controller:
            unit_story.await_links(station)
            empty_bay(package, controller)
            token = unit_story.set_down(station, controller, UNIT, tools)
            withheld(package, station, controller, token)
            released(package, station, controller, tools, token)
            withheld_again(package, station, controller)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
