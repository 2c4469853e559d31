#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A second opinion on fade and lots: numpy's and scipy's numbers on the same random records.

    python3 tests/checks/second_opinion_fade.py BUILD

Plain fits by numpy's least squares; a robust fit is right when another minimiser cannot
make the bisquare's loss less; tolerance factors by scipy's noncentral t (one-sided) and by
its adaptive quadrature (two-sided). Writes rows for the table, see tests/support/check_row.h."""
import os
import subprocess
import sys

try:
    import numpy
    from scipy import integrate, optimize, special, stats
except ImportError:
    print("no numpy and scipy for this python3")
    sys.exit(77)

BUILD = sys.argv[1]
BISQUARE = 4.685
ROWS = []


def ask(program, what):
    return subprocess.run([os.path.join(BUILD, "tests", program), what], check=True,
                          capture_output=True, text=True).stdout.splitlines()


def row(check, by, ours, theirs, allowed):
    """ours and theirs: lists; the worst difference, relative, makes the row."""
    worst = max(range(len(ours)), key=lambda i: abs(ours[i] / theirs[i] - 1))
    difference = ours[worst] / theirs[worst] - 1
    inside = abs(difference) <= allowed
    ROWS.append("\t".join([f"{check}, worst of {len(ours)}", by, f"{theirs[worst]:.9g}",
                           f"{ours[worst]:.9g}", f"{difference:+.2g} rel", f"{allowed:.2g} rel",
                           "inside" if inside else "OUTSIDE"]))
    return inside


def axes(law, x, y):
    return (numpy.sqrt(x) if law == "root" else x), (numpy.log(y) if law == "exponential" else y)


def loss(c, x, y, scale):
    u = numpy.minimum(numpy.abs(y - c[0] - c[1] * x) / (BISQUARE * scale), 1)
    return numpy.sum(1 - (1 - u * u) ** 3)


def fitted_scatter(c, x, y, coefficients):
    r = numpy.sort(numpy.abs(y - c[0] - c[1] * x))[coefficients:]
    return numpy.median(r) / 0.6745


def fades():
    plain_ours, plain_theirs, r_ours, r_theirs, robust_ours, robust_theirs = [], [], [], [], [], []
    for line in ask("unit_analysis_fade", "records"):
        points, line_fit, root, exponential, robust = line.split("|")
        x, y = numpy.array([[float(v) for v in p.split(",")] for p in points.split()]).T
        for law, text in (("line", line_fit), ("root", root), ("exponential", exponential)):
            fx, fy = axes(law, x, y)
            a, b, r2 = map(float, text.split())
            theirs = numpy.linalg.lstsq(numpy.vstack([numpy.ones_like(fx), fx]).T, fy, rcond=None)[0]
            plain_ours += [a, b]
            plain_theirs += list(theirs)
            r_ours.append(r2)
            r_theirs.append(numpy.corrcoef(fx, fy)[0, 1] ** 2)
        law, a, b, _ = robust.split()
        if law == "none":
            continue
        fx, fy = axes(law, x, y)
        c = numpy.array([float(a), float(b)])
        scale = fitted_scatter(c, fx, fy, 2)
        # from our own place, in units in which both coefficients are about 1
        unit = numpy.array([abs(c[0]), abs(c[1])])
        best = optimize.minimize(lambda v: loss(v * unit, fx, fy, scale), c / unit,
                                 method="Nelder-Mead",
                                 options={"xatol": 1e-12, "fatol": 1e-15, "maxiter": 20000})
        robust_ours += list(c)
        robust_theirs += list(best.x * unit)
    ok = row("plain fade fits", "numpy.linalg.lstsq", plain_ours, plain_theirs, 1e-9)
    ok &= row("R squared of plain fade fits", "numpy.corrcoef", r_ours, r_theirs, 1e-9)
    return row("robust fade fits", "scipy.optimize.minimize of the bisquare's loss", robust_ours,
               robust_theirs, 1e-6) and ok


def two_sided(n, share, confidence, near):
    def half(z):
        m = z / numpy.sqrt(n)
        return optimize.brentq(lambda r: special.ndtr(m + r) - special.ndtr(m - r) - share, 0, 20,
                               xtol=1e-13)

    def held(k):
        def part(z):
            return numpy.exp(-z * z / 2) * special.chdtrc(n - 1, (n - 1) * (half(z) / k) ** 2)

        return 2 / numpy.sqrt(2 * numpy.pi) * integrate.quad(part, 0, 8, epsabs=1e-10)[0] - confidence

    return optimize.brentq(held, near / 2, near * 2, xtol=1e-9)


def factors():
    ours, theirs, ours2, theirs2 = [], [], [], []
    for line in ask("unit_analysis_lot", "factors"):
        n, share, confidence, one, two = map(float, line.split())
        root = numpy.sqrt(n)
        # by the distribution, since its inverse fails for a very large shift
        one_sided = optimize.brentq(
            lambda k: stats.nct.cdf(k * root, n - 1, stats.norm.ppf(share) * root) - confidence,
            one / 2, one * 2, xtol=1e-10)
        ours.append(one)
        theirs.append(one_sided)
        if n in (3, 12, 31) and share == 0.95:
            ours2.append(two)
            theirs2.append(two_sided(n, share, confidence, two))
    ok = row("one-sided tolerance factors", "scipy.stats.nct", ours, theirs, 1e-6)
    return row("two-sided tolerance factors", "scipy.integrate.quad", ours2, theirs2, 1e-6) and ok


good = fades()
good = factors() and good
if "AMPLEDGER_CHECK_ROWS" in os.environ:
    with open(os.environ["AMPLEDGER_CHECK_ROWS"], "a", encoding="utf-8") as out:
        out.write("".join(r + "\n" for r in ROWS))
else:
    print("\n".join(ROWS))
sys.exit(0 if good else 1)
