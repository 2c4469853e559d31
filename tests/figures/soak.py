#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Eight stands that are never idle, at speed, while instruments, processes, disk and clock
fail at random; and what must hold all along (see tests/FAULTS.md).

  soak.py [MINUTES] [--seed S] [--json FILE] [--sabotage]

Runs follow each other at every stand: capacity, fills, cycles, pulses, rests. One in five has
an instrument or its battery disturbed. In the middle third keeper and worker are killed and
stopped, together and alone. The wall clock steps and the disk is slow or full now and then, which must
disturb no run. --sabotage stops keeper and worker both while current flows, so that nobody can
switch off: it must end in a breach. Ends with 1 on a breach of anything.

An output is nobody's while it is on and the daemon does not say that its stand runs, or has
said nothing for longer than the trust time. One that cannot obey (hangs, unplugged,
ignores off) counts from GRACE_S after it can again."""

import argparse
import contextlib
import http.client
import json
import os
import pathlib
import random
import resource
import signal
import sqlite3
import statistics
import struct
import subprocess
import sys
import tempfile
import threading
import time
import traceback

sys.dont_write_bytecode = True
from figures import BUILD, SOURCE, Api, Control, Daemon, Refused, await_true, start  # noqa: E402

STANDS = 8
SPEED = 20000
TRUST_S = 3
NOBODYS_S = TRUST_S + 1.5  # looking takes time too, on a busy machine
GRACE_S = 20
STALL_S = 60  # of real time: a run that takes no sample for so long hangs
COME_BACK_S = 90  # after a fault a person can clear and start again within this
RESIDENT_MiB, GROWTH_MiB = 48, 2
LOG_MiB = 64  # of SQLite's, while everything goes wrong
BYTES_A_SAMPLE, KiB_A_RUN = 20, 48  # in the end, when all is packed; a run has its plan, result and events
SHARE, SWITCH_s = 0.002, 1.0  # ours against the battery's own counter; how late off may be after the last sample
DISTURBED = 0.2
SHORT_S = 300  # a soak that is shorter has short runs only, and is too short to tell growth from warming up
UNFIT_DISK_S = 5  # less than a bench's patience
DEATHS_A_DAEMON = 4  # the keeper gives up after more in ten minutes

CHEMISTRIES = {
    "lfp": {"cells": 4, "Ah": 20.7, "rated": 20, "more": ", resistance: 40 mOhm", "full": 3.65, "empty": 2.5},
    "li-ion": {"cells": 7, "Ah": 10.3, "rated": 10, "more": "", "full": 4.2, "empty": 3.0},
}
LIMITS = """limits: {temperature: {min: 5 degC, max: 45 degC}, temperature_required: yes, trust_time: 3 s}
"""
DRAW = "discharge: {{name: {name}, current: 0.6 C, until: {{voltage: {empty} V/cell}}, sample_every: 1.5 s}}"
FILL = ("charge: {{name: {name}, current: 0.5 C, voltage: {full} V/cell, until: {{current: 0.1 C}}, "
        "at_most: {{time: 6 h}}, sample_every: 1.5 s}}")
# Name of a profile: its steps, and how full the battery is that it begins with.
PROFILES = {
    "capacity": ("  - rest: {{for: 1 min}}\n  - " + DRAW.replace("{name}", "capacity") + "\n  - rest: {{for: 2 min}}\n",
                 (1.0, 1.0)),
    "fill": ("  - " + FILL.replace("{name}", "fill") + "\n  - rest: {{for: 5 min}}\n", (0.2, 0.7)),
    "cycles": ("  - repeat:\n      name: two\n      times: 2\n      steps:\n        - " +
               FILL.replace("{name}", "fill") + "\n        - rest: {{name: full, for: 2 min}}\n        - " +
               DRAW.replace("{name}", "draw") +
               "\n        - rest: {{name: empty, for: 2 min}}\non_interruption: {{resume_within: 30 s}}\n", (0.5, 0.9)),
    "pulses": ("""  - repeat:
      name: levels
      times: 3
      steps:
        - rest: {{name: before, for: 5 min}}
        - pulse:
            name: resistance
            currents: [{{current: 0.1 C, for: 10 s}}, {{current: 0.5 C, for: 10 s}}]
            until: {{voltage: {empty} V/cell}}
            sample_every: 0.2 s
        - discharge:
            name: some
            current: 0.3 C
            until: {{voltage: {empty} V/cell}}
            at_most: {{time: 20 min}}
            sample_every: 1.5 s
