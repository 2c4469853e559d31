#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures how soon an output is switched off after a sample crossed a limit.

  limit_to_off.py [N] [--loaded N] [--stands N] [--loaded-stands N] [--limit MS]

N trips (1000) with the computer to itself and N under load: eight clients ask
the API without a pause, and each flush of the database to the disk takes 2 s.
Voltage, current and temperature cross in turn, at the first, second or third
sample. Ends with 1 when a figure misses.

From just before the sample's last byte is written, which is the thermometer's,
to the off line having been read: both by the instruments' side (peer.c) and
CLOCK_MONOTONIC. Also, without a limit, from the answer with the crossing value
itself: a load is asked before the thermometer. Every line goes through the
system's terminal layer, whose own threads wait for a processor like any other:
what that alone takes at the same time, there and back, is shown beside it."""

import argparse
import http.client
import multiprocessing
import pathlib
import queue
import subprocess
import sys
import tempfile
import threading
import time

sys.dont_write_bytecode = True
from figures import BUILD, SOURCE, Api, Daemon, Refused, await_true, quantile, start  # noqa: E402

CLIENTS = 8
SYNC_MS = 2000
# The rest is another one for each stand, lest all of them trip at the same instant
# after they have waited for the same flush.
PROFILE = """profile: A discharge that is cut short
limits: {temperature: {max: 45 degC}, voltage: {min: 2.2 V/cell}, current: 20 A, temperature_required: yes}
steps:
  - rest: {for: %.3f s, sample_every: 0.5 s}
  - discharge: {current: 10 A, until: {voltage: 2.5 V/cell}, at_most: {time: 1 h}, sample_every: 0.2 s}
