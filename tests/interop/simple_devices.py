"""The real daemon and devices that say one thing each: a wrench that clicks, a push button, lamps and a sensor at an
I/O module that is pymodbus', a scanner on a serial line, and equipment that knows coils only. What is too short, too
long, cut off or nobody's is told and counts for nothing; the lamps follow what is so.
"""

import base64
import os
import time

import coil_equipment
from claims import ask_until, check
from coil_equipment import ECHO, Equipment
from modbus_peers import Registers, Slave
from serial_peers import BAUD, PARITY, SerialLine
from station import BAY, BEAM, CARRIER, Station, example, free_ports

UNIT = "TM000881"
LABEL = f"D LT26-0417 MB1 {UNIT}".encode("ascii")
WRENCH, JOINT, STEP = "CW-8", "clips", "seal"
PULL, BUTTON, PRESENT, INPUTS = 3, 4, 5, 8
GREEN, YELLOW, RED, BLUE, ALIVE, LAMPS = 0, 1, 2, 3, 4, 8
NAMES = {GREEN: "green", YELLOW: "yellow", RED: "red", BLUE: "blue"}
# A click is from one second to six; far from both, so that a busy computer changes nothing.
SHORT_S, GOOD_S, MIN_MS, MAX_MS = 0.1, 2, 1000, 6000
DOUBTS = {"presence_unconfirmed", "unit_absent", "tool_link_lost", "controller_link_lost"}
TRIES = 3  # of a pulse: one that nobody looked at for long is told, and made again


# ---- the description


def simple(module_port, line):
    def change(description):
        controller = description["bays"][0]["controller"]
        del controller["permissive_address"], controller["feedback_address"]
        coils = coil_equipment.coils_for([BEAM, CARRIER])
        del coils["present"]
        # Slow beats: while the equipment says nothing new for a moment, nobody calls it lost.
        controller.update(beat_interval_ms=250, beat_timeout_ms=2000, echo_timeout_ms=2000, coils=coils)
        description["permissives"] = [one for one in description["permissives"] if one["id"] in (BEAM, CARRIER)]
        for one in description["permissives"]:
            one.update(one_shot=True, scope="classes", classes=["C"])
        description["profiles"] = []
        description["tools"] = [{"id": WRENCH, "name": "Wrench that clicks", "bay": BAY,
                                 "link": {"pulse": {"io": "IO-1", "input": "wrench"}}}]
        description["io"] = [module(module_port)]
        description["scanners"] = [{"id": "SC-1", "bay": BAY, "serial": {
            "device": line.near, "baud": BAUD, "parity": PARITY, "stop_bits": 1}}]
        description["joints"] = [{"id": JOINT, "name": "Clips", "risk_class": "C", "method": "click",
                                  "placement": "counted", "fasteners": [{"name": "1"}, {"name": "2"}],
                                  "tools": [WRENCH]},
                                 {"id": STEP, "name": "Seal", "risk_class": "C", "method": "confirmed_check",
                                  "fasteners": [{"name": "1"}]}]
        plan = description["plans"][0]
        plan["stages"][1] = {"name": "clips", "steps": [{"tighten": JOINT}, {"tighten": STEP}]}
        plan["leaving_incomplete"] = {"permissives": [CARRIER]}
    return change


def module(port):
    pulse = {"min_ms": MIN_MS, "max_ms": MAX_MS}
    return {"id": "IO-1", "bay": BAY, "host": "127.0.0.1", "port": port, "unit": 1, "poll_interval_ms": 20,
            "silence_limit_ms": 5000, "settling_ms": 100,
            "inputs": [{"id": "wrench", "number": PULL, "debounce_ms": 20, "pulse": pulse},
                       {"id": "done", "number": BUTTON, "debounce_ms": 20, "button": {"pulse": pulse}},
                       {"id": "unit", "number": PRESENT, "debounce_ms": 50, "present": {}}],
            "outputs": [{"number": GREEN, "lamp": "green"}, {"number": YELLOW, "lamp": "yellow"},
                        {"number": RED, "lamp": "red"}, {"number": BLUE, "lamp": "blue"},
                        {"number": ALIVE, "alive": True}]}


