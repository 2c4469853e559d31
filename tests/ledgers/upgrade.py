#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Databases of every earlier schema (vN.sql, by make.py) under today's daemon: brought up to
date, with each sample as it was, and what is said of each run as the version of then said it
(vN.json). Then the trip that was latched is cleared, and a run is begun.

  upgrade.py [N ...]      schemas; all that are here. Exit status 1 when one does not hold."""

import contextlib
import json
import os
import pathlib
import sqlite3
import sys
import tempfile

sys.dont_write_bytecode = True
from make import HERE, Yard  # noqa: E402

SAMPLES = "SELECT run_nr, seq, t_s, step, voltage_V, current_A, temperature_C FROM sample ORDER BY run_nr, seq"


class Differs(Exception):
    pass


def must(condition, text):
    if not condition:
        raise Differs(text)


def query(path, sql):
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(sql).fetchall()


def load(version, path):
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript((HERE / f"v{version}.sql").read_text())
    must(query(path, "PRAGMA user_version") == [(version,)], "the fixture is of another schema")


def lost(then, now, where=""):
    """What was said then and is not said now: (where, then, now). What is new is no loss."""
    if isinstance(then, dict) and isinstance(now, dict):
        return [d for key in then for d in lost(then[key], now.get(key), f"{where}.{key}")]
    if isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        return [d for i, pair in enumerate(zip(then, now)) for d in lost(*pair, f"{where}[{i}]")]
    return [] if then == now else [(where, then, now)]


def same(what, then, now):
    found = lost(then, now)
    must(not found, f"{what} is told otherwise: {found[:3]}")


def is_another_opinion(difference, run):
    """What today's version judges by other rules than the one that stored it: how uncertain it
    is, and what is remarked. What was measured, and what it is called, may not differ."""
    key = difference["key"].split(".")
    of_step = key[0].removeprefix("steps[").rstrip("]")
    at_rest = of_step.isdigit() and run["steps"][int(of_step)]["kind"] == "rest"
    return at_rest or key[-1] in ("capacity_uncertainty_Ah", "energy_uncertainty_Wh", "conformance_probability",
                                  "notes") or "uncertainty" in key


def check_runs(y, said):
    opinions = 0
    for number, run in said["runs"].items():
        same(f"run {number}", run, y.asked("show", number))
        differences = y.asked("recompute", number)["differences"]
        wrong = [d for d in differences if not is_another_opinion(d, run)]
        must(not wrong, f"run {number} gives another result: {wrong[:3]}")
        opinions += len(differences)
    return opinions


def check_file(path, samples):
    must(query(path, "PRAGMA integrity_check") == [("ok",)], "integrity_check")
    must(query(path, "PRAGMA foreign_key_check") == [], "foreign_key_check")
    now = query(path, SAMPLES)
    must(now[:len(samples)] == samples, "a sample is not what it was")
    return len(now) - len(samples)


def check(version, y):
    path = y.home / "ampledger.db"
    said = json.loads((HERE / f"v{version}.json").read_text())
    load(version, path)
    samples = query(path, SAMPLES)
    must(len(samples) > 100 and any(r["verdict"] == "pass" for r in said["runs"].values()), "a fixture of nothing")
    y.begin("latched")
    must(check_file(path, samples) == 0, "there are samples that were not there")
    opinions = check_runs(y, said)
    same("batteries", said["batteries"], y.asked("battery", "list"))
    same("the latched trip", said["trip"], y.asked("stands")["stands"][0]["trip"])
    if said["row"]:
        same("the row of batteries", said["row"], y.asked("queue", "jetty"))
    y.must("clear", "jetty", status=(0,))
    y.fresh(1)
    y.start("capacity", "lamp-1", "--wait")
    fresh = y.asked("show", "last")
    must(fresh["outcome"] == "completed" and fresh["verdict"] == "pass", f"a new run: {fresh['outcome']}")
    must(y.asked("recompute", "last")["equal"], "a new run's result does not come out again")
    y.end()
    more = check_file(path, samples)
    must(more == fresh["samples"], f"the new run's samples: {more}")
    print(f"schema {version}: {len(said['runs'])} runs and {len(samples)} samples as they were; recomputed, "
          f"{opinions} figures of uncertainty and remarks differ; a new run passes with {more} samples")


def main():
    build, source = (pathlib.Path(os.environ[name]) for name in ("AMPLEDGER_BUILD", "AMPLEDGER_SOURCE"))
    versions = [int(v) for v in sys.argv[1:]] or sorted(int(p.stem[1:]) for p in HERE.glob("v*.sql"))
    if not versions:
        raise SystemExit(f"no databases in {HERE}")
    failed = 0
    for version in versions:
        with tempfile.TemporaryDirectory(prefix="ampledger-upgrade.") as home:
            y = Yard(build, source, pathlib.Path(home))
            try:
                check(version, y)
            except (Differs, RuntimeError, TimeoutError) as e:
                failed += 1
                print(f"schema {version}: FAILED: {e}")
            finally:
                y.end()
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
