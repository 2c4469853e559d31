# SPDX-License-Identifier: GPL-3.0-or-later
"""Row 4: sixty-four stands on one daemon, ten samples a second each, five pages open."""

import http.client
import sqlite3
import threading
import time

from yard import Yard, figure, memory_MiB
from figures import quantile

STANDS, PERIOD_S, VIEWERS = 64, 0.1, 5


class Viewer(threading.Thread):
    """Follows all events, as an open page does."""

    def __init__(self, port):
        super().__init__(daemon=True)
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self.connection.request("GET", "/v1/events")
        self.answer = self.connection.getresponse()
        self.start()

    def run(self):
        try:
            while self.answer.readline():
                pass
        except (OSError, ValueError, AttributeError):
            pass


def own_MiB(yard):
    """Of both processes; what they share is counted once, with the worker."""
    keeper = sum(memory_MiB(yard.daemon.process.pid, which, "smaps_rollup")
                 for which in ("Private_Clean", "Private_Dirty"))
    return memory_MiB(yard.pid) + keeper


def lateness_ms(database, since_s):
    """How much later than its place on the grid each sample was taken; the grid of a stand
    begins where it is least late. A sample is the middle of its reading."""
    db = sqlite3.connect(database)
    late, period = [], round(1e4 * PERIOD_S)
    for (nr,) in db.execute("SELECT nr FROM run").fetchall():
        t = [round(1e4 * x) for (x,) in
             db.execute("SELECT t_s FROM sample WHERE run_nr = ? AND t_s > ? ORDER BY seq", (nr, since_s))]
        phase = sorted({x % period for x in t})
        # The least late is the one behind the widest gap of the circle.
        gaps = [(b - a, b) for a, b in zip(phase, phase[1:] + [phase[0] + period])]
        first = max(gaps)[1]
        late += [((x - first) % period) / 10 for x in t[:-1]]  # the last one is that of the stop
    db.close()
    return late


def flat(home, quick):
    """Memory over the second half of many samples, sped up: its slope. As many as there is
    time for."""
    wanted, seconds = (100000, 60) if quick else (1000000, 240)
    yard = Yard(home, stands=4, speed=100000, period=0.1, current=0.1).open().register()
    yard.begin()
    points, until = [], time.monotonic() + seconds
    while (n := yard.samples()) < wanted and time.monotonic() < until and yard.api.phases() == {"running"}:
        points.append((n, own_MiB(yard) * 2**20))
        time.sleep(0.2)
    yard.close()
    points = [p for p in points if p[0] > points[-1][0] / 2]
    n = sum(x for x, _ in points) / len(points)
    m = sum(y for _, y in points) / len(points)
    slope = sum((x - n) * (y - m) for x, y in points) / sum((x - n) ** 2 for x, _ in points)
    # Flat: over a million samples less than a quarter of a MiB.
    yield figure("4 memory, growth over a million samples", max(0.0, slope) * 1e6 / 2**20, 0.25, "MiB",
                 f"{points[-1][0]} samples seen")


def many(home, quick):
    one = Yard(home / "one", period=PERIOD_S).open().register()
    one.begin()
    time.sleep(5)
    yield figure("4 resident memory, one stand", own_MiB(one), 10, "MiB")
    one.close()
    yard = Yard(home / "many", stands=STANDS, period=PERIOD_S).open().register()
    port = int(yard.api("GET", "/v1/daemon")["http"].rsplit(":", 1)[1])
    yard.begin()
    viewers = [Viewer(port) for _ in range(VIEWERS)]
    time.sleep(5)
    seconds = 10 if quick else 60
    began, spent, samples = time.monotonic(), yard.cpu_s(), yard.samples()
    time.sleep(seconds)
    took, spent, samples = time.monotonic() - began, yard.cpu_s() - spent, yard.samples() - samples
    memory = own_MiB(yard)
    yard.close()
    late = lateness_ms(home / "many" / "ampledger.db", 5)
    yield figure(f"4 processor, {STANDS} stands and {len(viewers)} pages", 100 * spent / took, 10, "% of one",
                 f"{1e6 * spent / samples:.0f} us a sample, {samples / took:.0f} samples a second")
    yield figure("4 lateness of a sample, p99.9", quantile(late, 0.999), 5, "ms",
                 f"p50 {quantile(late, .5):.2f}, worst {max(late):.2f} of {len(late)}")
    yield figure(f"4 resident memory, {STANDS} stands", memory, 24, "MiB")
    yield from flat(home / "flat", quick)
