"""The real daemon as Modbus client of a PLC whose registers are pymodbus'; mbpoll reads there what it wrote."""

import plc
import unit_story
from claims import ask_until, check
from modbus_peers import mbpoll, shown_registers
from station import BAY, BEAM, Station

UNIT = "TM000872"


def newest(slave, permissive):
    return next((block for block in reversed(slave.written_blocks()) if block.permissive == permissive), None)


def empty_bay(station, slave):
    length = 3 * plc.BLOCK_WORDS
    check("every write starts at the configured register and has all blocks whole",
          all(address == station.controller["permissive_address"] and len(words) == length
              for address, words in slave.writes), slave.writes[:3])
    blocks = slave.written_blocks()
    check("every block that the station wrote is sealed by its CRC-32",
          all(block.good_crc for block in blocks), [block.words for block in blocks if not block.good_crc])
    check("each names its station, bay and permissive",
          all(block.is_for((1, 1, 1 + place % 3)) for place, block in enumerate(blocks)), blocks[0].words)
    check("from the first write on all are withheld", all(block.code == plc.WITHHELD for block in blocks),
          [block.words for block in blocks if block.code != plc.WITHHELD])

    # The approval of the rules began the line anew, with a beat of its own; from the good link on it goes on.
    before = len(blocks)
    check("the station goes on writing", ask_until(lambda: len(slave.written_blocks()) >= before + 30),
          len(slave.writes))
    beats = [block.beat for block in slave.written_blocks()[before:] if block.permissive == 1]
    steps = [(after - one) & 0xFFFF for one, after in zip(beats, beats[1:])]
    check("the beat advances by one, or stands where nothing new was ordered", set(steps) <= {0, 1} and 1 in steps,
          steps)


def mbpoll_block(station):
    """The beam's block as mbpoll reads it in the PLC; ends the script if it cannot."""
    status, text = mbpoll(station.controller["port"], "-t", "4",
                          "-r", str(station.controller["permissive_address"]), "-c", str(plc.BLOCK_WORDS))
    words = shown_registers(text)
    if status != 0 or len(words) != plc.BLOCK_WORDS:
        raise SystemExit(f"FAILED: mbpoll reads a block in the PLC: found {text}")
    return plc.Block(words)


def mbpoll_agrees(station, slave):
    block = mbpoll_block(station)
    check("what mbpoll reads in the PLC is a block that the station wrote",
          any(written.words == block.words for written in slave.written_blocks()), block.words)
    return block


def frozen_program(station, slave):
    """The PLC's communication answers, its program stands still: the echo gets old."""
    slave.frozen = True
    check("a PLC whose program stands still is a stale link",
          ask_until(lambda: station.controller_link() == "stale"), station.controller_link())
    check("the health page says what is missing", station.health(BAY)["quality"] == "stale"
          and station.health(BAY)["why"], station.health(BAY))
    check("the station withholds for it", "controller_link_lost" in station.codes(BEAM), station.codes(BEAM))
    written = len(slave.writes)
    check("it still writes", ask_until(lambda: len(slave.writes) >= written + 3), len(slave.writes))
    check("and writes withheld", newest(slave, 1).code == plc.WITHHELD, newest(slave, 1).words)
    slave.frozen = False
    check("the link recovers with the program", ask_until(lambda: station.controller_link() == "good"),
          station.controller_link())


def pulled_plug(station, slave):
    slave.slave.stop()
    check("a PLC that is gone is a failed link", ask_until(lambda: station.controller_link() == "failed"),
          station.controller_link())
    check("the health page names where it is sought",
          ask_until(lambda: str(station.controller["port"]) in station.health(BAY)["why"]), station.health(BAY))
    check("the station withholds for it", "controller_link_lost" in station.codes(BEAM), station.codes(BEAM))
    slave.slave.start()
    check("the station finds it again by itself", ask_until(lambda: station.controller_link() == "good"),
          station.controller_link())


def proven_unit(station, slave, tools):
    token = unit_story.set_down(station, slave, UNIT, tools)
    block = mbpoll_agrees(station, slave)
    check("it is the stay's, withheld", (block.token, block.code) == (token, plc.WITHHELD), block.words)
    unit_story.tighten_all(*tools)
    check("the PLC acts on the release", slave.await_point(BEAM, lambda point: point.acting() == plc.RELEASED),
          station.codes(BEAM))
    check("mbpoll reads the release in the PLC", ask_until(lambda: mbpoll_block(station).code == plc.RELEASED),
          mbpoll_block(station).words)
    check("no release was ever written for another token",
          all(one.token == token for one in slave.written_blocks() if one.code != plc.WITHHELD), token)


def main():
    with Station("client") as station:
        with unit_story.both_tools(station) as tools, plc.SlavePlc(station.description) as slave:
            station.open_for_work()
            unit_story.await_links(station)
            empty_bay(station, slave)
            mbpoll_agrees(station, slave)
            frozen_program(station, slave)
            pulled_plug(station, slave)
            proven_unit(station, slave, tools)
            check("the daemon ends in order", station.stop() == 0, station.process.returncode)
            last = [newest(slave, number) for number in (1, 2, 3)]
            check("its last word to the PLC is withheld, everywhere",
                  all(block.code == plc.WITHHELD for block in last), [block.words for block in last])


if __name__ == "__main__":
    main()
