"""Claim: with the built programs alone a station is set up and used from the command line: the first administrator,
others with two people's consent, the approval of the rules, an operator on and off, a unit on hold, a suspension and
its end, somebody who stands in, a badge at the bay's scanner, a name that is taken out, a lost administrator, an
orderly end of the service, and a record that verifies. A wrong secret, one signature too few, and a secret for somebody
who is suspended are refused.
"""

import os
import re

from claims import ask_until, check
from client import Desk, from_now, set_up
from station import Station


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


def main():
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
    main()