""", (0.7, 0.9)),
    "rest": ("  - rest: {{for: 1 h}}\n", (0.3, 0.9)),
    "short draw": ("  - rest: {{for: 5 s}}\n  - " + DRAW.replace("{name}", "draw").replace(
        "sample", "at_most: {{time: 90 s}}, sample") + "\n  - rest: {{for: 5 s}}\n", (0.5, 0.9)),
    "short fill": ("  - " + FILL.replace("{name}", "fill").replace("until: {{", "until: {{charge: 1 %, ") + "\n",
                   (0.2, 0.7)),
    "short pulse": ("  - pulse: {{name: pulse, currents: [{{current: 0.1 C, for: 5 s}}, {{current: 0.5 C, for: 5 s}}], "
                    "until: {{voltage: {empty} V/cell}}, sample_every: 0.5 s}}\n  - rest: {{for: 10 s}}\n", (0.7, 0.9)),
    "short rest": ("  - rest: {{for: 20 s}}\n", (0.3, 0.9)),
}
SHORT = [name for name in PROFILES if name.startswith("short")]
# What an instrument may do, and whether off can be out of its reach then.
FAULTS = {"load": {"silence": False, "late 0.2 5": False, "garbage": False, "truncate": False, "double": False,
                   "nul": False, "flood": False, "nan": False, "overrange": False, "absurd": False, "reversed": False,
                   "open": False, "echo": False, "stuck": False, "ignore-set": False, "hang": True, "unplug": True,
                   "stays-on": True, "refuse": True},
          "thermometer": {"silence": False, "lost": False, "stuck": False, "jump": False, "garbage": False,
                          "late 0.2 5": False, "unplug": False}}
FAULTS["supply"] = {k: v for k, v in FAULTS["load"].items() if k != "reversed"}


def memory(pid):
    """Resident, in MiB."""
    for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise ProcessLookupError(pid)


def pace():
    """The instruments are as quick as others' programs, though the soak goes behind them."""
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, 0)


class Breaches:
    def __init__(self):
        self.lock = threading.Lock()
        self.texts = []

    def add(self, text):
        with self.lock:
            self.texts.append(text)
            print(f"BREACH: {text}", flush=True)


