#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The main job on the virtual bench, on a fresh Debian 12: installs what is
# missing, builds, then discharges an invented 125 Ah launch battery at 10 A to
# its cut-off through the real daemon, and shows the verdict.
#   sh src/demo.sh             the discharge (about half a minute)
#   sh src/demo.sh SPEED       the same with waits shortened by another factor
set -eu
cd "$(dirname "$0")/.."
. src/setup.sh
speed=${1:-5000}

need_packages build-essential cmake ninja-build pkg-config libserialport-dev libsqlite3-dev \
    libyaml-dev libmicrohttpd-dev libgnutls28-dev libjansson-dev libcurl4-openssl-dev libgsl-dev nettle-dev \
    libjs-dygraphs

step "building"
build build -DAMPLEDGER_TESTS=OFF
PATH=$PWD/build:$PATH
home=$PWD/build/demo
rm -rf "$home"
mkdir -p "$home"
AMPLEDGER_SOCKET=$home/ampledger.sock
export AMPLEDGER_SOCKET

daemon=
virtual=
leave() {
    status=$?
    trap - EXIT INT TERM
    [ -z "$daemon" ] || kill "$daemon" 2>/dev/null || true
    [ -z "$daemon" ] || wait "$daemon" || true
    [ -z "$virtual" ] || kill "$virtual" 2>/dev/null || true
    [ -z "$virtual" ] || wait "$virtual" || true
    exit "$status"
}
trap leave EXIT INT TERM

# await SECONDS COMMAND...: until it succeeds
await() {
    tries=$(($1 * 10))
    shift
    while ! "$@" >/dev/null 2>&1; do
        tries=$((tries - 1))
        if [ "$tries" -le 0 ]; then
            echo "gave up waiting for: $*; the logs are in $home" >&2
            return 1
        fi
        sleep 0.1
    done
}

step "starting the virtual bench (speed $speed) and ampledgerd"
ampledger-virtual "$home/vb" --speed "$speed" --bench src/virtual/demo/virtual.yaml \
    >"$home/virtual.log" 2>&1 &
virtual=$!
await 10 test -S "$home/vb/control"
sed "s|@SOURCE@|$PWD|" src/virtual/demo/bench.yaml >"$home/bench.yaml"
ampledgerd --bench "$home/bench.yaml" 2>"$home/daemon.log" &
daemon=$!
await 10 ampledger stands
stand_is_idle() {
    ampledger stands --json | grep -q '"phase": *"idle"'
}
await 20 stand_is_idle
ampledger stands

step "registering the battery"
ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah --rated-hours 12.5h \
    --rated-cutoff 10V --current-max 60A --note "electric launch A, new"

step "the plan"
ampledger plan overnight-capacity-lfp --battery launch-a --stand jetty

step "the run: 12.5 h and more of test time"
status=0
ampledger start overnight-capacity-lfp --battery launch-a --stand jetty --wait || status=$?

step "against the virtual bench"
ampledger export last -o "$home/run.csv"
echo "Its own coulomb counter, kept at a finer step and apart from ours:"
ampledger-virtual --control "$home/vb/control" "counter launch-a"
echo
echo "Database:  $home/ampledger.db"
echo "Samples:   $home/run.csv, and without any daemon:"
echo "           build/ampledger analyse build/demo/run.csv --cutoff 10V --rated 125Ah \\"
echo "               --current-accuracy '0.05 % + 5 mA' --voltage-accuracy '0.02 % + 2 mV'"
exit "$status"
