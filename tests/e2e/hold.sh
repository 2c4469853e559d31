#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A run that waits for a person: it says what for, to whoever looks and to whoever is
# told, reminds, goes on when confirmed, and ends when nobody does. Stopped or killed
# while it holds, and while it charges, every output ends off; the run is not taken up.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

mkdir "$home/profiles"
# profile NAME AT_MOST REMIND
profile() {
    cat >"$home/profiles/$1.yaml" <<PROFILE
profile: A charge that waits for a person
for: [lfp]
on_interruption: {resume_within: 1 h}
steps:
  - rest: {name: look, for: 2 s}
  - hold: {name: connect, say: "put the cover on, then confirm", remind_every: $3, at_most: $2}
  - charge:
      name: fill
      current: 0.2 C
      voltage: 3.65 V/cell
      until: {current: 0.05 C}
      at_most: {time: 12 h}
PROFILE
}
profile patient 1000h 1min
profile short 2min 1h
sed '/fill/,$ { s/current: 0.2 C/current: 0.5 C/; s/until: .*/until: {charge: 1 %}/ }' \
    "$home/profiles/patient.yaml" >"$home/profiles/sip.yaml"
cat >"$home/tell" <<'SH'
#!/bin/sh
[ "$AMPLEDGER_EVENT" != hold ] || echo "$AMPLEDGER_STAND: $AMPLEDGER_TEXT" >>"$(dirname "$0")/told"
SH
chmod +x "$home/tell"
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
echo 'events: {command: ["./tell"], on: [hold]}' >>"$home/bench.yaml"

at_hold() {
    ampledger stands --json >"$home/now.json" &&
        [ "$(json "$home/now.json" "(d['stands'][0]['run'] or {}).get('hold') is not None")" = True ]
}
outputs_are_off() {
    control output load-1 | grep -q '^ok off' && control output supply-1 | grep -q '^ok off'
}
supply_is() {
    control output supply-1 | grep -q "^ok $1"
}
last_run() {
    sqlite3 "$home/ampledger.db" "select $1 from run order by nr desc limit 1"
}
begin() {
    await 20 phase_is idle
    expect 0 ampledger start "$1" --battery launch-a --stand jetty
    await 20 at_hold
}
strike_worker() {
    worker=$(pgrep -P "$daemon" | head -n 1)
    kill -9 "$worker"
    await 10 outputs_are_off
    await 20 phase_is idle
    [ "$(last_run outcome)" = interrupted ] || fail "killed: $(last_run outcome)"
    grep -q "the interrupted run $(last_run nr) is not resumed" "$home/daemon.log" || fail "it was taken up again"
}

start_place 500 jetty launch-a --chemistry lfp --cells 4 --rated 20Ah
fresh launch-a 0.4

# It asks, reminds, and goes on.
expect 3 ampledger confirm jetty
says "nothing waits for a confirmation"
begin sip
[ "$(json "$home/now.json" "d['stands'][0]['run']['hold']['say']")" = "put the cover on, then confirm" ] || fail "hold"
expect 0 ampledger stands
says "WAITS for you since"
says "ampledger confirm jetty"
reminded() {
    grep -q 'jetty: still waits, for 1 min now: put the cover on' "$home/told"
}
await 20 reminded
grep -q '^jetty: put the cover on, then confirm' "$home/told" || fail "nobody was asked"
outputs_are_off || fail "an output is on while it holds"
expect 0 ampledger confirm jetty
says "confirmed; the run goes on"
await 30 phase_is idle
[ "$(last_run outcome)" = completed ] || fail "confirmed: $(last_run outcome)"
[ "$(sqlite3 "$home/ampledger.db" "select group_concat(end_reason) from step")" = \
    "duration over,confirmed by a person,charge limit reached" ] || fail "ends of the steps"
expect 3 ampledger confirm jetty

# Nobody comes.
await 20 phase_is idle
expect 3 ampledger start short --battery launch-a --stand jetty --wait --json
[ "$(json "$home/out" "d['outcome']")" = aborted ] || fail "not confirmed: outcome"
[ "$(sqlite3 "$home/ampledger.db" "select end_reason from step where run_nr = 2 and name = 'connect'")" = \
    "not confirmed in time" ] || fail "end of the hold"
outputs_are_off || fail "an output is on after the hold"

# Stopped, and the worker killed, while it holds.
begin patient
expect 0 ampledger stop jetty
outputs_are_off || fail "an output is on after stop"
[ "$(last_run outcome)" = stopped ] || fail "stopped: $(last_run outcome)"
begin patient
strike_worker

# The same while it charges.
begin patient
expect 0 ampledger confirm jetty
await 20 supply_is on
expect 0 ampledger stop jetty
outputs_are_off || fail "an output is on after stop while charging"
begin patient
expect 0 ampledger confirm jetty
await 20 supply_is on
strike_worker
grep -q 'keeper: the worker died: jetty supply switched off, and it says so' "$home/daemon.log" ||
    fail "the keeper did not switch the supply off"

stop_yard
database_is_sound
