#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# What leaves the house: reports of a run, a battery and a lot as valid HTML without script,
# on two pages of A4 and Letter; a sum over the samples that anyone can check with the CSV
# export; a spike of one sample in the picture.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

start_virtual "${SPEED:-20000}"
start_daemon
expect 0 ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah --lot spring
expect 0 ampledger battery add launch-b --chemistry lfp --cells 4 --rated 125Ah --lot spring
expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty --wait

# Straight into the next test: the plan says what the ledger knows of it.
expect 0 ampledger plan overnight-capacity-lfp --battery launch-a --json
says "last discharged in run 1, and no charge that filled it is on record since"
expect 0 ampledger plan overnight-capacity-lfp --battery launch-b --json
grep -q "last discharged" "$home/out" && fail "a battery that was never tested is warned of"

expect 0 ampledger report last -o "$home/run.html"
expect 0 ampledger report --battery launch-a -o "$home/battery.html"
expect 0 ampledger report --lot spring -o "$home/lot.html"
expect 2 ampledger report --lot spring --battery launch-a -o "$home/x.html"
expect 2 ampledger report last --paper letter -o "$home/x.html"
expect 2 ampledger report last --pdf --paper a9 -o "$home/x.pdf"
expect 2 ampledger report --lot sprin -o "$home/x.html"
says "spring"
for page in run battery lot; do
    grep -qiE '<script|src=|href=|url\(|@import|https?:' "$home/$page.html" && fail "$page.html needs something else"
    if command -v tidy >/dev/null; then
        tidy -q -e "$home/$page.html" || fail "$page.html is not valid"
    fi
done
grep -q launch-b "$home/lot.html" || fail "a battery is missing from the lot"

# The sum over the samples is that of the export, by coreutils alone.
expect 0 ampledger export last -o "$home/run.csv"
sum=$(sha256sum "$home/run.csv" | cut -d ' ' -f 1)
grep -q "$sum" "$home/run.html" || fail "the report has another sum than the export"

# Into a pipe, or a device: it is still one afterwards.
mkfifo "$home/pipe"
cat "$home/pipe" >"$home/piped.csv" &
expect 0 ampledger export last -o "$home/pipe"
wait $!
[ -p "$home/pipe" ] || fail "a file has taken the place of the pipe"
cmp "$home/piped.csv" "$home/run.csv" || fail "another export came out of the pipe"
ampledger recompute last --json >"$home/recomputed.json"
[ "$(json "$home/recomputed.json" "d['samples_sha256']")" = "$sum" ] || fail "recompute has another sum"
expect 0 ampledger recompute last --samples-sha256 "$sum"
says "the very samples"
expect 1 ampledger recompute last --samples-sha256 "$(echo | sha256sum | cut -d ' ' -f 1)"
says "not the samples"
expect 2 ampledger recompute last --samples-sha256 abc
# A line of it that is changed makes another sum.
sed '1000s/1/2/' "$home/run.csv" | sha256sum | grep -q "$sum" && fail "a changed line has the same sum"
# RFC 4180, as another program reads it: CRLF, a header, as many fields in each line.
python3 - "$home/run.csv" <<'PY'
import csv, sys
raw = open(sys.argv[1], "rb").read()
assert raw.endswith(b"\r\n") and raw.count(b"\n") == raw.count(b"\r\n") == raw.count(b"\r")
rows = list(csv.reader(raw.decode("ascii").splitlines(), strict=True))
assert rows[0] == ["t_s", "voltage_V", "current_A", "temperature_C", "utc", "step"]
assert len(rows) > 40000 and all(len(r) == 6 for r in rows), len(rows)
PY

# All of it as one document, with the very numbers.
expect 0 ampledger export last --whole -o "$home/run.json"
python3 - "$home/run.json" "$home/run.csv" <<'PY'
import csv, json, sys
d = json.load(open(sys.argv[1]))
rows = list(csv.DictReader(open(sys.argv[2], newline="")))
assert d["run"]["verdict"] == "pass" and d["run"]["samples"] == len(d["rows"]) == len(rows)
for got, row in zip(d["rows"], rows):
    for key, value in zip(d["columns"], got):
        assert (row[key] == "") if value is None else float(row[key]) == value, (key, value, row)
PY

# Printed. Without a browser it says what to do.
mkdir "$home/bin"
ln -s "$AMPLEDGER_BUILD/ampledger" "$home/bin/ampledger"
got=0
PATH=$home/bin "$home/bin/ampledger" report last --pdf -o "$home/none.pdf" 2>"$home/err" || got=$?
[ "$got" = 3 ] || fail "without a browser the status was $got"
grep -q "needs an installed Chromium" "$home/err" || fail "without a browser it does not say so"
[ ! -e "$home/none.pdf" ] || fail "without a browser there is a file"
if ! command -v chromium >/dev/null || ! command -v pdfinfo >/dev/null; then
    echo "printing was not tried: no chromium, or no pdfinfo"
    exit 0
fi
for paper in A4 letter; do
    expect 0 ampledger report last --pdf --paper "$paper" -o "$home/run-$paper.pdf"
    pdfinfo "$home/run-$paper.pdf" >"$home/info"
    pages=$(sed -n 's/^Pages: *//p' "$home/info")
    echo "$paper: $pages pages, $(sed -n 's/^Page size: *//p' "$home/info")"
    [ "$pages" -le 2 ] || fail "$pages pages of $paper"
    grep -qi "($paper)" "$home/info" || fail "the paper is not $paper"
done
# A browser that hangs or fails leaves nothing behind.
printf '#!/bin/sh\nexit 0\n' >"$home/bin/chromium"
chmod +x "$home/bin/chromium"
expect 3 env AMPLEDGER_CHROMIUM="$home/bin/chromium" ampledger report last --pdf -o "$home/none.pdf"
says "printed nothing"
[ ! -e "$home/none.pdf" ] || fail "a browser that printed nothing left a file"
[ "$(find "${TMPDIR:-/tmp}" -maxdepth 1 -name 'ampledger-print.*' -newer "$home/run.csv" | wc -l)" = 0 ] ||
    fail "a browser's folder was left behind"
