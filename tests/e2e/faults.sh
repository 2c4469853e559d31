#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Faults in the middle of a run: whatever goes wrong, the load ends up off and
# the stand is latched with a reason a person can read.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

sed 's/for: 10 min/for: 1 s/' "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" >"$home/short.yaml"
start_virtual 1
write_bench
sed -i "s|^profiles:.*|profiles: \"$home\"|" "$home/bench.yaml"
start_daemon
await 20 phase_is idle
add_launch

trip_is_told() {
    ampledger stands --json >"$home/stands.json" &&
        [ "$(json "$home/stands.json" "d['stands'][0]['trip'] is not None")" = True ]
}

run_is_tripped() {
    ampledger show last --json >"$home/last.json" &&
        [ "$(json "$home/last.json" "d['outcome']")" = tripped ]
}

# trip_by REASON INSTRUMENT FAULT...: run, fault, off, latched, remedy, cleared
trip_by() {
    reason=$1
    instrument=$2
    shift 2
    expect 0 ampledger start short --battery launch-a --stand jetty
    await 20 output_is on
    sleep 1
    expect 0 control fault "$@"
    await 15 trip_is_told
    await 40 run_is_tripped
    expect 0 ampledger show last --json
    got=$(json "$home/out" "d['trip']['reason']")
    echo "$* -> $got: $(json "$home/out" "d['trip']['sentence']")"
    case " $reason " in
    *" $got "*) ;;
    *) fail "tripped as $got, expected $reason" ;;
    esac
    expect 3 ampledger start short --battery launch-a --stand jetty
    expect 0 control clear-fault "$instrument"
    await 15 output_is off
    await 20 ampledger clear jetty
    await 20 phase_is idle
}

trip_by "reading-lost" load-1 load-1 silence
trip_by "reading-lost" load-1 load-1 garbage
trip_by "reading-lost" load-1 load-1 nan
trip_by "temperature-lost" thermometer-1 thermometer-1 silence
trip_by "temperature-lost" thermometer-1 thermometer-1 lost
trip_by "polarity-reversed" load-1 load-1 reversed
control heat launch-a 61 >/dev/null
expect 2 ampledger start short --battery launch-a --stand jetty
says "61"
control heat launch-a 22 >/dev/null # at once, not by and by
control heat launch-a off >/dev/null
control ambient launch-a 22 >/dev/null

# Unplugged: nothing can be commanded any more; the person is told to pull the plug.
expect 0 ampledger start short --battery launch-a --stand jetty
await 20 output_is on
control fault load-1 unplug >/dev/null
await 40 run_is_tripped
expect 0 ampledger show last --json
[ "$(json "$home/out" "d['trip']['reason']")" = instrument-lost ] || fail "reason after unplugging"
expect 0 ampledger stands
says "by hand"
control fault load-1 replug >/dev/null
await 20 output_is off # made safe as soon as it is there again
await 20 ampledger clear jetty
stop_daemon
database_is_sound
