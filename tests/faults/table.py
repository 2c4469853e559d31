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
import contextlib
import dataclasses
import json
import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
import traceback

sys.dont_write_bytecode = True  # nothing is left in the source folder

from harness import (BUILD, LABEL, LOAD, METER, SOURCE, STAND, THERMOMETER, Bench, Failed, Page, Skipped,
                     await_that, must, own_mounts)

TRUST_MS = 3000  # of the profile: the oldest reading that is trusted
PERIOD_MS = 1000  # between samples
COMMAND_MS = 500  # what reading and commanding may add on a busy machine

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
    is_long: bool = False  # takes more than a minute, so it begins before the others
    state: str = ""
    result: Result | None = None
    seconds: float = 0.0


def row(name, is_long=False):
    def add(act):
        ROWS.append(Row(name, act, is_long))
        return act
    return add


def with_bench(act, small_disk=False, start=True, **how):
    bench = Bench(**how)
    try:
        if small_disk:
            bench.small_disk()
        return act(bench.start() if start else bench)
    except Skipped:
        raise
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
    words: str  # INSTRUMENT KIND [ARGUMENTS], or a whole command of the virtual bench
    reasons: tuple
    limit_ms: int
    undo: tuple = ()  # commands; clear-fault if none
    profile: tuple = ()  # changes to the profile
    before: tuple = ()  # commands
    says: str = ""  # must stand in the trip's sentence


def fault_row(f):
    command = f.words if f.undo else f"fault {f.words}"

    def act(b):
        b.profile(*f.profile)
        for before in f.before:
            b.control(before)
            time.sleep(1.5)  # until it is read
        b.discharge()
        off_ms = b.strike(lambda: b.control(command), f.limit_ms / 1000 + 2)
        trip = b.must_be_tripped(f.reasons)
        must(f.says in trip["sentence"], f"the trip does not say why: {trip['sentence']}")
        must_be_quick(off_ms, f.limit_ms)
        b.must_be_off()
        b.must_be_latched()
        alarm = ""
        if b.alarms():
            must_alarm(b)
            alarm = "; ALARM, as it could not say so"
        for undo in f.undo or (f"clear-fault {f.words.split()[0]}",):
            b.control(undo)
        b.clear()
        b.must_be_sound()
        return Result(f"off, run tripped, latched until cleared{alarm}", trip["reason"], off_ms)
    ROWS.append(Row(f.name, lambda: with_bench(act)))


def must_alarm(b):
    must(b.stand()["output_unconfirmed"], "the stand does not say that off is unconfirmed")
    must(any("by hand" in text for text in b.alarms()), "no alarm was recorded")
    status, text = b.cli("stands")
    must("by hand" in text, f"`ampledger stands` does not say what to do: {text}")