# ---- the devices


class Module:
    """Contacts and lamps. `flicker` names a contact that is to be on for one look only."""

    def __init__(self, port):
        self.flicker, self.flickered = None, 0
        self.contacts = Registers({0: INPUTS}, on_read=self._read)
        self.lamps = Registers({0: LAMPS})
        self.slave = Slave(port, Registers({0: 1}), di=self.contacts, co=self.lamps)

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        self.slave.__exit__(kind, error, trace)

    def _read(self, contacts, _address, _count):
        if self.flicker is not None:
            on = contacts.look(self.flicker, 1) == [1]
            contacts.put(self.flicker, [not on])
            self.flickered += not on

    def flicker_for(self, contact, times):
        """On at one look, off at the next."""
        self.flickered, self.flicker = 0, contact
        seen = ask_until(lambda: self.flickered >= times)
        with self.contacts.lock:
            self.flicker = None
            self.contacts.put(contact, [0])
        return seen

    def set(self, contact, on):
        self.contacts.put(contact, [int(on)])

    def pulse(self, contact, length_s):
        self.set(contact, True)
        end = time.monotonic() + length_s
        ask_until(lambda: time.monotonic() > end)
        self.set(contact, False)

    def lit(self):
        return {lamp for lamp in NAMES if self.lamps.look(lamp, 1)[0]}

    def alive(self):
        return self.lamps.look(ALIVE, 1)[0]


class SeenByModule(Equipment):
    """The sensor that sees its unit is wired to the module."""

    module = None

    def set_present(self, present):
        super().set_present(present)
        self.module.set(PRESENT, present)


class Scanner:
    def __init__(self, line):
        self.wire = os.open(line.far, os.O_WRONLY | os.O_NOCTTY)

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        os.close(self.wire)

    def says(self, text):
        os.write(self.wire, text)


# ---- what the station says


def payloads(station, kind):
    return [body["event"]["payload"][kind] for body in station.events(kind)]


def told(station):
    return [one["why"] for one in payloads(station, "InputRefused")]


def is_told(station, text):
    return ask_until(lambda: any(text in one for one in told(station)))


def misread(station):
    return [base64.b64decode(one["raw"]) for one in payloads(station, "LabelMisread")]


def outcomes(station, kind):
    return [body["record"]["outcome"] for body in station.events(kind)]


def results(station):
    return outcomes(station, "ResultReceived")


def presses(station):
    return outcomes(station, "ButtonPressed")


class Floor:
    """The station and all that hangs on it."""

    def __init__(self, station, devices, equipment, scanner):
        self.station, self.devices, self.equipment, self.scanner = station, devices, equipment, scanner

    def codes(self):
        return self.station.codes(BEAM)

    def in_doubt(self):
        return bool(DOUBTS & set(self.codes()))

    def says_which(self):
        """A scan of the unit that stands there, where nobody saw for a moment whether it is still the same: on a busy
        computer the module's answer may come too late."""
        if "presence_unconfirmed" in self.codes():
            self.scanner.says(LABEL + b"\r\n")
        return ask_until(lambda: not self.in_doubt(), 5)

    def attempts(self):
        (joint,) = self.station.bay()["occupant"]["joints"][:1]
        return [bolt["passes"][0]["attempts"] for bolt in joint["fasteners"]]

    def set_aside(self):
        for one in self.station.bay()["occupant"]["unassigned"]:
            self.station.decide({"set_result_aside": {"result": one["result"]}}, "result-lost",
                                "It was pulled in the air")

    def shows(self, *lamps, sure=True):
        """`sure`: of the unit and of every link."""
        wanted = ", ".join(NAMES[lamp] for lamp in lamps) or "none"
        check(f"lamps that are lit: {wanted}",
              ask_until(lambda: (not sure or self.says_which()) and self.devices.lit() == set(lamps)),
              ([NAMES[lamp] for lamp in self.devices.lit()], self.codes()))

    def may_move(self):
        check("the beam may move", ask_until(lambda: self.says_which() and self.equipment.may_move(BEAM)),
              self.codes())


