#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The whole job by hand in a real browser, on the virtual bench: register, plan, start,
# see the curve grow, answer a hold, stop, see a trip, read why and clear it, see the
# daemon go and come back. Every view is checked for accessibility and valid HTML.
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
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
# A port of its own, which stays the same when the daemon is started anew.
port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
echo "http: $port" >>"$home/bench.yaml"
cp "$AMPLEDGER_SOURCE/src/virtual/demo/yard.yaml" "$home/virtual.yaml"
start_virtual "${SPEED:-300}"
start_daemon
for place in jetty boathouse; do
    await 20 stand_is "$place" idle
done

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
