# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh
# Sourced by demo.sh and tests/run.sh: packages and builds.

step() {
    printf '\n== %s\n' "$*"
}

as_root() {
    if [ "$(id -u)" = 0 ]; then
        "$@"
    else
        sudo "$@"
    fi
}

# as_root, with what it prints shown only if it fails
quietly() {
    said=$(mktemp)
    as_root "$@" >"$said" 2>&1 || {
        cat "$said"
        rm -f "$said"
        return 1
    }
    rm -f "$said"
}

# Install those Debian packages that are not there yet.
need_packages() {
    missing=
    for package in "$@"; do
        state=$(dpkg-query -W -f '${Status}' "$package" 2>/dev/null || true)
        case $state in
        "install ok installed") ;;
        *) missing="$missing $package" ;;
        esac
    done
    [ -n "$missing" ] || return 0
    step "installing, for some minutes:$missing"
    quietly apt-get update -qq
    # shellcheck disable=SC2086  # a list of words
    quietly env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
}

# configure FOLDER [CMAKE OPTIONS]
configure() {
    folder=$1
    shift
    cmake -S . -B "$folder" -G Ninja "$@" >"$folder.log" 2>&1 || {
        cat "$folder.log"
        return 1
    }
}

# compile FOLDER [TARGETS]: all of them, or these
compile() {
    folder=$1
    shift
    ninja -C "$folder" "$@" >"$folder.log" 2>&1 || {
        cat "$folder.log"
        return 1
    }
    rm -f "$folder.log"
}

# build FOLDER [CMAKE OPTIONS]
build() {
    configure "$@" && compile "$1"
}