class Yard:
    """The bench, the daemon, and what all threads share."""

    def __init__(self, home, minutes):
        self.home = home
        self.breaches = Breaches()
        self.begun = time.monotonic()
        self.length_s = minutes * 60
        self.over = threading.Event()
        self.epoch = 0  # grows when something is done to a process: odd meanwhile
        self.plugged = threading.Lock()  # held while one is unplugged: no worker starts meanwhile (e2e/absent.sh has that)
        self.excused = {}  # outputs that cannot obey: until when
        self.counts = {}
        self.count_lock = threading.Lock()
        self.stands = [(f"berth-{i}", f"battery-{i}", list(CHEMISTRIES)[i % 2], i) for i in range(STANDS)]
        self.write_files()
        self.page = open(home / "page", "wb", buffering=0)
        self.steer(0)

    def count(self, what, by=1):
        with self.count_lock:
            self.counts[what] = self.counts.get(what, 0) + by

    def part(self):
        """How much of the time is over: 0 to 1."""
        return (time.monotonic() - self.begun) / self.length_s

    def write_files(self):
        (self.home / "profiles").mkdir()
        for chemistry, c in CHEMISTRIES.items():
            for name, (steps, _) in PROFILES.items():
                (self.home / "profiles" / f"{name.replace(' ', '-')}-{chemistry}.yaml").write_text(
                    f"profile: {name} of {chemistry}\nfor: [{chemistry}]\n{LIMITS}steps:\n" + steps.format(**c))
        (self.home / "virtual.yaml").write_text(
            "batteries:\n" + "".join(
                f"  - {{name: {battery}, chemistry: {chemistry}, cells: {CHEMISTRIES[chemistry]['cells']}, "
                f"capacity: {CHEMISTRIES[chemistry]['Ah']} Ah, ambient: 22 degC{CHEMISTRIES[chemistry]['more']}}}\n"
                for _, battery, chemistry, _ in self.stands) +
            "instruments:\n" + "".join(
                f"  - {{name: {role}-{i}, kind: {role}, battery: {battery}}}\n"
                for _, battery, _, i in self.stands for role in FAULTS))
        (self.home / "bench.yaml").write_text(
            "bench: Lakeside boat-hire yard\ndatabase: ampledger.db\nsocket: ampledger.sock\nprofiles: profiles\n"
            f"drivers: \"{SOURCE}/drivers\"\nvirtual: vb/control\nstands:\n" + "".join(
                f"  - name: {stand}\n    sense: remote\n" + "".join(
                    f"    {role}: {{driver: {role}-virtual, link: \"tty:vb/{role}-{i}\"}}\n" for role in FAULTS)
                for stand, _, _, i in self.stands))

    def begin(self):
        with open(self.home / "virtual.log", "wb") as log:
            self.virtual = start([BUILD / "ampledger-virtual", self.home / "vb", "--speed", SPEED, "--bench",
                                  self.home / "virtual.yaml"], stdout=log, stderr=subprocess.STDOUT,
                                 preexec_fn=pace)
        await_true(10, "the virtual bench", (self.home / "vb" / "control").exists)
        self.begin_daemon()
        await_true(60, "idle stands", lambda: self.daemon.api.phases() == {"idle"})
        for _, battery, chemistry, _ in self.stands:
            c = CHEMISTRIES[chemistry]
            self.daemon.api("POST", "/v1/batteries", label=battery, chemistry=chemistry, cells=c["cells"],
                            rated_Ah=c["rated"])

    def begin_daemon(self):
        libraries = [BUILD / "tests" / f"{name}.so" for name in ("preload_faults", "figures_slow_sync")]
        self.daemon = Daemon(self.home, {
            "LD_PRELOAD": ":".join(str(l) for l in libraries), "AMPLEDGER_FAULTS_PAGE": str(self.home / "page"),
            "FIGURES_SYNC_MS_FILE": str(self.home / "sync_ms")})
        self.deaths = 0

    def api(self, timeout=60):
        return Api(self.home / "ampledger.sock", timeout)

    def control(self):
        return Control(self.home / "vb" / "control")

    def steer(self, wall_step_s):
        os.pwrite(self.page.fileno(), struct.pack("=qqq", wall_step_s, 0, 0), 0)

    def outputs(self):
        return [(stand, f"{role}-{i}") for stand, _, _, i in self.stands for role in ("load", "supply")]


