#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Every profile that is shipped, to its end, on the virtual workshop: each at the stand
# whose battery it is for, four stands beside each other, each with a daemon and a
# virtual bench of its own, and the stand of the slow discharges with two. What a run says went in and out of the battery is what the
# model counted at its own step, within 0.1 %. And a fill, a rest, a discharge, a rest
# and a refill in one run.
# shellcheck disable=SC2030,SC2031 # each queue has a home of its own
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

if [ "${AMPLEDGER_SANITIZED:-0}" = 1 ]; then
    echo "skipped: hundreds of thousands of samples are for the release build"
    exit 77
fi
# As shipped, but for the months of ageing: two rounds of two cycles tell the same.
cp -r "$AMPLEDGER_SOURCE/profiles" "$home/profiles"
sed 's/times: 50$/times: 2/; s/times: 10$/times: 2/' "$AMPLEDGER_SOURCE/profiles/ageing-li-ion.yaml" \
    >"$home/profiles/ageing-li-ion.yaml"

first_chemistry() {
    sed -n 's/^for: *\[ *\([a-z-]*\).*/\1/p' "$1"
}

# answer PID STAND: whatever the run asks of a person is done at once
answer() {
    while kill -0 "$1" 2>/dev/null; do
        ampledger confirm "$2" >/dev/null 2>&1 || true
        sleep 0.2
    done
}

# run_all STAND BATTERY TURN EACH CHEMISTRY...: of the profiles for these chemistries one in
# EACH, beginning with number TURN, one after the other
run_all() {
    at=$1
    of=$2
    turn=$3
    each=$4
    shift 4
    for file in "$home"/profiles/*.yaml; do
        profile=$(basename "$file" .yaml)
        chemistry=$(first_chemistry "$file")
        case " $* " in *" ${chemistry:-any} "*) ;; *) continue ;; esac
        turn=$((turn - 1))
        [ $((turn % each)) = 0 ] || continue
        soc=0.4
        ! grep -q '^starts_full: yes' "$file" || soc=1
        # A person fills the battery meanwhile.
        ! grep -q '^ *- hold:' "$file" || soc=1
        fresh "$of" "$soc"
        run_at "$at" "$of" "$profile" "$home/$profile.json" &
        run=$!
        ! grep -q '^ *- hold:' "$file" || answer "$run" "$at"
        status=0
        wait "$run" || status=$?
        echo "$status $at $profile" >>"$home/ended"
    done
}

# queue STAND BATTERY REGISTER... -- TURN EACH CHEMISTRY...: in a folder of its own below $home
queue() (
    top=$home
    home=$(mktemp -d "$top/$1.XXXX")
    daemon=
    virtual=
    trap leave EXIT INT TERM
    AMPLEDGER_SOCKET=$home/ampledger.sock
    cp -r "$top/profiles" "$home/profiles"
    sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
        "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
    stand=$1
    battery=$2
    shift 2
    register=
    while [ "$1" != -- ]; do
        register="$register $1"
        shift
    done
    shift
    # shellcheck disable=SC2086 # words on purpose
    start_place "${SPEED:-100000}" "$stand" "$battery" $register
    # So small a pack gets hot when it is charged for 16 h: in a warm room beyond the limit.
    [ "$stand" != lamp-desk ] || expect 0 control ambient lamp-d 14
    run_all "$stand" "$battery" "$@"
    for each in load supply; do
        control output "$each-$(place_number "$stand")" | grep -q '^ok off' || fail "the $each of $stand is still on"
    done
    stop_yard
    database_is_sound
    mv "$home"/*.json "$home"/*.json.* "$top/"
    cat "$home/ended" >>"$top/ended"
)

place_number() {
    case $1 in jetty) echo 1 ;; boathouse) echo 2 ;; slipway) echo 3 ;; *) echo 4 ;; esac
}

queue jetty launch-a --chemistry lfp --cells 4 --rated 20Ah -- 1 1 lfp lto sodium-ion &
first=$!
queue boathouse tender-b --chemistry li-ion --cells 7 --rated 10Ah -- 1 1 li-ion &
second=$!
queue slipway lights-c --chemistry lead-agm --cells 6 --rated 90Ah --rated-hours 20h -- \
    1 2 lead-flooded lead-agm lead-gel &
third=$!
queue slipway lights-c --chemistry lead-agm --cells 6 --rated 90Ah --rated-hours 20h -- \
    2 2 lead-flooded lead-agm lead-gel &
fourth=$!
queue lamp-desk lamp-d --chemistry nimh --cells 10 --rated 8Ah -- 1 1 nimh nicd any &
fifth=$!
for each in $first $second $third $fourth $fifth; do
    wait "$each" || fail "a queue of profiles broke off"
done

while read -r status at profile; do
    echo "$profile at $at:"
    # 1: the verdict is fail or undecided, which is no fault
    [ "$status" -le 1 ] || {
        cat "$home/$profile.json.err"
        fail "$profile ended with status $status"
    }
    [ "$(json "$home/$profile.json" "d['trip']")" = None ] || fail "$profile tripped"
    counter_is "$home/$profile.json" 0.001 || fail "$profile: other than the battery's own counter"
done <"$home/ended"
[ "$(sed 's/.* //' "$home/ended" | sort)" = "$(cd "$AMPLEDGER_SOURCE/profiles" && printf '%s\n' *.yaml | sed 's/[.]yaml$//' | sort)" ] ||
    fail "not every profile was run, each once"
[ "$(json "$home/capacity-and-resistance-li-ion.json" \
    "'charge rest discharge rest charge' in ' '.join(s['kind'] for s in d['steps'])")" = True ] ||
    fail "no run fills, rests, empties, rests and fills"
