#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Four stands with batteries of four chemistries at once. One loses the link to its load
# in the middle: it trips, and the load is switched off as soon as it can be reached
# again. The other three neither notice nor deliver anything else than alone.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

speed=${SPEED:-20000}
mkdir "$home/profiles"
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"

# hour CHEMISTRY CURRENT CUTOFF: a quick capacity test of about an hour
hour() {
    cat >"$home/profiles/hour-$1.yaml" <<PROFILE
profile: A quick one for $1
for: [$1]
steps:
  - rest: {for: 1 min}
  - discharge:
      name: capacity
      current: $2
      until: {voltage: $3 V/cell}
      at_most: {time: 4 h}
      sample_every: 1 s
  - rest: {for: 1 min}
PROFILE
}
hour lfp "1 C" 2.5
hour li-ion "0.6 C" 3.0
hour lead-agm "0.25 C" 1.75
hour nimh "1 C" 1.0

# begin WORD STAND: its run to the end; record WORD-STAND.json
battery_at() {
    case $1 in
        jetty) echo launch-a lfp ;;
        boathouse) echo tender-b li-ion ;;
        slipway) echo lights-c lead-agm ;;
        lamp-desk) echo lamp-d nimh ;;
    esac
}
begin() {
    battery=$(battery_at "$2")
    fresh "${battery% *}" 1
    status=0
    run_at "$2" "${battery% *}" "hour-${battery#* }" "$home/$1-$2.json" || status=$?
    echo "$status" >"$home/$1-$2.status"
}

samples_from() {
    ampledger stands --json >"$home/half.json" &&
        holds "$(json "$home/half.json" "[(s['run'] or {'samples': 0})['samples'] for s in d['stands'] if s['name'] == '$1'][0]") > $2" 2>/dev/null
}

start_yard "$speed"
pids=
for stand in jetty boathouse slipway lamp-desk; do
    begin together "$stand" &
    pids="$pids $!"
done
half() {
    (samples_from slipway 1000)
}
await 60 half
expect 0 control fault load-3 unplug
for pid in $pids; do
    wait "$pid"
done
[ "$(cat "$home/together-slipway.status")" = 3 ] || fail "the stand that lost its link ended with $(cat "$home/together-slipway.status")"
expect 0 control replug load-3
slipway_off() {
    control output load-3 | grep -q '^ok off'
}
await 30 slipway_off
stop_yard
database_is_sound

# Alone: a new bench, the same batteries, one after the other.
rm -f "$home"/ampledger.db*
start_yard "$speed"
for stand in jetty boathouse lamp-desk; do
    begin alone "$stand"
done
stop_yard

for stand in jetty boathouse lamp-desk; do
    [ "$(cat "$home/together-$stand.status")" = 0 ] || fail "$stand ended with $(cat "$home/together-$stand.status")"
    beside=$(json "$home/together-$stand.json" "d['capacity_Ah']")
    alone=$(json "$home/alone-$stand.json" "d['capacity_Ah']")
    echo "$stand: $beside Ah beside the others, $alone Ah alone"
    holds "abs($beside / $alone - 1) < 0.0005"
    [ "$(json "$home/together-$stand.json" "d['gaps']")" = 0 ] || fail "$stand has gaps"
    [ "$(json "$home/together-$stand.json" "d['trip']")" = None ] || fail "$stand tripped"
    counter_is "$home/together-$stand.json" 0.001 || fail "$stand: other than the battery's own counter"
done
