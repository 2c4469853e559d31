#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures how soon an output is switched off after a sample crossed a limit.

  limit_to_off.py [N] [--loaded N] [--stands N] [--loaded-stands N] [--limit MS] [--into FILE]

N trips (1000) with the computer to itself and N under load: eight clients ask
the API without a pause, and each flush of the database to the disk takes 2 s.
Voltage, current and temperature cross in turn, at the first, second or third
sample. Half of the stands are reached over pseudo-terminals, half over TCP on
the loopback interface. What was measured is kept in FILE after every 200 trips;
what is there already is not measured again, so that a long measurement can be
cut off and go on. 1000 and 1000 take about 16 minutes.

From just before the sample's last byte is written, of the load or the thermometer,
to the off line having been read: both by the instruments' side (peer.c) and
CLOCK_MONOTONIC. Of it inside the daemon: from the return of the read that made the
sample whole to the write of off (stamps.c). Also, without a limit, from the answer
with the crossing value itself, which may be the earlier one of the two.

Beside it stands what the bare link took in the same minutes, there and back, with
nothing but this program at both ends: terminals are served by a thread of the
system's that waits for a processor like any other, whatever the daemon does.

Ends with 1 when a figure misses: p99.9 inside the daemon above MS (5), or p99.9
from sample to off above MS and what the bare link took."""

import argparse
import http.client
import json
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
LINKS = ("tty", "tcp")
ALONE, UNDER_LOAD = "alone", "under load"
AT_ONCE = 200  # trips of one daemon
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
    """What was measured in one condition: a row for each trip and each byte there and
    back over a bare link, in ms."""

    def __init__(self):
        self.lock = threading.Lock()
        self.rows = []
        self.refused = 0
        self.errors = []

    def of(self, what, **which):
        return [r[what] for r in self.rows
                if what in r and all(r.get(k) == v for k, v in which.items())]


class Kept:
    """Rows of earlier measurements, in a file of JSON lines; nowhere without one."""

    def __init__(self, path):
        self.path = path

    def rows(self, condition):
        if self.path is None or not self.path.exists():
            return []
        rows = [json.loads(line) for line in self.path.read_text().splitlines()]
        return [r for r in rows if r["condition"] == condition]

    def add(self, rows):
        if self.path is not None:
            with open(self.path, "a") as f:
                f.write("".join(json.dumps(r) + "\n" for r in rows))


class Yard:
    """A daemon and the peers of its stands."""

    def __init__(self, home, stands, under_load):
        self.peer = start([BUILD / "tests" / "figures_peer", stands], text=True,
                          stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.rows = []  # of the bare links
        self.links = {}  # stand by address of its load
        self.trips = [queue.Queue() for _ in range(stands)]
        entries = ""
        for i in range(stands):
            _, number, load, thermometer = self.peer.stdout.readline().split()
            self.links[load] = i
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
        self.sync = home / "sync-ms"
        self.stamps = home / "stamps"
        self.listener = threading.Thread(target=self.listen, daemon=True)
        self.listener.start()
        self.daemon = Daemon(home, self.environment(under_load))
        await_true(60, "idle stands", lambda: self.daemon.api.phases() == {"idle"})
        for i in range(stands):
            self.daemon.api("POST", "/v1/batteries", label=f"launch-{i}", chemistry="lfp", cells=4,
                            rated_Ah=125, rated_hours=12.5)

    def environment(self, under_load):
        objects = [BUILD / "tests" / "figures_stamps.so"]
        if under_load:
            objects.append(BUILD / "tests" / "figures_slow_sync.so")
        return {"LD_PRELOAD": " ".join(str(o) for o in objects),
                "FIGURES_STAMPS_FILE": str(self.stamps), "FIGURES_SYNC_MS_FILE": str(self.sync)}

    def link_of(self, number):
        return next(address for address, n in self.links.items() if n == number)

    def listen(self):
        for line in self.peer.stdout:
            what, which, *rest = line.split()
            if what == "bare":
                self.rows.append({"link": which, "bare": int(rest[0]) / 1e6})
                continue
            self.trips[int(which)].put((rest[0], [int(x) for x in rest[1:]]))

    def end(self):
        status = self.daemon.stop()
        self.peer.stdin.close()
        self.peer.wait()
        self.listener.join()
        return status

    def stamp_rows(self, figures):
        """Find for each trip what the daemon's side stamped."""
        stamps = {}
        for line in self.stamps.read_text().splitlines():
            link, *numbers = line.split()
            stamps.setdefault(self.links[link], []).append([int(n) for n in numbers])
        for r in figures.rows:
            sample_ns, off_ns = r.pop("between")
            found = [s for s in stamps.get(r.pop("stand"), [])
                     if sample_ns <= s[0] and s[1] <= off_ns]
            if len(found) != 1:
                figures.errors.append(f"{len(found)} stamps of the daemon's for one trip")
                continue
            read_ns, off_ns, r["waits"], r["preempted"], r["faults"] = found[0]
            r["inside"] = (off_ns - read_ns) / 1e6

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
        kind, (reading_ns, sample_ns, off_ns) = self.trips[number].get(timeout=60)
        with figures.lock:
            figures.rows.append({
                "link": self.link_of(number).partition(":")[0], "kind": kind, "stand": number,
                "between": (sample_ns, off_ns), "sample": (off_ns - sample_ns) / 1e6,
                "reading": (off_ns - reading_ns) / 1e6})
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


