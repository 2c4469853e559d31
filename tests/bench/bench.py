#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""How fast and how small, held against what the hardware allows or what people do today.

  bench.py [ROW...] [--quick] [--json FILE]

ROW is one of the names below; left out, all of them: about 10 minutes, with --quick 2.
Each line of the table has our figure, what it is held against as measured in the same
run, and their ratio, which does not depend on the machine. Processor time is counted, not
the time of day, wherever the figure allows it. FILE gets the same as JSON.

Needs a release build (AMPLEDGER_BUILD) and Debian's python3-serial for the script
that people write today. Ends with 1 when a figure misses."""

import argparse
import json
import pathlib
import sys
import tempfile
import traceback

sys.dont_write_bytecode = True
import link  # noqa: E402
import many  # noqa: E402
import off  # noqa: E402
import records  # noqa: E402
import script  # noqa: E402
import times  # noqa: E402
from yard import CannotRun  # noqa: E402

ROWS = {"wire": link.wire, "unpaced": link.unpaced, "script": script.script, "many": many.many,
        "off": off.off, "results": records.results, "bytes": records.bytes_a_sample,
        "card": script.card, "start": times.cold_start, "speed": times.speed_up}


def show(r):
    word = "<=" if r["must_be"] == "at_most" else ">="
    print(f"{r['what']:58} {r['ours']:10.4g} {r['other']:10.4g} {r['unit']:10} {r['ratio']:7.3f} "
          f"{word} {r['must']:<6.3g} {'' if r['holds'] else 'MISSED'}  {r['note']}", flush=True)


def main():
    p = argparse.ArgumentParser(description="figures beside their limits")
    p.add_argument("rows", nargs="*", metavar="ROW", choices=[[], *ROWS], help=", ".join(ROWS))
    p.add_argument("--quick", action="store_true")
    p.add_argument("--json", type=pathlib.Path)
    a = p.parse_args()
    print(f"{'what':58} {'ours':>10} {'other':>10} {'unit':10} {'ratio':>7} must")
    found, failed = [], []
    for name in a.rows or ROWS:
        try:
            with tempfile.TemporaryDirectory(prefix="ampledger-bench.") as folder:
                for r in ROWS[name](pathlib.Path(folder), a.quick):
                    found.append({"row": name, **r})
                    show(r)
        except CannotRun as e:
            failed.append(name)
            print(f"{name}: not measured: {e}", flush=True)
        except Exception:  # the other rows are measured all the same
            failed.append(name)
            print(f"{name}: not measured:\n{traceback.format_exc()}", flush=True)
    if a.json:
        a.json.write_text(json.dumps(found, indent=1) + "\n")
    return 0 if not failed and all(r["holds"] for r in found) else 1


if __name__ == "__main__":
    sys.exit(main())
