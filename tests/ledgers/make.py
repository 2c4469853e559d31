#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Has a build of ampledger write a small database, and keeps it as text beside what that
build said of it, so that later ones can be held against both (see upgrade.py).

  make.py BUILD SOURCE    writes vN.sql and vN.json beside this file, N being the schema that
                          BUILD writes; SOURCE is the source folder that it was built from

What a version does not know yet (groups of steps, rows of batteries, records from elsewhere) is
left out, and told."""

import contextlib
import json
import os
import pathlib
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).parent
SPEED = 100
# Small batteries, so that an hour and a few hundred samples hold several runs.
PROFILES = {
    "capacity": """profile: Capacity of the lamps
for: [lfp]
starts_full: yes
limits: {temperature: {min: 5 degC, max: 45 degC}, temperature_required: yes}
steps:
  - rest: {name: settle, for: 4 s}
  - discharge: {name: capacity, current: 1 A, until: {voltage: 2.8 V/cell}, sample_every: 1.5 s}
  - rest: {name: recover, for: 4 s}
acceptance: {step: capacity, capacity: 100 %}
""",
    "rounds": """profile: Short discharges again and again
for: [lfp]
limits: {temperature: {min: 5 degC, max: 45 degC}, temperature_required: yes}
steps:
  - repeat:
      name: both
      times: 3
      steps:
        - discharge:
            {name: draw, current: 1 A, until: {voltage: 2.8 V/cell}, at_most: {time: 30 s}, sample_every: 1.5 s}
        - rest: {name: between, for: 4 s}
""",
}
VIRTUAL = """batteries:
  - {name: lamp, chemistry: lfp, cells: 4, capacity: 0.035 Ah, resistance: 60 mOhm, ambient: 22 degC, protection: no}
instruments:
  - {name: load-1, kind: load, battery: lamp, current_gain: 120 ppm, voltage_gain: 50 ppm}
  - {name: thermometer-1, kind: thermometer, battery: lamp}
seed: 7
"""
BENCH = """bench: Lakeside boat-hire yard, workshop
database: ampledger.db
socket: ampledger.sock
profiles: profiles
drivers: drivers
virtual: vb/control
stands:
  - name: jetty
    sense: remote
    load: {driver: load-virtual, link: "tty:vb/load-1"}
    thermometer: {driver: thermometer-virtual, link: "tty:vb/thermometer-1"}
