#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Older records join a battery's history: logs of five years become runs, marked as such,
# with the results that `analyse` gives; all or nothing; and the ledger can be copied while
# the daemon runs.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

# A log of a discharge in another manner: other names, mA, minutes, discharge positive.
# write_log FILE AMPERE_HOURS: constant 2 A from full to below 10 V, linear
write_log() {
    python3 - "$1" "$2" <<'PY'
import sys
ah = float(sys.argv[2])
with open(sys.argv[1], "w", newline="") as f:
    f.write('"Elapsed",U,"I, load",T\r\n0,13.2,0,21.5\r\n')
    n = 600
    last = 1.02 * 60 * ah / 2  # minutes; 10 V is met at ah
    for i in range(n + 1):
        t = last * i / n
        f.write("%r,%r,2000,21.5\r\n" % (0.5 + t, 13 - 3 * (2 * t / 60) / ah))
PY
}

import_log() { # FILE YEAR [OPTION]...
    file=$1
    year=$2
    shift 2
    ampledger import "$file" --battery lamp-7 --started "$year-03-01T18:00:00Z" \
        --time Elapsed:min --voltage U --current "I, load:mA" --temperature T \
        --discharge-positive --cutoff 2.5V/cell "$@"
}

mkdir "$home/logs"
start_virtual 1000
start_daemon
expect 0 ampledger battery add lamp-7 --chemistry lfp --cells 4 --rated 20Ah

# One record, held against `analyse` on the same rows.
write_log "$home/logs/lamp-2021.csv" 20
expect 0 import_log "$home/logs/lamp-2021.csv" 2021 --starts-full --accept "80 %" --json
cp "$home/out" "$home/first.json"
python3 - "$home/logs" <<'PY'
import csv, sys
rows = list(csv.DictReader(open(sys.argv[1] + "/lamp-2021.csv", newline="")))
with open(sys.argv[1] + "/plain.csv", "w") as f:
    f.write("t_s,voltage_V,current_A,temperature_C\n")
    for r in rows:
        f.write("%r,%s,%r,%s\n" % (60 * float(r["Elapsed"]), r["U"], -float(r["I, load"]) / 1000, r["T"]))
PY
ampledger analyse "$home/logs/plain.csv" --cutoff 10V --rated 20Ah --accept "80 %" --json >"$home/analysed.json"
python3 - "$home/first.json" "$home/analysed.json" "$home/logs/lamp-2021.csv" <<'PY'
import hashlib, json, sys
run, log = (json.load(open(p)) for p in sys.argv[1:3])
for key in ("capacity_Ah", "energy_Wh", "mean_voltage_V", "capacity_uncertainty_Ah", "percent_of_rated"):
    a, b = run[key], log[key]
    print("%-24s run %.12g, analyse %.12g" % (key, a, b))
    assert abs(a - b) <= 1e-9 * abs(b), key
assert abs(run["capacity_Ah"] / 20 - 1) < 0.002, run["capacity_Ah"]
assert run["verdict"] == log["verdict"] == "pass", run["verdict"]
assert run["outcome"] == "completed" and run["steps"][0]["ended_by"] == "cut-off reached"
assert run["imported"]["file"] == "lamp-2021.csv" and run["profile"] == "recorded elsewhere"
assert run["imported"]["sha256"] == hashlib.sha256(open(sys.argv[3], "rb").read()).hexdigest()
assert run["started_utc"] == "2021-03-01T18:00:00.000Z", run["started_utc"]
PY

# Its result comes out again from what is stored.
expect 0 ampledger recompute 1
says "the very result"

# The same rows are taken once; without what was to be reached there is no verdict.
expect 3 import_log "$home/logs/lamp-2021.csv" 2021 --starts-full
says "run 1 of that battery already"
for year in 2022 2023 2024 2025; do
    write_log "$home/logs/lamp-$year.csv" "$(python3 -c "print(20 - 0.5 * ($year - 2021))")"
    expect 0 import_log "$home/logs/lamp-$year.csv" "$year" --starts-full
    says "lamp-$year.csv"
done
# One of before them all: number 6, yet the oldest of its history.
write_log "$home/logs/lamp-2020.csv" 20.5
expect 0 import_log "$home/logs/lamp-2020.csv" 2020 --starts-full
ampledger runs --json >"$home/runs.json"
[ "$(json "$home/runs.json" "[r['started_utc'][:4] for r in d['runs']]")" = \
    "['2025', '2024', '2023', '2022', '2021', '2020']" ] || fail "not by the time they began"
[ "$(json "$home/runs.json" "[r['verdict'] for r in d['runs']]")" = \
    "[None, None, None, None, 'pass', None]" ] || fail "verdicts nobody asked for"
