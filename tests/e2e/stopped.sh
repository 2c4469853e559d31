#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A run that a person stopped after it had delivered what is wanted: every list, page and
# paper says that it was stopped and that it was enough, and none of them that it passed.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

mkdir "$home/profiles"
cat >"$home/profiles/evening.yaml" <<'PROFILE'
profile: Evening check
for: [lfp]
starts_full: yes
limits: {temperature: {min: 5 degC, max: 45 degC}}
steps:
  - discharge: {name: capacity, current: 10 A, until: {voltage: 2.5 V/cell}}
acceptance: {step: capacity, capacity: 5 %}
PROFILE
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/bench.yaml" >"$home/bench.yaml"
start_virtual "${SPEED:-1000}"
start_daemon
expect 0 ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah --lot spring
expect 0 ampledger start evening --battery launch-a --stand jetty
has_delivered() {
    ampledger stands --json >"$home/stands.json" &&
        [ "$(json "$home/stands.json" "d['stands'][0]['run']['discharged_Ah'] > 8")" = True ]
}
await 60 has_delivered
expect 0 ampledger stop jetty

expect 0 ampledger show last
says "STOPPED  launch-a delivered at least"
says "enough for the 6.25 Ah wanted"
says "wanted   at least 6.25 Ah"
grep -Eq "judged|guard band|probability" "$home/out" && fail "show tells how a verdict would be found"
expect 0 ampledger show last --json
[ "$(json "$home/out" "d['outcome'], d['verdict'], d['enough'], d['lower_bound']")" = \
    "('stopped', 'undecided', True, True)" ] || fail "the document tells a verdict"
[ "$(json "$home/out" "[(s['verdict'], s['enough']) for s in d['steps']]")" = "[('undecided', True)]" ] ||
    fail "a step tells a verdict"
expect 0 ampledger runs
says "stopped, enough"
expect 0 ampledger runs --json
[ "$(json "$home/out" "d['runs'][0]['verdict'], d['runs'][0]['enough']")" = "('undecided', True)" ] ||
    fail "the list tells a verdict"
expect 1 ampledger lot spring
says "untested"
expect 0 ampledger trend launch-a
says "it did not reach its cut-off"
expect 0 ampledger recompute last
says "the very result that was stored"
expect 0 ampledger report last -o "$home/run.html"
grep -q '<span class="verdict undecided">stopped</span>' "$home/run.html" || fail "the report's first word is not stopped"
grep -q 'enough for the 6.25 Ah wanted' "$home/run.html" || fail "the report does not say that it was enough"

# Of a stored result that is another, too, no verdict is told.
sqlite3 "$home/ampledger.db" "UPDATE run SET result_json = replace(result_json, '\"pass\"', '\"fail\"')"
expect 1 ampledger recompute last --json
[ "$(json "$home/out" "sorted({(d['key'], d['stored'], d['recomputed']) for d in d['differences']})")" = \
    "[('enough', False, True), ('steps[0].enough', False, True)]" ] || fail "the differences tell a verdict"

stop_daemon
database_is_sound
