"""The command line as a script uses it: who is enrolled, with what secrets, and what the program answers."""

import datetime
import json
import subprocess

from claims import PATIENCE_S, check
from station import PROGRAMS


class Desk:
    """The command line, and the secrets of those who use it."""

    def __init__(self, station):
        self.station = station
        self.secrets = {}

    def asks(self, *words, typed=""):
        return subprocess.run(
            [PROGRAMS / "tautgate", "--api", f"http://127.0.0.1:{self.station.description['api']['port']}",
             *map(str, words)], capture_output=True, text=True, timeout=PATIENCE_S * 3, input=typed)

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
    early = desk.asks("health").stdout
    check("health says why there are no tools yet, and what to do", "no rules are in force yet, so that no tool" in early
          and "tautgate approve-rules" in early, early)
    staged = desk.shows("rules")["staged"]
    approval = ["approve-rules", "--digest", staged]
    desk.is_refused("one person approves no rules", 2, "rules need two people", *approval, *desk.signed_by("B-12"))
    desk.gets("two people do", *approval, *desk.signed_by("B-12", "B-31"))
    late = desk.asks("health").stdout
    check("and no longer, once they are", "no rules are in force yet" not in late and "NR-16" in late, late)
    check("they are in force", desk.shows("rules")["in_force"] == staged, desk.shows("rules"))


def from_now(**time):
    then = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(**time)
    return then.strftime("%Y-%m-%dT%H:%M:%SZ")
