#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Every profile that is shipped, to its end, on the virtual workshop: each at the stand
# whose battery it is for, four stands beside each other. What a run says went in and
# out of the battery is what the model counted at its own step, within 0.1 %.
. "$AMPLEDGER_SOURCE/tests/support/e2e.sh"

if [ "${AMPLEDGER_SANITIZED:-0}" = 1 ]; then
    echo "skipped: hundreds of thousands of samples are for the release build"
    exit 77
fi
# As shipped, but for the months of ageing: two rounds of two cycles tell the same.
cp -r "$AMPLEDGER_SOURCE/profiles" "$home/profiles"
sed 's/times: 50$/times: 2/; s/times: 10$/times: 2/' "$AMPLEDGER_SOURCE/profiles/ageing-li-ion.yaml" \
    >"$home/profiles/ageing-li-ion.yaml"
sed "s|@SOURCE@/profiles|$home/profiles|; s|@SOURCE@|$AMPLEDGER_SOURCE|" \
    "$AMPLEDGER_SOURCE/src/virtual/demo/yard-bench.yaml" >"$home/bench.yaml"
start_yard "${SPEED:-100000}"

first_chemistry() {
    sed -n 's/^for: *\[ *\([a-z-]*\).*/\1/p' "$1"
}

# queue STAND BATTERY CHEMISTRY...: the profiles for these chemistries, one after the other
queue() {
    at=$1
    of=$2
    shift 2
    for file in "$AMPLEDGER_SOURCE"/profiles/*.yaml; do
        profile=$(basename "$file" .yaml)
        chemistry=$(first_chemistry "$file")
        case " $* " in *" ${chemistry:-any} "*) ;; *) continue ;; esac
        soc=0.4
        ! grep -q '^starts_full: yes' "$file" || soc=1
        fresh "$of" "$soc"
        status=0
        run_at "$at" "$of" "$profile" "$home/$profile.json" || status=$?
        echo "$status $at $profile" >>"$home/ended"
    done
}

queue jetty launch-a lfp lto sodium-ion &
first=$!
queue boathouse tender-b li-ion &
second=$!
queue slipway lights-c lead-flooded lead-agm lead-gel &
third=$!
queue lamp-desk lamp-d nimh nicd any &
fourth=$!
for each in $first $second $third $fourth; do
    wait "$each" || fail "a queue of profiles broke off"
done

while read -r status at profile; do
    echo "$profile at $at:"
    # What is only planned yet is refused by name, and switches nothing on.
    if grep -q 'can be planned, but not run yet' "$home/$profile.json.err"; then
        [ "$status" = 3 ] || fail "$profile was refused with status $status"
        echo "  refused: not run yet"
        continue
    fi
    # 1: the verdict is fail or undecided, which is no fault
    [ "$status" -le 1 ] || {
        cat "$home/$profile.json.err"
        fail "$profile ended with status $status"
    }
    [ "$(json "$home/$profile.json" "d['trip']")" = None ] || fail "$profile tripped"
    counter_is "$home/$profile.json" 0.001 || fail "$profile: other than the battery's own counter"
done <"$home/ended"
for file in "$AMPLEDGER_SOURCE"/profiles/*.yaml; do
    [ -e "$home/$(basename "$file" .yaml).json" ] || fail "$file was not run"
done
for each in 1 2 3 4; do
    control output "load-$each" | grep -q '^ok off' || fail "load-$each is still on"
    control output "supply-$each" | grep -q '^ok off' || fail "supply-$each is still on"
done

stop_yard
database_is_sound
