#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# What the service manager hears: ready, what goes on, signs of life at half the
# watchdog's time from the process it started, and that we are stopping. A worker
# that hangs with an output on costs the signs of life, but only until it is ended.
# The watchdog's time is long beside what a busy machine keeps a process waiting.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

python3 - "$home/notify" "$home/heard" <<'PY' &
import socket, struct, sys, time
s = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
s.setsockopt(socket.SOL_SOCKET, socket.SO_PASSCRED, 1)
s.bind(sys.argv[1])
with open(sys.argv[2], "a", buffering=1) as out:
    while True:
        data, extra, _, _ = s.recvmsg(4096, socket.CMSG_SPACE(12))
        pid = struct.unpack("3i", extra[0][2])[0]
        for line in data.decode().split("\n"):
            out.write("%.3f %d %s\n" % (time.monotonic(), pid, line))
PY
manager=$!
virtual=$manager # is stopped with the others
await 10 test -S "$home/notify"
NOTIFY_SOCKET=$home/notify
export NOTIFY_SOCKET

heard() {
    grep -q "$1" "$home/heard"
}

signs() {
    grep -c 'WATCHDOG=1$' "$home/heard"
}

signs_are() {
    [ "$(signs)" -ge "$1" ]
}

start_virtual 300
virtual="$virtual $manager"
WATCHDOG_USEC=3000000
WATCHDOG_PID=1
export WATCHDOG_USEC WATCHDOG_PID
start_daemon
await 20 phase_is idle
sleep 2
heard 'READY=1$' || fail "not ready"
heard 'STATUS=Lakeside boat-hire yard, workshop: 1 stand, nothing running$' || fail "no status"
! heard WATCHDOG=1 || fail "a sign of life that was meant for another process"
stop_daemon
heard 'STOPPING=1$' || fail "not stopping"

: >"$home/heard"
unset WATCHDOG_PID
start_daemon
await 20 phase_is idle
add_launch
expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
await 20 output_is on
await 30 signs_are 6
heard 'STATUS=jetty: start: .*(launch-a)$' || fail "the start is not told"
# every one from the process that was started, none later than the watchdog's time
python3 - "$home/heard" "$daemon" <<'PY'
import sys
lines = [l.split(" ", 2) for l in open(sys.argv[1]) if l.endswith("WATCHDOG=1\n")]
gaps = [float(b[0]) - float(a[0]) for a, b in zip(lines, lines[1:])]
assert all(l[1] == sys.argv[2] for l in lines), lines
print("signs of life: %d, longest gap %.3f s of 3.000 s" % (len(lines), max(gaps)))
assert 1.2 < sum(gaps) / len(gaps) < 2, gaps
assert max(gaps) < 3, max(gaps)
PY

worker=$(pgrep -P "$daemon" | head -n 1)
kill -STOP "$worker"
await 10 output_is off
await 5 heard 'STATUS=the worker died; outputs were switched off$'
await 20 phase_is idle
[ "$(grep -c 'READY=1$' "$home/heard")" = 2 ] || fail "the next worker is not told ready"
await 20 signs_are "$(($(signs) + 3))"
stop_daemon
after=$(signs)
sleep 2
[ "$(signs)" = "$after" ] || fail "signs of life after the end"
database_is_sound
