#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Lines and branches of the rooms that judge, compute, parse and steer that tests have run:
#   sh tests/coverage.sh BUILD    after ctest in a build with -DAMPLEDGER_COVERAGE=ON; 1 below 90 % or 80 %
# Which they are stands in BUILD/coverage.txt, file by file.
#
# Left out are branches without source text, and those on locking a mutex or waiting for a condition: the
# sanitizer's own check that it is there. A lack of memory is no branch, since zalloc() ends the program. Lines
# that gcov counts wrongly, because two threads counted at once, are passed over and told in BUILD/coverage.err.
set -eu
build=$(cd "$1" && pwd)
cd "$(dirname "$0")/.."
source=$PWD
status=0
cd "$build"

gcovr -r "$source" --filter '.*/src/(guard|analysis|scpi|run)/[^/]*\.c$' --gcov-ignore-parse-errors \
    --exclude-unreachable-branches --exclude-throw-branches \
    --exclude-branches-by-pattern '.*pthread_(mutex|cond)_.*' --json coverage.json . 2>coverage.err
for what in "" --branches; do
    # shellcheck disable=SC2086  # nothing, or one word
    gcovr -r "$source" -a coverage.json --filter '.*/src/' $what --txt -
done >coverage.txt

# A file of its own: gcovr tries by making and removing it whether it can be written.
for room in guard analysis scpi run; do
    printf '%-9s' "$room"
    gcovr -r "$source" -a coverage.json --filter ".*/src/$room/" --print-summary --fail-under-line 90 \
        --fail-under-branch 80 --txt coverage.room.txt 2>coverage.err.room | grep -v functions | tr '\n' ' ' || true
    echo
    ! grep -q 'minimum' coverage.err.room || status=1
    cat coverage.err.room
done
rm -f coverage.err.room coverage.room.txt
exit "$status"
