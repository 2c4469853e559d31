#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Fuzzers: what comes from files, instruments, browsers and databases of strangers. Each
# runs so many times, from the seeds in tests/fuzz/seeds and the project's own files.
#   sh tests/fuzz.sh BUILD [RUNS [FUZZER...]]     20000 runs of all unless said otherwise
# Whole databases take a hundred times as long as a line or a file, so they get a hundredth of the
# runs. Inputs that break something are left in BUILD/fuzz/found.
set -eu
source=$(cd "$(dirname "$0")/.." && pwd)
build=${1:?a folder to build in}
runs=${2:-20000}
[ $# -lt 2 ] || shift
shift
[ $# -gt 0 ] || set -- bench block csv driver http profile scpi store
CC=clang cmake -S "$source" -B "$build" -G Ninja -DCMAKE_C_COMPILER=clang -DAMPLEDGER_FUZZ=ON >/dev/null
ninja -C "$build" fuzzers >"$build/fuzz.log" 2>&1 || {
    tail -n 50 "$build/fuzz.log"
    exit 1
}
mkdir -p "$build/fuzz/found"
status=0
total=0
for name; do
    corpus=$build/fuzz/corpus/$name
    mkdir -p "$corpus"
    case $name in
    driver) seeds=$source/drivers ;;
    profile) seeds=$source/profiles ;;
    bench) seeds=$source/src/virtual/demo ;;
    *) seeds=$source/tests/fuzz/seeds/$name ;;
    esac
    # Words that stand in the seeds: by chance alone no "voltage_min:" is ever written.
    words=$build/fuzz/$name.words
    grep -aohrE '[A-Za-z_]{3,24}:?' "$seeds" | sort -u | sed 's/.*/"&"/' >"$words"
    log=$build/fuzz/$name.log
    times=$runs
    [ "$name" != store ] || times=$((runs / 100))
    if "$build/tests/fuzz_$name" -runs="$times" -max_len=8192 -timeout=60 -rss_limit_mb=2048 -verbosity=1 \
        -print_final_stats=1 -dict="$words" -artifact_prefix="$build/fuzz/found/$name-" "$corpus" "$seeds" >"$log" 2>&1; then
        done=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
        total=$((total + done))
        echo "$name: $done runs, $(grep -o 'cov: [0-9]*' "$log" | tail -n 1), nothing found"
    else
        status=1
        echo "$name: FOUND SOMETHING"
        tail -n 40 "$log"
    fi
done
echo "fuzzers: $total runs"
exit "$status"
