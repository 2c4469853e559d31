#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The main job: a 12.5 h discharge at 10 A and 1 sample a second, from plan to
# verdict, against the virtual bench's own coulomb counter; then export against
# the database, sample by sample.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

start_virtual "${SPEED:-100000}"
start_daemon
await 20 phase_is idle
add_launch
expect 0 ampledger plan overnight-capacity-lfp --battery launch-a --stand jetty
says "12.5 h" # common practice: hours = Ah / A, 125 Ah at 10 A
expect 0 control reset-counter launch-a
expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty --wait
output_is off || fail "the load is still on"

expect 0 ampledger show last --json
cp "$home/out" "$home/show.json"
control counter launch-a >"$home/counter"
ours=$(json "$home/show.json" "d['capacity_Ah']")
theirs=$(sed 's/.*discharged_Ah=\([0-9.]*\).*/\1/' "$home/counter")
echo "delivered $ours Ah by us, $theirs Ah by the virtual bench's own counter"
holds "abs($ours / $theirs - 1) < 0.0005"
holds "$(json "$home/show.json" "d['capacity_uncertainty_Ah']") > abs($ours - $theirs)"
[ "$(json "$home/show.json" "d['verdict']")" = pass ] || fail "verdict"
[ "$(json "$home/show.json" "d['trip']")" = None ] || fail "trip"
holds "$(json "$home/show.json" "d['samples']") > 45000"
expect 0 ampledger show last
says "PASS"

# The result comes out again, and a stored one that says something else is noticed.
expect 0 ampledger recompute last
says "the very result that was stored"
sqlite3 "$home/ampledger.db" ".timeout 5000" "update run set result_json = \
replace(result_json, '\"verdict\":\"pass\"', '\"verdict\":\"fail\"')"
expect 1 ampledger recompute last
says "do not give the result"

# Export and database, sample by sample.
expect 0 ampledger export last -o "$home/run.csv"
python3 - "$home/run.csv" "$home/ampledger.db" <<'PY'
import csv, sqlite3, sys
exported = list(csv.DictReader(open(sys.argv[1], newline="")))
stored = list(sqlite3.connect(sys.argv[2]).execute(
    "select t_s, voltage_V, current_A, temperature_C from sample order by run_nr, seq"))
assert len(exported) == len(stored) > 45000, (len(exported), len(stored))
for n, (e, s) in enumerate(zip(exported, stored)):
    got = tuple(float(e[k]) for k in ("t_s", "voltage_V", "current_A", "temperature_C"))
    assert got == s, (n, got, s)
print(len(exported), "samples agree, bit by bit")
PY
# The exported log, analysed without a daemon, gives the same delivered capacity.
expect 0 ampledger analyse "$home/run.csv" --cutoff 10V --rated 125Ah --json
holds "abs($(json "$home/out" "d['capacity_Ah']") / $ours - 1) < 1e-4"

stop_daemon
database_is_sound
