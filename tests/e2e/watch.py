#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`ampledger watch` on a terminal: draws, follows the window's size, and leaves the terminal
as it found it, whatever ends it; see watch.sh.

  watch.py ARGUMENT...      of ampledger watch"""

import fcntl
import os
import pty
import re
import select
import signal
import struct
import sys
import termios
import time

ENTER, LEAVE = b"\x1b[?1049h\x1b[?25l\x1b[?7l", b"\x1b[?7h\x1b[?25h\x1b[?1049l"


class Watch:
    def __init__(self, term="xterm", locale="C.UTF-8"):
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.environ.update(TERM=term, LC_ALL=locale)
            os.execvp("ampledger", ["ampledger", "watch", *sys.argv[1:]])
        self.out = b""
        self.size(24, 80)

    def size(self, rows, columns):
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def until(self, wanted, seconds=10):
        """Reads on until `wanted` stands in what came since now."""
        begin, end = len(self.out), time.monotonic() + seconds
        while not re.search(wanted, self.out[begin:], re.DOTALL):
            assert time.monotonic() < end, (wanted, self.out[-600:])
            self.read(0.1)
        return self.out[begin:]

    def read(self, seconds):
        if select.select([self.fd], [], [], seconds)[0]:
            try:
                data = os.read(self.fd, 65536)
            except OSError:
                data = b""
            self.out += data
            return bool(data)
        return True

    def end(self):
        while self.read(5):
            pass
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


def frame(out):
    """The last whole picture, as lines."""
    frames = out.split(b"\x1b[H")
    whole = [f for f in frames if f.endswith(b"\x1b[J")] or [frames[-2]]
    return [re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"", l).decode() for l in whole[-1].split(b"\r\n")]


def check_ended_by(number, send):
    w = Watch()
    w.until(re.escape(ENTER))
    w.until(rb"jetty[^\n]*\r\n")
    send(w)
    status = w.end()
    assert status == 130, (number, status)
    assert w.out.count(ENTER) == w.out.count(LEAVE) == 1, number
    after = w.out.split(LEAVE)[1]
    assert b"ampledger watch jetty" in after and b"ampledger stop jetty" in after, after
    print(f"{number}: left with {status}, the terminal as before")


def main():
    w = Watch()
    w.until(re.escape(ENTER))
    w.until(rb"Ctrl-C leaves")
    for rows, columns in ((24, 80), (50, 132), (9, 40), (3, 20), (24, 80)):
        w.size(rows, columns)
        w.until(rb"(\x1b\[J.*){3}", 10)
        time.sleep(0.1)
        w.read(0.5)
        lines = frame(w.out)
        assert len(lines) <= rows, (rows, len(lines))
        assert all(len(l) <= columns for l in lines), (columns, lines)
        print(f"{rows} x {columns}: {len(lines)} lines, widest {max(map(len, lines))}")
        if rows == 50:
            text = "\n".join(lines)
            assert "jetty" in text and "slipway" in text, text
            assert re.search(r"\[#*-*\]", text) and re.search("[\u2801-\u28ff]", text), text
    os.kill(w.pid, signal.SIGTSTP)  # as Ctrl-Z: the screen is left before it stops
    w.until(re.escape(LEAVE))
    os.waitpid(w.pid, os.WUNTRACED)
    os.kill(w.pid, signal.SIGCONT)
    w.until(re.escape(ENTER))
    os.write(w.fd, b"\x03")
    assert w.end() == 130
    assert w.out.count(ENTER) == w.out.count(LEAVE) == 2
    check_ended_by("Ctrl-C", lambda w: os.write(w.fd, b"\x03"))
    check_ended_by("SIGTERM", lambda w: os.kill(w.pid, signal.SIGTERM))
    plain = Watch(locale="C")
    plain.until(rb"\*\*")
    plain.read(1)
    assert all(ord(c) < 128 for c in "".join(frame(plain.out))), frame(plain.out)
    os.kill(plain.pid, signal.SIGTERM)
    plain.end()
    dumb = Watch(term="dumb")
    dumb.until(rb"jetty: step")
    os.kill(dumb.pid, signal.SIGTERM)
    dumb.end()
    assert b"\x1b" not in dumb.out
    print("a locale without UTF-8 gets ASCII, a terminal that cannot be drawn on gets lines")


if __name__ == "__main__":
    main()
