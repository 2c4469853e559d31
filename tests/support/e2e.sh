# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh
# Sourced by the end-to-end tests: a bench of its own in a temporary folder, the
# built programs on the path, small assertions. Everything started is stopped.
set -eu
: "${AMPLEDGER_BUILD:?set by ctest: the build folder}" "${AMPLEDGER_SOURCE:?}"
PATH=$AMPLEDGER_BUILD:$PATH
home=$(mktemp -d "${TMPDIR:-/tmp}/ampledger-e2e.XXXXXX")
AMPLEDGER_SOCKET=$home/ampledger.sock
export AMPLEDGER_SOCKET
daemon=
virtual=

leave() {
    status=$?
    trap - EXIT INT TERM
    for pid in $daemon $virtual; do
        kill "$pid" 2>/dev/null || true
        wait "$pid" 2>/dev/null || true
    done
    if [ "$status" != 0 ] && [ "$status" != 77 ]; then
        echo "--- failed with $status; daemon.log:"
        tail -n 40 "$home/daemon.log" 2>/dev/null || true
        echo "--- virtual.log:"
        tail -n 10 "$home/virtual.log" 2>/dev/null || true
    fi
    rm -rf "$home"
    exit "$status"
}
trap leave EXIT INT TERM

fail() {
    echo "FAILED: $*" >&2
    exit 1
}

# await SECONDS COMMAND...: until it succeeds
await() {
    tries=$(($1 * 20))
    shift
    while ! "$@" >/dev/null 2>&1; do
        tries=$((tries - 1))
        [ "$tries" -gt 0 ] || fail "gave up waiting for: $*"
        sleep 0.05
    done
}

# expect STATUS COMMAND...: the exit status must be that; output goes to $home/out and $home/err
expect() {
    wanted=$1
    shift
    got=0
    "$@" >"$home/out" 2>"$home/err" || got=$?
    if [ "$got" != "$wanted" ]; then
        cat "$home/out" "$home/err"
        fail "exit status $got, not $wanted: $*"
    fi
}

# says TEXT: the last expect printed it (on either stream)
says() {
    cat "$home/out" "$home/err" | grep -qF -- "$1" || {
        cat "$home/out" "$home/err"
        fail "it does not say: $1"
    }
}

# json FILE EXPRESSION: value of a Python expression over the document d
json() {
    python3 -c 'import json,sys; d=json.load(open(sys.argv[1])); print(eval(sys.argv[2]))' "$1" "$2"
}

# holds EXPRESSION: a Python expression must be true
holds() {
    python3 -c 'import sys; sys.exit(0 if eval(sys.argv[1]) else 1)' "$1" || fail "not true: $1"
}

control() {
    ampledger-virtual --control "$home/vb/control" "$*"
}

# start_virtual SPEED: the virtual bench of virtual.yaml in $home, or the demo's
start_virtual() {
    bench=$home/virtual.yaml
    [ -f "$bench" ] || bench=$AMPLEDGER_SOURCE/src/virtual/demo/virtual.yaml
    ampledger-virtual "$home/vb" --speed "$1" --bench "$bench" >"$home/virtual.log" 2>&1 &
    virtual=$!
    await 10 test -S "$home/vb/control"
}

write_bench() {
    [ -f "$home/bench.yaml" ] ||
        sed "s|@SOURCE@|$AMPLEDGER_SOURCE|" "$AMPLEDGER_SOURCE/src/virtual/demo/bench.yaml" >"$home/bench.yaml"
}

start_daemon() {
    write_bench
    ampledgerd --bench "$home/bench.yaml" 2>>"$home/daemon.log" &
    daemon=$!
    await 10 ampledger stands
}

stop_daemon() {
    kill "$daemon"
    status=0
    wait "$daemon" || status=$?
    daemon=
    [ "$status" = 0 ] || fail "the daemon left with status $status"
}

phase_is() {
    ampledger stands --json >"$home/stands.json" &&
        [ "$(json "$home/stands.json" "d['stands'][0]['phase']")" = "$1" ]
}

database_is_sound() {
    [ "$(sqlite3 "$home/ampledger.db" 'pragma integrity_check')" = ok ] || fail "integrity_check"
}

output_is() {
    control output load-1 | grep -q "^ok $1"
}

add_launch() {
    expect 0 ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah --rated-hours 12.5h
}

