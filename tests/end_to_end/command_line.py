"""Claim: with the built programs alone a station is set up and used from the command line: the first administrator,
others with two people's consent, the approval of the rules, an operator on and off, a unit on hold, a suspension and
its end, somebody who stands in, a badge at the bay's scanner, a name that is taken out, a lost administrator, an
orderly end of the service, and a record that verifies. A wrong secret, one signature too few, and a secret for
somebody who is suspended are refused. At a station that takes orders they are entered by hand and sent as a file, all
of it or nothing, and a torque that somebody measured is compared with its limits.
"""

import os
import re

import plc
import unit_story
from claims import ask_until, check
from client import Desk, from_now, set_up
from station import BEAM, Station

UNIT = "TM000871"


def hold_a_unit(desk):
    state = desk.shows("state")
    hold = ["decide", "place-hold", "TM000871", "--reason", "engineering-release", "--text", "a crack was seen in it",
            "--seen", state["newest_event"]]
    wrong = desk.secret_file("wrong", "not the secret")
    desk.is_refused("a wrong secret decides nothing", 1, "do not fit together", *hold, "--as", "B-32",
                    "--secret-file", wrong)
    # After it the next try has to wait.
    check("the right one decides", ask_until(lambda: desk.asks(*hold, *desk.signed_by("B-32")).returncode == 0))
    holds = desk.shows("state")["holds"]
    check("the unit is on hold", [held["unit"] for held in holds] == ["TM000871"], holds)


def use(desk):
    desk.gets("the operator signs on", "sign-on", *desk.signed_by("B-20"))
    check("and is shown", desk.shows("state")["bays"][0]["signed_on"] is not None, desk.shows("state"))
    hold_a_unit(desk)
    said = desk.asks("scan", *desk.signed_by("B-20"),
                     typed="D LT26-0417 MB1 TM000871\nF LT26-0417 FR1 BF001203\nD LT26-04")
    check("labels that are typed are answered one by one",
          said.returncode == 1 and said.stderr.count("no unit has arrived") == 2, said)
    check("and one that is cut off is not sent", "ended within a line, which was not sent" in said.stderr, said)
    desk.gets("the operator signs off", "sign-off", *desk.signed_by("B-20"))
    desk.is_refused("only once", 1, "nobody is signed on", "sign-off", *desk.signed_by("B-20"))
    desk.gets("who has left is suspended", "suspend", "B-20", *desk.signed_by("B-12", "B-31"))
    renewal = ["renew-secret", "B-20", "--new-secret-file", desk.secret_file("another", "another one, and long")]
    desk.is_refused("a new secret alone does not end that", 1, "is suspended", *renewal,
                    *desk.signed_by("B-12", "B-31"))
    desk.gets("saying so does", *renewal, "--reinstate", *desk.signed_by("B-12", "B-31"))
    check("a station without a unit is held", desk.asks("why").returncode == 1)


def stand_in(desk):
    until = from_now(hours=8)
    deputy = ["deputy", "B-20", "--role", "production_supervisor"]
    desk.secrets["B-20"] = desk.station.folder / "another"

    def hold(unit):
        return ["decide", "place-hold", unit, "--reason", "engineering-release", "--text", "a crack was seen in it",
                "--seen", desk.shows("state")["newest_event"], *desk.signed_by("B-20")]

    desk.is_refused("an operator decides nothing", 1, "roles do not allow", *hold("TM000872"))
    desk.is_refused("one alone names no deputy", 1, "second person", *deputy, "--until", until,
                    *desk.signed_by("B-31"))
    desk.is_refused("nor do two until next year", 1, "at most 14 days", *deputy, "--until", from_now(days=300),
                    *desk.signed_by("B-31", "B-12"))
    desk.gets("two do", *deputy, "--until", until, *desk.signed_by("B-31", "B-12"))
    check("it is shown", until[:19] in desk.gets("people are listed", "people", *desk.signed_by("B-12")))
    desk.gets("the deputy decides", *hold("TM000872"))
    desk.gets("it is ended", *deputy, "--end", *desk.signed_by("B-20"))
    desk.is_refused("and the deputy decides no more", 1, "roles do not allow", *hold("TM000873"))


def sign_on_by_badge(desk):
    def signs_on(name):
        return ask_until(lambda: (desk.shows("state")["bays"][0]["signed_on"] or {}).get("name") == name)

    desk.station.scan("B-20")
    check("a badge at the bay's scanner signs on", signs_on("Bo Reed"), desk.shows("state"))
    desk.station.scan("B-20", "B-31")
    check("the next one takes over", signs_on("Cy Marsh"), desk.shows("state"))
    misread = desk.station.events("LabelMisread")
    check("what stands on a badge is not recorded", not misread, misread)


