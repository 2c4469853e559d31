#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Writes ampledger(1) from what the program says of itself, so that there is one source.
#   sh ampledger.1.sh PROGRAM VERSION >ampledger.1
set -eu
program=$1
version=$2

# literal: lines as they are, whatever mdoc would read in them
literal() {
    echo '.Bd -literal'
    sed 's/\\/\\e/g; s/^\([.'"'"']\)/\\\&\1/; s/-/\\-/g'
    echo '.Ed'
}

cat <<HEAD
.\\" Written from \`ampledger help\`.
.Dd \$Mdocdate\$
.Dt AMPLEDGER 1
.Os ampledger $version
.Sh NAME
.Nm ampledger
.Nd the ledger of the ampere-hours that batteries really deliver
.Sh SYNOPSIS
.Nm
.Ar verb
.Op Ar argument ...
.Op Fl Fl json
.Op Fl Fl socket Ar path
.Sh DESCRIPTION
.Nm
is the command line of
.Xr ampledgerd 8 ,
which drives electronic loads and power supplies through unattended battery tests.
HEAD
"$program" help | sed 1,2d | literal
echo '.Sh VERBS'
"$program" help | sed -n '3,/^$/s/^  \([a-z][a-z-]*\) .*/\1/p' | while read -r verb; do
    echo ".Ss $verb"
    "$program" help "$verb" | literal
done
cat <<'TAIL'
.Sh ENVIRONMENT
.Bl -tag -width Ds
.It Ev AMPLEDGER_SOCKET
Where
.Xr ampledgerd 8
listens, unless
.Fl Fl socket
says otherwise.
.El
.Sh FILES
.Bl -tag -width Ds
.It Pa /run/ampledger/ampledger.sock
The socket, unless said otherwise.
Its group may use it.
.El
.Sh SEE ALSO
.Xr ampledger-bench 5 ,
.Xr ampledger-driver 5 ,
.Xr ampledger-profile 5 ,
.Xr ampledgerd 8
.Sh CAVEATS
Batteries burn, give off hydrogen and acid, and deliver hundreds of amperes into a short circuit.
This program is not a protective device: set the instruments' own protections and a fuse,
and follow local codes, the makers' instructions and the advice of licensed people.
TAIL
