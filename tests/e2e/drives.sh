#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# One run that draws a constant power, then through a constant resistance, then a
# constant current: the load holds each, and goes from one to the other by itself. What
# the run says against what was asked and what the model counted.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

start_virtual 500
write_bench
mkdir "$home/profiles"
cat >"$home/profiles/drives.yaml" <<'EOF'
profile: Three ways to draw
for: [lfp]
steps:
  - discharge: {name: by-power, power: 90 W, until: {voltage: 2.5 V/cell}, at_most: {time: 6 min}}
  - discharge: {name: by-resistance, resistance: 2 Ohm, until: {voltage: 2.5 V/cell}, at_most: {time: 6 min}}
  - discharge: {name: by-current, current: 10 A, until: {voltage: 2.5 V/cell}, at_most: {time: 6 min}}
EOF
sed -i "s|^profiles:.*|profiles: \"$home/profiles\"|" "$home/bench.yaml"
# The current is the load's rating, and its readings lie to both sides of that: no trip.
sed -i 's|link: "tty:vb/load-1"|&, ratings: {current: 10 A, voltage: 80 V, power: 400 W}|' "$home/bench.yaml"
start_daemon
await 20 phase_is idle
add_launch
control reset-counter launch-a >/dev/null
expect 0 ampledger plan drives --battery launch-a --stand jetty
says '10.2 A  load of stand jetty: rated 10'
expect 0 ampledger start drives --battery launch-a --stand jetty --wait
counted=$(control counter launch-a | sed 's/.*discharged_Ah=\([0-9.]*\).*/\1/')
expect 0 ampledger show last --json
cp "$home/out" "$home/run.json"
python3 - "$home/run.json" "$counted" <<'PY'
import json, sys
steps = {s["name"]: s for s in json.load(open(sys.argv[1]))["steps"]}
def near(what, got, wanted, share):
    print(f"{what}: {got:.4f}, {wanted:.4f} is due")
    assert abs(got / wanted - 1) < share, what
hours = {name: s["duration_s"] / 3600 for name, s in steps.items()}
near("by-power, Wh", steps["by-power"]["energy_Wh"], 90 * hours["by-power"], 0.005)
volts = steps["by-resistance"]["mean_voltage_V"]
near("by-resistance, Ah", steps["by-resistance"]["capacity_Ah"], volts / 2 * hours["by-resistance"], 0.005)
near("by-current, Ah", steps["by-current"]["capacity_Ah"], 10 * hours["by-current"], 0.005)
near("all, Ah", sum(s["capacity_Ah"] for s in steps.values()), float(sys.argv[2]), 0.005)
PY
holds "10 < $(sqlite3 "$home/ampledger.db" 'select max(-current_A) from sample')"
output_is off || fail "it is still on"
stop_daemon