# ---- the unit, by the sensor


def comes(floor):
    station, devices = floor.station, floor.devices
    check("a contact that only bounces is polled", devices.flicker_for(PRESENT, 20), devices.flickered)
    check("and is no unit", station.bay()["occupant"] is None, station.bay()["occupant"])
    floor.shows(sure=False)
    floor.equipment.set_present(True)
    check("one that stands still is", ask_until(lambda: station.bay()["occupant"] is not None), station.bay())


# ---- the scanner


def labels(floor):
    station, scanner = floor.station, floor.scanner
    scanner.says(LABEL[:-4])
    check("half a label is told as misread", ask_until(lambda: misread(station) == [LABEL[:-4]]), misread(station))
    scanner.says(LABEL[-4:] + b"\r\n")
    check("and its rest too", ask_until(lambda: misread(station) == [LABEL[:-4], LABEL[-4:]]), misread(station))
    check("the two were not put together", station.identified_as() is None, station.identified_as())
    check("the operator is asked for a label", ask_until(lambda: BLUE in floor.devices.lit()), floor.devices.lit())
    burst = [b"Z %02d" % number for number in range(30)]
    scanner.says(b"".join(one + b"\r\n" for one in [*burst, LABEL]))
    check("of a burst the last label is taken", ask_until(lambda: station.identified_as() == UNIT),
          station.identified_as())
    check("every other one is told, in its order", ask_until(lambda: misread(station)[2:] == burst), misread(station))
    check("a burst is no fault of the line", station.health("SC-1")["quality"] == "good", station.health("SC-1"))


# ---- the wrench


def nothing_counts(floor):
    check("and counts for nothing", (results(floor.station), floor.attempts()) == ([], [0, 0]),
          results(floor.station))


def too_short(floor):
    for _ in range(TRIES):
        floor.devices.pulse(PULL, SHORT_S)
        if is_told(floor.station, "is too short and counts for nothing"):
            break
    check("a click that is too short is told", "is too short" in "".join(told(floor.station)), told(floor.station))
    nothing_counts(floor)


def too_long(floor):
    for _ in range(TRIES):
        floor.devices.set(PULL, True)
        stays_on = is_told(floor.station, "the contact has been on for")
        floor.devices.set(PULL, False)
        if stays_on and is_told(floor.station, "is too long and counts for nothing"):
            break
    check("a contact that stays on is told", "the contact has been on for" in "".join(told(floor.station)),
          told(floor.station))
    check("and once more when it goes off", "is too long" in "".join(told(floor.station)), told(floor.station))
    nothing_counts(floor)


def without_the_module(floor):
    floor.devices.slave.stop()
    check("without the module the joint of its wrench is held", ask_until(lambda: "tool_link_lost" in floor.codes()),
          floor.codes())
    floor.devices.pulse(PULL, GOOD_S)
    floor.devices.slave.start()
    check("with it the link is good again", ask_until(lambda: "tool_link_lost" not in floor.codes()),
          floor.station.health("IO-1"))
    check("nobody saw whether the unit is still the same", ask_until(lambda: "presence_unconfirmed" in floor.codes()),
          floor.codes())
    floor.shows(YELLOW, BLUE, sure=False)
    check("a scan says so", ask_until(floor.says_which), floor.codes())
    check("a click of meanwhile is not made up", (results(floor.station), floor.attempts()) == ([], [0, 0]),
          results(floor.station))


def seen(floor, contact, all_of):
    """What came of one pulse of the right length, which is made again where nobody saw it whole, or which unit it was
    for."""
    for _ in range(TRIES):
        floor.says_which()
        before = len(all_of(floor.station))
        floor.devices.pulse(contact, GOOD_S)
        if ask_until(lambda: len(all_of(floor.station)) > before, 5) and not floor.in_doubt():
            came = all_of(floor.station)
            check("a pulse of the right length comes once", len(came) == before + 1, came)
            break
    return list(all_of(floor.station)[-1:])


