#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A commanded over-temperature during a run: output off within one sample plus
# one command, tripped, latched over a restart, cleared only by a person.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

start_virtual 1
start_daemon
await 20 phase_is idle
add_launch
sed 's/for: 10 min/for: 2 s/' "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" >"$home/quick.yaml"
cp "$home/quick.yaml" "$home/overheat.yaml"
sed -i "s|^profiles:.*|profiles: \"$home\"|" "$home/bench.yaml"
stop_daemon
start_daemon
await 20 phase_is idle

status=0
ampledger start overheat --battery launch-a --stand jetty --wait >"$home/wait.out" 2>&1 &
waiting=$!
await 20 output_is on
sleep 1.5
heated=$(date +%s.%N)
control heat launch-a 61 >/dev/null
await 5 output_is off
wait "$waiting" || status=$?
[ "$status" = 3 ] || { cat "$home/wait.out"; fail "start --wait ended with $status, not 3"; }
off=$(control log load-1)
echo "heated at $heated; the load says: $off"

expect 0 ampledger show last --json
[ "$(json "$home/out" "d['outcome']")" = tripped ] || fail "outcome"
[ "$(json "$home/out" "d['trip']['reason']")" = temperature-high ] || fail "reason"
holds "60 < $(json "$home/out" "d['trip']['value']") < 62"
holds "$(json "$home/out" "d['trip']['limit']") <= 60"
# Off within one sample (1 s) plus one command of the sample that crossed.
sqlite3 "$home/ampledger.db" "select t_s from sample where temperature_C > 60 order by seq" >"$home/hot"
[ "$(wc -l <"$home/hot")" = 1 ] || fail "more than one sample was taken hot with the output on"

# The current is off, and still it gets hotter: a second alarm, louder.
alarm_is_told() {
    [ "$(sqlite3 "$home/ampledger.db" "select count(*) from event where kind = 'alarm' and run_nr = 1")" = 1 ]
}
sleep 6 # five readings to compare with
alarm_is_told && fail "an alarm although it does not get hotter"
control heat launch-a 66 >/dev/null
await 20 alarm_is_told
grep -F "GOES ON HEATING" "$home/daemon.log" || fail "the log has no alarm"

expect 3 ampledger start overheat --battery launch-a --stand jetty
says "latched"
stop_daemon
start_daemon
await 20 phase_is latched
expect 3 ampledger start overheat --battery launch-a --stand jetty
output_is off || fail "on after restart"
control heat launch-a off >/dev/null
control ambient launch-a 22 >/dev/null
expect 0 ampledger clear jetty
await 10 phase_is idle
expect 3 ampledger clear jetty
stop_daemon
database_is_sound
