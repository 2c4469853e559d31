#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Every figure that is held against the outside world, as a table: check, source, expected,
# ours, difference, allowed. Runs the tests that make the rows (those that include
# check_row.h, and the scripts in tests/checks/) and fails when one is outside, when a test
# fails, or when there are no rows.
#   sh tests/checks.sh BUILD        the table, for reading
#   sh tests/checks.sh BUILD --tsv  the same with tabs, for a script
set -eu
build=${1:?where is the build? e.g. sh tests/checks.sh build}
form=${2:-table}
tests=$(cd "$(dirname "$0")" && pwd)
AMPLEDGER_SHARED=${AMPLEDGER_SHARED:-$tests/../../shared}
AMPLEDGER_CHECK_ROWS=$(mktemp /tmp/ampledger-checks-XXXXXX)
said=$(mktemp /tmp/ampledger-checks-XXXXXX)
trap 'rm -f "$AMPLEDGER_CHECK_ROWS" "$said"' EXIT
python=python3 # the system's own is the one that has its packages
[ ! -x /usr/bin/python3 ] || python=/usr/bin/python3
export AMPLEDGER_SHARED AMPLEDGER_CHECK_ROWS
status=0

# judge NAME COMMAND...: 77 means that what it needs is not here
judge() {
    name=$1
    shift
    result=0
    "$@" >"$said" 2>&1 || result=$?
    if [ "$result" = 77 ]; then
        echo "NOT CHECKED: $name: $(head -n 1 "$said")" >&2
    elif [ "$result" != 0 ]; then
        echo "FAILED: $name" >&2
        cat "$said" >&2
        status=1
    fi
}

for source in "$tests"/unit/*.c; do
    name=$(basename "$source" .c)
    ! grep -q check_row.h "$source" || judge "$name" "$build/tests/unit_$name"
done
for script in "$tests"/checks/*.py; do
    [ ! -e "$script" ] || judge "$(basename "$script")" "$python" "$script" "$build"
done

[ -s "$AMPLEDGER_CHECK_ROWS" ] || { echo "checks: no rows" >&2; exit 1; }
if grep -q 'OUTSIDE$' "$AMPLEDGER_CHECK_ROWS"; then
    status=1
fi
if [ "$form" = --tsv ]; then
    cat "$AMPLEDGER_CHECK_ROWS"
else
    awk -F '\t' '
        { for (i = 1; i <= 7; i++) { cell[NR, i] = $i; w[i] = length($i) > w[i] ? length($i) : w[i] } }
        function line(a, b, c, d, e, f, g) {
            fmt = "%-" w[1] "s  %-" w[3] "s  %-" w[4] "s  %-" w[5] "s  %-" w[6] "s  %-7s  %s\n"
            printf fmt, a, b, c, d, e, f, g
        }
        BEGIN { w[3] = w[4] = 8; w[5] = 10; w[6] = 7 }
        END {
            line("check", "expected", "ours", "difference", "allowed", "", "source")
            for (n = 1; n <= NR; n++)
                line(cell[n, 1], cell[n, 3], cell[n, 4], cell[n, 5], cell[n, 6], cell[n, 7], cell[n, 2])
            printf "\n%d checks\n", NR
        }' "$AMPLEDGER_CHECK_ROWS"
fi
exit "$status"