"""
ADDRESSES = ("/v1/stands", "/v1/runs?limit=20", "/v1/runs/last", "/v1/daemon", "/v1/profiles",
             "/v1/runs/last/samples", "/v1/batteries")


class Figures:
    def __init__(self):
        self.lock = threading.Lock()
        self.from_sample = []  # ms
        self.from_reading = {}  # by kind of crossing
        self.refused = 0
        self.errors = []


class Yard:
    """A daemon and the peers of its stands."""

    def __init__(self, home, stands, environment):
        self.peer = start([BUILD / "tests" / "figures_peer", stands], text=True,
                          stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.terminal_ms = []
        self.trips = [queue.Queue() for _ in range(stands)]
        entries = ""
        for i in range(stands):
            _, number, load, thermometer = self.peer.stdout.readline().split()
            entries += (f"  - name: berth-{number}\n    sense: remote\n"
                        f"    load: {{driver: load-virtual, link: \"{load}\"}}\n"
                        f"    thermometer: {{driver: thermometer-scpi, link: \"{thermometer}\"}}\n")
        self.ordered = self.peer.stdout.readline().strip()
        home.mkdir()
        for i in range(stands):
            (home / f"short-{i}.yaml").write_text(PROFILE % (0.1 + 0.093 * i))
        (home / "bench.yaml").write_text(
            "bench: Boat-hire yard\ndatabase: ampledger.db\nsocket: ampledger.sock\n"
            f"profiles: \"{home}\"\ndrivers: \"{SOURCE}/drivers\"\nstands:\n{entries}")
        self.home = home
        self.listener = threading.Thread(target=self.listen, daemon=True)
        self.listener.start()
        self.daemon = Daemon(home, environment)
        await_true(60, "idle stands", lambda: self.daemon.api.phases() == {"idle"})
        for i in range(stands):
            self.daemon.api("POST", "/v1/batteries", label=f"launch-{i}", chemistry="lfp", cells=4,
                            rated_Ah=125, rated_hours=12.5)

    def listen(self):
        for line in self.peer.stdout:
            what, number, *ns = line.split()
            if what == "terminal":
                self.terminal_ms.append(int(number) / 1e6)
                continue
            kind = ns.pop(0)
            self.trips[int(number)].put((kind, [int(x) / 1e6 for x in ns]))

    def end(self):
        status = self.daemon.stop()
        self.peer.stdin.close()
        self.peer.wait()
        self.listener.join()
        return status

    def trip_often(self, number, tickets, figures):
        """One stand: start, trip, clear, until no ticket is left."""
        api = Api(self.home / "ampledger.sock")
        stand = f"/v1/stands/berth-{number}"
        try:
            while tickets.get(block=False):
                self.one_trip(api, stand, number, figures)
        except queue.Empty:
            return
        except Exception as e:  # a thread's end must be seen by who waits for it
            figures.errors.append(f"berth-{number}: {type(e).__name__}: {e}")

    def one_trip(self, api, stand, number, figures):
        self.insist(api, f"{stand}/start", figures, profile=f"short-{number}", battery=f"launch-{number}")
        kind, (from_sample, from_reading) = self.trips[number].get(timeout=60)
        with figures.lock:
            figures.from_sample.append(from_sample)
            figures.from_reading.setdefault(kind, []).append(from_reading)
        reason = await_true(60, "the latch", lambda: self.latched(api, stand))
        if reason != kind:
            figures.errors.append(f"berth-{number}: {kind} was taken for {reason}")
        self.insist(api, f"{stand}/clear", figures)

    @staticmethod
    def latched(api, stand):
        time.sleep(0.02)
        found = api("GET", stand)
        return found["phase"] == "latched" and found["trip"]["reason"]

    @staticmethod
    def insist(api, address, figures, **body):
        """On a slow disk an order may be refused because it was not recorded in time."""
        for _ in range(20):
            try:
                return api("POST", address, **body)
            except Refused as e:
                why = str(e)
                with figures.lock:
                    figures.refused += 1
                time.sleep(0.2)
        raise Refused(why)


def ask_without_pause(path, stop, asked):
    api = Api(path, timeout=30)
    n = 0
    while not stop.is_set():
        try:
            api("GET", ADDRESSES[n % len(ADDRESSES)])
        except (Refused, OSError, http.client.HTTPException):
            pass  # being answered at all is load enough
        n += 1
    with asked.get_lock():
        asked.value += n


def measure(top, name, trips, stands, loaded):
    environment = {}
    if loaded:
        environment = {"LD_PRELOAD": str(BUILD / "tests" / "figures_slow_sync.so"),
                       "FIGURES_SYNC_MS_FILE": str(top / "sync-ms")}
    yard = Yard(top / name, stands, environment)
    if loaded:
        (top / "sync-ms").write_text(str(SYNC_MS))
    figures = Figures()
    tickets = queue.Queue()
    for _ in range(trips):
        tickets.put(True)
    stop, asked = multiprocessing.Event(), multiprocessing.Value("l", 0)
    clients = [multiprocessing.Process(target=ask_without_pause,
                                       args=(yard.home / "ampledger.sock", stop, asked))
               for _ in range(CLIENTS if loaded else 0)]
    begun = time.monotonic()
    for c in clients:
        c.start()
    threads = [threading.Thread(target=yard.trip_often, args=(i, tickets, figures))
               for i in range(stands)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    seconds = time.monotonic() - begun
    stop.set()
    for c in clients:
        c.join()
    (top / "sync-ms").unlink(missing_ok=True)
    status = yard.end()
    if status != 0:
        figures.errors.append(f"the daemon left with {status}")
    print_figures(name, figures, seconds, stands)
    row("terminal alone", yard.terminal_ms)
    if loaded:
        print(f"  {asked.value / seconds:.0f} requests a second by {CLIENTS} clients, "
              f"each flush to disk {SYNC_MS} ms")
    print(f"  {yard.ordered}")
    if figures.errors:
        print((yard.home / "daemon.log").read_text()[-2000:], file=sys.stderr)
    return figures


def row(of, ms):
    print(f"  {of:23} {len(ms):6} times: p50 {quantile(ms, .5):6.3f}  p99 {quantile(ms, .99):6.3f}  "
          f"p99.9 {quantile(ms, .999):6.3f}  worst {max(ms, default=float('nan')):6.3f} ms")


def print_figures(name, figures, seconds, stands):
    print(f"{name}: {stands} stands, {seconds:.0f} s, {figures.refused} orders had to be given again")
    row("sample to off", figures.from_sample)
    for kind, ms in sorted(figures.from_reading.items()):
        row(f"{kind} to off", ms)


def main():
    arguments = argparse.ArgumentParser(description="time from a crossed limit to off")
    arguments.add_argument("n", nargs="?", type=int, default=1000)
    arguments.add_argument("--loaded", type=int, help="trips under load, when not as many")
    arguments.add_argument("--stands", type=int, default=4)
    arguments.add_argument("--loaded-stands", type=int, default=32)
    arguments.add_argument("--limit", type=float, default=5, help="of p99.9, in ms")
    wanted = arguments.parse_args()
    loaded = wanted.n if wanted.loaded is None else wanted.loaded
    missed = False
    with tempfile.TemporaryDirectory(prefix="ampledger-limit.") as top:
        for name, trips, stands, under_load in (("alone", wanted.n, wanted.stands, False),
                                                ("under load", loaded, wanted.loaded_stands, True)):
            if trips == 0:
                continue
            figures = measure(pathlib.Path(top), name.replace(" ", "-"), trips, stands, under_load)
            ms = figures.from_sample
            problems = figures.errors
            if len(ms) < trips:
                problems.append(f"{len(ms)} trips of {trips} were measured")
            if not quantile(ms, .999) <= wanted.limit:
                problems.append(f"p99.9 is above {wanted.limit:g} ms")
            for p in problems:
                print(f"MISSED: {name}: {p}")
            missed = missed or bool(problems)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
