#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A second opinion on logs: what `ampledger analyse --json` says of random records against
numpy (sums, crossing, ampere-hours against voltage, resistance) and scipy (relaxation fits).

    python3 tests/checks/second_opinion.py BUILD

Sums within 1e-9, fits within 1e-6, relative. Writes rows for the table, see
tests/support/check_row.h."""
import json
import os
import subprocess
import sys
import tempfile

try:
    import numpy
    from scipy import optimize
except ImportError:
    print("no numpy and scipy for this python3")
    sys.exit(77)

PROGRAM = os.path.join(sys.argv[1], "ampledger")
RECORDS = 12
random = numpy.random.default_rng(20240607)
ROWS = {}


def analyse(folder, t, V, A, *options):
    path = os.path.join(folder, "record.csv")
    with open(path, "w", encoding="ascii") as f:
        f.write("t_s,voltage_V,current_A\n")
        f.writelines(f"{a!r},{b!r},{c!r}\n" for a, b, c in zip(t.tolist(), V.tolist(), A.tolist()))
    said = subprocess.run([PROGRAM, "analyse", path, "--json", *options], capture_output=True,
                          text=True, check=False)
    if said.returncode not in (0, 1):
        sys.exit(said.stderr)
    return json.loads(said.stdout)


def compare(check, by, ours, theirs, allowed):
    difference = ours / theirs - 1
    worst = ROWS.get(check)
    if worst is None or abs(difference) > abs(worst[3]):
        ROWS[check] = (by, ours, theirs, difference, allowed)


def sums(folder):
    n = int(random.integers(50, 400))
    t = numpy.cumsum(random.uniform(0.1, 9, n))
    V, A = random.uniform(10, 14, n), -random.uniform(1, 20, n)
    said = analyse(folder, t, V, A, "--end-rule", "whole")
    compare("charge, Ah", "numpy.trapz", said["capacity_Ah"], -numpy.trapz(A, t) / 3600, 1e-9)
    compare("energy, Wh", "numpy.trapz", said["energy_Wh"], -numpy.trapz(V * A, t) / 3600, 1e-9)


def crossing(folder):
    """A falling voltage: charge to the crossing, and at the voltages of the table."""
    n = int(random.integers(100, 400))
    t = numpy.cumsum(random.uniform(0.5, 5, n))
    V = 13 - 3 * numpy.sort(random.uniform(0, 1, n))
    A = -random.uniform(4, 6, n)
    said = analyse(folder, t, V, A, "--cutoff", "10.5V", "--at-voltage", "12.03V")

    def charge_to(level):
        k = int(numpy.argmax(V <= level))
        at = t[k - 1] + (V[k - 1] - level) / (V[k - 1] - V[k]) * (t[k] - t[k - 1])
        current = numpy.interp(at, t, A)
        return -numpy.trapz(numpy.append(A[:k], current), numpy.append(t[:k], at)) / 3600

    compare("charge to the crossing, Ah", "numpy.interp, numpy.trapz", said["capacity_Ah"],
            charge_to(10.5), 1e-9)
    for row in said["voltage_table"]:
        if row["voltage_V"] < V[0]:
            compare("charge delivered at a voltage, Ah", "numpy.interp, numpy.trapz",
                    row["delivered_Ah"], charge_to(row["voltage_V"]), 1e-9)


def model(t, end, a1, tau1, a2, tau2):
    return end + a1 * numpy.exp(-t / tau1) + a2 * numpy.exp(-t / tau2)


def rest(folder):
    """A load, then a rest of two time constants; the readings lie so far apart that none is
    left out of the fit."""
    after = numpy.cumsum(0.5 * 1.03 ** numpy.arange(200))
    true = (12.8, -0.2 * random.uniform(0.5, 2), random.uniform(2, 5), -0.1, random.uniform(60, 200))
    t = numpy.concatenate([numpy.arange(0, 11.0), 10 + after])
    V = numpy.concatenate([numpy.full(11, 12.1), model(after, *true)])
    V = V + numpy.concatenate([numpy.zeros(11), random.normal(0, 3e-4, after.size)])
    A = numpy.concatenate([numpy.full(11, -10.0), numpy.zeros(after.size)])
    said = analyse(folder, t, V, A, "--end-rule", "whole")
    off = [c for c in said["resistances"] if c["method"] == "off"][0]
    compare("DC resistance at the first reading, mOhm", "numpy",
            off["instants"][0]["resistance_mOhm"], 1e3 * (V[11] - V[10]) / 10, 1e-9)
    fit, covariance = optimize.curve_fit(model, after, V[11:], p0=true, xtol=1e-14, ftol=1e-14,
                                         gtol=1e-14, maxfev=20000)
    u = numpy.sqrt(numpy.diag(covariance))
    found = off["relaxation"]
    for pair, k in zip(found["pairs"], (2, 4)):
        compare("relaxation: time constant, s", "scipy.optimize.curve_fit", pair["tau_s"], fit[k],
                1e-6)
        compare("relaxation: U of a time constant, s", "scipy.optimize.curve_fit",
                pair["tau_uncertainty_s"], 2 * u[k], 1e-4)
    compare("relaxation: voltage it goes to, V", "scipy.optimize.curve_fit",
            found["end_voltage_V"], fit[0], 1e-6)


def main():
    with tempfile.TemporaryDirectory(prefix="ampledger-opinion-") as folder:
        for _ in range(RECORDS):
            sums(folder)
            crossing(folder)
            rest(folder)
    outside = 0
    lines = []
    for check, (by, ours, theirs, difference, allowed) in ROWS.items():
        inside = abs(difference) <= allowed
        outside += not inside
        lines.append("\t".join([f"{check}, worst of {RECORDS} random records", by, f"{theirs:.9g}",
                                f"{ours:.9g}", f"{difference:+.2g} rel", f"{allowed:.2g} rel",
                                "inside" if inside else "OUTSIDE"]))
    path = os.environ.get("AMPLEDGER_CHECK_ROWS")
    if path:
        with open(path, "a", encoding="utf-8") as f:
            f.write("".join(line + "\n" for line in lines))
    else:
        print("\n".join(lines))
    return 1 if outside or not lines else 0


if __name__ == "__main__":
    sys.exit(main())
