#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A stop is carried out while as many other orders as may be under way wait for a stand
# whose load is silent; and of two starts of one battery at the same instant one begins.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

mkdir "$home/profiles"
cat >"$home/profiles/evening.yaml" <<'PROFILE'
profile: Evening check
for: [lfp]
limits: {temperature: {min: 5 degC, max: 45 degC}}
steps:
  - discharge: {current: 0.1 C, until: {voltage: 2.5 V/cell}}
PROFILE
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
start_yard 1
for place in jetty slipway; do
    (ampledger start evening --battery launch-a --stand "$place" >"$home/start-$place" 2>&1 && echo begun || echo refused) >"$home/said-$place" &
done
wait_for() {
    [ -s "$home/said-jetty" ] && [ -s "$home/said-slipway" ]
}
await 20 wait_for
[ "$(cat "$home/said-jetty" "$home/said-slipway" | sort | tr '\n' ' ')" = "begun refused " ] ||
    fail "two starts of one battery: $(cat "$home"/said-* "$home"/start-*)"
grep -q 'just now\|under test' "$home"/start-* || fail "it is not said why: $(cat "$home"/start-*)"
running=jetty
[ "$(cat "$home/said-jetty")" = begun ] || running=slipway
load=$([ $running = jetty ] && echo load-1 || echo load-3)

control fault load-2 silence >/dev/null
python3 - "$AMPLEDGER_SOCKET" "$running" <<'PY'
import http.client, json, socket, sys, threading, time

class Unix(http.client.HTTPConnection):
    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(120)
        self.sock.connect(sys.argv[1])

def post(path, body):
    c = Unix("ampledgerd")
    c.request("POST", path, json.dumps(body))
    answer = c.getresponse()
    return answer.status, json.loads(answer.read())

lock, refused = threading.Lock(), []

def accept():
    try:
        status, _ = post("/v1/stands/boathouse/accept", {})
    except OSError:
        return # the daemon has left
    with lock:
        refused.append(status == 503)

for _ in range(104):
    threading.Thread(target=accept, daemon=True).start()
end = time.monotonic() + 20
while sum(refused) < 8 and time.monotonic() < end:
    time.sleep(0.05)
assert sum(refused) >= 8, f"only {sum(refused)} of 104 orders were told that too much is asked at once"
status, answer = post("/v1/batteries/lamp-d/edit", {"note": "x"})
assert status == 503, f"an order beyond them got {status}: {answer}"
began = time.monotonic()
status, answer = post(f"/v1/stands/{sys.argv[2]}/stop", {})
assert status == 200 and answer["run"]["outcome"] == "stopped", (status, answer)
print(f"stopped in {time.monotonic() - began:.2f} s beside {104 - len(refused)} waiting orders")
PY
control output "$load" | grep -q "^ok off" || fail "the load is not off"
control clear-fault load-2 >/dev/null

stop_yard
database_is_sound