"""
# What stands in the log of an older program.
LOG = "t_s,voltage_V,current_A,temperature_C\n" + "".join(
    f"{60 * i},{13.1 - 0.075 * i:.3f},-1.0,21.5\n" for i in range(43))


class Yard:
    def __init__(self, build, source, home):
        self.build, self.home = build, home
        self.environment = dict(os.environ, AMPLEDGER_SOCKET=f"{home}/ampledger.sock")
        (home / "profiles").mkdir()
        (home / "drivers").mkdir()
        for name, text in PROFILES.items():
            (home / "profiles" / f"{name}.yaml").write_text(text)
        for name in ("load-virtual", "thermometer-virtual"):
            shutil.copy(source / "drivers" / f"{name}.yaml", home / "drivers")
        (home / "virtual.yaml").write_text(VIRTUAL)
        (home / "bench.yaml").write_text(BENCH)
        (home / "log.csv").write_text(LOG)
        self.processes = []

    def begin(self, phase="idle"):
        self.spawn("ampledger-virtual", self.home / "vb", "--speed", SPEED, "--bench", self.home / "virtual.yaml")
        self.until("the virtual bench is there", (self.home / "vb" / "control").exists)
        self.spawn("ampledgerd", "--bench", self.home / "bench.yaml")
        self.until(f"the stand is {phase}", lambda: self.phase() == phase)

    def spawn(self, program, *arguments):
        with open(self.home / f"{program}.log", "ab") as log:
            self.processes.append(subprocess.Popen([self.build / program, *map(str, arguments)], stdout=log,
                                                   stderr=log, cwd=self.home))

    def end(self):
        while self.processes:
            p = self.processes.pop()
            p.terminate()
            p.wait(60)

    def until(self, what, condition):
        end = time.monotonic() + 20
        while not condition():
            if time.monotonic() > end:
                    raise TimeoutError(f"gave up waiting until {what}; {self.cli('stands')[1]}")
            time.sleep(0.05)

    def cli(self, *words):
        """Exit status and all it said."""
        p = subprocess.run([self.build / "ampledger", *words], env=self.environment, stdout=subprocess.PIPE,
                           stderr=subprocess.STDOUT, text=True, cwd=self.home, check=False)
        return p.returncode, p.stdout

    def must(self, *words, status=(0, 1, 3)):
        got, text = self.cli(*words)
        if got not in status:
            raise RuntimeError(f"{' '.join(words)}: {got}: {text}")
        return text

    def asked(self, *words):
        return json.loads(self.must(*words, "--json"))

    def perhaps(self, *words):
        """For what not every version knows."""
        got, text = self.cli(*words)
        known = got not in (2, 3)
        print(f"  {' '.join(words)}: {got}" + ("" if known else f", left out: {text.splitlines()[-1]}"))
        return known

    def control(self, words):
        subprocess.run([self.build / "ampledger-virtual", "--control", self.home / "vb" / "control", words],
                       check=True, stdout=subprocess.DEVNULL)

    def phase(self):
        got, text = self.cli("stands", "--json")
        return json.loads(text)["stands"][0]["phase"] if got == 0 else None

    def elapsed_s(self):
        run = self.asked("stands")["stands"][0]["run"]
        return run["elapsed_s"] if run else 0

    def fresh(self, soc):
        for words in ("heat lamp 22", "heat lamp off", f"soc lamp {soc}"):
            self.control(words)
        self.until("the stand is idle", lambda: self.phase() == "idle")

    def start(self, profile, battery, *options):
        return self.must("start", profile, "--battery", battery, "--stand", "jetty", *options)


def work(y):
    """Runs that pass, fail, are stopped and trip; the last leaves a latch."""
    for lamp, note in (("lamp-1", "hand lamp, jetty"), ("lamp-2", "hand lamp, slipway")):
        y.must("battery", "add", lamp, "--chemistry", "lfp", "--cells", "4", "--rated", "0.034Ah",
               "--rated-hours", "2min", "--current-max", "5A", "--lot", "lamps", "--note", note, status=(0,))
    y.start("capacity", "lamp-1", "--wait")
    y.fresh(0.8)
    y.perhaps("battery", "edit", "lamp-2", "--rated", "0.035Ah", "--charge-current-max", "2A")
    if y.perhaps("queue", "jetty", "add", "capacity", "lamp-2", "lamp-1"):
        y.until("the stand can be told", lambda: y.cli("confirm", "jetty", "--anyway")[0] == 0)
        y.until("the run is over", lambda: y.phase() != "running")
    else:
        y.start("capacity", "lamp-2", "--wait")
    y.fresh(1)
    if not y.perhaps("start", "rounds", "--battery", "lamp-1", "--stand", "jetty"):
        y.start("capacity", "lamp-1")
    y.until("the second round is there", lambda: y.elapsed_s() > 40)
    y.must("stop", "jetty", status=(0,))
    y.fresh(1)
    y.perhaps("import", "log.csv", "--battery", "lamp-2", "--started", "2024-05-01T18:00:00Z", "--cutoff", "10V",
              "--starts-full", "--accept", "80 %")
    y.start("capacity", "lamp-1")
    y.until("current flows", lambda: y.elapsed_s() > 20)
    y.control("heat lamp 60")
    y.until("it trips", lambda: y.phase() == "latched")


def without_plan(run):
    """It is in the database as it was."""
    return {key: value for key, value in run.items() if key != "plan"}


def differences(comparison):
    return {key: comparison[key] for key in ("equal", "differences")}


def said(y):
    """What this version says of every run and battery. None for what it has no verb for."""
    numbers = sorted(r["number"] for r in y.asked("runs")["runs"])
    knows_recompute = y.cli("recompute", str(numbers[0]))[0] in (0, 1)
    got, row = y.cli("queue", "jetty", "--json")
    return {
        "runs": {n: without_plan(y.asked("show", str(n))) for n in numbers},
        "recomputed": {n: differences(y.asked("recompute", str(n))) for n in numbers} if knows_recompute else None,
        "batteries": y.asked("battery", "list"),
        "trip": y.asked("stands")["stands"][0]["trip"],
        "row": json.loads(row) if got == 0 else None,
    }


def literal(value):
    """As SQL, to the last bit."""
    if value is None:
        return "NULL"
    if isinstance(value, str):
        return "'" + value.replace("'", "''") + "'"
    return repr(value)


def dump(path):
    """The database as text that makes the very same again."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        marks = {name: db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")}
        lines = [f"PRAGMA {name} = {value};" for name, value in marks.items()] + ["BEGIN;"]
        objects = db.execute(
            "SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY rowid").fetchall()
        tables = sorted((o for o in objects if o[0] == "table"), key=lambda o: o[1].startswith("sqlite_"))
        lines += [f"{sql};" for _, name, sql in tables if not name.startswith("sqlite_")]
        for _, name, _ in tables:
            if name.startswith("sqlite_"):
                lines.append(f"DELETE FROM {name};")  # the rows before have numbered themselves
            lines += [f"INSERT INTO {name} VALUES({','.join(map(literal, row))});"
                      for row in db.execute(f"SELECT * FROM {name}")]
        lines += [f"{sql};" for kind, _, sql in objects if kind != "table"] + ["COMMIT;"]
        text = "\n".join(lines) + "\n"
        with contextlib.closing(sqlite3.connect(":memory:")) as copy:
            copy.executescript(text)
            for _, name, _ in tables:
                there, here = (d.execute(f"SELECT * FROM {name}").fetchall() for d in (db, copy))
                if there != here:
                    raise RuntimeError(f"the text does not give {name} again")
    return marks["user_version"], text


def main():
    build, source = (pathlib.Path(word).resolve() for word in sys.argv[1:3])
    with tempfile.TemporaryDirectory(prefix="ampledger-ledger.") as home:
        y = Yard(build, source, pathlib.Path(home))
        try:
            y.begin()
            work(y)
            answers = said(y)
        finally:
            y.end()
        version, text = dump(y.home / "ampledger.db")
    (HERE / f"v{version}.sql").write_text(
        "-- SPDX-License-Identifier: GPL-3.0-or-later\n"
        f"-- Written by a build of schema {version} (make.py); what it said of it is in v{version}.json.\n"
        + text)
    lines = [f"{json.dumps(key)}: {json.dumps(value, separators=(',', ':'))}" for key, value in answers.items()]
    (HERE / f"v{version}.json").write_text("{\n" + ",\n".join(lines) + "\n}\n")
    print(f"v{version}.sql: {len(text)} bytes; runs: " + ", ".join(
        f"{n} {r['outcome']}" for n, r in answers["runs"].items()))


if __name__ == "__main__":
    main()
