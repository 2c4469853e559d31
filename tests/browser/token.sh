#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A token, entered on the page in a real browser: asked for, refused when it is wrong, what one
# that may look can and cannot do, withdrawn while the page is open.
#   AMPLEDGER_BUILD=build AMPLEDGER_SOURCE=. sh tests/browser/token.sh
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

modules=${AMPLEDGER_NODE_MODULES:-$AMPLEDGER_BUILD/browser/node_modules}
for needed in node chromium; do
    command -v "$needed" >/dev/null || {
        echo "skipped: $needed is not installed"
        exit 77
    }
done
[ -d "$modules/playwright-core" ] || {
    echo "skipped: no playwright-core in $modules; npm ci --prefix there, from tests/browser"
    exit 77
}
write_bench
echo 'http: {listen: "127.0.0.1:0", token: always}' >>"$home/bench.yaml"
start_virtual 1
start_daemon
await 20 phase_is idle
add_launch
curl -s --unix-socket "$AMPLEDGER_SOCKET" http://localhost/v1/daemon >"$home/daemon.json"
for name in wall:read phone:change; do
    expect 0 ampledger token make "${name%:*}" --may "${name#*:}" --json
    cp "$home/out" "$home/${name%:*}.json"
done
AMPLEDGER_HOME=$home AMPLEDGER_AT=$(json "$home/daemon.json" "d['http']") AMPLEDGER_NODE_MODULES=$modules \
    AMPLEDGER_WALL=$(json "$home/wall.json" "d['token']") AMPLEDGER_PHONE=$(json "$home/phone.json" "d['token']") \
    node "$AMPLEDGER_SOURCE/tests/browser/token.mjs"
