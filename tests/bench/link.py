# SPDX-License-Identifier: GPL-3.0-or-later
"""Rows 1 and 2: how near to what the line allows the code of a run samples (sampler.c)."""

from yard import Wire, Yard, bare, best, row, sample

ASK = "MEASure:VOLTage?;:MEASure:CURRent?"
ANSWER = "13.201;10.001"


def wire(home, quick):
    yard = Yard(home)
    for baud in (115200, 9600):
        line = Wire(home / "vb" / "load-0", baud)
        seconds = 1 if quick else 5
        least, _ = bare(line.path, ASK, seconds)
        ours, _ = sample(line.path, home / f"{baud}.db", seconds)
        line.close()
        allows = 1 / ((len(ASK) + len(ANSWER) + 2) * 10 / baud + 0.002)
        yield row(f"1 samples a second, wire of {baud} baud", ours, allows, 0.95, "1/s",
                  f"a bare loop: {least:.1f}", "at_least", "bytes and turnaround")
    yard.virtual.kill()


def unpaced(home, quick):
    """In turn, so that what else the computer does meets both; the best of each counts."""
    yard = Yard(home)
    link = home / "vb" / "load-0"
    seconds, turns = (0.5, 4) if quick else (2, 8)
    theirs, ours = [], []
    for i in range(turns):
        theirs.append(bare(link, ASK, seconds))
        ours.append(sample(link, home / f"{i}.db", seconds))
    yard.virtual.kill()
    yield row("2 samples a second, no wire", best(ours), best(theirs), 0.8, "1/s",
              f"processor time each: {1e6 * min(c for _, c in ours):.1f} us, "
              f"bare {1e6 * min(c for _, c in theirs):.1f} us", "at_least", "write, poll, read")
