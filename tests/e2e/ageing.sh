#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Cycles of a battery that loses 1 % of its capacity with each full cycle: the capacity
# of every round is what that law makes of the first, within 0.1 %. ROUNDS=3 for a short life.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

if [ "${AMPLEDGER_SANITIZED:-0}" = 1 ]; then
    echo "skipped: hundreds of thousands of samples are for the release build"
    exit 77
fi
rounds=${ROUNDS:-30}
mkdir "$home/profiles"
cat >"$home/profiles/cycles.yaml" <<PROFILE
profile: Cycles of a fading battery
for: [lfp]
steps:
  - repeat:
      name: cycles
      times: $rounds
      steps:
        - charge:
            name: fill
            current: 0.9 C
            voltage: 3.65 V/cell
            until: {current: 0.05 C}
            at_most: {time: 3 h, charge: 120 %}
            sample_every: 1.5 s
        - rest: {name: rest when full, for: 2 min}
        - discharge:
            name: capacity
            current: 1 C
            until: {voltage: 2.5 V/cell}
            at_most: {time: 2 h, charge: 120 %}
            sample_every: 1.5 s
        - rest: {name: rest when empty, for: 2 min}
PROFILE
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
# shellcheck disable=SC2034 # for write_yard
yard_change='s/resistance: 14 mOhm/resistance: 20 mOhm\n    fade_per_cycle: 1 %/'
start_place "${SPEED:-100000}" jetty launch-a --chemistry lfp --cells 4 --rated 20Ah
fresh launch-a 0.9
run_at jetty launch-a cycles "$home/cycles.json" || fail "the cycles ended with $run_status"
counter_is "$home/cycles.json" 0.001 || fail "other than the battery's own counter"
# While charge q is taken out the capacity goes down as C (1 - f)^(q / C), so what is
# between full and cut-off, a fixed share of it, is (exp(a q1 / C) - exp(a q0 / C)) / a.
python3 - "$home/cycles.json" "$rounds" <<'PY'
import json, math, sys
d = json.load(open(sys.argv[1]))
got = [r["capacity_Ah"] for r in d["rounds"]]
assert len(got) == int(sys.argv[2]), len(got)
C, a = 20.7, -math.log(1 - 0.01)
share = (math.exp(a * got[0] / C) - 1) / a
q, worst = 0.0, 0.0
for n, ah in enumerate(got):
    law = C / a * math.log(math.exp(a * q / C) + a * share) - q
    print("round %d: %.4f Ah, %+.4f %% from the law" % (n + 1, ah, 100 * (ah / law - 1)))
    worst = max(worst, abs(ah / law - 1))
    q += ah
print("first %.4f Ah, last %.4f Ah, at most %.4f %% from the law" % (got[0], got[-1], 100 * worst))
assert worst < 0.001
assert got[-1] < got[0] * 0.992 ** (len(got) - 1)
PY
stop_yard
database_is_sound
