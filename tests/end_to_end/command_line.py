"""Claim: with the built programs alone a station is set up and used from the command line: the first administrator,
others with two people's consent, the approval of the rules, an operator on and off, a unit on hold, a suspension and
its end, an orderly end of the service, and a record that verifies. A wrong secret, one signature too few, and a secret
for somebody who is suspended are refused.
"""

import json
import subprocess

from claims import PATIENCE_S, ask_until, check
from station import PROGRAMS, Station


class Desk:
    """The command line, and the secrets of those who use it."""

    def __init__(self, station):
        self.station = station
        self.secrets = {}

    def asks(self, *words):
        return subprocess.run(
            [PROGRAMS / "tautgate", "--api", f"http://127.0.0.1:{self.station.description['api']['port']}",
             *map(str, words)], capture_output=True, text=True, timeout=PATIENCE_S * 3, stdin=subprocess.DEVNULL)

    def gets(self, claim, *words):
        said = self.asks(*words)
        check(claim, said.returncode == 0, f"{said.returncode}: {said.stderr}{said.stdout}")
        return said.stdout

    def is_refused(self, claim, code, sentence, *words):
        said = self.asks(*words)
        check(claim, said.returncode == code and sentence in said.stderr + said.stdout,
              f"{said.returncode}: {said.stderr}{said.stdout}")

    def shows(self, command):
        return json.loads(self.asks("--json", command).stdout)

    def secret_file(self, name, text):
        path = self.station.folder / name
        path.touch(mode=0o600)
        path.write_text(text + "\n")
        return path

    def signed_by(self, badge, second=None):
        words = ["--as", badge, "--secret-file", self.secrets[badge]]
        return words + ["--second", second, "--second-secret-file", self.secrets[second]] if second else words

    def enrols(self, name, badge, role, *by):
        self.secrets[badge] = self.secret_file(f"secret-{badge}", f"the secret of {badge}")
        self.gets(f"{role} is enrolled", "enrol", "--name", name, "--badge", badge, "--role", role,
                  "--new-secret-file", self.secrets[badge], *by)


def set_up(desk):
    desk.enrols("Ada Vale", "B-12", "administrator", "--code-file", desk.station.state_folder / "enrol.code")
    desk.enrols("Bo Reed", "B-20", "line_operator", *desk.signed_by("B-12"))
    desk.enrols("Cy Marsh", "B-31", "production_supervisor", *desk.signed_by("B-12", "B-20"))
    desk.enrols("Di Lund", "B-32", "quality_engineer", *desk.signed_by("B-12", "B-20"))
    people = desk.gets("people are listed", "people", *desk.signed_by("B-12"))
    check("all of them", all(badge in people for badge in desk.secrets), people)
    staged = desk.shows("rules")["staged"]
    approval = ["approve-rules", "--digest", staged]
    desk.is_refused("one person approves no rules", 2, "rules need two people", *approval, *desk.signed_by("B-12"))
    desk.gets("two people do", *approval, *desk.signed_by("B-12", "B-31"))
    check("they are in force", desk.shows("rules")["in_force"] == staged, desk.shows("rules"))


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


def main():
    with Station("client") as station:
        desk = Desk(station)
        set_up(desk)
        use(desk)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)
        check("the record verifies", "is whole" in desk.gets("verify answers", "verify", station.journal))


if __name__ == "__main__":
    main()
