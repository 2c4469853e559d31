#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Every route of API.md asked wrongly: each answer is a problem document, nothing changes.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

mkdir "$home/profiles"
cat >"$home/profiles/still.yaml" <<'PROFILE'
profile: Nothing but a rest
for: [lfp]
steps:
  - rest: {for: 3 s}
PROFILE
write_bench
sed -i "s|^profiles:.*|profiles: \"$home/profiles\"|" "$home/bench.yaml"
echo "http: 127.0.0.1:0" >>"$home/bench.yaml"
start_virtual 1000
start_daemon
await 20 phase_is idle
expect 0 ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah --lot spring
expect 0 ampledger battery add launch-b --chemistry lfp --cells 4 --rated 125Ah --lot spring
expect 0 ampledger start still --battery launch-a --stand jetty --wait
expect 0 ampledger queue jetty add still launch-b
expect 0 ampledger token make phone --may change
was_asked() {
    ampledger stands --json >"$home/stands.json" &&
        [ "$(json "$home/stands.json" "d['stands'][0]['next']['asked_utc']")" != None ]
}
await 10 was_asked
expect 0 sh -c "curl -s --unix-socket '$AMPLEDGER_SOCKET' http://localhost/v1/daemon >'$home/daemon.json'"
python3 "$AMPLEDGER_SOURCE/tests/e2e/bad_requests.py" "$AMPLEDGER_SOURCE/src/web/API.md" "$home/ampledger.db" \
    "$AMPLEDGER_SOCKET" "$(json "$home/daemon.json" "d['http']")"
phase_is idle || fail "the stand is not as it was"
output_is off || fail "something was switched on"
database_is_sound