class Stand(threading.Thread):
    """One run after the other."""

    def __init__(self, yard, rng, name, battery, chemistry, number):
        super().__init__(name=name, daemon=True)
        self.yard, self.rng, self.battery, self.chemistry, self.number = yard, rng, battery, chemistry, number
        self.api, self.control = yard.api(), yard.control()
        self.runs = []

    def run(self):
        try:
            while not self.yard.over.is_set():
                self.one_run()
        except Exception as e:  # a thread's end must be seen by who waits for it
            self.yard.breaches.add(f"{self.name}: {type(e).__name__}: {e}")
            traceback.print_exc()

    def ask(self, method, address, seconds=COME_BACK_S, **body):
        """Though the daemon may be starting again just now."""
        end = time.monotonic() + seconds
        while True:
            try:
                return self.api(method, address, **body)
            except (OSError, http.client.HTTPException, Refused) as e:
                if time.monotonic() > end or isinstance(e, Refused) and "leaving" not in str(e):
                    raise
                time.sleep(0.2)

    def stand(self):
        return self.ask("GET", f"/v1/stands/{self.name}")

    def make_ready(self, soc):
        """As a person does: whatever was wrong is put right, the latch cleared, a battery put in."""
        for words in (f"heat {self.battery} 22", f"heat {self.battery} off", f"soc {self.battery} {soc}"):
            self.control(words)
        end = time.monotonic() + COME_BACK_S
        while (s := self.stand())["phase"] != "idle" and not self.yard.over.is_set():
            if s["phase"] == "latched":
                with contextlib.suppress(Refused):
                    self.ask("POST", f"/v1/stands/{self.name}/clear")
                    self.yard.count("alarms and trips cleared")
            if time.monotonic() > end:
                raise TimeoutError(f"never idle again: {s['phase']}, {s['problem'] or s['trip']}")
            time.sleep(0.1)
        self.control(f"reset-counter {self.battery}")

    def one_run(self):
        profile = self.rng.choice(SHORT if self.yard.length_s < SHORT_S else list(PROFILES) + 2 * SHORT)
        disturbed = self.rng.random() < DISTURBED
        self.make_ready(self.rng.uniform(*PROFILES[profile][1]))
        if self.yard.over.is_set():
            return
        epoch = self.yard.epoch
        try:
            run = self.api("POST", f"/v1/stands/{self.name}/start", battery=self.battery,
                           profile=f"{profile.replace(' ', '-')}-{self.chemistry}")["run"]
        except (OSError, http.client.HTTPException, Refused) as e:
            self.yard.count("starts refused or cut off")
            self.refused(e, epoch)
            time.sleep(0.5)
            return
        if disturbed:
            self.disturb()
        ended = self.await_end(run)
        if ended is None:
            return
        self.yard.count(f"runs {ended['outcome']}")
        if not disturbed and self.yard.epoch == epoch and epoch % 2 == 0:
            self.judge(profile, ended)

    def refused(self, e, epoch):
        """Nothing was done to this stand: then the disk is full just now, or the machine too busy for an instrument to
        answer in time, which is not ours."""
        innocent = self.yard.epoch == epoch and epoch % 2 == 0 and isinstance(e, Refused)
        if innocent and not any(words in str(e) for words in ("database", "no answer in", "leaving")):
            self.yard.breaches.add(f"{self.name}: a start was refused: {e}")

    def disturb(self):
        time.sleep(self.rng.uniform(0, 3))
        if self.rng.random() < 0.2:
            words = self.rng.choice([f"heat {self.battery} 61", f"soc {self.battery} 0", f"soc {self.battery} 1.05"])
            self.yard.count(f"disturbed: {words.split()[0]}")
            self.control(words)
            return
        role = self.rng.choice(list(FAULTS))
        fault = self.rng.choice(list(FAULTS[role]))
        name = f"{role}-{self.number}"
        self.yard.count(f"disturbed: {fault.split()[0]}")
        with self.yard.plugged if fault == "unplug" else contextlib.nullcontext():
            if FAULTS[role][fault]:
                self.yard.excused[name] = float("inf")
            self.control(f"fault {name} {fault}")
            self.yard.over.wait(self.rng.uniform(0.5, 8))
            self.control(f"fault {name} replug" if fault == "unplug" else f"clear-fault {name}")
            if FAULTS[role][fault]:
                self.yard.excused[name] = time.monotonic() + GRACE_S

    def await_end(self, run):
        """The run as recorded, or None when the time is over."""
        samples, end = None, time.monotonic() + STALL_S
        while (s := self.stand())["phase"] in ("running", "starting"):
            if self.yard.over.is_set():
                return None
            if s["run"] and s["run"]["samples"] != samples:
                samples, end = s["run"]["samples"], time.monotonic() + STALL_S
            if time.monotonic() > end:
                raise TimeoutError(f"a run hangs: {s}")
            time.sleep(0.1)
        end = time.monotonic() + STALL_S
        while (ended := self.ask("GET", f"/v1/runs/{run}"))["outcome"] == "running":
            if time.monotonic() > end:
                raise TimeoutError(f"run {ended['number']} is over at {self.name}, but not in the ledger")
            time.sleep(0.1)
        return ended

    def judge(self, profile, ended):
        """One that nothing was done to: to its end, and right by the battery's own counter."""
        if ended["outcome"] != "completed":
            self.yard.breaches.add(f"{self.name}: undisturbed run {ended['number']} ({profile}) ended as "
                                   f"{ended['outcome']}: {(ended['trip'] or {}).get('sentence')}")
            return
        result = ended["result"] or {}
        switched = sum(s["kind"] != "rest" for s in ended["steps"])
        switched_Ah = (switched + 1) * SWITCH_s / 3600 * 0.6 * CHEMISTRIES[self.chemistry]["rated"]
        counter = dict(p.split("=") for p in self.control(f"counter {self.battery}").split()[1:] if "=" in p)
        for ours in ("discharged_Ah", "charged_Ah"):
            a, b = result.get(ours) or 0.0, float(counter[ours])
            off = abs(a - b) / (SHARE * b + switched_Ah)
            self.runs.append(off)
            if off > 1:
                self.yard.breaches.add(
                    f"{self.name}: run {ended['number']} ({profile}): {ours} {a:.5f}, counted {b:.5f}")


