#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The fault table: each row does one thing wrong to a bench that discharges a
launch battery, and asserts what must hold afterwards: the output is off (or an
alarm says that it cannot be confirmed off), the run has ended, a trip is
latched until a person clears it, and the database is sound.

  table.py [--only WORD] [--jobs N] [--write FILE]

--write puts the table into FILE as Markdown. Exit status: 0 all rows hold,
1 some do not, 77 the build is not meant for it (sanitizers distort times).
"""
import argparse
import concurrent.futures
import dataclasses
import os
import random
import signal
import sys
import time
import traceback

sys.dont_write_bytecode = True  # nothing is left in the source folder

from harness import (BUILD, LABEL, LOAD, SOURCE, STAND, THERMOMETER, Bench, Failed, Skipped,
                     await_that, must, now_ns)

TRUST_MS = 3000  # of the profile: the oldest reading that is trusted
PERIOD_MS = 1000  # between samples
COMMAND_MS = 300  # what reading and commanding may add on a busy machine

ROWS = []


@dataclasses.dataclass
class Result:
    happened: str  # in a few words, for the table
    reason: str = ""
    off_ms: float | None = None
    note: str = ""  # in place of a time


@dataclasses.dataclass
class Row:
    name: str
    act: object
    state: str = ""
    result: Result | None = None
    seconds: float = 0.0


def row(name):
    def add(act):
        ROWS.append(Row(name, act))
        return act
    return add


def with_bench(act, **how):
    bench = Bench(**how)
    try:
        return act(bench.start())
    except Exception:
        log = open(f"{bench.home}/daemon.log").read() if os.path.exists(
            f"{bench.home}/daemon.log") else ""
        print("\n".join(["--- daemon.log"] + log.splitlines()[-25:]), flush=True)
        raise
    finally:
        bench.end()


def must_be_quick(off_ms, limit_ms):
    must(off_ms is not None, "the load heard no off line")
    must(off_ms <= limit_ms, f"off only after {off_ms:.0f} ms, allowed are {limit_ms} ms")


# --- faults of the virtual instruments in the middle of a discharge ---

@dataclasses.dataclass
class Fault:
    name: str
    words: str  # of the virtual bench's command: INSTRUMENT KIND [ARGUMENTS]
    reasons: tuple
    limit_ms: int
    how: dict = dataclasses.field(default_factory=dict)


def fault_row(f):
    def act(b):
        b.discharge()
        off_ms = b.strike(lambda: b.control(f"fault {f.words}"), f.limit_ms / 1000 + 2)
        trip = b.must_be_tripped(f.reasons)
        must_be_quick(off_ms, f.limit_ms)
        b.must_be_off()
        b.must_be_latched()
        alarm = ""
        if b.alarms():
            must_alarm(b)
            alarm = "; ALARM, as it could not say so"
        b.control(f"clear-fault {f.words.split()[0]}")
        b.clear()
        b.must_be_sound()
        return Result(f"off, run tripped, latched until cleared{alarm}", trip["reason"], off_ms)
    ROWS.append(Row(f.name, lambda: with_bench(act, **f.how)))


def must_alarm(b):
    must(b.stand()["output_unconfirmed"], "the stand does not say that off is unconfirmed")
    must(any("by hand" in text for text in b.alarms()), "no alarm was recorded")
    status, text = b.cli("stands")
    must("by hand" in text, f"`ampledger stands` does not say what to do: {text}")


LOST_MS = TRUST_MS + COMMAND_MS
READING = ("reading-lost",)
for fault in (
    Fault("silence: the load obeys but does not answer", f"{LOAD} silence", READING, LOST_MS),
    Fault("replies late by 0.2 to 5 s at random", f"{LOAD} late 0.2 5", READING,
          2 * LOST_MS),
    Fault("garbage in place of replies", f"{LOAD} garbage", READING, LOST_MS),
    Fault("zero bytes before and inside replies", f"{LOAD} nul", READING, LOST_MS),
    Fault("truncated replies", f"{LOAD} truncate", READING, LOST_MS),
    Fault("each reply twice", f"{LOAD} double", READING, LOST_MS),
    Fault("what is sent comes back (echo)", f"{LOAD} echo", READING, LOST_MS),
    Fault("64 KiB without a line end as each reply", f"{LOAD} flood", READING, LOST_MS),
    Fault("not-a-number as reading", f"{LOAD} nan", READING, LOST_MS),
    Fault("out of range as reading", f"{LOAD} overrange", READING, LOST_MS),
    Fault("absurd values as reading", f"{LOAD} absurd",
          ("voltage-high", "current-high", "voltage-low", "polarity-reversed", "reading-lost"),
          LOST_MS),
    Fault("voltage with the wrong sign (sense leads swapped)", f"{LOAD} reversed",
          ("polarity-reversed", "voltage-low"), PERIOD_MS + COMMAND_MS),
    Fault("thermometer: the sensor came off", f"{THERMOMETER} lost", ("temperature-lost",),
          LOST_MS),
    Fault("thermometer: silence", f"{THERMOMETER} silence", ("temperature-lost",), LOST_MS),
):
    fault_row(fault)


# --- off cannot reach the load, or is not obeyed ---

@row("the load hangs: neither obeys nor answers")
def _():
    def act(b):
        b.discharge()
        must(b.strike(lambda: b.control(f"fault {LOAD} hang"), 6) is None, "it heard an off")
        trip = b.must_be_tripped(READING)
        must(b.load_is("on"), "off although it obeys nothing")
        must_alarm(b)
        off_ms = b.strike(lambda: b.control(f"clear-fault {LOAD}"))
        must_be_quick(off_ms, 20000)
        b.must_be_off()
        await_that(30, "the alarm ends", lambda: not b.stand()["output_unconfirmed"])
        b.must_be_latched()
        b.clear()
        b.must_be_sound()
        return Result("tripped, ALARM (disconnect by hand); off was tried on and on, and held when "
                      "the load obeyed again", trip["reason"], off_ms, "after it obeyed again")
    return with_bench(act)


@row("link unplugged, and plugged again")
def _():
    def act(b):
        b.discharge()
        begun_ns = now_ns()
        b.control(f"fault {LOAD} unplug")
        trip = b.must_be_tripped(("instrument-lost",))
        must_alarm(b)
        must(b.load_is("on"), "off although nothing can reach it")
        off_ms = b.strike(lambda: b.control(f"fault {LOAD} replug"))
        must_be_quick(off_ms, 3000)
        b.must_be_off()
        await_that(10, "the alarm ends", lambda: not b.stand()["output_unconfirmed"])
        b.must_be_latched()
        b.clear()
        b.must_be_sound()
        return Result("tripped, ALARM (nothing can reach the load); made safe by itself when "
                      "plugged again", trip["reason"], off_ms, "after it was plugged again")
    return with_bench(act)


# --- running all and telling ---

def run_row(r):
    begun = time.monotonic()
    try:
        r.result = r.act()
        r.state = "holds"
    except Skipped as why:
        r.state, r.result = "skipped", Result(str(why))
    except Exception as why:  # whatever it is, the other rows go on
        r.state = "FAILED"
        r.result = Result(str(why) if isinstance(why, Failed) else
                          "".join(traceback.format_exception(why)))
    r.seconds = time.monotonic() - begun
    print(f"{r.state}: {r.name}: {r.result.reason or r.result.happened}; {time_text(r.result)} "
          f"[{r.seconds:.1f} s]", flush=True)
    return r


def time_text(result):
    if result.off_ms is None:
        return result.note or "-"
    ms = f"{result.off_ms:.0f} ms" if result.off_ms >= 1 else f"{result.off_ms:.2f} ms"
    return f"{ms} {result.note}".strip()


HEAD = """<!-- SPDX-License-Identifier: GPL-3.0-or-later -->
# What happens when something goes wrong

