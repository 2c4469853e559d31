#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A battery that protects itself: its protection opens by itself near the
# bottom, before the cut-off of the profile. That is the end of the discharge and
# no trip, though the voltage stays away at rest.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

sed 's|soc: 100 %|soc: 8 %\n    protection: {under_voltage: 2.6 V/cell, rest: 1 h}|' \
    "$AMPLEDGER_SOURCE/src/virtual/demo/virtual.yaml" >"$home/virtual.yaml"
start_virtual 20000
start_daemon
await 20 phase_is idle
add_launch
expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
run_is_over() {
    ampledger show last --json >"$home/last.json" &&
        [ "$(json "$home/last.json" "d['outcome']")" != running ]
}
await 120 run_is_over
json "$home/last.json" "d['outcome'], d['trip'], [s.get('end_reason') for s in d['steps']]"
[ "$(json "$home/last.json" "d['outcome']")" = completed ] || fail "outcome"
[ "$(json "$home/last.json" "d['trip']")" = None ] || fail "a trip"
[ "$(sqlite3 "$home/ampledger.db" "select end_reason from step where run_nr = 1 and name = 'capacity'")" = "protection opened" ] || fail "end of the step"
[ "$(json "$home/last.json" "d['end_reason']")" = "protection opened" ] || fail "end of the discharge"
[ "$(sqlite3 "$home/ampledger.db" "select max(t_s) - min(t_s) > 290 and max(voltage_V) < 1 from sample where step = 2")" = 1 ] || fail "the rest after it"
output_is off || fail "the load is still on"
stop_daemon
database_is_sound