class Watch(threading.Thread):
    """Is any output on that is nobody's?"""

    def __init__(self, yard):
        super().__init__(name="watch", daemon=True)
        self.yard, self.control, self.api = yard, yard.control(), yard.api(timeout=1)
        self.said = {}  # stand: when it was last said to be running
        self.since = {}  # output: since when it is nobody's
        self.longest_s, self.looks, self.told = 0.0, 0, set()

    def run(self):
        try:
            while not self.yard.over.is_set():
                self.look()
                time.sleep(0.2)
        except Exception as e:
            self.yard.breaches.add(f"the watch ended: {type(e).__name__}: {e}")

    def look(self):
        asked, phases = time.monotonic(), {}
        with contextlib.suppress(OSError, http.client.HTTPException, Refused):
            phases = {name: s["phase"] for name, s in self.api.stands().items()}
        for stand, phase in phases.items():
            self.said[stand] = asked if phase == "running" else 0
        for stand, output in self.yard.outputs():
            now = time.monotonic()
            is_on = self.control.is_on(output)
            owned = now - self.said.get(stand, 0) < (TRUST_S if not phases else NOBODYS_S)
            if not is_on or owned or now < self.yard.excused.get(output, 0):
                self.since.pop(output, None)
                continue
            # While nobody answers it has been nobody's since it was last said to be somebody's.
            since = self.since.setdefault(output, now if phases else self.said.get(stand) or now)
            self.longest_s = max(self.longest_s, now - since)
            if now - since > NOBODYS_S and (output, since) not in self.told:
                self.told.add((output, since))
                self.yard.breaches.add(f"{output} is on and nobody's for {now - since:.1f} s")
        self.looks += 1


