#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The command line under valgrind: no error, no leak, on good input and bad.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

if ldd "$AMPLEDGER_BUILD/ampledger" | grep -qE 'lib(a|t)san'; then
    echo "skipped: valgrind and the sanitizers exclude each other"
    exit 77
fi
command -v valgrind >/dev/null || { echo "skipped: no valgrind"; exit 77; }

# grind STATUS ARGUMENTS...: the exit status must be that; valgrind's own is 99
grind() {
    wanted=$1
    shift
    expect "$wanted" valgrind -q --error-exitcode=99 --leak-check=full \
        --show-leak-kinds=definite,indirect --errors-for-leak-kinds=definite,indirect \
        ampledger "$@"
}

python3 - >"$home/log.csv" <<'PY'
print("t_s,voltage_V,current_A,temperature_C")
for t in range(0, 3601, 10):
    print(f"{t},{4.2 - 1.6 * t / 3600},-2,25")
PY
grind 0 --help
grind 0 help analyse
grind 2 nonsense
grind 2 analyse "$home/nowhere.csv" --cutoff 2.7V
grind 0 analyse "$home/log.csv" --cutoff 2.7V
grind 1 analyse "$home/log.csv" --cutoff 2.7V --rated 2Ah --json
grind 0 ports
grind 4 stands

start_virtual 100000
start_daemon
await 20 phase_is idle
grind 0 stands
grind 0 battery add launch-a --chemistry lfp --cells 4 --rated 125Ah --note 'electric launch A'
grind 2 battery add launch-a --chemistry lfp --cells 4 --rated 125Ah
grind 0 battery list
grind 0 battery show launch-a --json
grind 0 plan overnight-capacity-lfp --battery launch-a --stand jetty
grind 2 plan overnight-capacity-lfq --battery launch-a
grind 0 start overnight-capacity-lfp --battery launch-a --stand jetty --wait
grind 0 runs
grind 0 show last
grind 0 show last --json
grind 0 export last -o "$home/run.csv"
grind 3 stop jetty
grind 3 clear jetty
stop_daemon
