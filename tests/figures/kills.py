#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Kills the worker at random instants of running tests, and measures what must
hold (see DEVELOPERS.md): how soon the outputs are off, what is lost, whether
the database is sound and the next worker takes over by itself.

  kills.py [N] [--seed S] [--yards Y]    N deaths by SIGKILL (300); of hanging, a 25th of it

Six yards work in parallel, each with a virtual bench, a daemon and two stands
whose runs change between rest and discharge. Ends with 1 when a figure misses.

Off: from just before the signal to the off line, as the load's own log says
(both CLOCK_BOOTTIME). Loss: the API is asked all the time how many samples were
taken, and that is noted with the time before asking. If S samples are found
afterwards, the first lost one was taken after the last time that S - 2 or fewer
were shown (the counter may be one turn late), so no earlier than that."""

import argparse
import http.client
import os
import pathlib
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import traceback

sys.dont_write_bytecode = True
from figures import (  # noqa: E402
    BUILD, SOURCE, Api, Control, Daemon, await_true, boot_ns, quantile, start)

STANDS = {"jetty": "a", "slipway": "b"}
DEATHS_A_DAEMON = 5  # the keeper gives up after more in ten minutes
SPEED = 60
LONGEST_S = 4.0  # of a run before its worker dies
TRUST_S = 3
OFF_MS = 100
LOSS_S = 2

PROFILE = """profile: Short rests and discharges
limits: {trust_time: %d s}
steps:
""" % TRUST_S + "".join(
    f"  - rest: {{name: rest {i}, for: 5 s}}\n"
    f"  - discharge: {{name: draw {i}, current: 10 A, at_most: {{time: {20 + 5 * i} s}}}}\n"
    for i in range(12))


class Yard:
    def __init__(self, home, deaths, rng):
        self.home = home
        self.deaths = deaths  # signals, in order
        self.rng = rng
        self.off_ms = {signal.SIGKILL: [], signal.SIGSTOP: []}
        self.was_off = 0
        self.loss_s = []
        self.recovery_s = []
        self.leaving_s = []
        self.samples = 0
        self.misses = []
        self.daemon = None

    def work(self):
        try:
            self.begin()
            for n, how in enumerate(self.deaths):
                if n % DEATHS_A_DAEMON == 0:
                    self.renew()
                self.one_death(how)
            self.renew()
        except Exception as e:  # a thread's end must be seen by who waits for it
            self.miss(f"{type(e).__name__}: {e}; see the end of its log")
            traceback.print_exc()
            print((self.home / "daemon.log").read_text()[-3000:], file=sys.stderr)
        finally:
            if self.daemon:
                self.daemon.stop()
            self.bench.terminate()
            self.bench.wait()

    def miss(self, text):
        self.misses.append(f"{self.home.name}, death {len(self.loss_s) // len(STANDS)}: {text}")

    # --- the bench ---

    def begin(self):
        self.home.mkdir()
        (self.home / "profiles").mkdir()
        (self.home / "profiles" / "short.yaml").write_text(PROFILE)
        (self.home / "virtual.yaml").write_text(
            "batteries:\n" + "".join(
                f"  - {{name: launch-{x}, chemistry: lfp, cells: 4, capacity: 129.5 Ah}}\n"
                for x in STANDS.values()) +
            "instruments:\n" + "".join(
                f"  - {{name: load-{x}, kind: load, battery: launch-{x}}}\n"
                f"  - {{name: thermometer-{x}, kind: thermometer, battery: launch-{x}}}\n"
                for x in STANDS.values()))
        (self.home / "bench.yaml").write_text(
            "bench: Boat-hire yard\ndatabase: ampledger.db\nsocket: ampledger.sock\n"
            f"profiles: profiles\ndrivers: \"{SOURCE}/drivers\"\nvirtual: vb/control\nstands:\n" +
            "".join(f"  - name: {stand}\n    sense: remote\n"
                    f"    load: {{driver: load-virtual, link: \"tty:vb/load-{x}\"}}\n"
                    f"    thermometer: {{driver: thermometer-scpi, link: \"tty:vb/thermometer-{x}\"}}\n"
                    for stand, x in STANDS.items()))
        self.bench = start(
            [BUILD / "ampledger-virtual", self.home / "vb", "--speed", SPEED,
             "--bench", self.home / "virtual.yaml"],
            stdout=open(self.home / "virtual.log", "wb"), stderr=subprocess.STDOUT)
        await_true(10, "the virtual bench", (self.home / "vb" / "control").exists)
        self.control = Control(self.home / "vb" / "control")

    def renew(self):
        if self.daemon:
            begun = time.monotonic()
            status = self.daemon.stop()
            self.leaving_s.append(time.monotonic() - begun)
            if status != 0:
                self.miss(f"the daemon left with {status} on SIGTERM")
        first = self.daemon is None
        self.daemon = Daemon(self.home)
        self.await_idle()
        for x in STANDS.values() if first else []:
            self.daemon.api("POST", "/v1/batteries", label=f"launch-{x}", chemistry="lfp", cells=4,
                            rated_Ah=125, rated_hours=12.5)

    def await_idle(self):
        await_true(20, "idle stands", lambda: self.daemon.api.phases() == {"idle"})

    # --- one death ---

    def one_death(self, how):
        runs = {}
        for stand, x in STANDS.items():
            self.control(f"soc launch-{x} 1")
            runs[stand] = self.daemon.api("POST", f"/v1/stands/{stand}/start",
                                          profile="short", battery=f"launch-{x}")["run"]
        worker = self.daemon.worker()
        struck, before, shown = self.strike(worker, how)
        self.measure_off(struck, before, how)
        await_true(20, "another worker", lambda: self.other_worker(worker))
        self.await_idle()
        self.recovery_s.append((boot_ns() - struck) / 1e9 - (TRUST_S if how == signal.SIGSTOP else 0))
        for stand, x in STANDS.items():
            if self.control.is_on(f"load-{x}"):
                self.miss(f"{stand} is on under the new worker")
        self.look_at_database(struck, runs, shown)

    def other_worker(self, old):
        try:
            return self.daemon.worker() != old
        except (IndexError, FileNotFoundError):
            return False

    def strike(self, worker, how):
        """Kills while the API is being asked. Returns when, what the loads' logs
        said before, and what the API showed: (ns before asking, samples by stand)."""
        control = Control(self.home / "vb" / "control")
        struck, before, shown = [], {}, []

        def kill():
            # A worker that hangs while nothing is on is let be by the keeper.
            while how == signal.SIGSTOP and not all(control.is_on(f"load-{x}")
                                                    for x in STANDS.values()):
                time.sleep(0.005)
            before.update({x: control.log(f"load-{x}") for x in STANDS.values()})
            struck.append(boot_ns())
            os.kill(worker, how)

        timer = threading.Timer(self.rng.uniform(0, LONGEST_S), kill)
        api = Api(self.home / "ampledger.sock", timeout=1)  # a stopped worker does not answer
        timer.start()
        while not struck:
            asked = boot_ns()
            try:
                stands = api.stands()
            except (OSError, http.client.HTTPException):
                break  # it died while it was being asked
            shown.append((asked, {name: s["run"]["samples"] for name, s in stands.items()}))
            time.sleep(0.005)
        timer.join()
        return struck[0], before, shown

    def measure_off(self, struck, before, how):
        limit_ms = OFF_MS + (TRUST_S * 1000 if how == signal.SIGSTOP else 0)
        left = set(STANDS.values())
        while left and boot_ns() - struck < (limit_ms + 5000) * 1e6:
            for x in list(left):
                log = self.control.log(f"load-{x}")
                was_on = before[x]["last_on_real_ns"] > before[x]["last_off_real_ns"] or \
                    log["on"] > before[x]["on"]
                if was_on and log["last_off_real_ns"] >= struck:
                    left.discard(x)
                    self.count_off((log["last_off_real_ns"] - struck) / 1e6, limit_ms, how)
                elif not was_on and boot_ns() - struck > limit_ms * 1e6:
                    left.discard(x)  # in a rest: there was nothing to switch off
                    self.was_off += 1
            time.sleep(0.001)
        for x in left:
            self.miss(f"load-{x} stays on")

    def count_off(self, ms, limit_ms, how):
        self.off_ms[how].append(ms)
        if ms > limit_ms:
            self.miss(f"off after {ms:.1f} ms")

    def look_at_database(self, struck, runs, shown):
        db = sqlite3.connect(f"file:{self.home}/ampledger.db?mode=ro", uri=True, timeout=10)
        for check, good in (("integrity_check", [("ok",)]), ("foreign_key_check", [])):
            found = db.execute(f"pragma {check}").fetchall()
            if found != good:
                self.miss(f"{check}: {found[:3]}")
        for stand, run in runs.items():
            nr, outcome = db.execute("select nr, outcome from run where id = ?", (run,)).fetchone()
            if outcome != "interrupted":
                self.miss(f"{stand}: the run is marked {outcome}")
            stored, top = db.execute("select count(*), max(seq) from sample where run_nr = ?",
                                     (nr,)).fetchone()
            if stored and top - stored not in (0, -1):
                self.miss(f"{stand}: samples are missing in the middle")
            self.samples += stored
            safe = [at for at, samples in shown if samples[stand] <= stored - 2]
            begin = shown[0][0] if shown else struck
            # Nothing stored yet: all since the run's begin may be lost.
            loss_s = (struck - (safe[-1] if safe else begin)) / 1e9
            self.loss_s.append(loss_s)
            if loss_s > LOSS_S:
                self.miss(f"{stand}: {loss_s:.2f} s of samples lost")
        db.close()


def print_off(name, ms, limit_ms):
    print(f"{name}: {len(ms)} outputs; p50 {quantile(ms, .5):.1f} ms, p99 {quantile(ms, .99):.1f} ms, "
          f"max {max(ms, default=float('nan')):.1f} ms (limit {limit_ms} ms)")


def main():
    arguments = argparse.ArgumentParser(description="kill the worker at random instants")
    arguments.add_argument("n", nargs="?", type=int, default=300)
    arguments.add_argument("--seed", type=int, default=random.randrange(1 << 32))
    arguments.add_argument("--yards", type=int, default=6)
    wanted = arguments.parse_args()
    rng = random.Random(wanted.seed)
    print(f"seed {wanted.seed}", flush=True)
    begun = time.monotonic()
    deaths = [signal.SIGKILL] * wanted.n + [signal.SIGSTOP] * max(2, wanted.n // 25)
    rng.shuffle(deaths)
    with tempfile.TemporaryDirectory(prefix="ampledger-kills.") as top:
        yards = [Yard(pathlib.Path(top) / f"yard-{i}", deaths[i::wanted.yards],
                      random.Random(rng.random())) for i in range(wanted.yards)]
        threads = [threading.Thread(target=y.work) for y in yards]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
    killed = [ms for y in yards for ms in y.off_ms[signal.SIGKILL]]
    hung = [ms for y in yards for ms in y.off_ms[signal.SIGSTOP]]
    loss = [s for y in yards for s in y.loss_s]
    misses = [m for y in yards for m in y.misses]
    print(f"{wanted.n} kills and {len(deaths) - wanted.n} hangs in {time.monotonic() - begun:.0f} s, "
          f"{len(loss)} runs cut off, {sum(y.samples for y in yards)} samples stored; "
          f"{sum(y.was_off for y in yards)} outputs were off already, in a rest")
    print_off("kill to off", killed, OFF_MS)
    print_off("hang to off", hung, TRUST_S * 1000 + OFF_MS)
    print(f"samples lost: p50 {quantile(loss, .5):.2f} s, max {max(loss, default=float('nan')):.2f} s "
          f"(limit {LOSS_S} s)")
    recovery = [s for y in yards for s in y.recovery_s]
    leaving = [s for y in yards for s in y.leaving_s]
    print(f"idle and safe again: p50 {quantile(recovery, .5):.2f} s, max {max(recovery, default=float('nan')):.2f} s; "
          f"left on SIGTERM: max {max(leaving, default=float('nan')):.2f} s")
    print(f"database failures: {sum('check' in m for m in misses)}; misses of any kind: {len(misses)}")
    for m in misses:
        print(f"MISSED: {m}")
    complete = len(loss) == len(deaths) * len(STANDS) and killed and hung
    if not complete:
        print("MISSED: not everything was measured")
    return 0 if complete and not misses else 1


if __name__ == "__main__":
    sys.exit(main())
