#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A database that takes seconds for every read: what looks on is shown each stand all the
# same, and the stands answer at once.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

if [ "${AMPLEDGER_SANITIZED:-0}" = 1 ]; then
    echo "skipped: sanitizers want to be loaded before anything else"
    exit 77
fi
start_virtual 1
write_bench
FIGURES_READ_MS_FILE=$home/read-ms LD_PRELOAD=$AMPLEDGER_BUILD/tests/figures_slow_sync.so \
    ampledgerd --bench "$home/bench.yaml" 2>>"$home/daemon.log" &
daemon=$!
await 10 ampledger stands
await 20 phase_is idle
add_launch
expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
curl -sN --unix-socket "$AMPLEDGER_SOCKET" http://localhost/v1/events >"$home/events" &
viewer=$!
await 10 grep -q '^event: stand' "$home/events"

echo 1500 >"$home/read-ms"
curl -s --unix-socket "$AMPLEDGER_SOCKET" http://localhost/v1/runs >"$home/runs" &
waits=$!
sleep 1
before=$(grep -c '^event: stand' "$home/events")
began=$(date +%s%N)
for _ in 1 2 3 4 5; do
    curl -s --unix-socket "$AMPLEDGER_SOCKET" http://localhost/v1/stands >"$home/stands.json"
done
took=$((($(date +%s%N) - began) / 1000000))
sleep 4
after=$(grep -c '^event: stand' "$home/events")
[ -s "$home/runs" ] && fail "the list of runs did not wait for the database: this test shows nothing"
rm "$home/read-ms"
wait "$waits"
json "$home/runs" "d['runs'][0]['battery']" | grep -q launch-a || fail "the list of runs never came"
echo "five looks at the stands: $took ms; $((after - before)) states of the stand seen in 4 s"
[ "$took" -lt 1500 ] || fail "looking at the stands waited for the database"
[ $((after - before)) -ge 3 ] || fail "the viewer was shown too little"
kill "$viewer"
wait "$viewer" || true
stop_daemon
database_is_sound
