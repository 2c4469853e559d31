#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# What is asked of a ledger after years: the trend of a battery that fades by a known law,
# sets matched from a lot, reports of a run and of a battery, and how long a battery runs its
# appliances. The records are made by law and imported, so what must come out is known.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

# write_logs: DAYS files of a year and a half, month by month, 20.4 Ah less 0.2 Ah each (with a
# scatter of 0.1 %), and one for each cell of a lot. Constant 2 A, 13 V to 10 V in a straight
# line, one rest row before; for the cells a step over a resistance of their own.
write_logs() {
    python3 - "$home/logs" <<'PY'
import sys
def write(name, ah, ohm):
    last = 1.01 * 3600 * ah / 2
    with open("%s/%s.csv" % (sys.argv[1], name), "w") as f:
        f.write("t_s,voltage_V,current_A,temperature_C\n0,%r,0,21\n0.5,%r,0,21\n" % (13 + 2 * ohm, 13 + 2 * ohm))
        for i in range(601):
            t = last * i / 600
            f.write("%r,%r,-2,21\n" % (1 + t, 13 - 3 * 2 * t / 3600 / ah))
for month in range(12):
    write("life-%02d" % month, (20.4 - 0.2 * month) * (1 + 0.001 * (-1) ** month), 0.010)
# Sorting puts neighbours together; the best sets are mixed: each pair adds up to 40 Ah.
for n, ah in enumerate((19.0, 21.0, 19.4, 20.6, 19.8, 20.2, 19.2, 20.8)):
    write("cell-%d" % (n + 1), ah, 0.010)
PY
}

import_log() { # BATTERY NAME UTC
    ampledger import "$home/logs/$2.csv" --battery "$1" --started "$3" --cutoff 10V --starts-full \
        --set-current 2A --voltage-accuracy "0.05 % + 5 mV" --current-accuracy "0.05 % + 2 mA" \
        --accept "90 %"
}

mkdir "$home/logs"
write_logs
start_virtual 1000
start_daemon

# --- trend ---
expect 0 ampledger battery add launch-a --chemistry lfp --cells 4 --rated 20Ah
expect 0 ampledger trend launch-a
says "0 comparable results"
for month in 00 01 02 03 04 05 06 07 08 09 10 11; do
    [ "$month" != 03 ] || {
        expect 0 ampledger trend launch-a
        says "not enough data"
    }
    day=$(python3 -c "import datetime as d; print((d.date(2024, 1, 1) + d.timedelta(30 * $((1$month - 100)))).isoformat())")
    got=0
    import_log launch-a "life-$month" "${day}T18:00:00Z" >"$home/out" 2>&1 || got=$?
    [ "$got" -le 1 ] || fail "import of month $month: $(cat "$home/out")"
done
expect 0 ampledger trend launch-a
says "80 % (16 Ah) of the rated capacity"
expect 0 ampledger trend launch-a --json
cp "$home/out" "$home/trend.json"
expect 0 ampledger trend launch-a --below 95% --json
cp "$home/out" "$home/trend95.json"
expect 2 ampledger trend launch-a --below 20Ah
says "--below"
python3 - "$home/trend.json" "$home/trend95.json" <<'PY'
import json, sys
at80, at95 = (json.load(open(p)) for p in sys.argv[1:3])
assert len(at80["points"]) == 12 and not at80["left_out"]
assert at80["limit_percent"] == 80 and at95["limit_percent"] == 95
assert abs(at80["limit_Ah"] - 16) < 1e-9 and abs(at95["limit_Ah"] - 19) < 1e-9
by_date = at80["capacity"]["by_date"]
assert by_date["enough"] and by_date["unit"].startswith("days"), by_date
print("by date: law %s, 80 %% at day %.1f (%.1f to %.1f), by the law it was made of 660" % (
    by_date["law"], by_date["crossing"], by_date["crossing_low"], by_date["crossing_high"]))
assert abs(by_date["crossing"] / 660 - 1) < 0.03
assert by_date["crossing_low"] < 660 < by_date["crossing_high"]
assert at80["first_below_limit"] is None
# 95 % is within the data: 20.4 - 0.2 n = 19 at n = 7, day 210.
near = at95["capacity"]["by_date"]
print("95 %% at day %.1f (%.1f to %.1f), by that law 210" % (near["crossing"], near["crossing_low"], near["crossing_high"]))
assert abs(near["crossing"] - 210) < 6
assert near["crossing_low"] < 210 < near["crossing_high"]
assert at95["first_below_limit"]["run"] in (8, 9), at95["first_below_limit"]
# Cycles are the charge taken out over 20 Ah: the same law along another axis.
cycles = at80["capacity"]["by_cycles"]
assert cycles["enough"] and 15 < cycles["crossing"] < 25, cycles["crossing"]
PY

# --- lot and match ---
for n in 1 2 3 4 5 6 7 8; do
    expect 0 ampledger battery add "cell-$n" --chemistry lfp --cells 4 --rated 20Ah --lot spring
    import_log "cell-$n" "cell-$n" 2025-03-01T18:00:00Z >"$home/out" 2>&1 || fail "$(cat "$home/out")"