ampledger trend lamp-7 --json >"$home/trend.json"
python3 - "$home/trend.json" <<'PY'
import json, sys
d = json.load(open(sys.argv[1]))
got = [round(p["capacity_Ah"], 1) for p in d["points"]]
assert got == [20.5, 20.0, 19.5, 19.0, 18.5, 18.0], got
assert all(p["imported"] for p in d["points"]), d["points"][0]
law = d["capacity"]["by_date"]
assert law["enough"], law
print("trend:", law["law"], "crossing", law["crossing_utc"])
PY
expect 0 ampledger trend lamp-7
says "recorded elsewhere"
expect 0 ampledger show 6
says "lamp-2020.csv"
expect 0 ampledger report 6 -o "$home/report.html"
grep -q "lamp-2020.csv" "$home/report.html" || fail "the report does not say where it is from"

# A file that says itself when it was.
python3 - "$home/logs/lamp-2021.csv" "$home/logs/dated.csv" <<'PY'
import csv, datetime, sys
begin = datetime.datetime(2018, 3, 1, 18)
with open(sys.argv[2], "w") as f:
    f.write("Clock,U,I\n")
    for r in csv.DictReader(open(sys.argv[1], newline="")):
        at = begin + datetime.timedelta(minutes=float(r["Elapsed"]))
        f.write("%s,%s,%s\n" % (at.isoformat(" ", "milliseconds"), r["U"], r["I, load"]))
PY
dated() {
    ampledger import "$home/logs/dated.csv" --battery lamp-7 --time Clock:utc --voltage U --current I:mA \
        --discharge-positive --cutoff 10V --starts-full "$@"
}
expect 2 dated --started 2018-03-01T18:00:00Z
expect 0 dated --from 30s --json
python3 - "$home/out" <<'PY'
import json, sys
d = json.load(open(sys.argv[1]))
assert d["started_utc"] == "2018-03-01T18:00:30.000Z", d["started_utc"]
assert abs(d["capacity_Ah"] / 20 - 1) < 0.002, d["capacity_Ah"]
PY

# Bad records change nothing and are told with their line.
count() { sqlite3 "$home/ampledger.db" "select (select count(*) from run), (select count(*) from sample), (select count(*) from step), (select count(*) from import)"; }
before=$(count)
bad() { # LINE EDIT TEXT
    sed "$1$2" "$home/logs/lamp-2020.csv" >"$home/logs/bad.csv"
    expect 2 import_log "$home/logs/bad.csv" 2019 --starts-full
    says "$3"
}
bad 300 's/,2000,/,oops,/' "bad.csv:300: I, load is \"oops\""
bad 301 's/^[^,]*,/1,/' "bad.csv:301: time goes back"
bad 602 's/,[^,]*$//' "bad.csv:602: 3 fields, but the header names 4"
bad 1 's/U/Volt/' "no column \"U\""
sed '5s/2018/20x8/' "$home/logs/dated.csv" >"$home/logs/bad.csv"
expect 2 ampledger import "$home/logs/bad.csv" --battery lamp-7 --time Clock:utc --voltage U --current I:mA
says "bad.csv:5: Clock is"
expect 2 ampledger import "$home/logs/lamp-2020.csv" --battery lamp-7 --started 2019-03-01T18:00:00Z \
    --time Elapsed:min --voltage U --current "I, load:mA" --cutoff 10V
says "into the battery"
expect 2 import_log "$home/logs/lamp-2020.csv" 2019 --to 1s
expect 2 import_log "$home/logs/lamp-2020.csv" 2199
says "in the future"
ampledger battery add cell-1 --chemistry li-ion --cells 1 --rated 20Ah
expect 3 ampledger import "$home/logs/plain.csv" --battery cell-1 --started 2019-03-01T18:00:00Z
says "--anyway"
expect 2 import_log "$home/logs/lamp-2020.csv" 19
expect 2 ampledger import "$home/nowhere.csv" --battery lamp-7 --started 2019-03-01T18:00:00Z
expect 2 ampledger import "$home/logs/lamp-2020.csv" --battery lamp-6 --started 2019-03-01T18:00:00Z
[ "$(count)" = "$before" ] || fail "something stayed of a refused record: $(count)"

