#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# From elsewhere: nothing is opened before there is a token; who may look and who may change;
# TLS with a certificate made here; the socket's mode and group; behind a proxy.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

# ask STATUS CURL-ARGUMENTS...: the status that must come; the answer goes to $home/answer
ask() {
    wanted=$1
    shift
    got=$(curl -s -m 20 -o "$home/answer" -w '%{http_code}' "$@") || true
    [ "$got" = "$wanted" ] || {
        cat "$home/answer"
        fail "status $got, not $wanted: $*"
    }
}

as() {
    printf 'Authorization: Bearer %s' "$1"
}

post() {
    echo 'Content-Type: application/json'
}

# make_token NAME RIGHT: prints it
make_token() {
    ampledger token make "$1" --may "$2" --json >"$home/token.json" || fail "no token was made"
    json "$home/token.json" "d['token']"
}

# serve HTTP-LINES: starts anew with that in the bench file; $at is where
serve() {
    [ -z "$daemon" ] || stop_daemon
    cp "$home/plain.yaml" "$home/bench.yaml"
    echo "$1" >>"$home/bench.yaml"
    start_daemon
    await 10 phase_is idle
    curl -s --unix-socket "$AMPLEDGER_SOCKET" http://localhost/v1/daemon >"$home/daemon.json"
    at=$(json "$home/daemon.json" "d['http']")
    port=${at##*:}
}

# begin_and_log PATTERN: with the bench file as it is; the log must say that
begin_and_log() {
    start_daemon
    await 10 phase_is idle
    grep -q "$1" "$home/daemon.log" || fail "the log does not say: $1"
}

write_bench
cp "$home/bench.yaml" "$home/plain.yaml"
start_virtual 1000

# Others would reach it, and nobody has a token: it is not opened, and the bench works all the same.
serve 'http: 0.0.0.0:0'
[ "$at" = None ] || fail "it listens on $at without a token"
why="http: 0.0.0.0:0 can be reached from other computers, and is not opened before there is a token; make one while \
the daemon runs, ampledger token make NAME --may change, then start it again"
grep -q "the bench works without the page: $why\$" "$home/daemon.log" || fail "it does not say why"
expect 0 ampledger stands
says "page: $why"
expect 0 ampledgerd --bench "$home/bench.yaml" --check
says "warning: $why"
expect 0 ampledgerd --bench "$home/plain.yaml" --check
grep -q warning "$home/out" && fail "a warning where no other computer comes"
expect 0 ampledgerd --bench "$home/plain.yaml" --check --http 0.0.0.0:8470
says "is not opened before there is a token"

# Where it is asked for on this computer too, the page opens, and nobody could sign in.
why="http: nobody can sign in at 127.0.0.1:0 before there is a token"
for more in "token: always" "names: [bench.example]"; do
    serve "http: {listen: \"127.0.0.1:0\", $more}"
    [ "$at" != None ] || fail "it is not opened where only this computer reaches it"
    grep -q "warn .*nobody can sign in at $at before there is a token" "$home/daemon.log" || fail "the log does not say it"
    expect 0 ampledger stands
    says "page: http: nobody can sign in at $at before there is a token; make one while the daemon runs: ampledger token make"
    expect 0 ampledgerd --bench "$home/bench.yaml" --check
    says "warning: $why"
done
add_launch
phone=$(make_token phone change)
wall=$(make_token wall-display read)
# From now on somebody can, without a new start.
expect 0 ampledger stands
grep -q "page:" "$home/out" && fail "it says that nobody can sign in though there is a token"
expect 0 ampledger token
says phone
says wall-display
expect 2 ampledger token make phone
says "already"
expect 2 ampledger token make other --may fly
says "read or change"
expect 2 ampledger token mak other
says "did you mean \"make\""
expect 2 ampledger token withdraw fone
says "no token"
! grep -q "$phone" "$home/ampledger.db.tokens" || fail "the file holds the token itself"
[ "$(stat -c %a "$home/ampledger.db.tokens")" = 600 ] || fail "others can read the file of tokens"

# Now it is, and the tokens outlived the new start.
serve 'http: 0.0.0.0:0'
[ "$at" != None ] || fail "it does not listen although there is a token"
grep -q "has no certificate" "$home/daemon.log" || fail "it does not say that others can read along"
grep -q "the page is on every address of this computer, port $port: http://127.0.0.1:$port/" "$home/daemon.log" ||
    fail "it does not say where the page is"
expect 0 ampledger stands
grep -q "page:" "$home/out" && fail "it says that the page is not opened"
expect 0 ampledgerd --bench "$home/bench.yaml" --check
grep -q warning "$home/out" && fail "a warning although there is a token"
here=http://127.0.0.1:$port
ask 401 "$here/v1/stands"
ask 401 -H "$(as wrong)" "$here/v1/stands"
ask 401 -u "phone:$phone" "$here/v1/stands"
ask 401 "$here/v1/stands?token=$phone"
ask 200 "$here/"
ask 200 -H "$(as "$wall")" "$here/v1/stands"
ask 200 -H "$(as "$phone")" "$here/v1/stands"
retire=$here/v1/batteries/launch-a/retire
ask 403 -H "$(as "$wall")" -H "$(post)" -X POST "$retire"
ask 401 -H "$(post)" -X POST "$retire"
ask 415 -H "$(as "$phone")" -X POST "$retire"
ask 403 -H "$(as "$phone")" -H "$(post)" -H "Origin: http://boat-hire.example" -X POST "$retire"
ask 403 -H "$(as "$phone")" -H "Host: boat-hire.example:$port" "$here/v1/stands"
ask 403 -H "$(as "$phone")" -H "$(post)" -d '{"name":"x","may":"change"}' "$here/v1/tokens"
plan='{"profile":"overnight-capacity-lfp","battery":"launch-a"}'
ask 200 -H "$(as "$wall")" -H "$(post)" -d "$plan" "$here/v1/plans"
ask 200 -H "$(as "$phone")" -H "$(post)" -X POST "$retire"
grep -q 'by the token "phone": POST /v1/batteries/?/retire of launch-a' "$home/daemon.log" || fail "the order is not in the log"

# A browser: the token becomes a cookie, which no script can read and no other site sends.
ask 401 -H "$(post)" -d '{"token":"aaaaaaaa-aaaaaaaa-aaaaaaaa-aaaaaaaa"}' "$here/v1/session"
ask 200 -c "$home/jar" -D "$home/head" -H "$(post)" -d "{\"token\":\"$phone\"}" "$here/v1/session"
grep -qi "^set-cookie: ampledger-$port=$phone; Path=/; HttpOnly; SameSite=Strict.\$" "$home/head" || fail "$(cat "$home/head")"
ask 200 -b "$home/jar" "$here/v1/session"
grep -q '"name":"phone","may":"change"' "$home/answer" || fail "$(cat "$home/answer")"
ask 200 -b "$home/jar" -c "$home/jar" -H "$(post)" -X POST "$here/v1/session/end"
ask 401 -b "$home/jar" "$here/v1/session"

# Withdrawn: at once, also for who looks on already, within 15 s.
curl -s -N -H "$(as "$wall")" "$here/v1/events" >"$home/events" 2>/dev/null &
viewer=$!
await 5 grep -q "event: hello" "$home/events"
expect 0 ampledger token withdraw wall-display
ask 401 -H "$(as "$wall")" "$here/v1/stands"
viewer_left() {
    ! kill -0 "$viewer"
}
await 20 viewer_left

# Many wrong ones: refused sooner, and the right one still works.
i=0
while [ "$i" -lt 12 ]; do
    curl -s -o /dev/null -H "$(as "bbbbbbbb-bbbbbbbb-bbbbbbbb-bbbbbbb$i")" "$here/v1/stands"
    i=$((i + 1))
done
ask 429 -H "$(as wrong)" "$here/v1/stands"
ask 200 -H "$(as "$phone")" "$here/v1/stands"
[ "$(grep -c "wrong tokens within 60 s from 127.0.0.1" "$home/daemon.log")" = 1 ] || fail "not told once in the log"

# The last one withdrawn: it stays open, and nobody can come in.
expect 0 ampledger token withdraw phone
expect 0 ampledger stands
says "page: http: nobody can sign in at $at before there is a token"
phone=$(make_token phone change)

# On this computer's own address none is needed, unless something stands between.
serve 'http: 127.0.0.1:0'
here=http://$at
ask 200 "$here/v1/stands"
ask 403 -H "$(post)" -d '{"name":"x","may":"change"}' "$here/v1/tokens"
for header in "X-Forwarded-For: 192.0.2.7" "Forwarded: for=192.0.2.7" "Via: 1.1 x" "X-Real-IP: 192.0.2.7"; do
    ask 401 -H "$header" "$here/v1/stands"
    ask 200 -H "$header" -H "$(as "$phone")" "$here/v1/stands"
done
# What says nothing of itself speaks HTTP/1.0, as many that pass requests on do.
ask 401 --http1.0 "$here/v1/stands"
ask 200 --http1.0 -H "$(as "$phone")" "$here/v1/stands"
# By the socket everybody may do everything: nothing that passes requests on is let in there.
by_socket="--unix-socket $AMPLEDGER_SOCKET"
# shellcheck disable=SC2086  # words
{
    ask 200 $by_socket http://localhost/v1/tokens
    for header in "X-Forwarded-For: 192.0.2.7" "Via: 1.1 x" "Origin: http://localhost" "Sec-Fetch-Site: same-origin"; do
        ask 403 $by_socket -H "$header" http://localhost/v1/tokens
    done
    ask 403 $by_socket --http1.0 http://localhost/v1/tokens
}
serve 'http: {listen: "127.0.0.1:0", token: always}'
ask 401 "http://$at/v1/stands"
serve 'http: {listen: "127.0.0.1:0", names: [bench.example]}'
ask 401 "http://$at/v1/stands"
ask 401 -H "Host: bench.example" "http://$at/v1/stands"
ask 200 -H "Host: bench.example" -H "Origin: https://bench.example" -H "$(as "$phone")" "http://$at/v1/stands"
ask 403 -H "Host: boat-hire.example" -H "$(as "$phone")" "http://$at/v1/stands"

# TLS with a certificate made here; nothing older than 1.2, and no plain request.
openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=bench.example \
    -addext "subjectAltName=DNS:bench.example,IP:127.0.0.1" -keyout "$home/key.pem" -out "$home/cert.pem" 2>"$home/openssl.log" ||
    fail "$(cat "$home/openssl.log")"
serve 'http: {listen: "0.0.0.0:0", names: [bench.example], certificate: cert.pem, key: key.pem}'
grep -q "the page is on every address of this computer, port $port: https://bench.example:$port/" "$home/daemon.log" ||
    fail "it does not say by which name the page is found"
tls="--cacert $home/cert.pem --resolve bench.example:$port:127.0.0.1"
there=https://bench.example:$port
# shellcheck disable=SC2086  # words
{
    ask 200 $tls "$there/"
    ask 401 $tls "$there/v1/stands"
    ask 200 $tls -H "$(as "$phone")" "$there/v1/stands"
    ask 200 $tls -H "$(as "$phone")" -H "Origin: $there" "https://bench.example:$port/v1/stands"
    ask 403 $tls -H "$(as "$phone")" -H "Origin: http://bench.example:$port" "$there/v1/stands"
    ask 200 $tls -D "$home/head" -H "$(post)" -d "{\"token\":\"$phone\",\"keep\":true}" "$there/v1/session"
    ask 000 $tls --tls-max 1.1 "$there/"
    ask 000 "http://127.0.0.1:$port/"
    ask 000 "https://127.0.0.1:$port/"
}
grep -qi "^set-cookie: .*; SameSite=Strict; Secure; Max-Age=15552000.\$" "$home/head" || fail "$(cat "$home/head")"
stop_daemon
cp "$home/plain.yaml" "$home/bench.yaml"
echo 'http: {listen: "127.0.0.1:0", certificate: cert.pem, key: cert.pem}' >>"$home/bench.yaml"
begin_and_log "the bench works without the page: .*do they belong together?"
expect 0 ampledger stands
says "do they belong together?"
stop_daemon
expect 2 ampledgerd --bench "$home/bench.yaml" --check
says "do they belong together?"

# pair CERTIFICATE KEY: in the bench file
pair() {
    cp "$home/plain.yaml" "$home/bench.yaml"
    echo "http: {listen: \"127.0.0.1:0\", certificate: $1, key: $2}" >>"$home/bench.yaml"
}
pair cert.pem key.pem
expect 0 ampledgerd --bench "$home/bench.yaml" --check
grep -q warning "$home/out" && fail "a warning of a good pair"
chmod 644 "$home/key.pem"
expect 0 ampledgerd --bench "$home/bench.yaml" --check
says "everybody on this computer can read the key"
openssl ecparam -name prime256v1 -genkey -noout -out "$home/other.pem"
pair cert.pem other.pem
expect 2 ampledgerd --bench "$home/bench.yaml" --check
says "do they belong together?"
openssl x509 -in "$home/cert.pem" -signkey "$home/key.pem" -days 0 -out "$home/old.pem" 2>"$home/openssl.log" ||
    fail "$(cat "$home/openssl.log")"
sleep 1.1 # it was good for no longer than the second in which it was made
pair old.pem key.pem
expect 0 ampledgerd --bench "$home/bench.yaml" --check
says "old.pem expired at"
begin_and_log "old.pem expired at"
stop_daemon
pair cert.pem gone.pem
expect 2 ampledgerd --bench "$home/bench.yaml" --check
says "gone.pem"
begin_and_log "the bench works without the page: .*gone.pem"
stop_daemon

# The socket: mode and group as the bench file says.
cp "$home/plain.yaml" "$home/bench.yaml"
sed -i '/^socket:/d' "$home/bench.yaml"
printf 'socket: {path: "%s", mode: 0600, group: "%s"}\n' "$AMPLEDGER_SOCKET" "$(id -gn)" >>"$home/bench.yaml"
start_daemon
[ "$(stat -c '%a %G' "$AMPLEDGER_SOCKET")" = "600 $(id -gn)" ] || fail "$(stat -c '%a %G' "$AMPLEDGER_SOCKET")"
stop_daemon
sed -i 's/^socket:.*/socket: {group: no-such-group}/' "$home/bench.yaml"
expect 2 ampledgerd --bench "$home/bench.yaml"
says "no group"

# A list of tokens that cannot be read lets nobody in.
cp "$home/plain.yaml" "$home/bench.yaml"
echo broken >"$home/ampledger.db.tokens"
serve 'http: {listen: "127.0.0.1:0", token: always}'
grep -q "no token holds: .*move it away" "$home/daemon.log" || fail "it does not say what is wrong"
expect 0 ampledger stands
says "page: http: nobody can sign in at $at, since no token holds: "
says "move it away"
ask 401 -H "$(as "$phone")" "http://$at/v1/stands"
expect 2 ampledger token make other --may change
says "move it away"
[ "$(cat "$home/ampledger.db.tokens")" = broken ] || fail "the file was overwritten"
# Nor is it opened to others, and nobody is told to make one, which would be refused.
serve 'http: 0.0.0.0:0'
[ "$at" = None ] || fail "it listens on $at with a list that cannot be read"
expect 0 ampledger stands
says "page: http: 0.0.0.0:0 can be reached from other computers, and is not opened while no token holds: "
says "move it away"
grep -q "before there is a token" "$home/out" && fail "it says that there is none"
stop_daemon
kill "$virtual"
wait "$virtual" || true
virtual=
database_is_sound