def take_out_a_name(desk):
    erasure = ["erase-name", "#2"]
    desk.is_refused("the name of somebody who works stays", 1, "suspended", *erasure, *desk.signed_by("B-12", "B-31"))
    desk.gets("who has left is suspended", "suspend", "B-20", *desk.signed_by("B-12", "B-31"))
    desk.gets("the name is taken out", *erasure, *desk.signed_by("B-12", "B-31"))
    people = desk.gets("people are listed", "people", *desk.signed_by("B-12"))
    check("nobody is called that", "Bo Reed" not in people and "person 2" in people, people)


def lose_the_administrator(desk):
    secret = desk.secret_file("fresh", "the secret of the new one")
    words = ["replace-administrator", "--state-folder", desk.station.state_folder, "--name", "Eve Stone",
             "--badge", "B-40", "--new-secret-file", secret, "--lost"]
    if os.geteuid() != 0:
        return desk.is_refused("who is not root replaces nobody", 2, "run this command as root", *words, "1")
    desk.is_refused("who is no administrator is not lost", 1, "is no administrator", *words, "3")
    desk.gets("root replaces the administrator", *words, "1")
    check("the pass is gone", not (desk.station.state_folder / "administrator.code").exists())
    desk.secrets["B-40"] = secret
    people = desk.gets("the new one may look", "people", *desk.signed_by("B-40"))
    check("the old one is suspended", "suspended" in people, people)
    check("an alarm is told", "alarm administrator_replaced" in desk.station.log(), desk.station.log()[-2000:])
    replaced = int(desk.station.events("AdministratorReplaced")[-1]["event"]["number"])

    def head_is_told():
        return any(int(head) >= replaced for head in re.findall(r"journal head event=(\d+)", desk.station.log()))
    check("and the head of the record with it", ask_until(head_is_told), desk.station.log()[-2000:])


# ---- a station that takes orders


def takes_orders(description):
    description["orders"] = {"folder": "orders", "separator": "semicolon"}
    # Slow beats: while programs are started, nobody calls the PLC lost.
    description["bays"][0]["controller"].update(beat_interval_ms=250, echo_timeout_ms=2000)


def known(desk):
    return {one["order"]: (one["variant"], [(each["kind"], each["serial"]) for each in one["tickets"]])
            for one in desk.shows("orders")["orders"]}


def enter_orders(desk):
    by = desk.signed_by("B-31")
    order = ["order", "add", "LT26-0417", "--serial", f"D={UNIT}", "--variant"]
    desk.is_refused("an operator enters no order", 1, "roles do not allow", *order, "MB1", *desk.signed_by("B-20"))
    desk.is_refused("nor is one taken that cannot be built", 1, "is for variant MB9", *order, "MB9", *by)
    check("nothing came of either", known(desk) == {}, known(desk))
    desk.gets("a supervisor enters one", *order, "MB1", *by)
    check("it waits to be built", known(desk) == {"LT26-0417": ("MB1", [("D", UNIT)])}, known(desk))
    desk.gets("another one is entered", "order", "add", "LT26-0420", "--variant", "MB1", *by)
    desk.gets("and cancelled", "order", "cancel", "LT26-0420", *by)
    desk.is_refused("one that nobody knows is not", 1, "LT26-0499 is not known", "order", "cancel", "LT26-0499", *by)
    check("the one is left", list(known(desk)) == ["LT26-0417"], known(desk))


def order_file(desk, *rows):
    file = desk.station.folder / "monday.csv"
    file.write_text("".join(row + "\n" for row in ("action;order;variant;serial_D", *rows)), encoding="utf-8")
    return file