# Over the API by hand: pieces out of order, another file than was announced, unknown ids.
post() { # PATH BODY -> status on standard output, the answer in $home/answer
    curl -s -o "$home/answer" -w '%{http_code}' --unix-socket "$AMPLEDGER_SOCKET" \
        -H 'Content-Type: application/json' -d "$2" "http://localhost$1"
}
answer_is() {
    [ "$1" = "$2" ] || {
        cat "$home/answer"
        fail "status $1, not $2"
    }
}
answer_is "$(post /v1/batteries/lamp-7/imports '{"file": "x.csv", "started_utc": "2019-03-01T18:00:00Z"}')" 201
id=$(json "$home/answer" "d['import']")
answer_is "$(post "/v1/imports/$id/piece" '{"at": 3, "base64": "dF9z"}')" 409
answer_is "$(post "/v1/imports/$id/piece" '{"at": 0, "base64": "*"}')" 400
answer_is "$(post "/v1/imports/$id/piece" '{"at": 0, "base64": "dF9z"}')" 200
answer_is "$(post "/v1/imports/$id/piece" '{"at": 0, "base64": "dF9z"}')" 200
[ "$(json "$home/answer" "d['bytes']")" = 3 ] || fail "a piece that came twice was counted twice"
answer_is "$(post "/v1/imports/$id/finish" '{"sha256": "00"}')" 400
answer_is "$(post "/v1/imports/$id/finish" '{"sha256": "00"}')" 404
answer_is "$(post /v1/batteries/lamp-7/imports '{"file": "x.csv", "started_utc": "2019-03-01T18:00:00Z", "rule": "guard-share"}')" 400
answer_is "$(post /v1/batteries/lamp-7/imports '{"file": "x.csv", "started_utc": "2019-03-01T18:00:00Z", "cutof_V": 1}')" 400
[ "$(count)" = "$before" ] || fail "something stayed of a refused record: $(count)"
[ "$(find "$home" -name '*.import*' | wc -l)" = 0 ] || fail "a file was left behind"

# What is left of one that was cut off in the middle goes when the daemon starts.
stop_daemon
sqlite3 "$home/ampledger.db" "insert into run(id, battery_id, stand, profile, started_utc_ns, outcome, voltage_source, software_version) select 'f', id, '', 'x', 1, 'aborted', '', '' from battery limit 1; insert into import(run_nr, file, sha256, from_s, to_s, utc_ns, whole) select max(nr), 'half.csv', '0', null, null, 1, 0 from run; insert into step(run_nr, step, name, kind) select max(nr), 0, 'x', 'rest' from run; insert into sample_row(run_nr, seq, t_s, step, voltage_V, current_A) select max(nr), 0, 0, 0, 1, 1 from run"
start_daemon
is_as_before() { [ "$(count)" = "$before" ]; }
await 10 is_as_before
for table in sample sample_row sample_block; do
    sqlite3 "$home/ampledger.db" "delete from $table" 2>"$home/err" || true
done
[ "$(count)" = "$before" ] || fail "samples could be deleted"

# A copy while a run goes on: sound, whole, and no file is written over.
ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah
ampledger start overnight-capacity-lfp --battery launch-a --stand jetty >/dev/null
echo "a person's own" >"$home/ampledger.db.backup"
expect 0 ampledger backup "$home/copy.db"
says "copy.db: written"
[ "$(cat "$home/ampledger.db.backup")" = "a person's own" ] || fail "a file of a person's is gone"
[ "$(sqlite3 "$home/copy.db" 'pragma integrity_check')" = ok ] || fail "the copy is not sound"
[ "$(sqlite3 "$home/copy.db" 'select count(*) from run where nr <= 7')" = 7 ] || fail "runs are missing"
sum=$(sha256sum <"$home/copy.db")
expect 2 ampledger backup "$home/copy.db"
says "left as it is"
[ "$(sha256sum <"$home/copy.db")" = "$sum" ] || fail "the copy was written over"
expect 2 ampledger backup "$home/no/folder/copy.db"
[ "$(find "$home" -name '*.copying*' -o -name 'copy.db.*' | wc -l)" = 0 ] || fail "a file was left behind"
ampledger stop jetty >/dev/null
# The copy is a ledger: a daemon opens it and the results come out again.
stop_daemon
cp "$home/copy.db" "$home/ampledger.db"
rm -f "$home/ampledger.db-wal" "$home/ampledger.db-shm"
start_daemon
expect 0 ampledger recompute 6
says "the very result"
# A daemon that is told to leave does not wait for a long record; what there is of it goes
# when it is there again.
before=$(count)
python3 - "$home/logs/long.csv" <<'PY'
import sys
with open(sys.argv[1], "w") as f:
    f.write("t_s,voltage_V,current_A\n" + "".join("%d,13,-2\n" % i for i in range(400000)))
PY
ampledger import "$home/logs/long.csv" --battery lamp-7 --started 2017-03-01T18:00:00Z 2>"$home/err" &
importing=$!
await 60 sh -c "[ \"\$(sqlite3 '$home/ampledger.db' 'select count(*) from import where not whole')\" = 1 ]"
stop_daemon
wait "$importing" && fail "a record that was broken off was taken"
start_daemon
await 60 is_as_before
database_is_sound
