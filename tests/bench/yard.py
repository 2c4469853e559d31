# SPDX-License-Identifier: GPL-3.0-or-later
"""What the rows of bench.py share: a bench of N stands on the virtual bench, and what its
processes cost, by their own processor time."""

import math
import os
import pathlib
import subprocess
import sys

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "figures"))
from figures import BUILD, SOURCE, Daemon, await_true, start  # noqa: E402

TICK_S = 1 / os.sysconf("SC_CLK_TCK")
LONG = """profile: A long discharge
limits: {{voltage: {{min: 2.2 V/cell}}}}
steps:
  - discharge: {{current: {current} A, until: {{voltage: 2.5 V/cell}}, at_most: {{time: 60 h}}, sample_every: {period} s}}
"""


class CannotRun(Exception):
    """What is needed for a row is not there."""


def row(what, ours, other, must, unit, note="", limit="at_most", name="the alternative"):
    """One line of the table. The ratio is ours / other; `must` is what it must reach."""
    ratio = ours / other if other else math.nan
    holds = ratio <= must if limit == "at_most" else ratio >= must
    return {"what": what, "ours": ours, "other": other, "other_is": name, "unit": unit, "ratio": ratio,
            "must": must, "must_be": limit, "holds": holds, "note": note}


def figure(what, ours, must, unit, note=""):
    """A line whose limit is a figure, not something measured beside it."""
    return row(what, ours, must, 1.0, unit, note, name="the limit")


def fact(what, ours, other, unit, note=""):
    """A line that has nothing to reach."""
    return row(what, ours, other, math.inf, unit, note)


def cpu_s(pid):
    """Of a whole process, threads that have ended included."""
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) * TICK_S


def memory_MiB(pid, which="VmRSS", file="status"):
    for line in pathlib.Path(f"/proc/{pid}/{file}").read_text().splitlines():
        if line.startswith(which + ":"):
            return int(line.split()[1]) / 1024
    return math.nan


def written(pid):
    """Bytes handed to the block layer."""
    return int(pathlib.Path(f"/proc/{pid}/io").read_text().split("write_bytes:")[1].split()[0])


class Yard:
    """N stands, each with a load and a thermometer, on a virtual bench of its own."""

    def __init__(self, home, stands=1, speed=1, period=1, current=5, profile=None, links=None,
                 thermometers=True):
        self.home = home
        self.speed = speed
        self.names = [f"berth-{i}" for i in range(stands)]
        home.mkdir(exist_ok=True)
        self.write_virtual(stands)
        self.virtual = start([BUILD / "ampledger-virtual", home / "vb", "--bench", home / "virtual.yaml",
                              "--speed", speed])
        wanted = ("control", f"load-{stands - 1}", f"thermometer-{stands - 1}")
        await_true(10, "the virtual bench", lambda: all((home / "vb" / name).exists() for name in wanted))
        (home / "profiles").mkdir(exist_ok=True)
        (home / "profiles" / "bench.yaml").write_text(profile or LONG.format(current=current, period=period))
        self.write_bench(links or {}, thermometers)

    def write_virtual(self, stands):
        instruments = "".join(
            f"  - {{name: load-{i}, kind: load, battery: launch-{i}}}\n"
            f"  - {{name: thermometer-{i}, kind: thermometer, battery: launch-{i}}}\n" for i in range(stands))
        batteries = "".join(f"  - {{name: launch-{i}, chemistry: lfp, cells: 4, capacity: 125 Ah}}\n"
                            for i in range(stands))
        (self.home / "virtual.yaml").write_text(
            f"batteries:\n{batteries}instruments:\n{instruments}seed: 3\n")

    def write_bench(self, links, thermometers):
        """`links` gives a load another address than its own."""
        stands = "".join(
            f"  - name: {name}\n    sense: remote\n"
            f"    load: {{driver: load-virtual, link: \"tty:{links.get(i, f'vb/load-{i}')}\"}}\n"
            + (f"    thermometer: {{driver: thermometer-virtual, link: \"tty:vb/thermometer-{i}\"}}\n"
               if thermometers else "")
            for i, name in enumerate(self.names))
        virtual = "virtual: vb/control\n" if self.speed != 1 else ""  # as with real instruments
        (self.home / "bench.yaml").write_text(
            f"bench: Lakeside boat-hire yard\nhttp: 127.0.0.1:0\n{virtual}"
            f"profiles: profiles\ndrivers: \"{SOURCE}/drivers\"\nstands:\n{stands}")

    def open(self):
        self.daemon = Daemon(self.home)
        self.api = self.daemon.api
        await_true(60, "idle stands", lambda: self.api.phases() == {"idle"})
        self.pid = self.daemon.worker()
        return self

    def register(self):
        for i in range(len(self.names)):
            self.api("POST", "/v1/batteries", label=f"launch-{i}", chemistry="lfp", cells=4, rated_Ah=125)
        return self

    def begin(self):
        for i, name in enumerate(self.names):
            self.api("POST", f"/v1/stands/{name}/start", profile="bench", battery=f"launch-{i}")

    def samples(self):
        return sum(s["run"]["samples"] for s in self.api.stands().values())

    def cpu_s(self):
        """Of both processes of the daemon."""
        return cpu_s(self.pid) + cpu_s(self.daemon.process.pid)

    def close(self):
        self.daemon.stop()
        self.virtual.kill()
        self.virtual.wait()


class Wire:
    """A serial line before an instrument of the virtual bench (wire.c)."""

    def __init__(self, link, baud, turnaround_us=2000):
        self.process = start([BUILD / "tests" / "bench_wire", link, baud, turnaround_us], text=True,
                             stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.path = self.process.stdout.readline().strip()

    def spent_s(self):
        """How long the line itself has been at work."""
        self.process.stdin.write("?")
        self.process.stdin.flush()
        return float(self.process.stdout.readline())

    def close(self):
        self.process.stdin.close()
        self.process.wait()


def rate(command):
    """Of one that prints COUNT SECONDS PROCESSOR-SECONDS: how many a second, and the
    processor seconds of each."""
    out = subprocess.run([str(word) for word in command], check=True, stdout=subprocess.PIPE, text=True).stdout.split()
    count, took, spent = int(out[0]), float(out[1]), float(out[2])
    return count / took, spent / count


def bare(link, question, seconds):
    """The least that asks an instrument."""
    return rate([BUILD / "tests" / "bench_bare", link, question, seconds])


def sample(link, database, seconds):
    """The code of a run."""
    return rate([BUILD / "tests" / "bench_sampler", SOURCE / "drivers" / "load-virtual.yaml", f"tty:{link}", database,
                 seconds])


def best(rates):
    return max(r for r, _ in rates)