phase_is_not_running() {
    ! phase_is running
}

# --- the workshop of four stands, or one of them ---

# Launch battery and tender are small ones of their kind, so that any usual rate is
# within the ratings. yard_change: what else sed is to change in the description.
write_yard() {
    sed -e "${yard_change:-}" -e 's/capacity: 129.5 Ah/capacity: 20.7 Ah/; s/resistance: 14 mOhm/resistance: 40 mOhm/; s/capacity: 20.6 Ah/capacity: 10.3 Ah/' \
        "$AMPLEDGER_SOURCE/src/virtual/demo/yard.yaml" >"$home/virtual.yaml"
    [ -f "$home/bench.yaml" ] || sed "s|@SOURCE@|$AMPLEDGER_SOURCE|" \
        "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
}

# start_yard SPEED: its virtual bench and daemon, its batteries registered.
start_yard() {
    write_yard
    start_virtual "$1"
    start_daemon
    for place in jetty boathouse slipway lamp-desk; do
        await 20 stand_is "$place" idle
    done
    expect 0 ampledger battery add launch-a --chemistry lfp --cells 4 --rated 20Ah
    expect 0 ampledger battery add tender-b --chemistry li-ion --cells 7 --rated 10Ah
    expect 0 ampledger battery add lights-c --chemistry lead-agm --cells 6 --rated 90Ah --rated-hours 20h
    expect 0 ampledger battery add lamp-d --chemistry nimh --cells 10 --rated 8Ah
}

# start_place SPEED STAND BATTERY REGISTER...: that stand alone, the battery registered.
start_place() {
    place_speed=$1
    place=$2
    place_battery=$3
    shift 3
    write_yard
    awk -v keep="$place" '/^  - name: / { on = $3 == keep } /^[a-z]/ { on = 1 } on' \
        "$home/bench.yaml" >"$home/one.yaml"
    mv "$home/one.yaml" "$home/bench.yaml"
    awk -v keep="$place_battery" '/^  - name: / { on = $3 == keep }
        /^  - \{/ { on = $0 ~ "battery: " keep "[,}]" } /^[a-z]/ { on = 1 } on' \
        "$home/virtual.yaml" >"$home/one.yaml"
    mv "$home/one.yaml" "$home/virtual.yaml"
    start_virtual "$place_speed"
    start_daemon
    await 20 stand_is "$place" idle
    expect 0 ampledger battery add "$place_battery" "$@"
}

stop_yard() {
    stop_daemon
    kill "$virtual"
    wait "$virtual" || true
    virtual=
}

# stand_is STAND PHASE
stand_is() {
    ampledger stands --json >"$home/stand-$1.json" &&
        [ "$(json "$home/stand-$1.json" "[s['phase'] for s in d['stands'] if s['name'] == '$1'][0]")" = "$2" ]
}

# fresh BATTERY SOC: rested at the room's temperature, counters at zero
fresh() {
    for word in "heat $1 22" "heat $1 off" "soc $1 $2" "reset-counter $1"; do
        control "$word" >/dev/null || fail "$word"
    done
}

# run_at STAND BATTERY PROFILE FILE: to its end; its record goes to FILE, the virtual
# bench's counter to FILE.counter. Gives the exit status of start. May run beside others.
run_at() {
    run_status=0
    ampledger start "$3" --battery "$2" --stand "$1" --wait --json >"$4" 2>"$4.err" || run_status=$?
    control counter "$2" >"$4.counter"
    return "$run_status"
}

# counter_is FILE RATIO: what the run says went in and out is what the battery's own
# counter saw, within RATIO of it and half a milliampere-hour
counter_is() {
    python3 - "$1" "$2" <<'PY'
import json, sys
result = json.load(open(sys.argv[1]))
counter = dict(p.split("=") for p in open(sys.argv[1] + ".counter").read().split()[1:])
bad = []
for ours in ("discharged_Ah", "charged_Ah", "discharged_Wh", "charged_Wh"):
    a, b = result[ours], float(counter[ours])
    least = 0.0005 * (1 if ours.endswith("Ah") else 30)
    print("  %-14s %.5f, counted %.5f" % (ours, a, b))
    if not abs(a - b) <= float(sys.argv[2]) * b + least:
        bad.append(ours)
sys.exit("differs: " + ", ".join(bad) if bad else 0)
PY
}
