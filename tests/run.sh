#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# All tests, on a fresh Debian 12: installs what is missing, builds, runs.
#   sh tests/run.sh            everything
#   sh tests/run.sh quick      only the build under ASan and UBSan
# Tests run five at a time, since most of them wait most of the time; those whose figures
# would suffer say so in tests/CMakeLists.txt and run alone.
set -eu
cd "$(dirname "$0")/.."
. src/setup.sh

need_packages build-essential cmake ninja-build pkg-config libserialport-dev libsqlite3-dev \
    libyaml-dev libmicrohttpd-dev libgnutls28-dev libjansson-dev libcurl4-openssl-dev libgsl-dev nettle-dev \
    libcmocka-dev sqlite3 curl openssl valgrind shellcheck python3 python3-numpy python3-scipy procps \
    chromium tidy libjs-dygraphs lintian mandoc systemd clang-tidy cppcheck gcovr \
    clang libclang-rt-14-dev
command -v npm >/dev/null || need_packages nodejs npm

# What was just installed comes before other versions and the shims of version managers,
# which may take ten times as long to start as what they start.
PATH=/usr/bin:/bin:$PATH
export PATH

step "shell scripts"
find . -name '*.sh' -not -path './build*' -print0 |
    xargs -0 shellcheck -x -e SC1091,SC2317 .ci/run

step "the house rules"
sh tests/house_rules.sh

step "build and test under ASan and UBSan"
build build-asan -DAMPLEDGER_ASAN=ON -DAMPLEDGER_COVERAGE=ON
find build-asan -name '*.gcda' -delete
ctest --test-dir build-asan --output-on-failure -j5 -L 'unit|e2e'

step "what of the rooms that judge, compute, parse and steer was run"
sh tests/coverage.sh build-asan

if [ "${1:-}" = quick ]; then
    exit 0
fi

step "the threaded rooms under TSan"
configure build-tsan -DAMPLEDGER_TSAN=ON
compile build-tsan threads
ctest --test-dir build-tsan --output-on-failure -j2 -L threads

step "the release build, as people run it: end to end, faults, and the command line under valgrind"
build build
# What only computes goes on beside tests that mostly wait, after all of them.
(
    nice -n 19 sh tests/static.sh build >build/static.out 2>&1
    nice -n 19 sh tests/fuzz.sh build-fuzz 2000 >build/fuzz.out 2>&1
) &
beside=$!
ctest --test-dir build --output-on-failure -j5 -L 'e2e|valgrind|faults|checks|package'

step "static analysis and fuzzers in small, begun beside the tests above"
wait "$beside" || {
    cat build/static.out build/fuzz.out 2>/dev/null || true
    exit 1
}
cat build/fuzz.out

step "the page in a browser: the whole job, accessibility, HTML"
mkdir -p build/browser
cp tests/browser/package.json tests/browser/package-lock.json build/browser/
npm ci --prefix build/browser --no-audit --no-fund
ctest --test-dir build --output-on-failure -L browser
