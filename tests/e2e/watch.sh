#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Looking on from a terminal: two stands in one picture, any size of the window, the terminal
# as it was afterwards; and into a file: lines, nothing else.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

cp "$AMPLEDGER_SOURCE/src/virtual/demo/yard.yaml" "$home/virtual.yaml"
sed "s|@SOURCE@|$AMPLEDGER_SOURCE|" "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
start_virtual 30
start_daemon
expect 3 ampledger watch
says "nothing is running"
ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah
ampledger battery add ferry-b --chemistry lead-agm --cells 6 --rated 100Ah --rated-hours 10h
await 10 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
await 10 ampledger start capacity-lead-acid-10h --battery ferry-b --stand slipway
python3 "$AMPLEDGER_SOURCE/tests/e2e/watch.py" || fail "on a terminal"

# Not a terminal: a line for each stand, then what became of them.
ampledger watch >"$home/lines" 2>"$home/err" &
watching=$!
await 10 grep -q "^jetty: step" "$home/lines"
await 10 grep -q "^slipway: step" "$home/lines"
ampledger stop jetty >/dev/null
ampledger stop slipway >/dev/null
got=0
wait "$watching" || got=$?
[ "$got" = 3 ] || fail "of two runs that were stopped the status is $got"
grep -q "^STOPPED  launch-a" "$home/lines" || fail "what became of launch-a is not told"
grep -q "^STOPPED  ferry-b" "$home/lines" || fail "what became of ferry-b is not told"
if grep -q "$(printf '\033')" "$home/lines"; then
    fail "there are escape sequences in a file"
fi
expect 3 ampledger watch jetty --json
[ "$(json "$home/out" "d['outcome']")" = stopped ] || fail "not the run as a document"
