# SPDX-License-Identifier: GPL-3.0-or-later
"""One bench in a temporary folder: virtual instruments, daemon, command line.

Times are CLOCK_BOOTTIME, the clock of the virtual bench's `log` command.
"""
import contextlib
import ctypes
import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import struct
import subprocess
import tempfile
import time

BUILD = os.environ.get("AMPLEDGER_BUILD", "")
SOURCE = os.environ.get("AMPLEDGER_SOURCE", "")
LABEL, STAND, LOAD, THERMOMETER = "launch-a", "jetty", "load-1", "thermometer-1"
METER = "meter-1"
PROFILE = "overnight-capacity-lfp"
CLONE_NEWNS = 0x20000
DISK_KIB = 32768  # what a plan asks for, and to spare


class Failed(Exception):
    """Something that must hold does not."""


class Skipped(Exception):
    """This machine cannot do it; says why."""


def must(condition, text):
    if not condition:
        raise Failed(text)


def now_ns():
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def await_that(seconds, what, condition, pause=0.05):
    """Waits until condition() is true, and returns what it returned."""
    end = time.monotonic() + seconds
    while True:
        value = condition()
        if value:
            return value
        if time.monotonic() > end:
            raise Failed(f"gave up after {seconds} s waiting until {what}")
        time.sleep(pause)


def own_mounts():
    """From here on this process mounts for itself alone; all is undone when it ends."""
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(CLONE_NEWNS) == 0:
        subprocess.run(["mount", "--make-rprivate", "/"], check=False)


class Page:
    """The file through which tests/support/preload_faults.c is steered."""

    def __enter__(self):
        library = f"{BUILD}/tests/preload_faults.so"
        if not os.path.exists(library):
            raise Skipped(f"{library} was not built")
        self.file = tempfile.NamedTemporaryFile(prefix="ampledger-page.", buffering=0)
        self.set(0, 0)
        self.environment = {"LD_PRELOAD": library, "AMPLEDGER_FAULTS_PAGE": self.file.name}
        return self

    def __exit__(self, *why):
        self.file.close()

    def set(self, wall_step_s, no_memory):
        os.pwrite(self.file.fileno(), struct.pack("=qq", wall_step_s, no_memory), 0)