class Chaos(threading.Thread):
    """What is done to processes, disk and clock."""

    def __init__(self, yard, rng, sabotage):
        super().__init__(name="chaos", daemon=True)
        self.yard, self.rng, self.sabotage = yard, rng, sabotage

    def run(self):
        pause_s = min(self.yard.length_s / 15, 12)
        try:
            while not self.yard.over.wait(self.rng.uniform(0.3, 1.7) * pause_s):
                if self.sabotage and self.yard.part() > 0.3:
                    self.paralyse()
                elif 0.45 < self.yard.part() < 0.8 and self.rng.random() < 0.8:
                    self.strike()
                elif 0.1 < self.yard.part() < 0.95:
                    self.rng.choice([self.step_clock, self.slow_disk, self.full_disk])()
        except Exception as e:
            self.yard.breaches.add(f"chaos ended: {type(e).__name__}: {e}")
            traceback.print_exc()

    # --- what must disturb no run ---

    def step_clock(self):
        self.yard.count("wall clock stepped")
        self.yard.steer(self.rng.choice([86400, -86400, 3600]))
        self.yard.over.wait(self.rng.uniform(1, 4))
        self.yard.steer(0)

    def slow_disk(self):
        self.yard.count("disk slow")
        (self.yard.home / "sync_ms").write_text("1500")
        self.yard.over.wait(UNFIT_DISK_S)
        (self.yard.home / "sync_ms").unlink()

    def full_disk(self):
        """No file of the worker may grow beyond what the largest has now."""
        self.yard.count("disk full")
        most = max(p.stat().st_size for p in self.yard.home.glob("ampledger.db*"))
        worker = self.yard.daemon.worker()
        with contextlib.suppress(ProcessLookupError):
            resource.prlimit(worker, resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))
            self.yard.over.wait(UNFIT_DISK_S)
            resource.prlimit(worker, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))

    # --- what ends runs ---

    def strike(self):
        acts = {self.kill_worker: 3, self.stop_worker: 1, self.kill_keeper: 1, self.stop_keeper: 1,
                self.kill_both: 1, self.terminate: 1}
        act = self.rng.choices(list(acts), list(acts.values()))[0]
        if self.yard.deaths >= DEATHS_A_DAEMON:
            act = self.terminate
        self.yard.epoch += 1
        self.yard.count(act.__name__.replace("_", " "))
        with self.yard.plugged:
            act()
        self.yard.epoch += 1

    def signal_worker(self, how):
        worker = self.yard.daemon.worker()
        self.yard.deaths += 1
        os.kill(worker, how)
        await_true(60, "another worker", lambda: self.other_worker(worker))

    def other_worker(self, old):
        try:
            return self.yard.daemon.worker() != old and self.yard.daemon.api.phases() is not None
        except (IndexError, FileNotFoundError):
            return False

    def kill_worker(self):
        self.signal_worker(signal.SIGKILL)

    def stop_worker(self):
        self.signal_worker(signal.SIGSTOP)

    def stop_keeper(self):
        self.yard.daemon.process.send_signal(signal.SIGSTOP)
        time.sleep(4)
        self.yard.daemon.process.send_signal(signal.SIGCONT)
        time.sleep(1)

    def kill_keeper(self):
        self.end_both(signal.SIGKILL, None)

    def kill_both(self):
        self.end_both(signal.SIGKILL, signal.SIGKILL)

    def end_both(self, keeper, worker):
        pid = self.yard.daemon.worker()
        self.yard.daemon.process.send_signal(keeper)
        if worker:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, worker)
        self.yard.daemon.process.wait(30)
        await_true(30, "the worker's end", lambda: not pathlib.Path(f"/proc/{pid}").exists())
        self.yard.begin_daemon()

    def terminate(self):
        status = self.yard.daemon.stop()
        if status != 0:
            self.yard.breaches.add(f"the daemon left with {status} on SIGTERM")
        self.yard.begin_daemon()

    def paralyse(self):
        control = self.yard.control()
        await_true(60, "current", lambda: any(control.is_on(o) for _, o in self.yard.outputs()))
        self.yard.epoch += 1
        pids = [self.yard.daemon.process.pid, self.yard.daemon.worker()]
        for pid in pids:
            os.kill(pid, signal.SIGSTOP)
        time.sleep(3 * TRUST_S)
        for pid in pids:
            os.kill(pid, signal.SIGCONT)
        self.sabotage = False
        self.yard.epoch += 1


