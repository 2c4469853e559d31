# SPDX-License-Identifier: GPL-3.0-or-later
"""Rows 9 and 10: how long a person waits for us."""

import time

from yard import Wire, Yard, cpu_s, fact, row
from figures import Daemon, await_true

STANDS, BAUD = 4, 9600


def cold_start(home, quick):
    """Stands are brought up side by side, so the slowest line is the limit."""
    yard = Yard(home, stands=STANDS, thermometers=False)
    lines = [Wire(home / "vb" / f"load-{i}", BAUD) for i in range(STANDS)]
    yard.write_bench({i: line.path for i, line in enumerate(lines)}, False)
    begun = time.monotonic()
    daemon = Daemon(home)
    await_true(60, "idle stands", lambda: daemon.api.phases() == {"idle"})
    took = time.monotonic() - begun
    least = max(line.spent_s() for line in lines)
    daemon.stop()
    yard.virtual.kill()
    yield row("9 start to every instrument safe", took, least, 1.5, "s", f"{STANDS} lines of {BAUD} baud",
              name="the busiest line by itself")


def speed_up(home, quick):
    yard = Yard(home, speed=100000, current=10).open().register()
    begun, ours, theirs = time.monotonic(), yard.cpu_s(), cpu_s(yard.virtual.pid)
    yard.begin()
    while yard.api.phases() == {"running"}:
        time.sleep(0.05)
    took, ours, theirs = time.monotonic() - begun, yard.cpu_s() - ours, cpu_s(yard.virtual.pid) - theirs
    samples = yard.samples()
    yard.close()
    yield fact("10 a test of 12.5 h, sped up", took, ours + theirs, "s", f"{samples} samples; beside it the processor "
               f"time of both, of which ours {ours:.1f} s, the virtual bench's {theirs:.1f} s")
