# SPDX-License-Identifier: GPL-3.0-or-later
"""Rows 6 and 7: what a run costs to read and to keep."""

import sqlite3
import subprocess
import time

from yard import BUILD, Yard, figure, row
from figures import await_true

BLOCK = 1024


def column(values):
    """As store/block.c writes one; what comes back is checked by the row that reads it."""
    base = min(values)
    return base, "[" + ",".join(str(v - base) for v in values) + "]"


def fill(database, samples):
    """The last run made so long, in blocks; and the same rows once more as a plain table."""
    db = sqlite3.connect(database)
    db.execute("PRAGMA synchronous = OFF")
    nr, seq = db.execute("SELECT run_nr, max(seq) + 1 FROM sample GROUP BY run_nr ORDER BY run_nr DESC").fetchone()
    begin = round(1e4 * db.execute("SELECT max(t_s) FROM sample WHERE run_nr = ?", (nr,)).fetchone()[0]) + 10000
    while seq < samples:
        k = range(seq, min(seq + BLOCK, samples))
        t = column([i * 7919 % 13 for i in k])
        v = column([132000 - i // 900 % 20000 + i * 31 % 9 for i in k])
        a = column([-5000 - i * 17 % 7 for i in k])
        c = column([2200 + i // 5000 % 300 + i * 13 % 5 for i in k])
        at = begin + 10000 * k[0]
        db.execute("INSERT INTO sample_block(run_nr, first_seq, last_seq, step, last_t_s, t_each, t_base, t_scale, t,"
                   " voltage_base, voltage_scale, voltage, current_base, current_scale, current, temperature_base,"
                   " temperature_scale, temperature) VALUES (?,?,?,0,?,10000,?,1e4,?,?,1e4,?,?,1e3,?,?,1e2,?)",
                   (nr, k[0], k[-1], (at + 10000 * len(k)) / 1e4, at + t[0], t[1], *v, *a, *c))
        seq = k[-1] + 1
    db.commit()
    db.close()
    return nr


def copy_plain(database, nr, to):
    """The rows of a run as a table with real columns."""
    db = sqlite3.connect(database)
    db.execute("ATTACH ? AS other", (str(to),))
    db.execute("CREATE TABLE other.plain(run_nr INTEGER, seq INTEGER, t_s REAL, step INTEGER, voltage_V REAL,"
               " current_A REAL, temperature_C REAL, PRIMARY KEY(run_nr, seq)) WITHOUT ROWID")
    db.execute("INSERT INTO other.plain SELECT 1, seq, t_s, step, voltage_V, current_A, temperature_C FROM sample"
               " WHERE run_nr = ? ORDER BY seq", (nr,))
    db.commit()
    db.close()


def scan_s(database):
    out = subprocess.run([BUILD / "tests" / "bench_scan", database], check=True, capture_output=True, text=True)
    return float(out.stdout.split()[2])


def results(home, quick):
    samples = 1000000 if quick else 10000000
    yard = Yard(home).open().register()
    yard.begin()
    time.sleep(3)
    yard.api("POST", "/v1/stands/berth-0/stop")
    await_true(30, "the end", lambda: yard.api.phases() == {"idle"})
    time.sleep(1)
    yard.daemon.stop()
    nr = fill(home / "ampledger.db", samples)
    copy_plain(home / "ampledger.db", nr, home / "plain.db")
    yard.virtual.kill()
    found = [subprocess.run([BUILD / "tests" / "bench_results", home / "ampledger.db", str(nr)], check=True,
                            capture_output=True, text=True).stdout.split() for _ in range(2)]
    if int(found[0][0]) != samples:
        raise RuntimeError(f"{found[0][0]} samples were read, {samples} written")
    bare = min(scan_s(home / "plain.db") for _ in range(2))
    yield row(f"6 results of {samples} samples, processor time", min(float(f[2]) for f in found), bare, 1.3, "s", "",
              name="SELECT of the same rows")
    yield figure("6 memory that takes", int(found[0][3]) / 1024, 8, "MiB")


def size_of(database):
    """Of a database without what it would have without samples."""
    return sum(p.stat().st_size for p in database.parent.glob(database.name + "*") if p.suffix != ".lock")


def bytes_a_sample(home, quick):
    """12.5 hours at a sample a second, sped up: as it lies on the disk when the run is over."""
    yard = Yard(home, speed=100000, current=10).open().register()
    empty = size_of(home / "ampledger.db")
    yard.begin()
    while yard.api.phases() == {"running"}:
        time.sleep(0.1)
    samples = yard.samples()
    csv = len(yard.api("GET", "/v1/runs/last/samples"))
    time.sleep(2)
    yard.close()
    ours = (size_of(home / "ampledger.db") - empty) / samples
    copy_plain(home / "ampledger.db", 1, home / "plain.db")
    plain = size_of(home / "plain.db") / samples
    yield figure("7 bytes a sample on the disk", ours, 12, "bytes", f"{samples} samples")
    yield row("7 bytes a sample, against CSV", ours, csv / samples, 1, "bytes")
    yield row("7 bytes a sample, against a plain table", ours, plain, 1, "bytes")
