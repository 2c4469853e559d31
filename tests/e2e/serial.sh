#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The same run over the link kind `serial:`, through unmodified libserialport
# on a pseudo-terminal; only the preload object of the tests stands between.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

preload=$AMPLEDGER_BUILD/tests/preload_pts.so
[ -f "$preload" ] || fail "no $preload"
start_virtual 100000
write_bench
load=$(readlink -f "$home/vb/load-1")
sed -i "s|tty:vb/load-1|serial:$load|" "$home/bench.yaml"
# Sanitizers insist on being first in the list of libraries.
export ASAN_OPTIONS="verify_asan_link_order=0${ASAN_OPTIONS:+:$ASAN_OPTIONS}"
LD_PRELOAD=$preload ampledgerd --bench "$home/bench.yaml" 2>>"$home/daemon.log" &
daemon=$!
await 10 ampledger stands
await 20 phase_is idle
grep -q libserialport "/proc/$daemon/maps" || fail "libserialport is not in use"
add_launch
expect 0 control reset-counter launch-a
expect 0 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty --wait
output_is off || fail "the load is still on"
expect 0 ampledger show last --json
ours=$(json "$home/out" "d['capacity_Ah']")
grep -q "serial:$load" "$home/out" || fail "the run does not name its link"
theirs=$(control counter launch-a | sed 's/.*discharged_Ah=\([0-9.]*\).*/\1/')
echo "over serial: delivered $ours Ah by us, $theirs Ah by the virtual bench's own counter"
holds "abs($ours / $theirs - 1) < 0.0005"
stop_daemon
database_is_sound
