#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures what goes out of the ledger and into it while stands are at work.

  papers.py [--rows N] [--check]

Four stands take a reading every 0.5 s all the time. Meanwhile: the report of a run of 45,000
samples (time, bytes); a log of N rows (1,000,000) taken over as a run, and how late the
records of the stands became by that; a copy of the whole ledger.
--check: ends with 1 when the report takes 1 s or 400 KB or more, or records waited for more
than 2 s."""

import argparse
import hashlib
import pathlib
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time

sys.dont_write_bytecode = True
from figures import BUILD  # noqa: E402
from page import STANDS, Yard, write_files  # noqa: E402


def write_log(path, rows):
    """A discharge at 5 A with a spike of one sample."""
    with open(path, "w") as f:
        f.write("t_s,voltage_V,current_A,temperature_C\n")
        for i in range(rows):
            f.write(f"{i},{13.2 - 3.3 * i / rows + (4 if i == rows // 3 else 0):.4f},{-5 - (i % 7) * 1e-4:.4f},21.5\n")


class Lateness(threading.Thread):
    """How long the newest reading of each stand had been on its way when it was seen in the database."""

    def __init__(self, database):
        super().__init__(daemon=True)
        self.database, self.worst, self.stop = database, 0.0, False

    def run(self):
        db = sqlite3.connect(f"file:{self.database}?mode=ro", uri=True, timeout=10)
        ask = ("SELECT min(r.started_utc_ns / 1e9 + s.t_s) FROM run r JOIN sample_row s ON s.run_nr = r.nr AND s.seq ="
               " (SELECT max(seq) FROM sample_row WHERE run_nr = r.nr) WHERE r.outcome = 'running'")
        while not self.stop:
            newest = db.execute(ask).fetchone()[0]
            if newest is not None:
                self.worst = max(self.worst, time.time() - newest)
            time.sleep(0.05)
        db.close()


def ampledger(home, *words):
    began = time.monotonic()
    done = subprocess.run([BUILD / "ampledger", "--socket", home / "ampledger.sock", *words], capture_output=True,
                          text=True)
    if done.returncode != 0:
        sys.exit(f"ampledger {' '.join(map(str, words))}: {done.stderr}")
    return time.monotonic() - began


def taken_over(home, name, rows):
    write_log(home / name, rows)
    watch = Lateness(home / "ampledger.db")
    watch.start()
    took = ampledger(home, "import", home / name, "--battery", "launch-0", "--started", "2024-05-01T18:00:00Z",
                     "--cutoff", "10V", "--starts-full")
    watch.stop = True
    watch.join()
    size = (home / name).stat().st_size
    print(f"a log of {rows} rows, {size / 1e6:.1f} MB, as a run: {took:.2f} s, {rows / took:.0f} rows/s; "
          f"records of the stands at most {watch.worst:.2f} s old")
    return watch.worst


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--rows", type=int, default=1000000)
    p.add_argument("--check", action="store_true")
    wanted = p.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = pathlib.Path(folder)
        write_files(home)
        yard = Yard(home)
        yard.run(5)
        before = Lateness(home / "ampledger.db")
        before.start()
        time.sleep(5)
        before.stop = True
        before.join()
        print(f"records of {len(STANDS)} stands, nothing else going on: at most {before.worst:.2f} s old")
        late = taken_over(home, "small.csv", 45000)
        number = len(STANDS) + 1
        report = ampledger(home, "report", str(number), "-o", home / "r.html")
        size = (home / "r.html").stat().st_size
        print(f"report of 45000 samples: {report:.3f} s, {size / 1e3:.0f} KB")
        late = max(late, taken_over(home, "large.csv", wanted.rows))
        took = ampledger(home, "backup", home / "copy.db")
        print(f"a copy of the ledger, {(home / 'copy.db').stat().st_size / 1e6:.1f} MB, checked: {took:.2f} s")
        ampledger(home, "export", str(number), "-o", home / "out.csv")
        if hashlib.sha256((home / "out.csv").read_bytes()).hexdigest() not in (home / "r.html").read_text():
            sys.exit("the report has another sum than the export")
        if wanted.check and (report >= 1 or size >= 400e3 or late - before.worst > 2):
            sys.exit("not within the limits")


if __name__ == "__main__":
    main()
