#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A row of batteries at one stand: it asks for each, refuses what cannot be the one, goes
# on after each run, stands still after a trip and a stop, and outlives a restart; and
# what the lot they belong to says in the end.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

sed 's/capacity: 129.5 Ah/capacity: 0.52 Ah/; s/soc: 100 %/soc: 100 %\n    protection: no/; s/resistance: 14 mOhm/resistance: 60 mOhm/' \
    "$AMPLEDGER_SOURCE/src/virtual/demo/virtual.yaml" >"$home/virtual.yaml"
mkdir "$home/profiles"
cat >"$home/profiles/lamps.yaml" <<'YAML'
profile: Capacity of the hand lamps
for: [lfp]
starts_full: yes
limits: {temperature: {min: 5 degC, max: 45 degC}, temperature_required: yes}
steps:
  - rest: {for: 10 s}
  - discharge: {name: capacity, current: 2 A, until: {voltage: 2.5 V/cell}}
acceptance: {step: capacity, capacity: 100 %}
YAML
# For runs that are stopped: however busy the machine is, they are not over before.
sed 's/^profile: .*/profile: Capacity after a long rest/; s/for: 10 s/for: 24 h/' "$home/profiles/lamps.yaml" >"$home/profiles/rested.yaml"
start_virtual 1000
write_bench
sed -i "s|^profiles:.*|profiles: \"$home/profiles\"|" "$home/bench.yaml"
cat >"$home/tell" <<'SH'
#!/bin/sh
echo "$AMPLEDGER_STAND $AMPLEDGER_BATTERY $AMPLEDGER_REASON" >>"$(dirname "$0")/told"
SH
chmod +x "$home/tell"
echo "events: {command: [\"$home/tell\"], on: [hold]}" >>"$home/bench.yaml"
start_daemon
await 20 phase_is idle
for lamp in 1 2 3 4; do
    expect 0 ampledger battery add "lamp-$lamp" --chemistry lfp --cells 4 --rated 0.5Ah --lot lamps
done

asks_for() {
    ampledger stands --json >"$home/stands.json" &&
        [ "$(json "$home/stands.json" "d['stands'][0]['next']['say'] and d['stands'][0]['next']['battery']")" = "$1" ]
}

# run_is N OUTCOME
run_is() {
    [ "$(sqlite3 "$home/ampledger.db" "select outcome from run where nr = $1")" = "$2" ]
}

# change_to SOC: another one is put in; while the leads are open the stand looks often
change_to() {
    control leads launch-a open >/dev/null
    await 10 reads_nothing
    fresh launch-a "$1"
    control leads launch-a connected >/dev/null
}

reads_nothing() {
    ampledger stands --json >"$home/stands.json" &&
        [ "$(json "$home/stands.json" "d['stands'][0]['reading']['voltage_V'] < 1")" = True ]
}

# --- arranged ---
expect 0 ampledger queue jetty
says 'nothing waits at jetty'
expect 3 ampledger confirm jetty
says 'nothing waits for a confirmation'
expect 2 ampledger queue jetty add lamps
expect 2 ampledger queue jetty ad lamps lamp-1
says 'did you mean "add"?'
expect 2 ampledger queue jetty add lamps lamp-9
says 'no battery with the label "lamp-9"'
expect 2 ampledger queue jetty add lmaps lamp-1
expect 2 ampledger queue quay add lamps lamp-1
expect 0 ampledger queue jetty add lamps --lot lamps
expect 3 ampledger queue jetty add lamps lamp-4
says 'lamp-4 waits at jetty for "lamps" already'
expect 2 ampledger queue jetty drop 9
says 'nothing waits at jetty in place 9; 4 wait in all'
expect 0 ampledger queue jetty move lamp-4 1
expect 0 ampledger queue jetty move 1 4
expect 0 ampledger queue jetty --json
[ "$(json "$home/out" "[p['battery'] for p in d['waiting']]")" = "['lamp-1', 'lamp-2', 'lamp-3', 'lamp-4']" ] ||
    fail "the order"

told() {
    grep -q "^jetty $1 next-battery$" "$home/told"
}

# --- asked for, and what is refused ---
await 10 asks_for lamp-1
expect 0 ampledger stands
says 'connect lamp-1 at jetty (lamps), then'
says '4 wait in all'
control leads launch-a open >/dev/null
expect 3 ampledger confirm jetty
says 'no battery is connected'
control leads launch-a swapped >/dev/null
expect 3 ampledger confirm jetty --anyway
says 'the battery is connected the wrong way round'
control leads launch-a connected >/dev/null
control cells launch-a 8 >/dev/null
expect 3 ampledger confirm jetty --anyway
says 'that is 8 cells of lfp'
says 'the label of "lamp-1" says 4'
control cells launch-a 4 >/dev/null
control soc launch-a 0.02 >/dev/null
expect 3 ampledger confirm jetty
says 'it hardly is full; if it is right: ampledger confirm jetty --anyway'
await 20 told lamp-1
output_is off
[ "$(sqlite3 "$home/ampledger.db" 'select count(*) from run')" = 0 ] || fail "something began"

