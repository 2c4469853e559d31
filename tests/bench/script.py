# SPDX-License-Identifier: GPL-3.0-or-later
"""Rows 3 and 8: against the script that people write today (script_today.py), with the same
instruments at the same rate."""

import importlib.util
import pathlib
import sqlite3
import subprocess
import sys
import time

from yard import CannotRun, Yard, fact, row, written
from figures import BUILD, quantile, start

SCRIPT = pathlib.Path(__file__).with_name("script_today.py")


def period_error_ms(times, period):
    """p99 of how far a sample is from where its neighbour puts it."""
    return quantile([1000 * abs(b - a - period) for a, b in zip(times, times[1:])], 0.99)


def times_of(database, column):
    db = sqlite3.connect(database)
    times = [t for (t,) in db.execute(f"SELECT {column} FROM sample ORDER BY 1")]
    db.close()
    return times


def run_script(yard, period, count):
    """Processor seconds and bytes written, of the sampling alone, and the times: the middle of
    each reading, as ours are."""
    database = yard.home / "script.db"
    vb = yard.home / "vb"
    p = start([sys.executable, SCRIPT, vb / "load-0", vb / "thermometer-0", database, period, count],
              text=True, stdout=subprocess.PIPE)
    begun = float(p.stdout.readline().split()[1])
    words = p.stdout.readline().split()
    p.wait()
    return float(words[1]) - begun, int(words[words.index("write_bytes:") + 1]), times_of(database, "t")


def run_least(yard, period, count):
    """Processor seconds of a sample and p99 of the error of its period: least.c."""
    vb = yard.home / "vb"
    out = subprocess.run([BUILD / "tests" / "bench_least", vb / "load-0", vb / "thermometer-0", yard.home / "least.csv",
                          str(period), str(count)], check=True, stdout=subprocess.PIPE, text=True).stdout.split()
    return float(out[2]) / int(out[0]), float(out[3])


def run_ours(yard, seconds):
    yard.begin()
    time.sleep(3)  # switched on, settled
    before = yard.cpu_s(), written(yard.pid), yard.samples()
    time.sleep(seconds)
    after = yard.cpu_s(), written(yard.pid), yard.samples()
    return [b - a for a, b in zip(before, after)]


def need_serial():
    if importlib.util.find_spec("serial") is None:
        raise CannotRun("script_today.py needs Debian's python3-serial")


def script(home, quick):
    need_serial()
    period, count = 0.1, 100 if quick else 600
    yard = Yard(home, period=period).open().register()
    spent_s, _, samples = run_ours(yard, count * period)
    yard.daemon.stop()
    theirs_s, _, theirs = run_script(yard, period, count)
    least_s, least_ms = run_least(yard, period, count)
    yard.close()
    yield row("3 processor time a sample, against a script", 1e6 * spent_s / samples, 1e6 * theirs_s / count,
              1 / 25, "us", f"the least that can be (least.c): {1e6 * least_s:.0f} us")
    yield fact("3 the same, against the least that can be", 1e6 * spent_s / samples, 1e6 * least_s, "us")
    ours = times_of(home / "ampledger.db", "t_s")[20:-1]
    yield row("3 error of the sample period, p99, against a script", period_error_ms(ours, period),
              period_error_ms(theirs[1:], period), 1, "ms", f"least.c: {least_ms:.2f} ms")


def card(home, quick):
    need_serial()
    period, count = 1, 20 if quick else 120
    yard = Yard(home, period=period).open().register()
    _, ours, samples = run_ours(yard, count * period)
    yard.daemon.stop()
    _, theirs, _ = run_script(yard, period, count)
    yard.close()
    an_hour = 3600 / 2**20
    yield row("8 written to the disk an hour, 1 sample a second, script", ours / samples * an_hour,
              theirs / count * an_hour, 1, "MiB")