def measure(top, trips, stands, under_load):
    """One daemon's trips."""
    yard = Yard(top, stands, under_load)
    if under_load:
        yard.sync.write_text(str(SYNC_MS))
    figures = Figures()
    tickets = queue.Queue()
    for _ in range(trips):
        tickets.put(True)
    stop, asked = multiprocessing.Event(), multiprocessing.Value("l", 0)
    clients = [multiprocessing.Process(target=ask_without_pause,
                                       args=(yard.home / "ampledger.sock", stop, asked))
               for _ in range(CLIENTS if under_load else 0)]
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
    yard.sync.unlink(missing_ok=True)
    status = yard.end()
    if status != 0:
        figures.errors.append(f"the daemon left with {status}")
    yard.stamp_rows(figures)
    print(f"{len(figures.rows)} trips in {seconds:.0f} s, {figures.refused} orders had to be given again, "
          f"{asked.value / seconds:.0f} requests a second, {yard.ordered}", flush=True)
    figures.rows += yard.rows
    if figures.errors:
        print((yard.home / "daemon.log").read_text()[-2000:], file=sys.stderr)
    return figures


def row(of, ms):
    print(f"  {of:28} {len(ms):6} times: p50 {quantile(ms, .5):6.3f}  p99 {quantile(ms, .99):6.3f}  "
          f"p99.9 {quantile(ms, .999):6.3f}  worst {max(ms, default=float('nan')):6.3f} ms")


def show(condition, figures):
    print(f"{condition}:")
    for link in LINKS:
        row(f"{link}: sample to off", figures.of("sample", link=link))
        row(f"{link}: of it in the daemon", figures.of("inside", link=link))
        row(f"{link}: the bare link", figures.of("bare", link=link))
    for kind in sorted(set(figures.of("kind"))):
        row(f"reading to off, {kind}", figures.of("reading", kind=kind))


def judge(figures, trips, limit_ms):
    """What missed, in words."""
    problems = figures.errors
    measured = len(figures.of("inside"))
    if measured < trips:
        problems.append(f"{measured} trips of {trips} were measured")
    for link in LINKS:
        inside = quantile(figures.of("inside", link=link), .999)
        outside = quantile(figures.of("sample", link=link), .999)
        bare = quantile(figures.of("bare", link=link), .999)
        if not inside <= limit_ms:
            problems.append(f"{link}: p99.9 in the daemon is above {limit_ms:g} ms")
        if not outside <= limit_ms + bare:
            problems.append(f"{link}: p99.9 from sample to off is above {limit_ms:g} ms "
                            f"and the bare link's {bare:.3f} ms")
        elif outside > limit_ms:
            print(f"{link}: p99.9 from sample to off is above {limit_ms:g} ms, "
                  f"of which the bare link takes {bare:.3f} ms")
    return problems


def measure_condition(top, condition, wanted, kept):
    """Returns what missed, in words."""
    under_load = condition == UNDER_LOAD
    trips, stands = ((wanted.loaded, wanted.loaded_stands) if under_load
                     else (wanted.n, wanted.stands))
    figures = Figures()
    figures.rows = kept.rows(condition)
    while not figures.errors and (left := trips - len(figures.of("inside"))) > 0:
        part = measure(top / f"{condition.replace(' ', '-')}-{left}", min(left, AT_ONCE), stands,
                       under_load)
        figures.errors += part.errors
        figures.rows += part.rows
        kept.add([{"condition": condition, **r} for r in part.rows])
    show(condition, figures)
    return judge(figures, trips, wanted.limit)


def main():
    arguments = argparse.ArgumentParser(description="time from a crossed limit to off")
    arguments.add_argument("n", nargs="?", type=int, default=1000)
    arguments.add_argument("--loaded", type=int, help="trips under load, when not as many")
    arguments.add_argument("--stands", type=int, default=4)
    arguments.add_argument("--loaded-stands", type=int, default=32)
    arguments.add_argument("--limit", type=float, default=5, help="of p99.9, in ms")
    arguments.add_argument("--into", type=pathlib.Path, help="a file that keeps what was measured")
    wanted = arguments.parse_args()
    wanted.loaded = wanted.n if wanted.loaded is None else wanted.loaded
    missed = False
    with tempfile.TemporaryDirectory(prefix="ampledger-limit.") as top:
        for condition, trips in ((ALONE, wanted.n), (UNDER_LOAD, wanted.loaded)):
            if trips == 0:
                continue
            for p in measure_condition(pathlib.Path(top), condition, wanted, Kept(wanted.into)):
                print(f"MISSED: {condition}: {p}")
                missed = True
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
