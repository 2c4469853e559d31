#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Run by package.sh inside a fresh Debian 12 that was booted: the package as a service, with
# all that its unit takes away from it. The instruments are simulated by a service of their own.
set -eu
export DEBIAN_FRONTEND=noninteractive LC_ALL=C
fail() {
    echo "package, booted: $*" >&2
    systemctl status ampledgerd vbench --no-pager -l >&2 || true
    journalctl -u ampledgerd --no-pager -n 30 >&2 || true
    exit 1
}
of_service() {
    systemctl show ampledgerd -p "$1" --value
}
# until_true SECONDS COMMAND...
until_true() {
    left=$(($1 * 5))
    shift
    until "$@"; do
        left=$((left - 1))
        [ "$left" -gt 0 ] || return 1
        sleep 0.2
    done
}
is_idle() {
    ampledger stands --json 2>/dev/null | grep -q '"phase": *"idle"'
}
# The keeper's only child.
worker() {
    ps -o pid= --ppid "$(of_service MainPID)" | tr -d ' '
}

apt-get install -y -qq --no-install-recommends procps /root/ampledger.deb >/tmp/install.log 2>&1 || {
    cat /tmp/install.log
    fail "does not install"
}
if grep -i 'not found\|error' /tmp/install.log; then
    fail "the installation complains"
fi
systemctl is-enabled ampledgerd >/dev/null 2>&1 && fail "it is enabled before there is a bench file"

# A bench of simulated instruments in the service's places, its battery full.
fill_bench() {
    systemctl stop vbench 2>/dev/null || true
    rm -rf /run/vbench
    install -d -o ampledger -g ampledger /run/vbench
    systemd-run --quiet --unit=vbench -p User=ampledger ampledger-virtual /run/vbench/vb \
        --bench /usr/share/ampledger/virtual/virtual.yaml --speed 2000
    until_true 20 test -S /run/vbench/vb/control || fail "no virtual bench"
}
rm -f /var/lib/ampledger/ampledger.db*
fill_bench
sed 's|"@SOURCE@/|"/usr/share/ampledger/|
    s|vb/|/run/vbench/vb/|
    s|^database: .*|database: /var/lib/ampledger/ampledger.db|
    s|^socket: .*|socket: /run/ampledger/ampledger.sock|' /usr/share/ampledger/virtual/bench.yaml >/etc/ampledger/bench.yaml
ampledgerd --check

systemctl enable --quiet --now ampledgerd || fail "does not start"
[ "$(of_service ActiveState)" = active ] || fail "is not active"
status=/proc/$(of_service MainPID)/status
[ "$(id -nu "$(sed -n 's/^Uid:\t\([0-9]*\).*/\1/p' "$status")")" = ampledger ] || fail "its user"
grep -q '^CapBnd:.0*$' "$status" || fail "has capabilities"
grep -q '^NoNewPrivs:.1$' "$status" || fail "may get new rights"
grep -q '^Seccomp:.2$' "$status" || fail "no filter of system calls"
until_true 20 is_idle || fail "the stand is not ready"

# Who is in its group gives orders; another account does not even see the socket.
id yard >/dev/null 2>&1 || useradd --groups ampledger yard
id guest >/dev/null 2>&1 || useradd guest
as() {
    who=$1
    shift
    setpriv --reuid="$who" --regid="$who" --init-groups "$@"
}
as yard ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah --rated-hours 12.5h
as guest ampledger stands >/dev/null 2>&1 && fail "another account reads the stands"
as yard ampledger start overnight-capacity-lfp --battery launch-a --stand jetty --wait || fail "no pass"

# Its worker dies in a test: the service stays, its output goes off, the run is closed.
systemctl stop ampledgerd
fill_bench
systemctl start ampledgerd
until_true 20 is_idle || fail "the stand is not ready again"
as yard ampledger battery add launch-b --chemistry lfp --cells 4 --rated 125Ah --rated-hours 12.5h
has_current() {
    ampledger stands --json | grep -q '"current_A": *-9'
}
as yard ampledger start overnight-capacity-lfp --battery launch-b --stand jetty
until_true 20 has_current || fail "no current flows"
before=$(of_service MainPID)
kill -9 "$(worker)"
until_true 30 is_idle || fail "no new worker"
[ "$(of_service MainPID)" = "$before" ] || fail "the keeper is another one"
ampledger stands | grep -q 'idle.*no current' || fail "is not off after the death of its worker"
ampledger show last | grep -q 'INTERRUPTED' || fail "the run that was cut off does not say so"

# Installed once more while it is at work: it goes on as it was.
apt-get install -y -qq --reinstall /root/ampledger.deb >/tmp/again.log 2>&1 || fail "no upgrade"
[ "$(of_service MainPID)" = "$before" ] || fail "an upgrade starts it anew"

# It hangs as a whole: the watchdog has it started anew.
kill -STOP "$(worker)" "$before"
anew() {
    [ "$(of_service NRestarts)" -ge 1 ] && is_idle
}
until_true 90 anew || fail "the watchdog does not help"

# Without a network of any kind, where there is no page.
install -d /etc/systemd/system/ampledgerd.service.d
cp /usr/share/doc/ampledger/examples/no-network.conf /etc/systemd/system/ampledgerd.service.d/
systemctl daemon-reload
systemctl restart ampledgerd || fail "does not start without a network"
until_true 20 is_idle || fail "the stand is not ready without a network"
[ "$(sed 1,2d "/proc/$(of_service MainPID)/net/dev" | wc -l)" = 1 ] || fail "has a network"

apt-get remove -y -qq ampledger >/tmp/remove.log 2>&1 || fail "cannot be removed"
[ "$(of_service ActiveState)" = active ] && fail "goes on though it was removed"
[ -s /var/lib/ampledger/ampledger.db ] || fail "removal takes the data"
systemctl stop vbench 2>/dev/null || true
echo "package, booted: starts, runs, is replaced and started anew by its unit; the data stays"
