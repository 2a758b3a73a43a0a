"""The real daemon as Modbus server: mbpoll reads its permissive blocks, and pymodbus plays the whole PLC.

The layout, the CRC-32 and the rule of the PLC are computed here from protocol/PERMISSIVE.md, with none of the code
that the daemon is built from.
"""

import plc
import unit_story
from claims import ask_until, check
from modbus_peers import mbpoll, shown_registers
from station import BEAM, CARRIER, Station

UNIT = "TM000871"
# The example that PERMISSIVE.md prints.
EXAMPLE = [0x0001, 0x0007, 0x0002, 0x0001, 0x1234, 0x5678, 0x46A7, 0x0000, 0x0003, 0x0009, 0x1C30,
           0xF3C2]


def poll_blocks(station, count):
    """What mbpoll shows of the first blocks; ends the script if it cannot read them."""
    link = station.controller
    status, text = mbpoll(link["port"], "-t", "4", "-r", str(link["permissive_address"]),
                          "-c", str(count * plc.BLOCK_WORDS))
    words = shown_registers(text)
    if status != 0 or len(words) != count * plc.BLOCK_WORDS:
        raise SystemExit(f"FAILED: mbpoll reads {count} permissive blocks at once: found {text}")
    return [plc.Block(words[at:at + plc.BLOCK_WORDS]) for at in range(0, len(words), plc.BLOCK_WORDS)]


def await_beam(station, code):
    """The beam's block once mbpoll shows it with this code, or the last that it showed."""
    last = []

    def shows():
        last[:] = poll_blocks(station, 1)
        return last[0].code == code

    ask_until(shows)
    return last[0]


def first_reason(station, permissive):
    return station.reasons(permissive)[0]["number"]


def empty_bay(station, master):
    """Withheld, with the token of the unit to come, and the beat goes on."""
    blocks = poll_blocks(station, 3)
    check("each block is sealed by its CRC-32 and names station, bay and permissive",
          all(block.good_crc and block.is_for((1, 1, number)) for number, block in enumerate(blocks, start=1)),
          [block.words for block in blocks])
    check("all are withheld", all(one.code == plc.WITHHELD for one in blocks), [block.words for block in blocks])
    check("all bear one token, which is that of a stay and no challenge",
          len({one.token for one in blocks}) == 1 and plc.is_stay(blocks[0].token), [block.words for block in blocks])
    check("each names the first reason that the station gives for it",
          [block.reason for block in blocks] == [first_reason(station, name) for name in master.names],
          [block.words for block in blocks])
    later = ask_until(lambda: next((one for one in poll_blocks(station, 1) if one.beat != blocks[0].beat), None))
    check("the beat advances", later is not None, blocks[0].beat)
    return blocks[0].token


def proven_unit(station, master, tools, offered):
    token = unit_story.set_down(station, master, UNIT, tools)
    check("the stay bears the token that the empty bay offered", token == offered, (token, offered))
    blocks = poll_blocks(station, 3)
    check("mbpoll sees the stay's token, withheld",
          all((one.code, one.token) == (plc.WITHHELD, token) for one in blocks), [one.words for one in blocks])
    check("the PLC may not move yet", not master.point(BEAM).may_move(), "it may")

    unit_story.tighten_all(*tools)
    check("the beam is released at the PLC once every joint is proven",
          master.await_point(BEAM, lambda point: point.acting() == plc.RELEASED), station.codes(BEAM))
    beam = await_beam(station, plc.RELEASED)
    check("mbpoll sees the release, for the same token and without a reason",
          (beam.code, beam.token, beam.reason, beam.good_crc) == (plc.RELEASED, token, 0, True), beam.words)
    return token


def lease(station, master):
    """The PLC goes on reading but writes no echo any more."""
    with master.lock:
        master.writes_feedback = False
    check("without an echo the release is withdrawn",
          master.await_point(BEAM, lambda point: point.acting() == plc.WITHHELD), master.point(BEAM).acting())
    block = poll_blocks(station, 1)[0]
    check("mbpoll sees it withheld too", block.code == plc.WITHHELD, block.words)
    check("the station calls the link stale", ask_until(lambda: station.controller_link() == "stale"),
          station.controller_link())
    check("and names it as the reason", "controller_link_lost" in station.codes(BEAM), station.codes(BEAM))
    with master.lock:
        master.writes_feedback = True
    check("with the echo back the beam is released again, for the unit that never left",
          master.await_point(BEAM, lambda point: point.acting() == plc.RELEASED), station.codes(BEAM))


def movements(station, master, token):
    check("the PLC is allowed to raise the beam", master.move(BEAM), station.codes(BEAM))
    check("the release was for one movement",
          ask_until(lambda: "movement_used" in station.codes(BEAM)), station.codes(BEAM))
    check("the carrier, which needs every joint, is released for the same unit",
          master.await_point(CARRIER, lambda point: point.acting() == plc.RELEASED), station.codes(CARRIER))
    check("the carrier takes the unit away", master.move(CARRIER), station.codes(CARRIER))
    master.set_present(False)
    check("the station sees the bay empty",
          ask_until(lambda: station.bay()["occupant"] is None and not station.bay()["departure_due"]),
          station.bay())
    master.set_present(True)
    check("the next unit bears another token",
          master.await_point(BEAM, lambda point: point.token not in (0, token)), hex(master.point(BEAM).token))


def false_echo(station, master):
    """A PLC that acts on a release which nobody gave is worse than a silent one."""
    point = master.point(CARRIER)
    real = point.acting
    with master.lock:
        point.acting = lambda: plc.RELEASED
    check("a PLC that acts on its own is a failed link", ask_until(lambda: station.controller_link() == "failed"),
          station.controller_link())
    check("and is named", "did not give" in station.health("J1")["why"], station.health("J1"))
    with master.lock:
        point.acting = real
    check("the link recovers once it obeys", ask_until(lambda: station.controller_link() == "good"),
          station.controller_link())


def main():
    check("the CRC-32 of this script is that of the example in PERMISSIVE.md", plc.is_sealed(EXAMPLE), EXAMPLE)
    with Station("server") as station:
        station.open_for_work()
        with unit_story.both_tools(station) as tools, plc.MasterPlc(station.description) as master:
            unit_story.await_links(station)
            offered = empty_bay(station, master)
            token = proven_unit(station, master, tools, offered)
            lease(station, master)
            movements(station, master, token)
            false_echo(station, master)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