class Bench:
    def __init__(self, speed=1, preload=None, record_within="10 s"):
        self.record_within = record_within  # None: the usual patience
        self.home = tempfile.mkdtemp(prefix="ampledger-fault.")
        self.speed = speed
        self.preload = preload
        self.daemon = None
        self.virtual = None
        self.control_file = None
        self.mounted = None
        self.frozen = False
        self.database = f"{self.home}/ampledger.db"
        self.environment = dict(os.environ, AMPLEDGER_SOCKET=f"{self.home}/ampledger.sock")
        self.write_files()

    # --- files ---

    def write_files(self):
        """The demonstration's bench, and the overnight profile with a short rest."""
        shutil.copy(f"{SOURCE}/src/virtual/demo/virtual.yaml", self.home)
        self.profile()
        with open(f"{SOURCE}/src/virtual/demo/bench.yaml") as f:
            text = f.read().replace("@SOURCE@", SOURCE)
        text = re.sub(r"(?m)^profiles:.*", f'profiles: "{self.home}/profiles"', text)
        text = re.sub(r"(?m)^database:.*", f'database: "{self.database}"', text)
        if self.record_within:
            text += f"record_within: {self.record_within}\n"
        with open(f"{self.home}/bench.yaml", "w") as f:
            f.write(text)

    def profile(self, *changes, rest="1 s"):
        """Writes the profile anew: changes are pairs (old text, new text)."""
        with open(f"{SOURCE}/profiles/{PROFILE}.yaml") as f:
            text = f.read()
        for old, new in (("for: 10 min", f"for: {rest}"),) + changes:
            must(old in text, f"the profile {PROFILE} no longer says {old!r}")
            text = text.replace(old, new)
        os.makedirs(f"{self.home}/profiles", exist_ok=True)
        with open(f"{self.home}/profiles/short.yaml", "w") as f:
            f.write(text)

    def add_meter(self):
        """A voltmeter of its own, before anything is started."""
        with open(f"{self.home}/virtual.yaml") as f:
            text = f.read()
        meter = f"  - {{name: {METER}, kind: meter, battery: {LABEL}}}\n"
        must("\nseed:" in text, "the demonstration's virtual bench ends without a seed")
        with open(f"{self.home}/virtual.yaml", "w") as f:
            f.write(text.replace("\nseed:", f"\n{meter}seed:"))
        with open(f"{self.home}/bench.yaml") as f:
            text = f.read()
        must("sense: remote" in text, "the demonstration's bench no longer senses remotely")
        with open(f"{self.home}/bench.yaml", "w") as f:
            f.write(text.replace("sense: remote", "sense: meter\n    meter: {driver: meter-virtual, "
                                 f"link: \"tty:vb/{METER}\"}}"))

    def small_disk(self):
        """Puts the database on a disk that is easily filled."""
        disk = f"{self.home}/disk"
        os.mkdir(disk)
        if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_KIB}k", "tmpfs", disk],
                          stderr=subprocess.DEVNULL).returncode != 0:
            raise Skipped("this user may not mount a small disk")
        self.mounted = disk
        self.database = f"{disk}/ampledger.db"
        self.write_files()

    def freezable_disk(self):
        """Puts the database on a disk that can be made to hang inside the kernel."""
        disk = f"{self.home}/disk"
        image = f"{self.home}/disk.img"
        os.mkdir(disk)
        with open(image, "wb") as f:
            f.truncate(64 << 20)
        for command in (["mkfs.ext4", "-q", image], ["mount", "-o", "loop", image, disk]):
            if not shutil.which(command[0]) or subprocess.run(
                    command, stderr=subprocess.DEVNULL, check=False).returncode != 0:
                raise Skipped("this user may not mount a disk that can be frozen")
        self.mounted = disk
        self.database = f"{disk}/ampledger.db"
        self.write_files()

    def freeze(self):
        must(subprocess.run(["fsfreeze", "-f", self.mounted], check=False).returncode == 0,
             "the disk could not be frozen")
        self.frozen = True

    def thaw(self):
        if self.frozen:
            subprocess.run(["fsfreeze", "-u", self.mounted], check=False)
        self.frozen = False

    def log_text(self):
        with open(f"{self.home}/daemon.log", errors="replace") as f:
            return f.read()

    # --- processes ---

    def start(self):
        self.start_virtual()
        self.start_daemon()
        self.add_battery()
        return self

    def start_virtual(self):
        command = [f"{BUILD}/ampledger-virtual", f"{self.home}/vb", "--speed", str(self.speed),
                   "--bench", f"{self.home}/virtual.yaml"]
        with open(f"{self.home}/virtual.log", "w") as log:
            self.virtual = subprocess.Popen(command, stdout=log, stderr=log)
        await_that(10, "the virtual bench serves",
                   lambda: os.path.exists(f"{self.home}/vb/control"), 0.02)
        s = socket.socket(socket.AF_UNIX)
        await_that(5, "the virtual bench answers", lambda: not s.connect_ex(
            f"{self.home}/vb/control"), 0.02)
        self.control_file = s.makefile("rw")
        s.close()

    def start_daemon(self, wait=True):
        environment = dict(self.environment)
        if self.preload:
            environment.update(self.preload)
        with open(f"{self.home}/daemon.log", "a") as log:
            self.daemon = subprocess.Popen(
                [f"{BUILD}/ampledgerd", "--bench", f"{self.home}/bench.yaml"],
                stdout=log, stderr=log, env=environment)
        if wait:
            await_that(20, "the stand is brought up",
                       lambda: self.phase() not in (None, "starting"))

    def worker(self):
        path = f"/proc/{self.daemon.pid}/task/{self.daemon.pid}/children"
        with open(path) as f:
            children = f.read().split()
        return int(children[0]) if children else None

    def daemon_ends(self, seconds):
        """Does its first process, the keeper, leave within so many seconds?"""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.daemon.wait(seconds)
        return self.daemon.poll() is not None

    def end(self):
        self.thaw()
        with contextlib.suppress(Exception):
            if self.daemon and self.daemon.poll() is None:
                worker = self.worker()
                self.daemon.terminate()
                try:
                    self.daemon.wait(20)
                except subprocess.TimeoutExpired:
                    self.daemon.kill()
                    if worker:
                        os.kill(worker, signal.SIGKILL)
                    self.daemon.wait(5)
        with contextlib.suppress(Exception):
            self.virtual.terminate()
            self.virtual.wait(5)
        if self.mounted:
            subprocess.run(["umount", "-l", self.mounted], check=False)
        shutil.rmtree(self.home, ignore_errors=True)

    # --- talking ---

    def control(self, command):
        self.control_file.write(command + "\n")
        self.control_file.flush()
        answer = self.control_file.readline().strip()
        must(answer.startswith("ok"), f"virtual bench: {command}: {answer}")
        return answer

    def cli(self, *arguments):
        """(exit status, all it said)"""
        p = subprocess.run([f"{BUILD}/ampledger", *arguments], env=self.environment,
                           stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                           errors="replace", timeout=90)
        return p.returncode, p.stdout

    def expect(self, status, *arguments):
        got, text = self.cli(*arguments)
        must(got == status, f"`ampledger {' '.join(arguments)}` gave {got}, not {status}: {text}")
        return text

    def add_battery(self, label=LABEL, cells="4"):
        self.expect(0, "battery", "add", label, "--chemistry", "lfp", "--cells", cells,
                    "--rated", "125Ah", "--rated-hours", "12.5h")

    def stand(self):
        status, text = self.cli("stands", "--json")
        return next((s for s in json.loads(text)["stands"] if s["name"] == STAND), None) \
            if status == 0 else None

    def phase(self):
        stand = self.stand()
        return stand["phase"] if stand else None

    def run(self):
        """The newest run as recorded."""
        status, text = self.cli("show", "last", "--json")
        return json.loads(text) if status == 0 else None

    # --- the load, by the virtual bench's own account ---

    def load_is(self, state):
        return self.control(f"output {LOAD}").startswith(f"ok {state} ")

    def log(self, key):
        return int(re.search(rf" {key}=(-?\d+|never)", self.control(f"log {LOAD}"))
                   .group(1).replace("never", "-1"))

    # --- the database ---

    def query(self, sql):
        with contextlib.closing(sqlite3.connect(self.database, timeout=10)) as db:
            return db.execute(sql).fetchall()

    def must_be_sound(self):
        result = self.query("pragma integrity_check")
        must(result == [("ok",)], f"integrity_check: {result[:3]}")

    def alarms(self):
        return [t for (t,) in self.query("select text from event where kind = 'alarm'")]

    # --- the parts of which rows are made ---

    def discharge(self):
        """Starts a run and waits until current flows and has been read."""
        await_that(30, "the stand is idle", lambda: self.phase() == "idle")
        self.expect(0, "start", "short", "--battery", LABEL, "--stand", STAND)
        await_that(20, "the load is on", lambda: self.load_is("on"), 0.02)
        await_that(10, "current is read", lambda: self.reading("current_A") < -5)

    def reading(self, key):
        value = (self.stand() or {}).get("reading", {}).get(key)
        return 0.0 if value is None else value

    def strike(self, act, seconds=15):
        """Does it, and returns the milliseconds from then to the first off line
        that the load heard; None when it heard none."""
        before = self.log("off")
        begun_ns = now_ns()
        act()
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if self.log("off") != before:
                return (self.log("last_off_real_ns") - begun_ns) / 1e6
            time.sleep(0.003)
        return None

    def ended(self, seconds=120):
        """Waits for the end of the run and returns it as recorded."""
        def over():
            run = self.run()
            return run if run and run["outcome"] != "running" else None
        return await_that(seconds, "the run has ended", over, 0.1)

    def must_be_tripped(self, reasons):
        run = self.ended()
        must(run["outcome"] == "tripped", f"the run ended as {run['outcome']}, not tripped")
        reason = run["trip"]["reason"]
        must(reason in reasons, f"tripped as {reason}, not {' or '.join(reasons)}: "
                                f"{run['trip']['sentence']}")
        return run["trip"]

    def must_be_told(self, reasons, seconds=30):
        """As above, by what the stand says: the database may not take it just now."""
        trip = await_that(seconds, "a trip is told", lambda: (self.stand() or {}).get("trip"))
        must(trip["reason"] in reasons, f"tripped as {trip['reason']}: {trip['sentence']}")
        return trip

    def must_be_latched(self):
        must(self.stand()["trip"] is not None, "no trip is latched")
        self.must_not_start_again()

    def must_not_start_again(self):
        ons = self.log("on")
        self.expect(3, "start", "short", "--battery", LABEL, "--stand", STAND)
        time.sleep(1)
        must(self.log("on") == ons, "it was switched on again")

    def expect_no_start(self, label=LABEL):
        """A start is refused and switches nothing on; returns what is said."""
        ons = self.log("on")
        status, text = self.cli("start", "short", "--battery", label, "--stand", STAND)
        must(status != 0, f"it started: {text}")
        must(self.log("on") == ons, "it was switched on")
        return text

    def run_elapsed_s(self):
        return self.stand()["run"]["elapsed_s"]

    def must_be_off(self, seconds=15):
        await_that(seconds, "the load is off", lambda: self.load_is("off"))

    def must_work(self):
        """A run starts, stops when told to, and leaves all in order."""
        self.discharge()
        self.expect(0, "stop", STAND)
        self.must_be_off()
        self.must_be_sound()

    def clear(self):
        await_that(30, "a person can clear the latch",
                   lambda: self.cli("clear", STAND)[0] == 0, 0.3)
        await_that(10, "the stand is idle", lambda: self.phase() == "idle")
        must(self.load_is("off"), "the load is on after clearing")
