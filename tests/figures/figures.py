# SPDX-License-Identifier: GPL-3.0-or-later
"""What the measuring commands share: the daemon and the virtual bench as child
processes, clients of their sockets, quantiles. Standard library only."""

import atexit
import http.client
import json
import math
import os
import pathlib
import re
import signal
import socket
import subprocess
import time

SOURCE = pathlib.Path(os.environ.get("AMPLEDGER_SOURCE", pathlib.Path(__file__).parents[2]))
BUILD = pathlib.Path(os.environ.get("AMPLEDGER_BUILD", SOURCE / "build"))


def boot_ns():
    """The clock in which the virtual bench logs what its instruments heard."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def quantile(values, p):
    """Smallest value that at least the share p of all values does not exceed."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(p * len(ordered)) - 1)] if ordered else math.nan


def await_true(seconds, what, condition):
    end = time.monotonic() + seconds
    while True:
        value = condition()
        if value:
            return value
        if time.monotonic() > end:
            raise TimeoutError(f"gave up waiting for {what} after {seconds} s")
        time.sleep(0.01)


CHILDREN = []


def start(command, **options):
    """A child process that does not outlive this one, if this one is told to end."""
    CHILDREN.append(subprocess.Popen([str(word) for word in command], **options))
    return CHILDREN[-1]


def end_children(*_):
    for child in CHILDREN:
        child.kill()
    if _:
        os._exit(130)


signal.signal(signal.SIGTERM, end_children)
signal.signal(signal.SIGINT, end_children)
atexit.register(end_children)


class UnixConnection(http.client.HTTPConnection):
    def __init__(self, path, timeout):
        super().__init__("localhost", timeout=timeout)
        self.path = path

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(self.timeout)
        end = time.monotonic() + self.timeout
        while True:
            try:
                return self.sock.connect(self.path)
            except BlockingIOError:  # more wait to be let in than the queue takes
                if time.monotonic() > end:
                    raise
                time.sleep(0.01)


class Refused(Exception):
    pass


class Api:
    """A client of ampledgerd. Its connection is kept, and made anew when it broke."""

    def __init__(self, path, timeout=60):
        self.path = str(path)
        self.timeout = timeout
        self.connection = None
        self.used = 0.0

    def __call__(self, method, address, **body):
        if self.connection is not None and time.monotonic() - self.used > 5:
            self.connection.close()  # the daemon hangs up what nobody uses
            self.connection = None
        if self.connection is None:
            self.connection = UnixConnection(self.path, self.timeout)
        self.used = time.monotonic()
        try:
            self.connection.request(method, address, json.dumps(body) if body else None)
            answer = self.connection.getresponse()
            text = answer.read()
        except (OSError, http.client.HTTPException):
            self.connection.close()
            self.connection = None
            raise
        if answer.status >= 400:
            raise Refused(json.loads(text)["detail"])
        return json.loads(text) if answer.headers["Content-Type"] == "application/json" else text

    def stands(self):
        return {s["name"]: s for s in self("GET", "/v1/stands")["stands"]}

    def phases(self):
        """None while nobody answers."""
        try:
            return {s["phase"] for s in self.stands().values()}
        except (OSError, http.client.HTTPException):
            return None


class Control:
    """A client of a virtual bench."""

    def __init__(self, path):
        self.socket = socket.socket(socket.AF_UNIX)
        for wait_s in [0.1] * 50 + [0]:
            try:
                self.socket.connect(str(path))
                break
            except ConnectionRefusedError:  # its socket is there a moment before it listens
                if not wait_s:
                    raise
                time.sleep(wait_s)
        self.lines = self.socket.makefile("rw")

    def __call__(self, command):
        self.lines.write(command + "\n")
        self.lines.flush()
        answer = self.lines.readline()
        if not answer.startswith("ok"):
            raise RuntimeError(f"virtual bench: {command}: {answer}")
        return answer

    def log(self, instrument):
        """What it heard: how many lines, offs, ons, and when (-1: never)."""
        words = re.findall(r"(\w+)=(-?\d+|never)", self(f"log {instrument}"))
        return {key: -1 if value == "never" else int(value) for key, value in words}

    def is_on(self, instrument):
        return self(f"output {instrument}").startswith("ok on")


class Daemon:
    """ampledgerd in its folder, which keeps bench.yaml, the database and the log."""

    def __init__(self, home, environment=None):
        self.home = home
        self.log = open(home / "daemon.log", "ab")
        self.process = start([BUILD / "ampledgerd", "--bench", home / "bench.yaml"],
                             stderr=self.log, env={**os.environ, **(environment or {})})
        self.api = Api(home / "ampledger.sock")
        await_true(20, "the daemon", lambda: self.api.phases() is not None)

    def worker(self):
        children = pathlib.Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        return int(children.read_text().split()[0])

    def stop(self):
        """Its exit status."""
        self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(70)
        finally:
            self.process.kill()
            self.log.close()
