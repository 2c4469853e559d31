#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The computer slept for an hour in the midst of a discharge: the clock that
# counts suspend has gone on, so no reading is trusted any more and the load goes
# off at once. (The clock is stepped in the daemon alone; nothing is suspended.)
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

faults=$AMPLEDGER_BUILD/tests/preload_faults.so
[ -f "$faults" ] || { echo "skipped: sanitizers do not go together with this preload object"; exit 77; }

sed 's/for: 10 min/for: 1 s/' "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" >"$home/short.yaml"
start_virtual 1
write_bench
sed -i "s|^profiles:.*|profiles: \"$home\"|" "$home/bench.yaml"
head -c 24 /dev/zero >"$home/page"
AMPLEDGER_FAULTS_PAGE=$home/page LD_PRELOAD=$faults ampledgerd --bench "$home/bench.yaml" 2>>"$home/daemon.log" &
daemon=$!
await 10 ampledger stands
await 20 phase_is idle
add_launch
expect 0 ampledger start short --battery launch-a --stand jetty
await 20 output_is on
sleep 2
woken=$(date +%s%N)
python3 - "$home/page" <<'PY'
import struct, sys
with open(sys.argv[1], "r+b") as page:
    page.seek(16)
    page.write(struct.pack("=q", 3600))
PY
await 5 output_is off
ms=$((($(date +%s%N) - woken) / 1000000))
echo "an hour asleep: off $ms ms after waking"
holds "$ms < 2500" # a period of 1 s, and what a busy machine takes
not_running() {
    [ "$(sqlite3 "$home/ampledger.db" 'select outcome from run order by nr desc limit 1')" != running ]
}
await 30 not_running
output_is off || fail "on again"
echo "outcome: $(sqlite3 "$home/ampledger.db" 'select outcome, trip_reason from run order by nr desc limit 1' 2>/dev/null ||
    sqlite3 "$home/ampledger.db" 'select outcome from run order by nr desc limit 1')"
stop_daemon
database_is_sound
