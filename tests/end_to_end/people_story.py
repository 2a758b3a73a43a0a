"""Claim: one shift with the built programs alone. A badge at the bay's scanner signs on; several wrong secrets lock,
also over a restart, until somebody of another role unlocks; who stands in for a role approves while the time runs and
is refused after it; a person renews the own secret; a name is taken out, and the record verifies and tells without it
what was decided.
"""

import base64
import datetime
import json

import plc
from claims import ask_until, check
from client import Desk, from_now, set_up
from station import Station

DEPUTY_S = 20
LOCK_S = 600


def strict_lock(description):
    description["people"]["lock"] = {"wrong_secrets": 3, "lasts_s": LOCK_S}


def restart(desk):
    check("the daemon ends in order", desk.station.stop() == 0, desk.station.process.returncode)
    desk.station.__enter__()


def signed_on(desk):
    return (desk.shows("state")["bays"][0]["signed_on"] or {}).get("name")


def sign_on_by_badge(desk):
    desk.station.scan("B-20")
    check("a badge at the bay's scanner signs on", ask_until(lambda: signed_on(desk) == "Bo Reed"), signed_on(desk))
    desk.station.scan("B-99")
    check("a badge of nobody is a label that nobody can read", ask_until(lambda: misread(desk) == ["B-99"]),
          misread(desk))
    check("and signs nobody off", signed_on(desk) == "Bo Reed", signed_on(desk))


def set_down(desk, slave):
    slave.set_present(True)
    check("a unit arrives", ask_until(lambda: desk.station.bay()["occupant"] is not None), desk.station.bay())
    desk.station.scan_unit("TM000871")


def of_kind(desk, kind):
    return [body["event"]["payload"][kind] for body in desk.station.events(kind)]


def misread(desk):
    return [base64.b64decode(one["raw"]).decode() for one in of_kind(desk, "LabelMisread")]


def override(desk, joint, by):
    return ["decide", "override", joint, "--reason", "result-lost", "--text", "the result did not arrive",
            "--verified", "both turned by hand with wrench 7", "--seen", desk.shows("state")["newest_event"],
            *desk.signed_by(by)]


def stand_in(desk):
    """Until when; by then the deputy has approved."""
    desk.is_refused("an operator approves nothing", 1, "roles do not allow", *override(desk, "axle-box-caps", "B-20"))
    until = from_now(seconds=DEPUTY_S)
    desk.gets("somebody stands in", "deputy", "B-20", "--role", "production_supervisor", "--until", until,
              *desk.signed_by("B-31", "B-12"))
    desk.gets("the deputy approves", *override(desk, "axle-box-caps", "B-20"))
    return until


def too_late(desk, until):
    end = datetime.datetime.fromisoformat(until.replace("Z", "+00:00"))
    check("the time runs out", ask_until(lambda: datetime.datetime.now(datetime.timezone.utc) > end, 2 * DEPUTY_S))
    desk.is_refused("and the deputy approves no more", 1, "roles do not allow", *override(desk, "bracket", "B-20"))
    people = desk.gets("people are listed", "people", *desk.signed_by("B-12"))
    check("nobody stands in", "stands in" not in people, people)


def lock(desk):
    wrong = desk.secret_file("wrong", "not the secret")
    for _ in range(3):  # after each the next try has to wait
        check("a wrong secret is refused", ask_until(lambda: "do not fit together" in desk.asks(
            "people", "--as", "B-32", "--secret-file", wrong).stderr))
    desk.is_refused("then the right one is not looked at", 1, "is locked", "people", *desk.signed_by("B-32"))
    check("the record says so", [one.get("locked_for_s") for one in of_kind(desk, "SignInRefused")][:3] == [None, None, LOCK_S],
          of_kind(desk, "SignInRefused"))
    restart(desk)
    desk.is_refused("a restart lets nobody try anew", 1, "is locked", "people", *desk.signed_by("B-32"))
    desk.is_refused("who has no other role unlocks nobody", 1, "another role", "unlock", "B-32",
                    *desk.signed_by("B-33"))
    desk.gets("another role unlocks", "unlock", "B-32", *desk.signed_by("B-31"))
    desk.gets("and the right secret counts again", "people", *desk.signed_by("B-32"))
    check("both are in the record", [one["by"] for one in of_kind(desk, "PersonUnlocked")] == [5, 3],
          of_kind(desk, "PersonUnlocked"))


def renew(desk):
    old = desk.signed_by("B-31")
    new = desk.secret_file("renewed", "a longer one than before")
    desk.gets("a person renews the own secret", "renew-own-secret", "--new-secret-file", new, *old)
    desk.is_refused("the old one counts no more", 1, "do not fit together", "people", *old)
    desk.secrets["B-31"] = new
    check("the new one does", ask_until(lambda: desk.asks("people", *desk.signed_by("B-31")).returncode == 0))
    restart(desk)
    desk.gets("also after a restart", "people", *desk.signed_by("B-31"))


def take_out_the_name(desk):
    desk.gets("who has left is suspended", "suspend", "B-20", *desk.signed_by("B-12", "B-31"))
    desk.gets("the name is taken out", "erase-name", "#2", *desk.signed_by("B-12", "B-31"))
    desk.station.scan("B-20")
    check("the badge is nobody's", ask_until(lambda: misread(desk) == ["B-99", "B-20"]), misread(desk))
    restart(desk)
    people = desk.gets("people are listed", "people", *desk.signed_by("B-12"))
    check("nobody is called that", "Bo Reed" not in people and "person 2" in people, people)


def look_back(desk):
    check("the daemon ends in order", desk.station.stop() == 0, desk.station.process.returncode)
    check("the record verifies", "is whole" in desk.gets("verify answers", "verify", desk.station.journal))
    told = json.loads(desk.gets("the unit's history is told", "--json", "unit", "TM000871", "--journal",
                                desk.station.journal))
    decided = [(one["subject"], one["outcome"], one["by"]["number"]) for stay in told["stays"]
               for one in stay["decisions"] if one["action"] == "override_joint"]
    check("with what the deputy decided, and could not decide before and after",
          decided == [("axle-box-caps", "refused", 2), ("axle-box-caps", "applied", 2), ("bracket", "refused", 2)],
          told)
    check("and without the name", "Bo Reed" not in json.dumps(told))
    # The database's log keeps what it held until that is written over, as the guide says.
    holding = [part.name for part in desk.station.state_folder.iterdir()
               if not part.name.endswith("-wal") and b"Bo Reed" in part.read_bytes()]
    check("the name is in no file of the record", not holding, holding)


def main():
    with Station("client", strict_lock) as station, plc.SlavePlc(station.description) as slave:
        desk = Desk(station)
        set_up(desk)
        desk.enrols("Fay Moor", "B-33", "quality_engineer", *desk.signed_by("B-12", "B-20"))
        sign_on_by_badge(desk)
        set_down(desk, slave)
        until = stand_in(desk)
        lock(desk)
        too_late(desk, until)
        renew(desk)
        take_out_the_name(desk)
        look_back(desk)


if __name__ == "__main__":
    main()