done
expect 0 ampledger lot spring --json
holds "$(json "$home/out" "abs(d['statistics']['capacity_Ah']['mean'] - 20) < 0.01")"
holds "$(json "$home/out" "d['statistics']['capacity_Ah']['n'] == 8 and d['counts']['pass'] == 8")"
expect 0 ampledger match spring --series 2 --parallel 2 --json
cp "$home/out" "$home/match.json"
expect 0 ampledger match spring --series 2 --parallel 2 --json
cmp "$home/out" "$home/match.json" || fail "another match of the same lot"
python3 - "$home/match.json" <<'PY'
import json, sys
d = json.load(open(sys.argv[1]))
matched, sorting = d["matched"], d["by_sorting"]
print("2 x 2 from 8: spread %.3f %% instead of %.3f %% by sorting" % (
    matched["capacity_spread_percent"], sorting["capacity_spread_percent"]))
assert matched["capacity_spread_percent"] < 0.1 < 0.5 < sorting["capacity_spread_percent"]
used = [b["battery"] for s in d["sets"] for g in s["groups"] for b in g["batteries"]]
assert sorted(used) == ["cell-%d" % n for n in range(1, 9)], used
for s in d["sets"]:
    for g in s["groups"]:
        assert abs(g["capacity_Ah"] - 40) < 0.05, g
PY
expect 0 ampledger match spring --series 2 --parallel 2
says "sorting"
expect 3 ampledger match spring --series 9

# --- reports ---
expect 0 ampledger report last -o "$home/run.html"
expect 0 ampledger report --battery launch-a -o "$home/life.html"
python3 - "$home/run.html" "$home/life.html" <<'PY'
import re, sys
run, life = (open(p, encoding="utf-8").read() for p in sys.argv[1:3])
for page in (run, life):
    assert page.lower().startswith("<!doctype html>") and page.lower().rstrip().endswith("</html>")
    assert "<svg" in page and "<script" not in page
    assert not re.search(r'(src|href)="(?!#|data:)', page), "it needs another file"
assert "cell-8" in run and "20.8" in run and "pass" in run.lower()
assert "launch-a" in life and "80 %" in life
PY
expect 2 ampledger report 99 -o "$home/none.html"
[ ! -e "$home/none.html" ] || fail "a report of nothing"

# --- run times ---
# 20 Ah at 2 A from 13 V to 10 V: to 11.5 V half of it. A lamp of 1 A has the resistance's
# 10 mV more.
cat >"$home/evening.yaml" <<'YAML'
runtime: An evening on the lake
cutoff: 11.5 V
appliance_error: 0 %
appliances:
  - {name: bow lamp, current: 2 A}
YAML
expect 0 ampledger runtime "$home/evening.yaml" --battery cell-5 --json
cp "$home/out" "$home/by-battery.json"
expect 0 ampledger runtime "$home/evening.yaml" "$home/logs/cell-5.csv" --json
cp "$home/out" "$home/by-log.json"
# Of a battery the newest run that met its cut-off, not a newer one that was broken off.
number=$(ampledger runs --battery cell-5 --json | python3 -c 'import json,sys; print(json.load(sys.stdin)["runs"][0]["number"])')
expect 0 ampledger import "$home/logs/cell-5.csv" --battery cell-5 --started 2025-06-01T18:00:00Z \
    --cutoff 10V --starts-full --to 1h
expect 0 ampledger runtime "$home/evening.yaml" --battery cell-5
says "by run $number, "
# Below the smallest measured current no more charge is taken than was measured there.
python3 - "$home/logs" <<'PY'
import sys
for name, A, ah in (("slow", 2, 20), ("fast", 4, 16)):
    with open("%s/%s.csv" % (sys.argv[1], name), "w") as f:
        f.write("t_s,voltage_V,current_A\n0,13,0\n0.5,13,0\n")
        for i in range(601):
            t = 1.01 * 3600 * ah / A * i / 600
            f.write("%r,%r,%r\n" % (1 + t, 13 - 3 * A * t / 3600 / ah, -A))
PY
sed 's/11.5 V/10 V/; s/2 A/0.5 A/' "$home/evening.yaml" >"$home/little.yaml"
expect 0 ampledger runtime "$home/little.yaml" "$home/logs/slow.csv" "$home/logs/fast.csv" --json
python3 - "$home/out" <<'PY'
import json, sys
d = json.load(open(sys.argv[1]))
print("0.5 A of 20 Ah at 2 A: %.4g Ah, %.4g to %.4g h" % (d["charge_Ah"], d["hours"], d["hours_most"]))
assert d["charge_Ah"] < 20.3 and d["hours"] < 40.6 < d["hours_most"], d
assert any("outside the currents that were measured (2 to 4 A)" in n and "no more charge" in n
           for n in d["notes"]), d["notes"]
PY
sed "1a run: $number" "$home/evening.yaml" >"$home/by-run.yaml"
expect 0 ampledger runtime "$home/by-run.yaml" --json
cp "$home/out" "$home/by-run.json"
python3 - "$home/by-battery.json" "$home/by-run.json" "$home/by-log.json" <<'PY'
import json, sys
hours = [json.load(open(p))["hours"] for p in sys.argv[1:4]]
print("19.8 Ah at 2 A to 11.5 V: %.4f h, %.4f h, %.4f h; by hand 4.95 h" % tuple(hours))
assert all(abs(h / 4.95 - 1) < 0.002 for h in hours), hours
PY
expect 2 ampledger runtime "$home/evening.yaml" --battery nobody
stop_daemon
database_is_sound