# --- one after the other ---
fresh launch-a 1
expect 0 ampledger confirm jetty
says 'lamps on lamp-1 has begun'
expect 0 ampledger watch jetty
says PASS
says 'lamp-2'
await 10 asks_for lamp-2
expect 3 ampledger confirm jetty
says 'it looks as if lamp-1 were still connected and lamp-2 were not'

# A trip: the stand is latched, and the row waits for whoever clears it.
change_to 1
expect 0 ampledger confirm jetty
control heat launch-a 70 >/dev/null
await 20 phase_is latched
expect 3 ampledger confirm jetty
says 'a trip is latched'
if asks_for lamp-3; then fail "asked while latched"; fi
control heat launch-a 22 >/dev/null
control heat launch-a off >/dev/null
expect 0 ampledger clear jetty
await 10 asks_for lamp-3
run_is 2 tripped || fail "not tripped"

# A restart in the midst: it asks again, and nothing begins by itself.
stop_daemon
start_daemon
await 20 asks_for lamp-3
[ "$(grep -c 'hold: connect lamp-3' "$home/daemon.log")" = 2 ] || fail "it does not ask again"
[ "$(sqlite3 "$home/ampledger.db" 'select count(*) from run')" = 2 ] || fail "begun by itself"

# A label that is corrected is asked for as it is now.
expect 0 ampledger battery edit lamp-3 --label lamp-x
asks_for lamp-x || fail "the former label is asked for"
expect 0 ampledger battery edit lamp-x --label lamp-3

# One that has less than it should.
change_to 0.7
expect 0 ampledger confirm jetty
expect 1 ampledger watch jetty
says FAIL

# One that is stopped: the row stands still, and a person decides.
expect 0 ampledger queue jetty drop 1
expect 0 ampledger queue jetty add rested lamp-4
expect 0 ampledger queue jetty add lamps lamp-2
await 10 asks_for lamp-4
change_to 1
expect 0 ampledger confirm jetty
expect 0 ampledger stop jetty
await 10 asks_for lamp-2
expect 0 ampledger stands
says 'run 4 on lamp-4 was stopped'
expect 0 ampledger queue jetty drop lamp-2 --reason 'seen enough'
says 'dropped: seen enough'
says 'nothing waits at jetty'
says 'run 2, tripped'

# --- the lot ---
expect 1 ampledger lot lamps
says '4 batteries: 1 pass, 1 fail, 0 undecided, 2 untested'
cat "$home/out"
expect 0 ampledger lot
expect 2 ampledger lot lmaps
says 'did you mean "lamps"?'

# A record that is corrected changes no run of before.
expect 0 ampledger battery edit lamp-1 --rated 5Ah --cells 8 --lot none
says 'lfp, 8 cells, 5 Ah'
expect 0 ampledger recompute 1
expect 0 ampledger show 1 --json
[ "$(json "$home/out" "d['battery_record']['rated_Ah'], d['battery_record']['cells']")" = "(0.5, 4)" ] ||
    fail "the record of the run"
expect 1 ampledger lot lamps
says '3 batteries: 0 pass, 1 fail'

# Straight into the next test: whoever begins it, by the row or by hand, is told what the ledger
# knows, and so is whoever reads the record of that run.
not_full='lamp-3 was last discharged in run 3, and no charge that filled it is on'
expect 0 ampledger queue jetty add rested lamp-3
change_to 1
expect 0 ampledger confirm jetty
says "$not_full"
says 'see it with: ampledger watch jetty'
expect 0 ampledger stop jetty
expect 0 ampledger start rested --battery lamp-3 --stand jetty
says "$not_full" # the run before was stopped in its rest
expect 0 ampledger show 5 --json
[ "$(json "$home/out" "'$not_full' in d['plan']['warnings'][-1]")" = True ] || fail "the plan of run 5"
expect 0 ampledger battery add lamp-9 --chemistry lfp --cells 4 --rated 0.5Ah
expect 0 ampledger stop jetty
await 20 phase_is idle
expect 0 ampledger report 5 -o "$home/run-5.html"
grep -q 'It may not have begun full' "$home/run-5.html" || fail "the report of run 5"
expect 0 ampledger start lamps --battery lamp-9 --stand jetty
grep -q 'last discharged' "$home/out" && fail "warned of a battery that was never tested"
stop_daemon
database_is_sound
