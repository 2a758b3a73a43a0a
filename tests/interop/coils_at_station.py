"""The real daemon and simple equipment that knows coils and inputs only: pymodbus holds them, the Structured Text of
deploy/plc/coils.st is its program, and mbpoll reads what the station wrote. A unit with joints of class C is held,
released, moved; an echo that stands still, a station that dies and a movement past the permissive withhold.
"""

import time

import coil_equipment
import unit_story
from claims import ask_until, check
from coil_equipment import ALIVE, ECHO, FIRST_RELEASE, Equipment
from modbus_peers import mbpoll, shown_registers
from station import BAY, BEAM, CARRIER, LONGEST_RUN_S, Station

UNIT, NEXT_UNIT = "TM000875", "TM000876"


def by_coils(description):
    """The bay's equipment knows coils only, so every joint is of class C and every permissive for one movement."""
    controller = description["bays"][0]["controller"]
    del controller["permissive_address"], controller["feedback_address"]
    controller.update(beat_interval_ms=100, beat_timeout_ms=1200, coils=coil_equipment.coils_for([BEAM, CARRIER]))
    description["permissives"] = [one for one in description["permissives"] if one["id"] in (BEAM, CARRIER)]
    for one in description["permissives"]:
        one.update(one_shot=True, scope="classes", classes=["C"])
    for joint in description["joints"]:
        joint["risk_class"] = "C"
    description["plans"][0]["leaving_incomplete"] = {"permissives": [CARRIER]}


def read_coils(station):
    status, text = mbpoll(station.controller["port"], "-t", "0", "-r", "0", "-c", str(FIRST_RELEASE + 2))
    coils = shown_registers(text)
    if status != 0 or len(coils) != FIRST_RELEASE + 2:
        raise SystemExit(f"FAILED: mbpoll reads the coils: found {text}")
    return coils


def release_of_beam(station):
    return read_coils(station)[FIRST_RELEASE]


def set_down(station, equipment, unit, tools):
    equipment.set_present(True)
    check("the station sees a unit arrive", ask_until(lambda: station.bay()["occupant"] is not None), station.bay())
    # A run that may have begun before the unit came belongs to no unit; let each tool be seen idle after that.
    idle_from = time.monotonic() + LONGEST_RUN_S
    check("the longest run is over", ask_until(lambda: time.monotonic() > idle_from))
    for tool in tools:
        check("a tool is polled while it is idle", tool.await_reads(6), tool.reads)
    station.scan_unit(unit)


def held_and_released(station, equipment, tools):
    levels = {read_coils(station)[ALIVE] for _ in range(3)}
    check("mbpoll sees the alive coil switched over",
          ask_until(lambda: levels.add(read_coils(station)[ALIVE]) or levels == {0, 1}), levels)
    check("without a unit both release coils are off", read_coils(station)[FIRST_RELEASE:] == [0, 0],
          read_coils(station))
    set_down(station, equipment, UNIT, tools)
    check("an unproven unit is held, and not for want of a token that coils do not carry",
          "joint_open" in station.codes(BEAM) and "token_not_taken" not in station.codes(BEAM), station.codes(BEAM))
    check("mbpoll reads the release coil off", release_of_beam(station) == 0, read_coils(station))
    unit_story.tighten_all(*tools)
    check("once it is proven the Structured Text may move", equipment.await_move_allowed(BEAM), station.codes(BEAM))
    check("and mbpoll reads the release coil on", release_of_beam(station) == 1, read_coils(station))


def one_movement(station, equipment):
    check("the beam is raised", equipment.move(BEAM), station.codes(BEAM))
    check("which uses up its release", ask_until(lambda: station.codes(BEAM) == ["movement_used"]),
          station.codes(BEAM))
    check("mbpoll reads the coil off again", ask_until(lambda: release_of_beam(station) == 0), read_coils(station))
    check("the carrier's release stands", equipment.may_move(CARRIER) and equipment.coil(CARRIER),
          station.codes(CARRIER))


