#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Eight stands at speed with everything going wrong at random, for as long as is asked:
#   sh tests/soak.sh                 20 minutes
#   sh tests/soak.sh 1               one minute; further options as figures/soak.py has them
# AMPLEDGER_BUILD names a release build, ./build if it does not.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
: "${AMPLEDGER_SOURCE:=$(dirname "$here")}" "${AMPLEDGER_BUILD:=$AMPLEDGER_SOURCE/build}"
export AMPLEDGER_SOURCE AMPLEDGER_BUILD
exec nice -n 5 python3 "$here/figures/soak.py" "$@"
