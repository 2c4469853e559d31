# SPDX-License-Identifier: GPL-3.0-or-later
"""Row 5: from a crossed limit to the first byte of off, alone and under load, by
figures/limit_to_off.py: what of it passes in the daemon, and all of it beside what the
bare link takes in the same minutes."""

import json
import pathlib
import subprocess
import sys

from yard import figure, row
from figures import quantile

LIMIT_MS = 5


def off(home, quick):
    kept = home / "trips"
    n, loaded, stands = (40, 64, 32) if quick else (200, 300, 64)
    command = pathlib.Path(__file__).parents[1] / "figures" / "limit_to_off.py"
    subprocess.run([sys.executable, str(command), str(n), "--loaded", str(loaded), "--loaded-stands", str(stands),
                    "--into", str(kept)], stdout=subprocess.DEVNULL, check=False)
    rows = [json.loads(line) for line in kept.read_text().splitlines()]
    for condition in ("alone", "under load"):
        here = [r for r in rows if r["condition"] == condition]
        inside = [r["inside"] for r in here if "inside" in r]
        if not inside:
            raise RuntimeError(f"no trip was measured {condition}")
        note = ", ".join(f"p{100 * p:g} {quantile(inside, p):.3f}" for p in (0.5, 0.99))
        yield figure(f"5 sample to off in the daemon, {condition}, p99.9", quantile(inside, 0.999), LIMIT_MS, "ms",
                     f"{note}, worst {max(inside):.3f} of {len(inside)}")
        for link in ("tty", "tcp"):
            ours, bare = ([r[what] for r in here if r.get("link") == link and what in r]
                          for what in ("sample", "bare"))
            yield row(f"5 sample to off by {link}, {condition}, p99.9", quantile(ours, 0.999),
                      LIMIT_MS + quantile(bare, 0.999), 1, "ms",
                      f"p50 {quantile(ours, .5):.3f}, p99 {quantile(ours, .99):.3f}, worst {max(ours):.3f}; the bare "
                      f"link: p50 {quantile(bare, .5):.3f}, p99.9 {quantile(bare, .999):.3f}",
                      name="5 ms and the bare link")
