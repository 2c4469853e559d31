#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The whole job by hand in a real browser, on the virtual bench: register, plan, start,
# see the curve grow, answer a hold, stop, see a trip, read why and clear it, read the
# report, see the trend of a battery and its lot, arrange a row and begin with its first,
# see which message did not arrive, see the daemon go and come back. Every view is checked for accessibility and valid HTML.
#   AMPLEDGER_BUILD=build AMPLEDGER_SOURCE=. sh tests/browser/job.sh [FOLDER]
# With FOLDER: pictures of every view go there, phone and desktop, light and dark.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

pictures=${1:-}
modules=${AMPLEDGER_NODE_MODULES:-$AMPLEDGER_BUILD/browser/node_modules}
for needed in node chromium tidy; do
    command -v "$needed" >/dev/null || {
        echo "skipped: $needed is not installed"
        exit 77
    }
done
[ -d "$modules/playwright-core" ] || {
    echo "skipped: no playwright-core in $modules; npm ci --prefix there, from tests/browser"
    exit 77
}

mkdir "$home/profiles"
cp "$AMPLEDGER_SOURCE"/profiles/*.yaml "$home/profiles/"
cat >"$home/profiles/evening.yaml" <<'PROFILE'
profile: Evening check
for: [lfp]
limits: {temperature: {min: 5 degC, max: 45 degC}, voltage: {min: 2.2 V/cell}, temperature_required: yes}
steps:
  - rest: {for: 5 s}
  - discharge:
      name: capacity
      current: 0.2 C
      until: {voltage: 2.5 V/cell}
      at_most: {time: 8 h}
      sample_every: 1 s
acceptance: {step: capacity, capacity: 95 %}
PROFILE
cat >"$home/profiles/by-hand.yaml" <<'PROFILE'
profile: With a person's help
for: [li-ion]
steps:
  - hold: {say: "fit the fuse, then confirm", at_most: 12 h}
  - rest: {for: 2 s}
PROFILE
cat >"$home/profiles/lamps.yaml" <<'PROFILE'
profile: Hand lamps before the season
for: [nimh]
starts_full: yes
limits: {temperature: {min: 5 degC, max: 45 degC}, voltage: {min: 0.9 V/cell}}
steps:
  - pulse: {name: resistance, currents: [{current: 0.1 C, for: 10 s}, {current: 0.5 C, for: 1 s}], direction: discharge, until: {voltage: 1 V/cell}, sample_every: 0.5 s}
  - discharge: {name: capacity, current: 3 C, until: {voltage: 1 V/cell}, at_most: {time: 1 h}, sample_every: 1.5 s}
acceptance: {step: capacity, capacity: 90 %}
PROFILE
# What is told outside arrives, but for trips.
cat >"$home/tell" <<'SH'
#!/bin/sh
[ "$AMPLEDGER_EVENT" != trip ] || { echo "the boat-house bell is out of order" >&2; exit 3; }
SH
chmod +x "$home/tell"
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
# A port of its own, which stays the same when the daemon is started anew.
port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
echo "http: $port" >>"$home/bench.yaml"
echo "events: {command: [\"$home/tell\"]}" >>"$home/bench.yaml"
sed 's/capacity: 8.4 Ah/capacity: 2.1 Ah\n    resistance: 60 mOhm\n    fade_per_cycle: 2.5 %/' "$AMPLEDGER_SOURCE/src/virtual/demo/yard.yaml" >"$home/virtual.yaml"

# A history before the page is opened: a lamp that ages, two others of its lot.
start_virtual 100000
start_daemon
await 20 stand_is lamp-desk idle
for lamp in d e f; do
    expect 0 ampledger battery add "lamp-$lamp" --chemistry nimh --cells 10 --rated 2Ah --lot lamps
done
for filled in e:1 f:0.97 d:1 d:0.985 d:1 d:0.99 d:0.98 d:1 d:0.985 d:0.99; do
    lamp=${filled%:*}
    fresh lamp-d "${filled#*:}"
    run_at lamp-desk "lamp-$lamp" lamps "$home/lamp.json" || [ "$run_status" = 1 ] || fail "lamp-$lamp ended with $run_status: $(cat "$home/lamp.json.err")"
done
stop_yard
rm -rf "$home/vb"

start_virtual "${SPEED:-300}"
start_daemon
for place in jetty boathouse lamp-desk; do
    await 20 stand_is "$place" idle
done
control soc lamp-d 1 >/dev/null

# The script asks for what a person would do outside of the page by a line on its
# standard output, and goes on when the answer is there.
mkfifo "$home/asks" "$home/answers"
AMPLEDGER_HOME=$home AMPLEDGER_PORT=$port AMPLEDGER_NODE_MODULES=$modules AMPLEDGER_PICTURES=$pictures \
    node "$AMPLEDGER_SOURCE/tests/browser/job.mjs" <"$home/answers" >"$home/asks" &
browser=$!
exec 3>"$home/answers"
while read -r what rest; do
    case $what in
        control)
            # shellcheck disable=SC2086  # words
            control $rest >/dev/null
            echo "done" >&3
            ;;
        stop-daemon)
            stop_daemon
            echo "done" >&3
            ;;
        start-daemon)
            start_daemon
            echo "done" >&3
            ;;
        *) echo "$what $rest" ;;
    esac
done <"$home/asks"
status=0
wait "$browser" || status=$?
[ "$status" = 0 ] || fail "the browser's script ended with $status"