class Gauge(threading.Thread):
    """Memory, descriptors, threads and files, every second."""

    def __init__(self, yard):
        super().__init__(name="gauge", daemon=True)
        self.yard = yard
        self.lives = {}  # (which, pid): [(part of the time, MiB, descriptors, threads)]
        self.log_most = 0

    def run(self):
        while not self.yard.over.wait(max(0.2, self.yard.length_s / 1200)):
            with contextlib.suppress(OSError, IndexError, StopIteration):
                keeper = self.yard.daemon.process.pid
                for which, pid in (("keeper", keeper), ("worker", self.yard.daemon.worker())):
                    self.lives.setdefault((which, pid), []).append(
                        (self.yard.part(), memory(pid), len(os.listdir(f"/proc/{pid}/fd")),
                         len(os.listdir(f"/proc/{pid}/task"))))
                self.log_most = max(self.log_most, (self.yard.home / "ampledger.db-wal").stat().st_size)

    def growth(self, which, column):
        """Of the process that lived longest: the last fifth of its life less the second, as medians, and its most.
        (The first fifth is warming up.)"""
        life = max((l for (w, _), l in self.lives.items() if w == which), key=len, default=[])
        values = [row[column] for row in life]
        n = len(values) // 5
        if n < 2:
            return float("nan"), max(values, default=float("nan"))
        return statistics.median(values[-n:]) - statistics.median(values[n:2 * n]), max(values)

    def lived_s(self, which):
        life = max((l for (w, _), l in self.lives.items() if w == which), key=len, default=[])
        return (life[-1][0] - life[0][0]) * self.yard.length_s if life else 0


def check_database(yard, at_work):
    """Though runs go on: reading disturbs nobody."""
    with contextlib.closing(sqlite3.connect(f"file:{yard.home}/ampledger.db?mode=ro", uri=True, timeout=20)) as db:
        for check, good in (("integrity_check", [("ok",)]), ("foreign_key_check", [])):
            found = db.execute(f"PRAGMA {check}").fetchall()
            if found != good:
                yard.breaches.add(f"{check}: {found[:3]}")
        yard.count("database checked")
        if at_work:
            return {}
        runs = db.execute(
            "SELECT run_nr, count(*), min(seq), max(seq), max(t_s) FROM sample GROUP BY run_nr").fetchall()
        for nr, n, first, last, _ in runs:
            if last - first + 1 != n:
                yard.breaches.add(f"run {nr}: {last - first + 1 - n} samples are missing in the middle")
        at = [r for r, in db.execute("SELECT nr FROM run WHERE outcome = 'running'")]
        if at:
            yard.breaches.add(f"runs {at} are at work with no daemon")
        return {"runs recorded": len(runs), "samples": sum(r[1] for r in runs),
                "days of test time": sum(r[4] or 0 for r in runs) / 86400,
                "samples that are not packed": db.execute("SELECT count(*) FROM sample_row").fetchone()[0]}


def check_results(yard, rng):
    """Some of the results once more from their samples."""
    api = yard.api()
    runs = [r["number"] for r in api("GET", "/v1/runs?limit=500")["runs"]]
    for number in rng.sample(runs, min(20, len(runs))):
        if api("GET", f"/v1/runs/{number}/recomputed")["equal"] is False:
            yard.breaches.add(f"run {number}: the stored result does not come out again")
        yard.count("results computed again")


def finish(yard, stands, threads, rng):
    """Everybody goes home: faults end, runs are stopped, and nothing may be on."""
    yard.over.set()
    for t in threads:
        t.join(60)
        if t.is_alive():
            yard.breaches.add(f"{t.name} does not end")
    control = yard.control()
    for _, _, _, i in yard.stands:
        for role in FAULTS:
            control(f"clear-fault {role}-{i}")
    time.sleep(1)
    api = yard.api()
    for s in stands:
        with contextlib.suppress(Refused):
            api("POST", f"/v1/stands/{s.name}/stop")
    await_true(60, "no run at work", lambda: "running" not in (api.phases() or {"running"}))
    await_true(60, "no alarm", lambda: not any(s["output_unconfirmed"] for s in api.stands().values()))
    check_results(yard, rng)
    for when in ("after all runs were stopped", "after the daemon left"):
        for _, output in yard.outputs():
            if control.is_on(output):
                yard.breaches.add(f"{output} is on {when}")
        if when.startswith("after all") and (status := yard.daemon.stop()) != 0:
            yard.breaches.add(f"the daemon left with {status} on SIGTERM")