def proven_by_clicks(floor):
    for wanted in ([1, 0], [1, 1]):
        check("the beam may not move", not floor.equipment.may_move(BEAM), floor.codes())
        outcome = seen(floor, PULL, results)
        check("a click counts", [list(one) for one in outcome] == [["Attributed"]], outcome)
        check("for one of the clips", floor.attempts() == wanted, floor.attempts())
    floor.shows(BLUE)


# ---- the button


def sign(station, act):
    station.post(f"/v1/bays/{BAY}/operator", {"act": act}, station.people["line_operator"])


def confirmed(floor):
    sign(floor.station, "sign_off")
    outcome = seen(floor, BUTTON, presses)
    check("with nobody signed on the button is refused",
          "nobody is" in outcome[0].get("Refused", {}).get("detail", ""), outcome)
    check("which releases nothing", not floor.equipment.may_move(BEAM), floor.codes())
    floor.shows(BLUE)
    sign(floor.station, "sign_on")
    outcome = seen(floor, BUTTON, presses)
    check("for who is signed on it confirms", [list(one) for one in outcome] == [["Confirmed"]], outcome)
    floor.may_move()
    floor.shows(GREEN)


# ---- the lamps


def what_is_wrong(floor):
    outcome = seen(floor, PULL, results)
    check("one click more belongs to no clip",
          outcome[0].get("Unassigned", {}).get("why") == "no_open_joint", outcome)
    check("and withholds", floor.equipment.await_move_allowed(BEAM, False), floor.codes())
    floor.shows(YELLOW)
    floor.set_aside()
    floor.may_move()
    floor.shows(GREEN)
    floor.equipment.stick(ECHO)
    check("an echo that stands still withholds", floor.equipment.await_move_allowed(BEAM, False), floor.codes())
    check("red is lit", ask_until(lambda: RED in floor.devices.lit()), floor.devices.lit())
    check("and not green", GREEN not in floor.devices.lit(), floor.devices.lit())
    floor.equipment.let_go()
    check("once it goes on the unit has to be confirmed",
          ask_until(lambda: floor.codes() == ["presence_unconfirmed"]), floor.codes())
    floor.shows(YELLOW, sure=False)
    floor.may_move()
    floor.shows(GREEN)


def leaves(floor):
    check("the beam is raised", floor.equipment.move(BEAM), floor.codes())
    check("the carrier takes the unit away", floor.equipment.move(CARRIER), floor.codes())
    floor.equipment.set_present(False)
    check("the sensor tells that it is gone", ask_until(lambda: floor.station.bay()["occupant"] is None),
          floor.station.bay())
    floor.shows(sure=False)


def runs(floor):
    stood = floor.devices.alive()
    check("the alive output is switched over", ask_until(lambda: floor.devices.alive() != stood), stood)


def ends(floor):
    check("the daemon ends in order", floor.station.stop() == 0, floor.station.process.returncode)
    check("all lamps are off", floor.devices.lit() == set(), floor.devices.lit())
    check("and so is the alive output", not floor.devices.alive(), floor.devices.alive())


def main():
    (port,) = free_ports(1)
    with SerialLine() as line, Module(port) as devices, Scanner(line) as scanner, \
            Station("client", simple(port, line), lambda role: example("registers-float")) as station, \
            SeenByModule(station.controller) as equipment:
        equipment.module = devices
        station.open_for_work()
        check("wrench and controller have good links",
              ask_until(lambda: station.tool(WRENCH)["link"] == "good" and station.controller_link() == "good"),
              station.get("/v1/health"))
        floor = Floor(station, devices, equipment, scanner)
        for step in (runs, comes, labels, too_short, too_long, without_the_module, proven_by_clicks, confirmed,
                     what_is_wrong, leaves, ends):
            print(f"-- {step.__name__}", flush=True)
            step(floor)


if __name__ == "__main__":
    main()
