#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Run by package.sh inside a fresh Debian 12: install, use as a new user would, remove.
set -eu
export DEBIAN_FRONTEND=noninteractive LC_ALL=C
fail() {
    echo "package, inside: $*" >&2
    exit 1
}
apt-get update -qq
apt-get install -y -qq --no-install-recommends /tmp/ampledger.deb >/tmp/install.log 2>&1 || {
    cat /tmp/install.log
    fail "does not install"
}
grep -q 'ampledger ports --propose' /tmp/install.log || fail "does not say what is next"
id -nG ampledger | grep -qw dialout || fail "its user may not open serial ports"
[ "$(stat -c '%U %a' /var/lib/ampledger)" = "ampledger 700" ] || fail "the folder of its database"

# Rules are read without a complaint (a fresh root has no USB to try them on).
apt-get install -y -qq --no-install-recommends udev >/dev/null 2>&1
port=$(find /sys/class/tty -name 'tty*' | sort | head -n 1)
udevadm test "$port" >/tmp/udev.log 2>&1 || true
grep -q 'rules.d/70-ampledger.rules' /tmp/udev.log || fail "udev does not read the rules"
if grep '70-ampledger.rules:[0-9]' /tmp/udev.log; then
    fail "udev complains of the rules"
fi

# The first run of all explains itself.
status=0
ampledgerd 2>/tmp/said || status=$?
[ "$status" = 2 ] || fail "the first run gave $status"
grep -q 'ports --propose' /tmp/said || fail "the first run does not explain itself"
ampledger ports --propose >/etc/ampledger/bench.yaml

# A bench of simulated instruments, as the service's user and with the service's places.
install -d -o ampledger -g ampledger /run/ampledger
as="setpriv --reuid=ampledger --regid=ampledger --init-groups"
cd /var/lib/ampledger
$as ampledger-virtual /run/ampledger/vb --bench /usr/share/ampledger/virtual/virtual.yaml --speed 2000 >/tmp/virtual.log 2>&1 &
virtual=$!
sed 's|"@SOURCE@/|"/usr/share/ampledger/|
    s|vb/|/run/ampledger/vb/|
    s|^database: .*|database: /var/lib/ampledger/ampledger.db|
    s|^socket: .*|socket: /run/ampledger/ampledger.sock|' /usr/share/ampledger/virtual/bench.yaml >/etc/ampledger/bench.yaml
sleep 1
ampledgerd --check
$as ampledgerd 2>/tmp/daemon.log &
daemon=$!
n=0
until ampledger stands --json 2>/dev/null | grep -q '"phase": *"idle"'; do
    n=$((n + 1))
    [ "$n" -lt 200 ] || { cat /tmp/daemon.log; fail "the stand is not ready"; }
    sleep 0.1
done
ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah --rated-hours 12.5h
ampledger start overnight-capacity-lfp --battery launch-a --stand jetty --wait || fail "no pass"
ampledger report last -o /tmp/report.html
[ "$(stat -c %U /var/lib/ampledger/ampledger.db)" = ampledger ] || fail "whose is the database?"
kill "$daemon"
wait "$daemon" || fail "the daemon left with $?"
kill "$virtual"
wait "$virtual" || true

apt-get remove -y -qq ampledger >/dev/null
for gone in /usr/sbin/ampledgerd /usr/share/ampledger; do
    [ ! -e "$gone" ] || fail "removal leaves $gone"
done
for stays in /var/lib/ampledger/ampledger.db /etc/ampledger/bench.yaml; do
    [ -s "$stays" ] || fail "removal takes $stays"
done
apt-get purge -y -qq ampledger >/dev/null
[ -s /var/lib/ampledger/ampledger.db ] || fail "a purge takes the data"
echo "package, inside: installed, used, removed; the data stays"
