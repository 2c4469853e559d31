#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Charging on the virtual bench, whose supply overshoots by 1 %: how well voltage and
# taper are held, from the samples; what must not be charged and what ends a charge at
# once; then a discharge at constant power and at constant resistance, and a pulse whose
# resistance the model's own is known to make.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

mkdir "$home/profiles"
cat >"$home/profiles/fill.yaml" <<'PROFILE'
profile: A short fill
for: [lfp]
steps:
  - charge:
      name: fill
      current: 0.5 C
      voltage: 3.65 V/cell
      until: {current: 0.05 C}
      at_most: {time: 2 h, charge: 120 %}
  - rest: {name: settle, for: 10 s}
PROFILE
cat >"$home/profiles/loads.yaml" <<'PROFILE'
profile: Power, resistance and pulse
for: [lfp]
steps:
  - pulse:
      name: pulse
      currents: [{current: 0.2 C, for: 10 s}, {current: 1 C, for: 10 s}]
      until: {voltage: 2.5 V/cell}
      sample_every: 0.2 s
  - discharge: {name: power, power: 150 W, until: {voltage: 2.5 V/cell}, at_most: {time: 1 min}}
  - discharge: {name: resistance, resistance: 2 Ohm, until: {voltage: 2.5 V/cell}, at_most: {time: 1 min}}
PROFILE
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
start_place 5000 jetty launch-a --chemistry lfp --cells 4 --rated 20Ah

supply_is() {
    control output supply-1 | grep -q "^ok $1"
}
# trips REASON: the run that is on does, and the supply is off
trips() {
    await 30 phase_is latched
    [ "$(json "$home/stands.json" "d['stands'][0]['trip']['reason']")" = "$1" ] ||
        fail "$(json "$home/stands.json" "d['stands'][0]['trip']"), not $1"
    supply_is off || fail "the supply is on after a trip"
    expect 0 ampledger clear jetty
}
# charging BATTERY_SOC: the fill has begun and current flows
charging() {
    fresh launch-a "$1"
    await 20 phase_is idle
    expect 0 ampledger start fill --battery launch-a --stand jetty
    await 20 supply_is on
}
read_temperature_is() {
    ampledger stands --json >"$home/now.json" &&
        holds "abs($(json "$home/now.json" "d['stands'][0]['reading']['temperature_C']") - ($1)) < 0.5" 2>/dev/null
}
temperature_is() {
    (read_temperature_is "$1")
}

# Lithium in the frost.
fresh launch-a 0.5
expect 0 control heat launch-a -2
await 20 temperature_is -2
expect 2 ampledger start fill --battery launch-a --stand jetty
says "degC"
supply_is off || fail "the supply went on in the frost"
charging 0.3
expect 0 control heat launch-a -2
trips temperature-low

# A lead comes off while it charges: that is no taper.
charging 0.3
expect 0 control fault supply-1 open
trips opened-charging
expect 0 control clear-fault supply-1

# To its end.
fresh launch-a 0.9
run_at jetty launch-a fill "$home/fill.json" || fail "the fill ended with $run_status"
counter_is "$home/fill.json" 0.001 || fail "other than the battery's own counter"
[ "$(json "$home/fill.json" "d['steps'][0]['ended_by']")" = "current tapered" ] || fail "end of the fill"

fresh launch-a 0.5
expect 0 control heat launch-a 25 # where the model's resistance is what its description says
run_at jetty launch-a loads "$home/loads.json" || fail "the loads ended with $run_status"
# of a few minutes, of which the last moments before off count as much as they last
counter_is "$home/loads.json" 0.005 || fail "other than the battery's own counter"
python3 - "$home/ampledger.db" "$home/loads.json" <<'PY'
import json, math, sqlite3, sys
db = sqlite3.connect(sys.argv[1])
nr, = db.execute("select max(run_nr) from step where name = 'fill'").fetchone()
def samples(run, step):
    return db.execute("select t_s, voltage_V, current_A from sample where run_nr = ? and step = ?"
                      " order by seq", (run, step)).fetchall()
fill = samples(nr, 0)
highest = max(v for t, v, i in fill)
held = [v for t, v, i in fill if i < 0.95 * 10][5:-1]
print("highest %.3f V, held %.3f to %.3f V, ended at %.3f A" % (highest, min(held), max(held), fill[-1][2]))
assert highest <= 14.6 * 1.01
assert all(abs(v / 14.6 - 1) < 0.002 for v in held[60:])
below = [k for k, s in enumerate(fill) if k > 5 and s[2] < 1.0]
assert 10 <= fill[-1][0] - fill[below[0]][0] <= 13, (fill[below[0]], fill[-1])
power = samples(nr + 1, 1)[3:]
watts = [-v * i for t, v, i in power]
assert all(abs(w / 150 - 1) < 0.005 for w in watts), (min(watts), max(watts))
resistance = samples(nr + 1, 2)[3:]
ohms = [-v / i for t, v, i in resistance]
assert all(abs(o / 2 - 1) < 0.005 for o in ohms), (min(ohms), max(ohms))
print("power %.2f to %.2f W, resistance %.4f to %.4f Ohm" % (min(watts), max(watts), min(ohms), max(ohms)))
# The model: 40 mOhm, and pairs of half and 0.6 of that with 20 s and 900 s. From 4 A to 20 A,
# each held for 10 s, the pairs go on with the first current while the second flows.
known = 40.0
for part, tau in ((20.0, 20.0), (24.0, 900.0)):
    known += part * (1 - math.exp(-10 / tau)) + 4.0 / 16.0 * part * (math.exp(-10 / tau) - math.exp(-20 / tau))
pulse = [s for s in json.load(open(sys.argv[2]))["steps"] if s["name"] == "pulse"][0]
print("resistance %.2f mOhm, known %.2f" % (pulse["resistance_mOhm"], known))
assert abs(pulse["resistance_mOhm"] / known - 1) < 0.01
PY
stop_yard
database_is_sound
