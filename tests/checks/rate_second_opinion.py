#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The fits of `ampledger rates` against numpy and scipy, on random discharges.

  python3 tests/checks/rate_second_opinion.py [BUILD] [ROUNDS]

Held: exponent, constant, R^2 and standard error within 1e-6 relative, by both
regressions. Exit status 77 where numpy or scipy is not there."""
import json
import math
import os
import random
import subprocess
import sys

try:
    import numpy
    from scipy import stats
except ImportError:
    print("skipped: numpy and scipy are not there (apt-get install python3-numpy python3-scipy)")
    sys.exit(77)

BUILD = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("AMPLEDGER_BUILD", "build")
ROUNDS = int(sys.argv[2]) if len(sys.argv) > 2 else 6
ALLOWED = 1e-6


def ours(points, side):
    text = ",".join(f"{a!r}A:{h!r}h" for a, h in points)
    done = subprocess.run([f"{BUILD}/ampledger", "rates", "--points", text, "--regression", side, "--json"],
                          capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def theirs(points, side):
    i = numpy.log([a for a, _ in points])
    t = numpy.log([h for _, h in points])
    if side == "time-on-current":
        fit = stats.linregress(i, t)
        return -fit.slope, math.exp(fit.intercept), fit.rvalue ** 2, fit.stderr
    fit = stats.linregress(t, i)
    return -1 / fit.slope, math.exp(-fit.intercept / fit.slope), fit.rvalue ** 2, fit.stderr / fit.slope ** 2


def main():
    draw = random.Random(20)
    worst = 0
    for _ in range(ROUNDS):
        n, scale = draw.uniform(1.05, 1.5), draw.uniform(20, 900)
        points = []
        for k in range(draw.randint(3, 12)):
            amps = 2 * 1.3 ** k * draw.uniform(1, 1.1)
            points.append((round(amps, 6), round(scale / amps ** n * draw.uniform(0.97, 1.03), 9)))
        for side in ("time-on-current", "current-on-time"):
            got = ours(points, side)
            for key, want in zip(("fitted_exponent", "peukert_constant", "r_squared",
                                  "fitted_exponent_standard_error"), theirs(points, side)):
                value = got[key]
                if value is None and key == "peukert_constant" and got["fitted_exponent"] < 1:
                    continue
                worst = max(worst, abs(value / want - 1))
    inside = worst <= ALLOWED
    rows = os.environ.get("AMPLEDGER_CHECK_ROWS")
    if rows:
        with open(rows, "a", encoding="ascii") as f:
            f.write(f"rate fits on {ROUNDS} random sets, worst relative\tnumpy and scipy\t0\t{worst:.3g}\t"
                    f"{worst:+.2g}\t{ALLOWED:.2g}\t{'inside' if inside else 'OUTSIDE'}\n")
    print(f"worst relative difference of {ROUNDS} random sets, two regressions, four figures: {worst:.3g}, "
          f"allowed {ALLOWED:.0e}")
    return 0 if inside else 1


if __name__ == "__main__":
    sys.exit(main())
