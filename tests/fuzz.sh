#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Fuzzers: what comes from files, instruments, browsers and databases of strangers. Each
# runs so many times, from the seeds in tests/fuzz/seeds and the project's own files.
#   sh tests/fuzz.sh BUILD [RUNS]     20000 runs each unless said otherwise
# Inputs that break something are left in BUILD/fuzz/found.
set -eu
source=$(cd "$(dirname "$0")/.." && pwd)
build=${1:?a folder to build in}
runs=${2:-20000}
CC=clang cmake -S "$source" -B "$build" -G Ninja -DCMAKE_C_COMPILER=clang -DAMPLEDGER_FUZZ=ON >/dev/null
ninja -C "$build" fuzzers >"$build/fuzz.log" 2>&1 || {
    tail -n 50 "$build/fuzz.log"
    exit 1
}
mkdir -p "$build/fuzz/found"
status=0
total=0
for file in "$source"/tests/fuzz/*.c; do
    name=$(basename "$file" .c)
    corpus=$build/fuzz/corpus/$name
    mkdir -p "$corpus"
    case $name in
    driver) seeds=$source/drivers ;;
    profile) seeds=$source/profiles ;;
    bench) seeds=$source/src/virtual/demo ;;
    *) seeds=$source/tests/fuzz/seeds/$name ;;
    esac
    log=$build/fuzz/$name.log
    if "$build/tests/fuzz_$name" -runs="$runs" -max_len=8192 -timeout=20 -rss_limit_mb=2048 -verbosity=1 \
        -print_final_stats=1 -artifact_prefix="$build/fuzz/found/$name-" "$corpus" "$seeds" >"$log" 2>&1; then
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
