#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Deaths in the middle of a run, measured: SIGTERM; the worker killed, crashed
# and stopped; the keeper killed; both killed. The output goes off, nothing that
# was recorded is lost, the run is marked, and nobody has to do anything.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

# A sanitizer's own handler would only write a report before dying.
export ASAN_OPTIONS="handle_segv=0${ASAN_OPTIONS:+:$ASAN_OPTIONS}"

# Sanitizers slow everything down; the figure is measured without them.
hang_margin=100
if ldd "$AMPLEDGER_BUILD/ampledgerd" | grep -q asan; then hang_margin=400; fi

begin_run() {
    await 30 phase_is idle
    expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
    await 20 output_is on
    sleep 0.7
}

last_outcome() {
    sqlite3 "$home/ampledger.db" 'select outcome from run order by nr desc limit 1'
}

samples() {
    sqlite3 "$home/ampledger.db" 'select count(*) from sample'
}

worker() {
    pgrep -P "$daemon" | head -n 1
}

# strike SIGNAL PID...: prints milliseconds from the signal to the last off line
# that the load heard after it (both on CLOCK_BOOTTIME)
strike() {
    python3 - "$home/vb/control" "$@" <<'PY'
import os, re, socket, sys, time
control, sig, pids = sys.argv[1], int(sys.argv[2]), [int(p) for p in sys.argv[3:]]
s = socket.socket(socket.AF_UNIX)
s.connect(control)
f = s.makefile("rw")
def off_ns():
    f.write("log load-1\n"); f.flush()
    return int(re.search(r"last_off_real_ns=(-?\d+)", f.readline()).group(1))
struck = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
for p in pids:
    os.kill(p, sig)
end = time.monotonic() + 10
while off_ns() < struck:
    if time.monotonic() > end:
        sys.exit("no off line came")
    time.sleep(0.002)
print((off_ns() - struck) / 1e6)
PY
}

start_virtual 300
start_daemon
add_launch 2>/dev/null

# Off does not wait for a disk to bring code back. CAP_IPC_LOCK is bit 14; a sanitizer's
# memory is not locked.
may_lock=$(python3 -c 'print([int(l.split()[1], 16) >> 14 & 1 for l in open("/proc/self/status") if l.startswith("CapEff")][0])')
if [ "${AMPLEDGER_SANITIZED:-0}" = 0 ] && [ "$may_lock" = 1 ]; then
    for pid in "$daemon" "$(worker)"; do
        holds "$(awk '/^VmLck/ { l = $2 } /^VmRSS/ { r = $2 } END { print l ">" r * 0.9 }' "/proc/$pid/status")"
    done
fi

begin_run
ms=$(strike 15 "$daemon")
echo "SIGTERM to off: $ms ms"
wait "$daemon" || fail "left with $?"
output_is off || fail "on after SIGTERM"
database_is_sound
[ "$(last_outcome)" = stopped ] || fail "not marked stopped"
start_daemon

for signal in 9 11; do
    begin_run
    before=$(samples)
    old=$(worker)
    ms=$(strike "$signal" "$old")
    echo "worker killed by signal $signal to off: $ms ms"
    holds "$ms < $hang_margin"
    await 10 output_is off
    await 20 phase_is idle # the keeper has started another worker
    [ "$(worker)" != "$old" ] || fail "no new worker"
    database_is_sound
    [ "$(last_outcome)" = interrupted ] || fail "not marked interrupted"
    holds "$(samples) >= $before"
    grep -q 'switched off, and it says so' "$home/daemon.log" || fail "the keeper does not tell"
done

begin_run
old=$(worker)
ms=$(strike 19 "$old")
echo "worker stopped (SIGSTOP) to off: $ms ms; trust time 3000 ms"
holds "$ms < 3000 + $hang_margin"
await 10 output_is off
await 20 phase_is idle
[ "$(last_outcome)" = interrupted ] || fail "not marked interrupted"

begin_run
ms=$(strike 19 "$daemon")
kill -CONT "$daemon"
echo "keeper stopped (SIGSTOP) to off: $ms ms; trust time 3000 ms"
holds "$ms < 3500 + $hang_margin"
await 10 output_is off
await 20 phase_is latched
[ "$(last_outcome)" = tripped ] || fail "not tripped without a keeper"
expect 0 ampledger clear jetty

begin_run
ms=$(strike 9 "$daemon")
echo "keeper killed to off: $ms ms"
holds "$ms < $hang_margin"
wait "$daemon" 2>/dev/null || true
await 10 output_is off
await 10 database_is_sound
await 10 test "$(last_outcome)" = stopped
start_daemon

begin_run
both="$(worker) $daemon"
# Stopped first, lest one acts on the death of the other.
# shellcheck disable=SC2086  # two words
kill -STOP $both
# shellcheck disable=SC2086
kill -9 $both
wait "$daemon" 2>/dev/null || true
database_is_sound
output_is on || fail "who switched it off?"
start_daemon
await 20 phase_is idle
output_is off || fail "on after the next start"
[ "$(last_outcome)" = interrupted ] || fail "not marked interrupted"

begin_run
expect 0 ampledger stop jetty
output_is off || fail "on after stop"
expect 3 ampledger stop jetty
says "nothing is running"
stop_daemon
database_is_sound