def echo_stands_still(station, equipment):
    longest = 0
    for _ in range(3):
        equipment.stick(ECHO)
        began = time.monotonic()
        check("with an echo that stands still the coil goes off", ask_until(lambda: not equipment.coil(CARRIER)),
              station.controller_link())
        longest = max(longest, time.monotonic() - began)
        check("and the link is stale", ask_until(lambda: station.controller_link() == "stale"),
              station.controller_link())
        equipment.let_go()
        check("it recovers", ask_until(lambda: station.controller_link() == "good"), station.controller_link())
        check("but nobody looked meanwhile, so the unit must be confirmed",
              ask_until(lambda: station.codes(CARRIER) == ["presence_unconfirmed"]), station.reasons(CARRIER))
        station.scan_unit(UNIT)
        check("a scan of its ticket does that", equipment.await_move_allowed(CARRIER), station.codes(CARRIER))
    limit = station.controller["echo_timeout_ms"] / 1000
    print(f"longest of 3 from the echo that stands still to the coil off: {longest * 1000:.0f} ms; the time-out is "
          f"{limit * 1000:.0f} ms", flush=True)


def station_dies(station, equipment):
    station.process.kill()
    died = time.monotonic()
    station.process.wait()
    check("a coil that a dead station left on lets nothing move", equipment.await_move_allowed(CARRIER, False),
          equipment.coil(CARRIER))
    took = equipment.refused_at - died
    print(f"from the station's death to the refusal: {took * 1000:.0f} ms; the equipment's time-out is "
          f"{station.controller['beat_timeout_ms']} ms", flush=True)
    check("though it is still on", equipment.coil(CARRIER), "it is off")
    station.__enter__()
    check("a station that starts again withholds", ask_until(lambda: not equipment.coil(CARRIER)),
          station.codes(CARRIER))
    check("it has good links again", ask_until(lambda: station.controller_link() == "good"),
          station.controller_link())
    check("and waits for the unit to be confirmed",
          ask_until(lambda: "presence_unconfirmed" in station.codes(CARRIER)), station.reasons(CARRIER))
    check("what was proven is proven still, and the movement used",
          ask_until(lambda: sorted(station.codes(BEAM)) == ["movement_used", "presence_unconfirmed"]),
          station.codes(BEAM))
    station.scan_unit(UNIT)
    check("the scan releases the carrier again", equipment.await_move_allowed(CARRIER), station.codes(CARRIER))


def leaves(station, equipment):
    check("the carrier takes the unit away", equipment.move(CARRIER), station.codes(CARRIER))
    equipment.set_present(False)
    check("the station sees the bay empty",
          ask_until(lambda: station.bay()["occupant"] is None and not station.bay()["departure_due"]), station.bay())
    check("the stay has ended", ask_until(lambda: last_stay(station, UNIT)["ended"] is not None), last_stay(station, UNIT))
    check("and the unit has left proven", "left_unproven" not in str(station.events("ControllerReported")),
          station.events("ControllerReported")[-1])


def last_stay(station, unit):
    return station.get(f"/v1/units/{unit}")["stays"][-1]


def moved_by_hand(station, equipment, tools):
    set_down(station, equipment, NEXT_UNIT, tools)
    check("the next unit is held anew", not equipment.may_move(BEAM) and not equipment.coil(BEAM),
          station.codes(BEAM))
    check("the equipment has ceased to show the movement of the unit before",
          ask_until(lambda: not equipment.shows_moved(BEAM)))
    check("for long enough that the station has looked", equipment.await_beats(5))
    check("the beam is raised by hand, past the permissive", equipment.move(BEAM, by_hand=True))
    check("the station holds the unit for it", ask_until(lambda: "moved_unproven" in station.codes(CARRIER)),
          station.codes(CARRIER))


def main():
    with Station("client", by_coils) as station:
        with unit_story.both_tools(station) as tools, Equipment(station.controller) as equipment:
            station.open_for_work()
            unit_story.await_links(station)
            held_and_released(station, equipment, tools)
            one_movement(station, equipment)
            echo_stands_still(station, equipment)
            station_dies(station, equipment)
            leaves(station, equipment)
            moved_by_hand(station, equipment, tools)
            check("the daemon ends in order", station.stop() == 0, station.process.returncode)
            stood = equipment.alive()
            check("its last word: every coil off", not equipment.coil(BEAM) and not equipment.coil(CARRIER),
                  equipment.coils.look(0, 3))
            wanted = equipment.scans + 20
            check("and the alive coil stands still",
                  ask_until(lambda: equipment.scans > wanted) and equipment.alive() == stood)


if __name__ == "__main__":
    main()
