#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# What clang-tidy (.clang-tidy) and cppcheck (tests/cppcheck.txt) make of the sources:
#   sh tests/static.sh BUILD         a configured build by gcc without sanitizers; 1 when anything is found
#   sh tests/static.sh BUILD deep    the analyzer takes the time it wants: ten minutes
set -eu
build=$(cd "$1" && pwd)
cd "$(dirname "$0")/.."
depth=shallow
[ "${2:-}" != deep ] || depth=deep
lanes=$(nproc)
status=0
: >"$build/static.txt"

if [ "$(find src -name '*.c' | wc -l)" -lt 100 ] || [ ! -s "$build/compile_commands.json" ]; then
    echo "static.sh: nothing to look at in $build; configure it first"
    exit 2
fi

# Only what is found is shown: clang counts what it saw in headers of the system, too.
find src -name '*.c' -print0 | sort -z |
    xargs -0 -P "$lanes" -n 6 clang-tidy -p "$build" --quiet \
        --extra-arg=-Xclang --extra-arg=-analyzer-config --extra-arg=-Xclang --extra-arg=mode=$depth \
        >"$build/static.txt" 2>"$build/static.err" || status=1
grep -v 'warnings\? generated\|Suppressed .* warnings\|^Use -header-filter' "$build/static.err" >>"$build/static.txt" || true

cppcheck --project="$build/compile_commands.json" --file-filter="$PWD/src/*" -j "$lanes" --quiet \
    --enable=warning,performance,portability --inline-suppr --suppressions-list=tests/cppcheck.txt \
    --error-exitcode=1 --template='{file}:{line}: {severity}: {message} [cppcheck {id}]' \
    2>>"$build/static.txt" || status=1

sed "s|$PWD/||" "$build/static.txt"
exit "$status"
