#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# SIGTERM in the middle of a run: output off, database sound, run marked
# stopped. SIGKILL: nothing recorded is lost, and at the next start the output is
# off first and the run is marked interrupted.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

begin_run() {
    expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
    await 20 output_is on
    sleep 1
}

start_virtual 300
start_daemon
await 20 phase_is idle
add_launch
begin_run
stop_daemon
output_is off || fail "on after SIGTERM"
database_is_sound
[ "$(sqlite3 "$home/ampledger.db" 'select outcome from run order by nr desc limit 1')" = stopped ] ||
    fail "not marked stopped"

start_daemon
await 20 phase_is idle
begin_run
kill -9 "$daemon"
wait "$daemon" 2>/dev/null || true
database_is_sound
start_daemon
await 20 phase_is idle
output_is off || fail "on after the next start"
[ "$(sqlite3 "$home/ampledger.db" 'select outcome from run order by nr desc limit 1')" = interrupted ] ||
    fail "not marked interrupted"
holds "$(sqlite3 "$home/ampledger.db" 'select count(*) from sample') > 100"

begin_run
expect 0 ampledger stop jetty
output_is off || fail "on after stop"
expect 3 ampledger stop jetty
says "nothing is running"
stop_daemon
database_is_sound