def send_orders(desk):
    before, by = known(desk), desk.signed_by("B-31")
    first = "add;LT26-0418;MB1;TM000872"
    desk.is_refused("a file with a mistake is refused, by its line", 1, "3;\"order LT26-0419 is for variant MB9",
                    "send-orders", order_file(desk, first, "add;LT26-0419;MB9;TM000873"), *by)
    check("nothing of it counts, what was right in it neither", known(desk) == before, known(desk))
    right = order_file(desk, first, "add;LT26-0419;MB1;TM000873")
    desk.is_refused("an operator sends none", 1, "roles do not allow", "send-orders", right, *desk.signed_by("B-20"))
    desk.is_refused("one that is not there is a wrong usage", 2, "there is no such file",
                    "send-orders", desk.station.folder / "tuesday.csv", *by)
    desk.is_refused("a folder is none", 2, "this is a folder, and no file", "send-orders", desk.station.folder, *by)
    check("still nothing counts", known(desk) == before, known(desk))
    answer = desk.gets("a right one is taken", "send-orders", right, *by)
    check("the answer says so of each line", all(f"{line};order LT26-{number} is added, variant MB1" in answer
                                                 for line, number in ((2, "0418"), (3, "0419"))), answer)
    sent = {"LT26-0418": ("MB1", [("D", "TM000872")]), "LT26-0419": ("MB1", [("D", "TM000873")])}
    check("and the orders wait to be built", known(desk) == {**before, **sent}, known(desk))


def is_certain(desk):
    """A measurement is of the unit that stands there. Where nobody saw it for a moment a scan says which it is."""
    if "presence_unconfirmed" in desk.station.codes(BEAM):
        desk.station.scan_unit(UNIT)
    return not {"presence_unconfirmed", "unit_absent"} & set(desk.station.codes(BEAM))


def measured(desk, claim, torque, sentence):
    words = ["hand-check", "axle-box-caps", "left 1", "--torque", torque, "--with", "wrench 7",
             *desk.signed_by("B-20")]
    said = []
    check(claim, ask_until(lambda: is_certain(desk) and said.append(desk.asks(*words)) is None
                           and sentence in said[-1].stdout), [one.stdout + one.stderr for one in said[-1:]])


def checks(desk):
    stays = desk.station.get(f"/v1/units/{UNIT}")["stays"]
    return [(one["subject"], one["fastener"], one["checked_torque"], one["outcome"]) for stay in stays
            for one in stay["decisions"] if one["kind"] == "hand_checked" and one["outcome"] != "refused"]


def check_by_hand(desk, slave, tools):
    station, by = desk.station, desk.signed_by("B-20")
    unit_story.set_down(station, slave, UNIT, tools)
    unit_story.tighten_all(*tools)
    check("the proven unit of a known order may be raised",
          slave.await_point(BEAM, lambda point: point.may_move()), station.codes(BEAM))
    one = ["hand-check", "axle-box-caps", "left 1", "--with", "wrench 7", "--torque"]
    desk.is_refused("what is no number is refused", 1, "give the measured number with a point", *one, "250,5", *by)
    desk.is_refused("so is a bolt that the joint does not have", 1, "no fastener 'left 9'",
                    "hand-check", "axle-box-caps", "left 9", "--torque", "250", "--with", "wrench 7", *by)
    check("neither is in the record", checks(desk) == [], checks(desk))
    measured(desk, "a torque inside the limits is recorded", "250.5", "inside the audit limits")
    check("as it was measured", checks(desk) == [("axle-box-caps", "left 1", "250.5 N·m", "inside_audit")],
          checks(desk))
    check("and takes nothing away", ask_until(lambda: is_certain(desk) and station.codes(BEAM) == []),
          station.codes(BEAM))
    measured(desk, "one outside of them too", "229.9", "outside the audit limits")
    check("as it was measured", checks(desk)[1:] == [("axle-box-caps", "left 1", "229.9 N·m", "outside_audit")],
          checks(desk))
    check("and locks its bolt", "fastener_locked" in station.codes(BEAM), station.codes(BEAM))
    check("so that nothing may be raised", slave.await_point(BEAM, lambda point: not point.may_move()),
          station.codes(BEAM))


def with_orders():
    with Station("client", takes_orders) as station:
        (station.state_folder / "orders").mkdir()
        desk = Desk(station)
        set_up(desk)
        enter_orders(desk)
        send_orders(desk)
        with unit_story.both_tools(station) as tools, plc.SlavePlc(station.description) as slave:
            unit_story.await_links(station)
            check_by_hand(desk, slave, tools)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)
        check("the record verifies", "is whole" in desk.gets("verify answers", "verify", station.journal))


def without_orders():
    with Station("client") as station:
        desk = Desk(station)
        set_up(desk)
        use(desk)
        stand_in(desk)
        sign_on_by_badge(desk)
        take_out_a_name(desk)
        lose_the_administrator(desk)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)
        check("the record verifies", "is whole" in desk.gets("verify answers", "verify", station.journal))


if __name__ == "__main__":
    without_orders()
    with_orders()
