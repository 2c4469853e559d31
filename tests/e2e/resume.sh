#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A run that was cut off: stopped by default; taken up again when its profile
# says so and the gap is short, with nothing added for the gap; not when the gap
# is too long.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

base=$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml
mkdir "$home/profiles"
sed 's/for: 10 min/for: 1 s/; s/for: 5 min/for: 1 s/; s|time: [0-9]* h|time: 14 s|' "$base" |
    sed '/^acceptance:/,$d' >"$home/profiles/stops.yaml"
{ cat "$home/profiles/stops.yaml"; echo 'on_interruption: {resume_within: 30 s}'; } >"$home/profiles/resumes.yaml"
{ cat "$home/profiles/stops.yaml"; echo 'on_interruption: {resume_within: 1 s}'; } >"$home/profiles/hurries.yaml"

start_virtual 1
write_bench
sed -i "s|^profiles:.*|profiles: \"$home/profiles\"|" "$home/bench.yaml"
start_daemon
await 20 phase_is idle
add_launch

cut_off() { # PROFILE: begins, and the worker and the keeper are killed 4 s into the discharge
    expect 0 control reset-counter launch-a
    expect 0 ampledger start "$1" --battery launch-a --stand jetty
    await 20 output_is on
    sleep 4
    # shellcheck disable=SC2046  # two words
    kill -9 $(pgrep -P "$daemon") "$daemon"
    wait "$daemon" 2>/dev/null || true
}

outcome() {
    [ "$(sqlite3 "$home/ampledger.db" 'select outcome from run order by nr desc limit 1')" = "$1" ]
}

for profile in stops hurries; do
    cut_off "$profile"
    sleep 1
    start_daemon
    await 20 phase_is idle
    sleep 1
    outcome interrupted || fail "$profile: not left interrupted"
    output_is off || fail "$profile: on"
done

# The keeper restarts a killed worker at once: the gap is short, the load goes on.
expect 0 control reset-counter launch-a
expect 0 ampledger start resumes --battery launch-a --stand jetty
await 20 output_is on
sleep 4
kill -9 "$(pgrep -P "$daemon")"
# The time it is off may be shorter than the time between two looks at it, so
# the keeper's own word is waited for.
keeper_switched_off() {
    grep -q 'keeper: the worker died: jetty load switched off, and it says so' "$home/daemon.log"
}
resumed() {
    grep -q 'jetty: resume: goes on after an interruption' "$home/daemon.log"
}
await 5 keeper_switched_off
await 20 resumed
await 20 output_is on
outcome running || fail "not running again"
await 60 outcome completed
expect 0 ampledger show last --json
cp "$home/out" "$home/show.json"
[ "$(json "$home/show.json" "d['interruptions']")" = 1 ] || fail "interruptions"
json "$home/show.json" "[e['kind'] for e in d['events']]" | grep -q "'interrupted', 'resume'" || fail "events"
json "$home/show.json" "d['notes']" | grep -q 'nothing is added' || fail "no note"
json "$home/show.json" "[c['name'] for c in d['uncertainty']['components']]" |
    grep -q interruption || fail "the budget does not name it"
ours=$(json "$home/show.json" "d['capacity_Ah']")
U=$(json "$home/show.json" "d['capacity_uncertainty_Ah']")
theirs=$(control counter launch-a | sed 's/.*discharged_Ah=\([0-9.]*\).*/\1/')
echo "resumed: $ours Ah +- $U Ah by us, $theirs Ah by the virtual bench's own counter"
holds "abs($ours - $theirs) <= $U"
gap=$(json "$home/show.json" "d['interrupted_s']")
holds "0 < $gap < 20"
# Nothing added for the gap: bridging it by a line would have added half of it.
holds "$ours < $theirs + 0.0005"
stop_daemon
database_is_sound