Written by `tests/faults/table.py --write tests/FAULTS.md`; run by `ctest -L faults`. Each row does
one thing wrong to a bench that discharges a simulated 12.8 V launch battery at 10 A, one sample a
second, trust time 3 s. Unless a row says otherwise it asserts that the output is off, the run
ended, the trip is latched (a start is refused until a person clears it) and the database passes
its integrity check. Times run from the fault to the first *off* line that the load received, both
on CLOCK_BOOTTIME, measured once on the machine that wrote this page.

| fault | what happened | outcome or reason | fault to off |
| --- | --- | --- | --- |
"""


def markdown(rows):
    lines = []
    for r in rows:
        state = "" if r.state == "holds" else f"{r.state.upper()}: "
        lines.append(f"| {r.name} | {state}{r.result.happened} | {r.result.reason or '-'} | "
                     f"{time_text(r.result)} |\n".replace("\n", " ").strip() + "\n")
    return HEAD + "".join(lines)


def main():
    parser = argparse.ArgumentParser(description="the fault table")
    parser.add_argument("--only", default="", help="rows whose name holds this")
    parser.add_argument("--jobs", type=int, default=4, help="benches at a time")
    parser.add_argument("--write", help="write the table to this file as Markdown")
    a = parser.parse_args()
    if os.environ.get("AMPLEDGER_SANITIZED", "") not in ("", "OFF", "0"):
        print("skipped: sanitizers distort the times that are measured here")
        return 77
    must(BUILD and SOURCE, "set AMPLEDGER_BUILD and AMPLEDGER_SOURCE (ctest does)")
    rows = [r for r in ROWS if a.only in r.name]
    must(rows, f"no row is called like {a.only!r}")
    with concurrent.futures.ThreadPoolExecutor(a.jobs) as pool:
        list(pool.map(run_row, rows))
    print("\n" + markdown(rows))
    if a.write:
        with open(a.write, "w") as f:
            f.write(markdown(rows))
    failed = [r.name for r in rows if r.state == "FAILED"]
    skipped = [r.name for r in rows if r.state == "skipped"]
    print(f"{len(rows)} rows, {len(failed)} failed {failed}, {len(skipped)} skipped {skipped}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
