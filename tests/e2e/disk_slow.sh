#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Every flush of the daemon's disk takes 5 s: the run goes on, the guard is not
# delayed, and what was sampled is stored.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

slow=$AMPLEDGER_BUILD/tests/figures_slow_sync.so
[ -f "$slow" ] || { echo "skipped: this sanitizer does not go together with a preload object"; exit 77; }
# The address sanitizer insists on being the first of all.
asan=$(ldd "$AMPLEDGER_BUILD/ampledgerd" | sed -n 's/.*=> \(.*libasan[^ ]*\) .*/\1/p')

sed 's/for: 10 min/for: 1 s/' "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" >"$home/short.yaml"
start_virtual 1
write_bench
sed -i "s|^profiles:.*|profiles: \"$home\"|" "$home/bench.yaml"
FIGURES_SYNC_MS_FILE=$home/sync_ms LD_PRELOAD=${asan:+$asan:}$slow ampledgerd --bench "$home/bench.yaml" 2>>"$home/daemon.log" &
daemon=$!
await 10 ampledger stands
await 20 phase_is idle
add_launch
expect 0 ampledger start short --battery launch-a --stand jetty
await 20 output_is on
echo 5000 >"$home/sync_ms"
sleep 20
phase_is running || fail "a slow disk ended the run"
heated=$(date +%s%N)
control heat launch-a 61 >/dev/null
await 5 output_is off
echo "slow disk: hot battery off after $((($(date +%s%N) - heated) / 1000000)) ms, a sample every 1000 ms"
# at most a period until the sample, then what a busy machine takes; one flush is 5000 ms
holds "($(date +%s%N) - $heated) / 1e6 < 3500"
await 2 grep -q "jetty: every output is confirmed off" "$home/daemon.log"
phase_is running || fail "this was not before the trip was stored, so it shows nothing"
echo "slow disk: confirmed off after $((($(date +%s%N) - heated) / 1000000)) ms, before the trip was stored"
rm "$home/sync_ms"
await 40 phase_is latched
expect 0 ampledger show last --json
[ "$(json "$home/out" "d['trip']['reason']")" = temperature-high ] || fail "reason"
holds "$(json "$home/out" "d['samples']") >= 20"
stop_daemon
database_is_sound
