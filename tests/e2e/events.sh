#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Somebody is told: a command gets the facts of start, trip, end and of a run
# that was cut off. And nobody waits for being told: with a command that hangs and
# a URL that refuses, an over-temperature switches off within one sample plus one
# command, and the daemon leaves in time.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

mkdir "$home/told"
cat >"$home/tell" <<'SH'
#!/bin/sh
# one file for each event: the arguments, the facts, the document
cd "$(dirname "$0")/told" || exit 1
cat >"$AMPLEDGER_EVENT.json"
{
    echo "arguments=$*"
    env | grep '^AMPLEDGER_'
} >"$AMPLEDGER_EVENT.part"
mv "$AMPLEDGER_EVENT.part" "$AMPLEDGER_EVENT.env"
SH
cat >"$home/hang" <<'SH'
#!/bin/sh
echo $$ >>"$(dirname "$0")/hanging"
exec sleep 600
SH
chmod +x "$home/tell" "$home/hang"

# A port that is taken by nobody who listens: it refuses.
python3 - "$home/port" <<'PY' &
import os, socket, sys, time
s = socket.socket()
s.bind(("127.0.0.1", 0))
with open(sys.argv[1] + ".part", "w") as f:
    f.write(str(s.getsockname()[1]))
os.rename(sys.argv[1] + ".part", sys.argv[1])
time.sleep(600)
PY
holder=$!
virtual=$holder
await 10 test -s "$home/port"

start_virtual 1
virtual="$virtual $holder"
write_bench
sed 's/for: 10 min/for: 2 s/' "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" >"$home/quick.yaml"
sed -i "s|^profiles:.*|profiles: \"$home\"|" "$home/bench.yaml"
cp "$home/bench.yaml" "$home/bench.plain"

# with_events LINE: the bench with these events
with_events() {
    cp "$home/bench.plain" "$home/bench.yaml"
    echo "events: $1" >>"$home/bench.yaml"
}

now_ns() {
    python3 -c 'import time; print(time.clock_gettime_ns(time.CLOCK_BOOTTIME))'
}

last_off_ns() {
    control log load-1 | sed 's/.*last_off_real_ns=\([0-9]*\).*/\1/'
}

# heat_up: until it has tripped; one sample at most may have been taken hot
heat_up() {
    sleep 1
    heated=$(now_ns)
    control heat launch-a 61 >/dev/null
    await 10 output_is off
    await 20 phase_is latched
    hot=$(sqlite3 "$home/ampledger.db" 'select count(*) from sample
        where temperature_C > 60 and run_nr = (select max(nr) from run)')
    [ "$hot" = 1 ] || fail "$hot samples were taken hot with the output on, not 1"
}

begin_run() {
    await 20 phase_is idle
    expect 0 ampledger start quick --battery launch-a --stand jetty
    await 20 output_is on
}

cool_down() {
    control heat launch-a 22 >/dev/null
    sleep 1
    await 20 ampledger clear jetty
}

told() {
    test -s "$home/told/$1.env"
}

# fact EVENT NAME VALUE: the command saw that
fact() {
    grep -qx "$2=$3" "$home/told/$1.env" || {
        cat "$home/told/$1.env"
        fail "$1: $2 is not $3"
    }
}

with_events "{command: [tell, --short, \"two words\"]}"
start_daemon
add_launch
begin_run
await 10 told start
fact start arguments '--short two words'
fact start AMPLEDGER_EVENT start
fact start AMPLEDGER_STAND jetty
fact start AMPLEDGER_BATTERY launch-a
fact start AMPLEDGER_VALUE ''
heat_up
await 10 told trip
await 10 told end
fact trip AMPLEDGER_REASON temperature-high
fact trip AMPLEDGER_UNIT degC
fact trip AMPLEDGER_RUN "$(sqlite3 "$home/ampledger.db" 'select id from run')"
fact end AMPLEDGER_REASON tripped
[ "$(json "$home/told/trip.json" "d['event']")" = trip ] || fail "document: event"
[ "$(json "$home/told/trip.json" "d['battery']")" = launch-a ] || fail "document: battery"
holds "60 < $(json "$home/told/trip.json" "d['value']") < 62"
expect 0 ampledger show last --json
for key in value limit; do
    holds "abs($(json "$home/out" "d['trip']['$key']") - $(json "$home/told/trip.json" "d['$key']")) < 1e-6"
done
fact trip AMPLEDGER_LIMIT "$(json "$home/out" "'%g' % d['trip']['limit']")"
cool_down

# A worker that dies in the middle of a run: the next one tells it.
begin_run
kill -9 "$(pgrep -P "$daemon" | head -n 1)"
await 20 told alarm
fact alarm AMPLEDGER_REASON interrupted
grep -q '1 run had been cut off' "$home/told/alarm.env" || fail "the alarm does not say why"
await 20 phase_is idle

# No run is on, but the load does not say that it is off when the daemon leaves.
rm -f "$home/told/"*
control fault load-1 unplug >/dev/null
stop_daemon
fact alarm AMPLEDGER_REASON output-unconfirmed
fact alarm AMPLEDGER_STAND jetty
fact alarm AMPLEDGER_RUN ''
control fault load-1 replug >/dev/null

# A command that hangs from the start on, a URL that refuses.
with_events "{command: [hang], post: \"http://127.0.0.1:$(cat "$home/port")/hook\"}"
start_daemon
begin_run
await 10 test -s "$home/hanging"
heat_up
took=$(python3 -c "print(($(last_off_ns) - $heated) / 1e9)")
echo "heat to last off line, with a command that hangs: $took s"
# at most one period (1 s) until the sample, then what a busy machine takes
holds "0 < $took < 4"
grep -q 'not posted yet (try 1 of 5' "$home/daemon.log" || fail "the refused post is not in the log"
hanging=$(tail -n 1 "$home/hanging")
kill -0 "$hanging" || fail "the command does not hang any more: nothing was tested"
from=$(now_ns)
stop_daemon
took=$(python3 -c "print(($(now_ns) - $from) / 1e9)")
echo "leaving, with a command that hangs: $took s"
holds "$took < 6"
! kill -0 "$hanging" 2>/dev/null || fail "the hanging command outlives the daemon"
grep -q 'NOT told' "$home/daemon.log" || fail "what was not told is not in the log"
database_is_sound
