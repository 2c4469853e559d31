#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Bad input: each gives one clear message with place and remedy, exit status 2,
# and leaves everything as it was.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

# --- files, without a daemon ---
printf 't_s,volts,current_A\n0,3.7,-1\n' >"$home/log.csv"
expect 2 ampledger analyse "$home/log.csv" --cutoff 2.7V
says 'log.csv:1'
says 'voltage_V'
printf 't_s,voltage_V,current_A\n0,3.7,-1\n1,n/a,-1\n' >"$home/log.csv"
expect 2 ampledger analyse "$home/log.csv" --cutoff 2.7V
says 'log.csv:3'
says 'n/a'
printf 't_s,voltage_V,current_A\n0,3.7,-1\n2,3.6,-1\n1,3.5,-1\n' >"$home/log.csv"
expect 0 ampledger analyse "$home/log.csv" --cutoff 2.7V
says 'line 4: time goes back from 2 s to 1 s'
: >"$home/log.csv"
expect 2 ampledger analyse "$home/log.csv" --cutoff 2.7V
says 'empty'
expect 2 ampledger analyse "$home/nowhere.csv" --cutoff 2.7V
says 'nowhere.csv'
expect 2 ampledger analyse "$home/log.csv" --cutoff 2.7A
says '2.7A'
expect 2 ampledger anlyse x.csv
says 'analyse'
expect 2 ampledger
expect 4 ampledger stands
says 'ampledgerd'

# --- the daemon's own files ---
start_virtual 1
write_bench
cp "$home/bench.yaml" "$home/good.yaml"
bench_with() {
    sed "$1" "$home/good.yaml" >"$home/bad.yaml"
}
bench_with 's/sense: remote/sens: remote/'
expect 2 ampledgerd --bench "$home/bad.yaml"
says 'bad.yaml:'
says 'sense'
bench_with 's/load-virtual/load-virtaul/'
expect 2 ampledgerd --bench "$home/bad.yaml"
says 'load-virtual'
expect 2 ampledgerd --bench "$home/none.yaml"
says 'none.yaml'

echo "not a database, just a letter to the harbour master" >"$home/letter.db"
before=$(sha256sum <"$home/letter.db")
bench_with 's/ampledger.db/letter.db/'
expect 2 ampledgerd --bench "$home/bad.yaml"
says 'letter.db'
[ "$before" = "$(sha256sum <"$home/letter.db")" ] || fail "the file was changed"

# --- a database from a newer version ---
start_daemon
await 20 phase_is idle
add_launch
expect 2 ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah
says 'launch-a'
stop_daemon
cp "$home/ampledger.db" "$home/newer.db"
sqlite3 "$home/newer.db" 'pragma user_version = 999'
before=$(sha256sum <"$home/newer.db")
bench_with 's/ampledger.db/newer.db/'
expect 2 ampledgerd --bench "$home/bad.yaml"
says 'newer'
[ "$before" = "$(sha256sum <"$home/newer.db")" ] || fail "the database was changed"
sqlite3 "$home/other.db" 'create table boats (name text)'
bench_with 's/ampledger.db/other.db/'
expect 2 ampledgerd --bench "$home/bad.yaml"
says 'other.db'

# --- profiles ---
mkdir "$home/profiles"
sed 's/current: 10 A/curent: 10 A/' "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" >"$home/profiles/typo.yaml"
sed 's/current: 10 A/current: 10 V/' "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" >"$home/profiles/volts.yaml"
sed 's|voltage: 2.5 V/cell}|voltage: 3.45 V/cell}|' "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" >"$home/profiles/high.yaml"
cp "$AMPLEDGER_SOURCE/profiles/overnight-capacity-lfp.yaml" "$home/profiles/"
sed -i "s|^profiles:.*|profiles: \"$home/profiles\"|" "$home/bench.yaml"
expect 2 ampledgerd --bench "$home/bench.yaml" --check
says 'typo.yaml:'
says 'volts.yaml:'
says '2 of 4 profiles good'
start_daemon
await 20 phase_is idle
expect 0 ampledger profiles
says '(for lfp)'
for slip in '--cells 1000' '--cells 4 --rated 1000000000Ah' '--cells 4 --rated 125Ah --rated-cutoff 1V'; do
    # shellcheck disable=SC2086 # several words
    expect 2 ampledger battery add slip --chemistry lfp $slip
    says 'battery "slip"'
done
runs_before=$(ampledger runs --json)
expect 2 ampledger plan typo --battery launch-a
says 'typo.yaml:'
says '"current"'
expect 2 ampledger plan volts --battery launch-a
says 'volts.yaml:'
says '10 V'
expect 0 control soc launch-a 0.1
sleep 2
expect 2 ampledger start high --battery launch-a --stand jetty
says 'cut-off'
expect 2 ampledger start nowhere --battery launch-a --stand jetty
expect 2 ampledger start overnight-capacity-lfp --battery launch-z --stand jetty
says 'launch-z'
expect 2 ampledger start overnight-capacity-lfp --battery launch-a --stand jety
says 'jetty'
[ "$runs_before" = "$(ampledger runs --json)" ] || fail "a run was recorded"
output_is off || fail "something was switched on"

# What a stranger's database holds does not steer the terminal.
sqlite3 "$home/ampledger.db" "update battery set note = 'x' || char(27) || ']0;y' || char(155) || 'J'"
for form in '' --json; do
    # shellcheck disable=SC2086 # perhaps none
    expect 0 ampledger battery show launch-a $form
    says 'x?]0;y?J'
    ! LC_ALL=C grep -q "$(printf '[\033\233]')" "$home/out" || fail "control characters reach the terminal"
done

# --- a second daemon ---
expect 2 ampledgerd --bench "$home/bench.yaml"
says 'in use'
stop_daemon

# --- ports and instruments: the daemon lives and says what is missing ---
refused_because() { # SED-EXPRESSION TEXT
    cp "$home/bench.yaml" "$home/keep.yaml"
    sed -i "$1" "$home/bench.yaml"
    start_daemon
    await 30 phase_is missing
    expect 2 ampledger start overnight-capacity-lfp --battery launch-a --stand jetty
    says "$2"
    says 'load'
    stop_daemon
    mv "$home/keep.yaml" "$home/bench.yaml"
}
bench_virtual=$(grep '^virtual:' "$home/bench.yaml")
sed -i '/^virtual:/d' "$home/bench.yaml"
refused_because 's|tty:vb/load-1|tty:vb/load-9|' 'load-9'
refused_because 's|tty:vb/load-1|serial:/dev/ttyUSB77|' '/dev/ttyUSB77'
python3 - "$home/vb/load-1" "$home/held" <<'PY' &
import fcntl, os, sys, termios, time
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
fcntl.flock(fd, fcntl.LOCK_EX)
fcntl.ioctl(fd, termios.TIOCEXCL)
open(sys.argv[2], "w").close()
time.sleep(30)
PY
holder=$!
await 5 test -f "$home/held"
if [ "$(id -u)" != 0 ]; then # root passes TIOCEXCL
    refused_because 's|x|x|' 'process'
fi
kill "$holder"
wait "$holder" 2>/dev/null || true
control fault load-1 identity 'VIRTUAL,Toaster,1,1' >/dev/null
refused_because 's|link: "tty:vb/load-1"|link: "tty:vb/load-1", identity: "*Load*"|' 'Toaster'
control clear-fault load-1 >/dev/null
control fault load-1 silence >/dev/null
refused_because 's|x|x|' 'answer'
control clear-fault load-1 >/dev/null
echo "$bench_virtual" >>"$home/bench.yaml"
database_is_sound
