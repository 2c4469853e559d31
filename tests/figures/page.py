#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures what the page costs the daemon.

  page.py [--samples N] [--seconds S] [--check]

The curve of a run of a million samples, of all of it and of a part, as a browser asks
for it over TCP: real time of the whole answer, once while its samples are still being
packed and then when they are. The same in headless Chromium, from a touch in the page and
from asking for the page to its first curve, where BUILD/browser has what
tests/browser/job.sh needs. Then the processor time of the worker with four stands at
work, once alone and once with five viewers who follow all events.
--check: ends with 1 when a first chart takes 1 s or more, or five viewers 2 % of a core."""

import argparse
import http.client
import json
import os
import pathlib
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time

sys.dont_write_bytecode = True
from figures import BUILD, SOURCE, Daemon, await_true, start  # noqa: E402

PROFILE = """profile: A long discharge
limits: {voltage: {min: 2.2 V/cell}}
steps:
  - discharge: {current: 5 A, until: {voltage: 2.5 V/cell}, at_most: {time: 30 h}, sample_every: 0.5 s}
"""
STANDS = ("jetty", "boathouse", "slipway", "lamp-desk")


def write_files(home):
    (home / "profiles").mkdir()
    (home / "profiles" / "long.yaml").write_text(PROFILE)
    instruments = "".join(
        f"  - {{name: load-{i}, kind: load, battery: launch-{i}}}\n"
        f"  - {{name: thermometer-{i}, kind: thermometer, battery: launch-{i}}}\n" for i in range(4))
    batteries = "".join(f"  - {{name: launch-{i}, chemistry: lfp, cells: 4, capacity: 125 Ah}}\n" for i in range(4))
    (home / "virtual.yaml").write_text(f"batteries:\n{batteries}instruments:\n{instruments}seed: 3\n")
    stands = "".join(
        f"  - name: {name}\n    sense: remote\n"
        f"    load: {{driver: load-virtual, link: \"tty:vb/load-{i}\"}}\n"
        f"    thermometer: {{driver: thermometer-virtual, link: \"tty:vb/thermometer-{i}\"}}\n"
        for i, name in enumerate(STANDS))
    (home / "bench.yaml").write_text(
        "bench: Lakeside boat-hire yard\nhttp: 127.0.0.1:0\nvirtual: vb/control\n"
        f"profiles: profiles\ndrivers: \"{SOURCE}/drivers\"\nstands:\n{stands}")


class Yard:
    def __init__(self, home):
        self.home = home
        self.virtual = start([BUILD / "ampledger-virtual", home / "vb", "--bench", home / "virtual.yaml", "--speed", 1])
        await_true(10, "the virtual bench", (home / "vb" / "control").exists)
        self.open()
        for i in range(4):
            self.api("POST", "/v1/batteries", label=f"launch-{i}", chemistry="lfp", cells=4, rated_Ah=125)

    def open(self):
        self.daemon = Daemon(self.home)
        self.api = self.daemon.api
        await_true(30, "idle stands", lambda: self.api.phases() == {"idle"})
        self.port = int(self.api("GET", "/v1/daemon")["http"].rsplit(":", 1)[1])

    def run(self, seconds):
        """All four stands for so long."""
        for i, name in enumerate(STANDS):
            self.api("POST", f"/v1/stands/{name}/start", profile="long", battery=f"launch-{i}")
        time.sleep(seconds)


def fill(database, samples):
    """The last run's samples made so many, by the store's own columns; one of them a spike."""
    db = sqlite3.connect(database)
    nr, have = db.execute("SELECT run_nr, max(seq) + 1 FROM sample GROUP BY run_nr ORDER BY run_nr DESC").fetchone()
    begin = db.execute("SELECT max(t_s) FROM sample WHERE run_nr = ?", (nr,)).fetchone()[0]
    db.executemany("INSERT INTO sample_row VALUES (?, ?, ?, 0, ?, -5, 22)",
                   ((nr, i, begin + i - have + 1, 13.2 - 1e-6 * i + (9 if i == samples // 3 else 0)) for i in
                    range(have, samples)))
    db.commit()
    db.close()
    return nr


def fetch(port, path):
    c = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    began = time.monotonic()
    c.request("GET", path)
    answer = c.getresponse().read()
    took = time.monotonic() - began
    c.close()
    return took, json.loads(answer), len(answer)


def curves(yard, nr, samples):
    worst = 0
    for what, query in (("all of it", ""), ("all of it again", ""),
                        ("a part", f"&from={samples * 0.4:.0f}&to={samples * 0.5:.0f}")):
        took, curve, size = fetch(yard.port, f"/v1/runs/{nr}/curve?points=2000{query}")
        worst = max(worst, took)
        print(f"curve of {curve['samples']} samples, {what}: {took:.3f} s, {len(curve['t_s'])} points, {size} bytes")
        if not query and max(curve["voltage_V"]) < 20:
            sys.exit("the spike of one sample is gone")
    return worst


def is_packed(database, nr):
    db = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
    left = db.execute("SELECT count(*) FROM sample_row WHERE run_nr = ?", (nr,)).fetchone()[0]
    db.close()
    return left == 0


def in_a_browser(yard, nr):
    modules = BUILD / "browser" / "node_modules"
    if not (modules / "playwright-core").is_dir() or not shutil.which("chromium"):
        print("not measured in a browser: no chromium, or no playwright-core in", modules)
        return 0
    told = subprocess.run(["node", SOURCE / "tests" / "browser" / "first_chart.mjs", modules,
                           f"http://127.0.0.1:{yard.port}", str(nr)], capture_output=True, text=True, check=True)
    touched, opened = map(float, told.stdout.split())
    print(f"in Chromium to the first curve: {touched:.3f} s from a touch, {opened:.3f} s from asking for the page")
    return touched


class Viewer(threading.Thread):
    def __init__(self, port):
        super().__init__(daemon=True)
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        self.connection.request("GET", "/v1/events")
        self.answer = self.connection.getresponse()
        self.events = 0
        self.leaving = False

    def run(self):
        try:
            while not self.leaving:
                self.events += self.answer.readline().startswith(b"event: stand")
        except (OSError, ValueError, AttributeError):
            pass


def cost(pid, seconds):
    """Per cent of one core."""
    def spent():
        fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    began, before = time.monotonic(), spent()
    time.sleep(seconds)
    return 100 * (spent() - before) / (time.monotonic() - began)


def viewers(yard, seconds):
    pid = yard.daemon.worker()
    alone = cost(pid, seconds)
    looking = [Viewer(yard.port) for _ in range(5)]
    for viewer in looking:
        viewer.start()
    watched = cost(pid, seconds)
    for viewer in looking:
        viewer.leaving = True
    rate = sum(v.events for v in looking) / 5 / seconds
    print(f"four stands at work: {alone:.2f} % of a core alone, {watched:.2f} % with five viewers "
          f"(each {rate:.1f} stand events a second)")
    return watched - alone


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--samples", type=int, default=1000000)
    p.add_argument("--seconds", type=float, default=20)
    p.add_argument("--check", action="store_true")
    a = p.parse_args()
    with tempfile.TemporaryDirectory(prefix="ampledger-page.") as folder:
        home = pathlib.Path(folder)
        write_files(home)
        yard = Yard(home)
        yard.run(3)
        yard.daemon.stop()
        nr = fill(home / "ampledger.db", a.samples)
        yard.open()
        curves(yard, nr, a.samples)
        await_true(300, "packed samples", lambda: is_packed(home / "ampledger.db", nr))
        print("packed:")
        slowest = max(curves(yard, nr, a.samples), in_a_browser(yard, nr))
        yard.run(2)
        more = viewers(yard, a.seconds)
        yard.daemon.stop()
    if a.check and (slowest >= 1 or more >= 2):
        sys.exit("missed: a first chart within 1 s, five viewers below 2 % of a core")


if __name__ == "__main__":
    main()