LOST_MS = TRUST_MS + COMMAND_MS
SAMPLE_MS = 1000  # from one sample to the next
READING = ("reading-lost",)
for fault in (
    Fault("silence: the load obeys but does not answer", f"{LOAD} silence", READING, LOST_MS),
    Fault("replies late by 0.2 to 5 s at random", f"{LOAD} late 0.2 5", READING,
          2 * LOST_MS),
    Fault("garbage in place of replies", f"{LOAD} garbage", READING, LOST_MS),
    Fault("zero bytes before and inside replies", f"{LOAD} nul", READING, LOST_MS),
    Fault("truncated replies", f"{LOAD} truncate", READING, LOST_MS),
    # The second may come when the first, which is right, was taken already: a sample more is good.
    Fault("each reply twice", f"{LOAD} double", READING, LOST_MS + SAMPLE_MS),
    Fault("what is sent comes back (echo)", f"{LOAD} echo", READING, LOST_MS),
    Fault("64 KiB without a line end as each reply", f"{LOAD} flood", READING, LOST_MS),
    Fault("not-a-number as reading", f"{LOAD} nan", READING, LOST_MS),
    Fault("out of range as reading", f"{LOAD} overrange", READING, LOST_MS),
    Fault("absurd values as reading", f"{LOAD} absurd",
          ("voltage-high", "current-high", "voltage-low", "polarity-reversed", "reading-lost"),
          LOST_MS),
    Fault("voltage with the wrong sign (sense leads swapped)", f"{LOAD} reversed",
          ("polarity-reversed", "voltage-low"), PERIOD_MS + COMMAND_MS),
    Fault("the leads to the battery came off", f"{LOAD} open",
          ("opened-early", "voltage-low"), PERIOD_MS + COMMAND_MS),
    Fault("voltage under its limit (the battery is suddenly empty)", f"soc {LABEL} 0",
          ("voltage-low",), PERIOD_MS + COMMAND_MS, (f"soc {LABEL} 0.9",)),
    Fault("voltage over its limit", f"soc {LABEL} 1.05",
          ("voltage-high",), PERIOD_MS + COMMAND_MS, (f"soc {LABEL} 0.9",),
          (("max: 3.7 V/cell", "max: 3.35 V/cell"),), (f"soc {LABEL} 0.6",)),
    Fault("over-temperature", f"heat {LABEL} 61", ("temperature-high",), PERIOD_MS + COMMAND_MS,
          (f"heat {LABEL} 22", f"heat {LABEL} off")),
    Fault("under-temperature", f"heat {LABEL} 3", ("temperature-low",), PERIOD_MS + COMMAND_MS,
          (f"heat {LABEL} 22", f"heat {LABEL} off")),
    Fault("thermometer: readings jump at random", f"{THERMOMETER} jump",
          ("temperature-high", "temperature-low", "temperature-rate"), 20000),
    Fault("thermometer unplugged", f"{THERMOMETER} unplug",
          ("temperature-lost", "instrument-lost"), LOST_MS),
    Fault("thermometer: the sensor came off", f"{THERMOMETER} lost", ("temperature-lost",),
          LOST_MS, says="jetty thermometer on"),
    Fault("thermometer: silence", f"{THERMOMETER} silence", ("temperature-lost",), LOST_MS,
          says="jetty thermometer on"),
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


@row("the load stays on after off")
def _():
    def act(b):
        b.discharge()
        b.control(f"fault {LOAD} stays-on")
        off_ms = b.strike(lambda: b.cli("stop", STAND))
        must_be_quick(off_ms, PERIOD_MS + COMMAND_MS)
        run = b.ended()
        must(b.load_is("on"), "off although it ignores off")
        must_alarm(b)
        b.expect_no_start()
        b.control(f"clear-fault {LOAD}")
        b.must_be_off()
        await_that(30, "the alarm ends", lambda: not b.stand()["output_unconfirmed"])
        b.must_be_sound()
        return Result("ALARM (disconnect by hand), no start; off was tried on and on, and held "
                      "when the load obeyed again", run["outcome"], off_ms, "from the order to "
                      "stop to the first off line")
    return with_bench(act)


@row("the load is on and does not obey when the daemon starts (both processes were killed)")
def _():
    def act(b):
        b.discharge()
        b.control(f"fault {LOAD} stays-on")
        worker = b.worker()
        b.daemon.kill()
        with contextlib.suppress(ProcessLookupError):  # it leaves with its keeper
            os.kill(worker, signal.SIGKILL)
        b.daemon.wait(5)
        must(b.load_is("on"), "off although it ignores off")
        b.start_daemon()
        must_alarm(b)
        b.expect_no_start()
        b.control(f"clear-fault {LOAD}")
        b.must_be_off()
        await_that(30, "the alarm ends", lambda: not b.stand()["output_unconfirmed"])
        b.must_be_sound()
        return Result("ALARM (disconnect by hand), no start; held off when the load obeyed again",
                      b.run()["outcome"])
    return with_bench(act)


@row("current flows although the output is off (leak of 2 A in a rest)")
def _():
    def act(b):
        b.profile(rest="60 s")
        b.expect(0, "start", "short", "--battery", LABEL, "--stand", STAND)
        time.sleep(2)
        off_ms = b.strike(lambda: b.control(f"fault {LOAD} leak 2"))
        trip = b.must_be_tripped(("current-while-off",))
        must_be_quick(off_ms, 5000 + 2 * PERIOD_MS + COMMAND_MS)  # 5 s: it may be ringing
        must_alarm(b)
        b.must_be_latched()
        b.control(f"clear-fault {LOAD}")
        b.clear()
        b.must_be_sound()
        return Result("tripped, ALARM (disconnect by hand): off cannot stop it; latched until "
                      "cleared", trip["reason"], off_ms)
    return with_bench(act)


def stuck_row(name, instrument, quantity, reasons, meter=False):
    def act(b):
        if meter:
            b.add_meter()
        b.start()
        b.discharge()
        begin_s = b.run_elapsed_s()
        await_that(60, "five minutes of test time passed",  # so that the guard has learned them
                   lambda: b.run_elapsed_s() > begin_s + 300)
        stuck_s = b.run_elapsed_s()
        b.control(f"fault {instrument} stuck {quantity}".strip())
        trip = b.must_be_tripped(reasons)
        b.must_be_off()
        b.must_be_latched()
        b.control(f"clear-fault {instrument}")
        b.clear()
        b.must_be_sound()
        return Result("off, run tripped, latched until cleared", trip["reason"], None,
                      f"{trip['at_s'] - stuck_s:.0f} s of test time")
    ROWS.append(Row(name, lambda: with_bench(act, start=False, speed=400)))


stuck_row("readings stuck: the same voltage and current again and again", LOAD, "",
          ("reading-stuck",))
stuck_row("the load's voltage sticks, its current moves", LOAD, "voltage", ("voltage-stuck",))
stuck_row("the load's current sticks, its voltage moves", LOAD, "current", ("current-stuck",))
stuck_row("the thermometer sticks", THERMOMETER, "", ("temperature-stuck",))
stuck_row("a separate voltmeter sticks", METER, "", ("voltage-disagrees", "voltage-stuck"),
          meter=True)


@row("a separate voltmeter sticks, and the battery is suddenly nearly empty")
def _():
    def act(b):
        b.add_meter()
        b.start()
        b.discharge()
        await_that(30, "the guard has seen the leads", lambda: b.run_elapsed_s() > 12)
        b.control(f"fault {METER} stuck")
        off_ms = b.strike(lambda: b.control(f"soc {LABEL} 0.02"))
        trip = b.must_be_tripped(("voltage-disagrees",))
        must_be_quick(off_ms, 5000 + 2 * PERIOD_MS + COMMAND_MS)  # 5 s: it may be settling
        b.must_be_off()
        b.must_be_latched()
        b.control(f"clear-fault {METER}")
        b.control(f"soc {LABEL} 0.9")
        b.clear()
        b.must_be_sound()
        return Result("off, run tripped, latched until cleared", trip["reason"], off_ms)
    return with_bench(act, start=False)


# --- what must not even begin ---

@row("another instrument answers after plugging again")
def _():
    def act(b):
        b.discharge()
        b.control(f"fault {LOAD} unplug")
        trip = b.must_be_tripped(("instrument-lost",))
        b.control(f"fault {LOAD} identity OTHER,Toaster,1,1.0")
        off_ms = b.strike(lambda: b.control(f"fault {LOAD} replug"))
        must_be_quick(off_ms, 3000)
        b.must_be_off()
        await_that(10, "the stand says which instrument is wrong",
                   lambda: "Toaster" in (b.stand()["problem"] or ""))
        ons = b.log("on")
        status, text = b.cli("clear", STAND)
        must(status != 0, "the latch was cleared with another instrument connected")
        b.expect_no_start()
        b.control(f"clear-fault {LOAD}")
        b.clear()
        must(b.log("on") == ons, "it was switched on")
        b.must_be_sound()
        return Result("made safe when plugged again; no clear and no start until the right one "
                      "is there", trip["reason"], off_ms, "after it was plugged again")
    return with_bench(act)


SHED, SECOND = "shed", "load-2"  # a second stand, with a load of the same model


def add_second_stand(b):
    with open(f"{b.home}/virtual.yaml") as f:
        text = f.read()
    first = text[text.index("  - name: load-1"):text.index("  - name: thermometer-1")]
    second = first.replace("load-1", SECOND).replace("V0001", "V0002")
    with open(f"{b.home}/virtual.yaml", "w") as f:
        f.write(text.replace(first, first + second))
    with open(f"{b.home}/bench.yaml") as f:
        text = f.read()
    stand = (f'stands:\n  - name: {SHED}\n    sense: remote\n'
             f'    load: {{driver: load-virtual, link: "tty:vb/{SECOND}"}}\n')
    with open(f"{b.home}/bench.yaml", "w") as f:
        f.write(text.replace("stands:\n", stand))


def swap_cables(b):
    """What hung at one port hangs at the other now; the daemon does not see it happen."""
    b.daemon.terminate()
    must(b.daemon_ends(20), "the daemon does not leave")
    one, other, aside = (f"{b.home}/vb/{n}" for n in (LOAD, SECOND, "aside"))
    os.rename(one, aside)
    os.rename(other, one)
    os.rename(aside, other)
    b.start_daemon()


@row("two loads of one model swapped while the daemon was not running")
def _():
    def act(b):
        add_second_stand(b)
        b.start()

        def stands():
            return {s["name"]: s for s in json.loads(b.cli("stands", "--json")[1])["stands"]}

        def all_are(phase):
            return all(s["phase"] == phase for s in stands().values())
        await_that(20, "both stands are idle", lambda: all_are("idle"))
        ons = b.log("on")
        swap_cables(b)
        await_that(20, "both stands refuse", lambda: all_are("missing"))
        for s in stands().values():
            for word in ("V0001", "V0002", f"ampledger clear {s['name']} --accept-instruments"):
                must(word in s["problem"], f"{s['name']} does not say {word}: {s['problem']}")
        b.expect_no_start()
        must(all(b.control(f"output {n}").startswith("ok off ") for n in (LOAD, SECOND)), "on")
        swap_cables(b)  # wired back
        await_that(20, "both stands are idle again", lambda: all_are("idle"))
        swap_cables(b)  # and for good
        await_that(20, "both stands refuse again", lambda: all_are("missing"))
        for name in (STAND, SHED):
            b.expect(0, "clear", name, "--accept-instruments")
        b.daemon.terminate()
        must(b.daemon_ends(20), "the daemon does not leave")
        b.start_daemon()
        await_that(20, "what was accepted stays accepted", lambda: all_are("idle"))
        must(b.log("on") == ons, "it was switched on")
        b.must_be_sound()
        return Result("both stands refuse and name both serial numbers; idle when wired back, or "
                      "when a person accepts what is there", "refused", None, "never on")
    return with_bench(act, start=False)


@row("another instrument answers between runs")
def _():
    def act(b):
        b.control(f"fault {LOAD} identity OTHER,Toaster,1,1.0")
        text = b.expect_no_start()
        must("Toaster" in text, f"the refusal does not name it: {text}")
        b.control(f"clear-fault {LOAD}")
        b.must_work()
        return Result("start refused and the stranger named; starts when the right one is there",
                      "refused", None, "never on")
    return with_bench(act)


@row("commands refused (error queue) at the start")
def _():
    def act(b):
        b.control(f"fault {LOAD} refuse")
        text = b.expect_no_start()
        must("the instrument refused it: -" in text, f"it does not say so: {text}")
        b.control(f"clear-fault {LOAD}")
        b.must_be_sound()
        return Result("start refused with the instrument's own words", "refused", None, "never on")
    return with_bench(act)


@row("commands refused (error queue) from the rest before the discharge on")
def _():
    def act(b):
        b.profile(rest="4 s")
        b.expect(0, "start", "short", "--battery", LABEL, "--stand", STAND)
        ons = b.log("on")
        b.control(f"fault {LOAD} refuse")
        trip = b.must_be_tripped(("instrument-disobeyed",))
        must(b.log("on") == ons and b.load_is("off"), "it was switched on")
        b.must_be_latched()
        b.control(f"clear-fault {LOAD}")
        b.clear()
        b.must_be_sound()
        return Result("tripped before it was switched on, latched until cleared", trip["reason"],
                      None, "never on")
    return with_bench(act)


@row("set point ignored")
def _():
    def act(b):
        b.profile(rest="4 s")
        b.expect(0, "start", "short", "--battery", LABEL, "--stand", STAND)
        ons = b.log("on")
        b.control(f"fault {LOAD} ignore-set")
        trip = b.must_be_tripped(("instrument-disobeyed",))
        must("read back" in trip["sentence"], f"not caught by reading back: {trip['sentence']}")
        must(b.log("on") == ons, "it was switched on with a wrong set point")
        b.must_be_off()
        b.must_be_latched()
        b.control(f"clear-fault {LOAD}")
        b.clear()
        b.must_be_sound()
        return Result("caught by reading back before it was switched on; tripped, latched until "
                      "cleared", trip["reason"], None, "never on")
    return with_bench(act)


@row("the load is locked in another mode: it holds a voltage, whatever is chosen")
def _():
    def act(b):
        b.control(f"fault {LOAD} wrong-mode")
        text = b.expect_no_start()
        must("its mode reads back" in text, f"it does not say so: {text}")
        b.control(f"clear-fault {LOAD}")
        b.must_work()
        return Result("caught by reading the mode back; start refused with what it reads",
                      "refused", None, "never on")
    return with_bench(act)


@row("thermometer that prints lines stops printing")
def _():
    def act(b):
        with open(f"{b.home}/virtual.yaml") as f:
            text = f.read()
        with open(f"{b.home}/virtual.yaml", "w") as f:
            f.write(text.replace("style: scpi", "style: lines"))
        with open(f"{b.home}/bench.yaml") as f:
            text = f.read()
        with open(f"{b.home}/bench.yaml", "w") as f:
            f.write(text.replace("thermometer-virtual", "thermometer-lines"))
        b.start()
        b.discharge()
        off_ms = b.strike(lambda: b.control(f"fault {THERMOMETER} silence"), 10)
        trip = b.must_be_tripped(("temperature-lost",))
        must_be_quick(off_ms, TRUST_MS + PERIOD_MS + COMMAND_MS)
        b.must_be_off()
        b.must_be_latched()
        b.control(f"clear-fault {THERMOMETER}")
        b.clear()
        b.must_be_sound()
        return Result("off, run tripped, latched until cleared; its last line ages although it is "
                      "served", trip["reason"], off_ms)
    return with_bench(act, start=False)


@row("wrong cell count: the battery is registered with twice its cells, and with half")
def _():
    def act(b):
        for label, cells in (("launch-b", "8"), ("launch-c", "2")):
            b.add_battery(label, cells)
            status, text = b.cli("plan", "short", "--battery", label, "--stand", STAND)
            must(status == 2, f"the plan for {cells} cells gave {status}: {text}")
            b.expect_no_start(label)
        b.must_be_sound()
        return Result("the plan says so, start refused", "refused", None, "never on")
    return with_bench(act)


@row("a second daemon on the same bench, and one with its own database on the same ports")
def _():
    def act(b):
        b.discharge()
        ons, offs = b.log("on"), b.log("off")
        second = subprocess.run([f"{BUILD}/ampledgerd", "--bench", f"{b.home}/bench.yaml"],
                                stderr=subprocess.PIPE, text=True, timeout=20)
        must(second.returncode == 2 and "in use" in second.stderr,
             f"the second left with {second.returncode}: {second.stderr}")
        third_log = third_daemon(b)
        must("held by" in third_log, f"it does not say who holds the port: {third_log}")
        time.sleep(2)
        must((b.log("on"), b.log("off")) == (ons, offs), "the load was disturbed")
        goes_on_then_stops(b)
        return Result("second refused, third told that the ports are held; the run goes on",
                      b.run()["outcome"], None, "-")
    return with_bench(act)


def third_daemon(b):
    with open(f"{b.home}/bench.yaml") as f:
        text = f.read().replace(b.database, f"{b.home}/third.db")
    with open(f"{b.home}/third.yaml", "w") as f:
        f.write(text.replace("ampledger.sock", "third.sock"))
    with open(f"{b.home}/third.log", "w") as log:
        third = subprocess.Popen([f"{BUILD}/ampledgerd", "--bench", f"{b.home}/third.yaml"],
                                 stderr=log)
        time.sleep(5)
        third.terminate()
        must(third.wait(30) == 0, "the third did not leave properly")
    with open(f"{b.home}/third.log") as f:
        return f.read()


def goes_on_then_stops(b):
    """The run goes on, no sample is missing, and it can be stopped as usual."""
    before = b.query("select count(*) from sample")[0][0]
    await_that(8, "more samples are recorded",
               lambda: b.query("select count(*) from sample")[0][0] > before + 2)
    must(b.load_is("on"), "the load went off")
    b.expect(0, "stop", STAND)
    b.must_be_off()
    must(b.run()["outcome"] == "stopped", f"ended as {b.run()['outcome']}")
    times = [t for (t,) in b.query("select t_s from sample order by t_s")]
    gaps = [b - a for a, b in zip(times, times[1:])]
    must(max(gaps) < 1.6 and min(gaps) > 0, f"samples are {min(gaps)} to {max(gaps)} s apart")
    b.must_be_sound()


@row("replies end with carriage return and line feed (harmless)")
def _():
    def act(b):
        b.discharge()
        b.control(f"fault {LOAD} crlf")
        b.control(f"fault {THERMOMETER} crlf")
        goes_on_then_stops(b)
        return Result("goes on, no sample missing", "stopped", None, "-")
    return with_bench(act)


# --- the computer: disk, database, clock, memory ---

def cannot_record(b, begin, end, name):
    b.discharge()
    off_ms = b.strike(begin, 20)
    trip = b.must_be_told(("cannot-record",))
    must_be_quick(off_ms, 13000)  # the bench file says 10 s
    b.must_be_off()
    b.must_not_start_again()
    end()
    await_that(20, "the database is written again",
               lambda: (b.run() or {}).get("outcome") == "tripped", 0.3)
    b.must_be_latched()
    must(name in b.log_text(), f"the log does not say {name!r}")
    b.clear()
    b.must_be_sound()
    return Result("kept in memory and tried for 10 s, as the bench file says, then off, tripped, latched; written when "
                  "it was possible again", trip["reason"], off_ms)


PATIENT_S = 60  # of the three minutes; before this the store gave up after 10 s


def goes_on_meanwhile(b, begin, end, name):
    """With the usual patience: nothing is lost, and a person can see what waits."""
    b.discharge()
    begin()
    await_that(20, "the stand says that records wait",
               lambda: "in memory since" in (b.stand()["problem"] or ""))
    stored = b.run()["samples"] if name == "disk full" else None
    time.sleep(PATIENT_S)
    must(b.load_is("on") and b.phase() == "running", "the run did not go on")
    problem = b.stand()["problem"] or ""
    must(name in problem, f"the stand says: {problem}")
    must(int(re.search(r"since (\d+) s", problem).group(1)) >= PATIENT_S, problem)
    must(stored is None or b.run()["samples"] <= stored + 2, "the disk was not full at all")
    end()
    await_that(20, "records reach the disk", lambda: not b.stand()["problem"])
    notices = "select text from event where kind = 'notice' order by rowid"
    await_that(20, "the end of it is told", lambda: len(b.query(notices)) > 1)
    goes_on_then_stops(b)
    told = [t for (t,) in b.query(notices)]
    must(len(told) == 2 and name in told[0] and "none was lost" in told[1], f"notices: {told}")
    return Result(f"goes on for {PATIENT_S} s with what is recorded in memory, and says so; no "
                  "sample missing", "stopped", None, "-")


def fill(b):
    with open(f"{b.mounted}/filler", "wb", buffering=0) as f:
        try:
            while True:
                f.write(bytes(4096))
        except OSError:
            pass


@row("disk full")
def _():
    def act(b):
        return cannot_record(b, lambda: fill(b), lambda: os.unlink(f"{b.mounted}/filler"),
                             "disk full")
    return with_bench(act, small_disk=True)


@row("disk full for a minute", is_long=True)
def _():
    def act(b):
        return goes_on_meanwhile(b, lambda: fill(b), lambda: os.unlink(f"{b.mounted}/filler"),
                                 "disk full")
    return with_bench(act, small_disk=True, record_within=None)


RESUMES = (("starts_full: yes",
            "starts_full: yes\non_interruption: {resume_within: 10 min}"),)


@row("disk full, and both processes killed after the trip; the profile would resume a run")
def _():
    def act(b):
        b.profile(*RESUMES)
        b.discharge()
        off_ms = b.strike(lambda: fill(b), 20)
        trip = b.must_be_told(("cannot-record",))
        must_be_quick(off_ms, 13000)
        b.must_be_off()
        ons = b.log("on")
        kill_both(b)
        b.daemon.wait(5)
        os.unlink(f"{b.mounted}/filler")
        b.start_daemon()
        run = b.ended()
        time.sleep(5)
        must(b.log("on") == ons and b.load_is("off"), "current was restarted after a trip")
        b.must_be_sound()
        b.must_be_latched()
        b.clear()
        # The same death without a trip: only then the run is taken up again.
        b.discharge()
        kill_both(b)
        b.daemon.wait(5)
        ons = b.log("on")
        b.start_daemon()
        await_that(20, "the run is resumed", lambda: b.log("on") > ons and b.load_is("on"))
        b.expect(0, "stop", STAND)
        b.must_be_off()
        return Result("off; latched and not resumed after the next start, although the database "
                      "could not take the trip (without a trip it is)", f"{trip['reason']}, then {run['outcome']}",
                      off_ms)
    return with_bench(act, small_disk=True)


@row("database locked by another process")
def _():
    def act(b):
        other = sqlite3.connect(b.database, isolation_level=None, check_same_thread=False)

        def end():
            other.execute("rollback")
            other.close()

        return cannot_record(b, lambda: other.execute("begin exclusive"), end,
                             "another process keeps it locked")
    return with_bench(act)


@row("database locked by another process for a minute", is_long=True)
def _():
    def act(b):
        other = sqlite3.connect(b.database, isolation_level=None, check_same_thread=False)

        def end():
            other.execute("rollback")
            other.close()

        return goes_on_meanwhile(b, lambda: other.execute("begin exclusive"), end,
                                 "another process keeps it locked")
    return with_bench(act, record_within=None)


def must_say_damaged(text):
    must("damaged" in text or "is not a database" in text, f"it does not say what is wrong: {text}")


@row("database damaged: its pages overwritten with random bytes while running")
def _():
    def act(b):
        b.discharge()
        workers = {b.worker()}

        def damage():
            noise = random.Random(7)
            for name in (b.database, f"{b.database}-wal"):
                with open(name, "r+b", buffering=0) as f:
                    f.write(noise.randbytes(os.path.getsize(name)))
        off_ms = b.strike(damage, 20)
        # found when it is read back, every 5 s; the store gives up after 10 s more
        must_be_quick(off_ms, 15000 + 2 * PERIOD_MS + COMMAND_MS)
        trip = b.must_be_told(("cannot-record",))
        b.must_be_off()
        b.expect_no_start()
        end = time.monotonic() + 8
        while time.monotonic() < end:
            workers.add(b.worker() if b.daemon.poll() is None else None)
            time.sleep(0.1)
        must(len(workers) == 1, f"the worker was started again and again: {workers}")
        b.must_be_off()
        must_say_damaged(b.log_text())
        b.daemon.terminate()
        b.daemon.wait(30)
        again = subprocess.run([f"{BUILD}/ampledgerd", "--bench", f"{b.home}/bench.yaml"],
                               stderr=subprocess.PIPE, text=True, timeout=20)
        must(again.returncode in (2, 5), f"started again, it left with {again.returncode}")
        must_say_damaged(again.stderr)
        b.must_be_off()
        return Result("found when it was read back, then off, tripped; log and next start say what "
                      "is wrong; no worker is started again and again", trip["reason"], off_ms)
    return with_bench(act)


@row("wall clock stepped by a day, forward and back")
def _():
    with Page() as page:
        def act(b):
            b.discharge()
            for step_s in (86400, -86400):
                page.set(step_s, 0)
                time.sleep(3)
                must(b.load_is("on"), f"off when the clock was stepped by {step_s} s")
            page.set(0, 0)
            must(b.run_elapsed_s() < 60, "the run's time follows the wall clock")
            goes_on_then_stops(b)
            return Result("goes on, durations right, no sample missing", "stopped", None, "-")
        return with_bench(act, preload=page.environment)


@row("allocation fails in the daemon")
def _():
    with Page() as page:
        def act(b):
            b.discharge()
            old = b.worker()
            off_ms = b.strike(lambda: page.set(0, 1), 20)
            page.set(0, 0)
            must_be_quick(off_ms, 13000)
            b.must_be_off()
            ons = b.log("on")
            run = b.ended()
            time.sleep(2)
            must(b.log("on") == ons, "it was switched on again")
            new = "" if b.worker() == old else "; another worker took over"
            await_that(30, "the stand is latched", lambda: b.phase() == "latched")
            b.must_be_latched()
            b.clear()
            b.must_be_sound()
            return Result(f"off, latched until cleared{new}; nothing goes on by itself", run["outcome"], off_ms)
        return with_bench(act, preload=page.environment)


@row("the worker's memory is used up, until it ends over storing the trip; the profile would resume")
def _():
    with Page() as page:
        def act(b):
            b.profile(*RESUMES)
            b.discharge()
            old = b.worker()
            off_ms = b.strike(lambda: page.set(0, old), 20)  # of nobody else
            must_be_quick(off_ms, 13000)
            await_that(30, "the worker ends", lambda: not os.path.exists(f"/proc/{old}"))
            ons = b.log("on")
            await_that(30, "the stand is latched", lambda: b.phase() == "latched")
            trip = b.must_be_told(("cannot-record",))
            must(any("as noted before the daemon ended" in text for (text,) in
                     b.query("select text from event where kind = 'trip'")), "no event")
            b.must_be_latched()
            # the database has it by now, and a person's word counts
            b.daemon.terminate()
            b.daemon.wait(30)
            must(not os.path.exists(f"{b.database}.run-{STAND}"), "the note is still there")
            b.start_daemon()
            b.must_be_latched()
            b.clear()
            b.daemon.terminate()
            b.daemon.wait(30)
            b.start_daemon()
            await_that(30, "the stand is idle", lambda: b.phase() == "idle")
            must(b.log("on") == ons and b.load_is("off"), "it was switched on again")
            b.must_be_sound()
            return Result("tripped, off; latched by the next worker, and not resumed",
                          f"{trip['reason']}, then {b.run()['outcome']}", off_ms)
        return with_bench(act, preload=page.environment)


@row("the worker's memory is used up while another stand's run ends: it ends with a word, over storing that")
def _():
    with Page() as page:
        def act(b):
            add_second_stand(b)
            with open(f"{b.home}/profiles/rest.yaml", "w") as f:
                f.write("profile: A short rest\nsteps:\n  - rest: {for: 4 s}\n")
            b.profile(*RESUMES)
            b.start()
            b.add_battery("launch-b")
            b.discharge()
            b.expect(0, "start", "rest", "--battery", "launch-b", "--stand", SHED)
            old = b.worker()
            off_ms = b.strike(lambda: page.set(0, old), 9)  # before nothing could be recorded for 10 s
            must_be_quick(off_ms, 6000)
            await_that(30, "the worker ends", lambda: not os.path.exists(f"/proc/{old}"))
            ons = b.log("on")
            await_that(30, "the stand is latched", lambda: b.phase() == "latched")
            trip = b.must_be_told(("cannot-record",))
            for text in ("out of memory: ", "the worker was ended by signal 6"):
                must(text in b.log_text(), f"the log does not say: {text}")
            must(any("the memory of this computer was used up" in text for (text,) in
                     b.query("select text from event where kind = 'trip'")), "no word in the database")
            b.must_be_latched()
            b.clear()
            must(b.log("on") == ons and b.load_is("off"), "it was switched on again")
            b.must_be_sound()
            return Result("off; the log and the database say why; latched by the next worker, and not resumed",
                          f"{trip['reason']}, then {b.run()['outcome']}", off_ms)
        return with_bench(act, preload=page.environment, start=False)


# --- deaths ---

KEEPER_DID_IT = "load switched off, and it says so"


def death(name, how, limit_ms, outcomes, restart=False, happened=""):
    @row(name)
    def _():
        def act(b):
            b.discharge()
            time.sleep(1.5)  # something has been committed
            samples = b.query("select count(*) from sample")[0][0]
            worker = b.worker()
            off_ms = b.strike(lambda: how(b), 6)
            if restart:
                must(off_ms is None, "who switched it off?")
                b.must_be_sound()
                b.daemon.wait(5)
                off_ms = b.strike(lambda: b.start_daemon(wait=False))
            must_be_quick(off_ms, limit_ms)
            b.must_be_off()
            ons = b.log("on")
            if b.daemon_ends(3):
                await_that(30, "the worker has left", lambda: not os.path.exists(f"/proc/{worker}"))
                b.start_daemon()
            await_that(30, "the stand is idle", lambda: b.phase() == "idle")
            run = b.ended()
            must(run["outcome"] in outcomes, f"the run is marked {run['outcome']}")
            must(b.query("select count(*) from sample")[0][0] >= samples, "samples were lost")
            # and not only the next worker, who would have switched it off as well
            must(not name.startswith("worker") or KEEPER_DID_IT in b.log_text(),
                 "the keeper did not switch it off")
            time.sleep(2)
            must(b.log("on") == ons and b.load_is("off"), "it was switched on again")
            b.must_be_sound()
            return Result(happened or "off; nothing recorded is lost; nothing goes on by itself",
                          run["outcome"], off_ms, "after the next start" if restart else "")
        return with_bench(act)


def kill_both(b):
    both = (b.worker(), b.daemon.pid)
    for how in (signal.SIGSTOP, signal.SIGKILL):  # stopped, neither acts on the other's death
        for pid in both:
            os.kill(pid, how)


death("worker: SIGKILL", lambda b: os.kill(b.worker(), signal.SIGKILL), 100, ("interrupted",))
death("worker: SIGSEGV", lambda b: os.kill(b.worker(), signal.SIGSEGV), 100, ("interrupted",))
death("worker: SIGSTOP (hangs)", lambda b: os.kill(b.worker(), signal.SIGSTOP),
      TRUST_MS + COMMAND_MS, ("interrupted",))

def sleeps_in_kernel(pid):
    """Does one of its threads wait for the disk, out of reach of any signal?"""
    for task in os.listdir(f"/proc/{pid}/task"):
        with open(f"/proc/{pid}/task/{task}/stat") as f:
            if f.read().rpartition(") ")[2][0] == "D":
                return True
    return False


@row("worker: SIGKILL while its disk hangs inside the kernel, so that it cannot end")
def _():
    def act(b):
        b.freezable_disk()
        b.start()
        b.discharge()
        worker = b.worker()
        b.freeze()
        await_that(10, "a thread waits for the disk", lambda: sleeps_in_kernel(worker))
        off_ms = b.strike(lambda: os.kill(worker, signal.SIGKILL))
        b.must_be_off()
        must_be_quick(off_ms, 100)
        must(os.path.exists(f"/proc/{worker}"), "the worker was gone: this showed nothing")
        b.thaw()
        await_that(20, "a new worker has the stand", lambda: b.phase() == "idle")
        must(b.query("select outcome from run") == [("interrupted",)], "not marked interrupted")
        b.must_be_sound()
        return Result("off at once, although the process goes only when the disk answers; a new "
                      "worker; run marked interrupted", "", off_ms)
    return with_bench(act, start=False)


@row("worker: SIGSTOP (hangs) while nothing is on")
def _():
    def act(b):
        worker = b.worker()
        os.kill(worker, signal.SIGSTOP)
        await_that(30, "another worker", lambda: b.worker() not in (worker, None), 0.2)
        await_that(20, "it has the stand", lambda: b.phase() == "idle")
        must("gives no sign of life" in b.log_text(), "the log does not tell")
        b.discharge()
        b.must_be_sound()
        return Result("replaced; the next run works")
    return with_bench(act)


death("keeper: SIGKILL", lambda b: b.daemon.kill(), 100, ("stopped", "interrupted"))

@row("keeper: SIGSTOP (hangs)")
def _():
    def act(b):
        b.discharge()
        off_ms = b.strike(lambda: os.kill(b.daemon.pid, signal.SIGSTOP), 20)
        try:
            trip = b.must_be_tripped(("keeper-lost",))
            must("keeper" in trip["sentence"], f"it does not say why: {trip['sentence']}")
            must_be_quick(off_ms, 10000)
            b.must_be_off()
            b.must_be_latched()
        finally:
            os.kill(b.daemon.pid, signal.SIGCONT)
        b.clear()
        b.must_be_sound()
        return Result("off, run tripped, latched until cleared", trip["reason"], off_ms)
    return with_bench(act)


death("keeper and worker both: SIGKILL", kill_both, 2000, ("interrupted",), restart=True,
      happened="stays on until the next start of the daemon (the load's own under-voltage "
               "protection is the backstop), then off; nothing recorded is lost")
death("SIGTERM", lambda b: b.daemon.terminate(), PERIOD_MS + COMMAND_MS, ("stopped",))


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
    parser.add_argument("--jobs", type=int, default=8,
                        help="benches at a time; they mostly wait")
    parser.add_argument("--write", help="write the table to this file as Markdown")
    a = parser.parse_args()
    if os.environ.get("AMPLEDGER_SANITIZED", "") not in ("", "OFF", "0"):
        print("skipped: sanitizers distort the times that are measured here")
        return 77
    must(BUILD and SOURCE, "set AMPLEDGER_BUILD and AMPLEDGER_SOURCE (ctest does)")
    own_mounts()
    rows = [r for r in ROWS if a.only in r.name]
    must(rows, f"no row is called like {a.only!r}")
    with concurrent.futures.ThreadPoolExecutor(a.jobs) as pool:
        list(pool.map(run_row, sorted(rows, key=lambda r: not r.is_long)))
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