def figures_of(yard, stands, watch, gauge, found):
    off = [x for s in stands for x in s.runs]
    size = (yard.home / "ampledger.db").stat().st_size
    allowed = found["samples"] * BYTES_A_SAMPLE + found["runs recorded"] * KiB_A_RUN * 1024 + 2**20
    is_short = yard.length_s < SHORT_S
    lines = [("outputs looked at, times", watch.looks * len(yard.outputs()), None),
             ("longest that an output was on and nobody's, s", watch.longest_s, NOBODYS_S),
             ("counted charges compared", len(off), None),
             ("worst difference, share of what is allowed", max(off, default=float("nan")), 1)]
    for which in ("worker", "keeper"):
        lines.append((f"{which}: longest life, s", gauge.lived_s(which), None))
        for column, what, most, limit in ((1, "resident MiB", RESIDENT_MiB, GROWTH_MiB), (2, "descriptors", None, 10),
                                          (3, "threads", None, 6)):
            growth, largest = gauge.growth(which, column)
            lines += [(f"{which}: {what}, most", largest, most),
                      (f"{which}: {what}, grown in its life", growth, None if is_short else limit)]
    lines += [("largest log of the database, MiB", gauge.log_most / 2**20, LOG_MiB),
              ("database, MiB", size / 2**20, allowed / 2**20)]
    return lines + [(name, value, None) for name, value in found.items()] + \
        [(name, value, None) for name, value in sorted(yard.counts.items())]


def show(yard, lines):
    for name, value, limit in lines:
        print(f"{name:50} {value:14.3f}" + (f"   at most {limit}" if limit is not None else "")
              if isinstance(value, float) else f"{name:50} {value:10}" + (f"       at most {limit}" if limit else ""))
        if limit is not None and value > limit:
            yard.breaches.add(f"{name}: {value:.3f}, at most {limit}")
    done = yard.counts.get("runs completed", 0)
    if done < STANDS or not any(n == "counted charges compared" and v >= STANDS for n, v, _ in lines):
        yard.breaches.add("too little was done to tell anything")


def soak(wanted, home):
    yard = Yard(home, wanted.minutes)
    rng = random.Random(wanted.seed)
    yard.begin()
    yard.begun = time.monotonic()
    stands = [Stand(yard, random.Random(rng.random()), *s) for s in yard.stands]
    watch, gauge = Watch(yard), Gauge(yard)
    others = [watch, gauge, Chaos(yard, random.Random(rng.random()), wanted.sabotage)]
    for t in stands + others:
        t.start()
    while yard.part() < 1:
        time.sleep(min(60, yard.length_s / 4))
        check_database(yard, True)
    finish(yard, stands, stands + others, rng)
    lines = figures_of(yard, stands, watch, gauge, check_database(yard, False))
    show(yard, lines)
    yard.virtual.terminate()
    return yard.breaches.texts, lines


def main():
    arguments = argparse.ArgumentParser(description="eight stands and everything going wrong")
    arguments.add_argument("minutes", nargs="?", type=float, default=20)
    arguments.add_argument("--seed", type=int, default=random.randrange(1 << 32))
    arguments.add_argument("--json")
    arguments.add_argument("--sabotage", action="store_true")
    wanted = arguments.parse_args()
    print(f"seed {wanted.seed}", flush=True)
    with tempfile.TemporaryDirectory(prefix="ampledger-soak.") as home:
        breaches, lines = soak(wanted, pathlib.Path(home))
        if breaches:
            print("--- the end of daemon.log:\n" + (pathlib.Path(home) / "daemon.log").read_text()[-4000:])
    if wanted.json:
        pathlib.Path(wanted.json).write_text(json.dumps(
            {"seed": wanted.seed, "minutes": wanted.minutes, "breaches": breaches,
             "figures": [{"what": n, "value": v, "at_most": m} for n, v, m in lines]}, indent=1) + "\n")
    print(f"breaches: {len(breaches)}")
    return 1 if breaches else 0


if __name__ == "__main__":
    sys.exit(main())
