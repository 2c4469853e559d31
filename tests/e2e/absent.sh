#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# An instrument that is unplugged while the daemon, or another worker, starts: the stand says
# so and waits, and takes it up when it is plugged in, without anybody starting anything anew.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

stand_names_load() {
    ampledger stands >"$home/out" 2>"$home/err" && grep -q 'jetty load' "$home/out"
}

worker() {
    cat "/proc/$daemon/task/$daemon/children"
}

another_worker() {
    [ -n "$(worker)" ] && [ "$(worker)" != "$old" ] && ampledger stands
}

start_virtual 1000
expect 0 control fault load-1 unplug
start_daemon
await 20 stand_names_load
phase_is idle && fail "idle without its load"
add_launch
expect 2 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
says "is it plugged in"
expect 0 control replug load-1
await 20 phase_is idle

expect 0 control fault load-1 unplug
old=$(worker)
kill -KILL "$old"
await 20 another_worker
await 20 stand_names_load
expect 0 control replug load-1
await 20 phase_is idle
expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
stop_daemon
database_is_sound
