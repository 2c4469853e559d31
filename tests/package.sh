#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The Debian package: made, looked at, and, with a folder for it, installed on a fresh
# Debian 12, used there as the README says, and removed.
#   AMPLEDGER_BUILD=build sh tests/package.sh              make and look at it
#   AMPLEDGER_BUILD=build sh tests/package.sh FOLDER       also use it (as root, by debootstrap)
set -eu
source=$(cd "$(dirname "$0")/.." && pwd)
build=$(cd "${AMPLEDGER_BUILD:?names a release build}" && pwd)
root=${1:-}
home=$(mktemp -d /tmp/ampledger-package-XXXXXX)
booted=
leave() {
    [ -z "$booted" ] || kill "$booted" 2>/dev/null || true
    [ -z "$root" ] || umount "$root/proc" "$root/sys" "$root/dev/pts" 2>/dev/null || true
    rm -rf "$home"
}
trap leave EXIT

fail() {
    echo "package: $*" >&2
    exit 1
}

# look WITH COMMAND...: what is not installed is told, not passed over in silence
look() {
    command -v "$1" >/dev/null || {
        echo "NOT CHECKED: $1 is not installed"
        return 0
    }
    "$@"
}

cd "$build"
rm -f ampledger_*.deb
cpack -G DEB >"$home/cpack.log" 2>&1 || { cat "$home/cpack.log"; fail "no package"; }
deb=$(ls "$build"/ampledger_*.deb)
look lintian --allow-root --fail-on error "$deb"
dpkg-deb -x "$deb" "$home/tree"
dpkg-deb -c "$deb" >"$home/contents"
for file in usr/bin/ampledger usr/bin/ampledger-virtual usr/sbin/ampledgerd \
    usr/lib/systemd/system/ampledgerd.service usr/lib/sysusers.d/ampledger.conf \
    usr/lib/tmpfiles.d/ampledger.conf usr/lib/udev/rules.d/70-ampledger.rules \
    usr/share/ampledger/drivers/load-scpi.yaml usr/share/ampledger/profiles/overnight-capacity-lfp.yaml \
    usr/share/doc/ampledger/examples/bench.yaml usr/share/man/man1/ampledger.1.gz \
    usr/share/man/man5/ampledger-bench.5.gz usr/share/man/man8/ampledgerd.8.gz \
    usr/share/bash-completion/completions/ampledger usr/share/zsh/vendor-completions/_ampledger; do
    [ -f "$home/tree/$file" ] || fail "no $file in the package"
done

for page in "$home"/tree/usr/share/man/man*/*.gz; do
    gunzip -c "$page" >"$home/page"
    look mandoc -T lint -W error "$home/page"
done
bash -n "$source/src/package/completion/ampledger.bash"
unit=$home/tree/usr/lib/systemd/system/ampledgerd.service
look systemd-analyze security --offline=true --threshold=20 --no-pager "$unit" | tail -n 1
look systemd-analyze verify --man=no --recursive-errors=no --root="$home/tree" ampledgerd.service ||
    fail "systemd does not take the unit"
sed "s|/usr/share/|$home/tree/usr/share/|" "$home/tree/usr/share/doc/ampledger/examples/bench.yaml" >"$home/bench.yaml"
"$home/tree/usr/sbin/ampledgerd" --bench "$home/bench.yaml" --check
echo "package: $(basename "$deb"), $(wc -c <"$deb") bytes, $(wc -l <"$home/contents") entries"
[ -n "$root" ] || exit 0

# by_init COMMAND...: run where the booted system is, beside its first process
by_init() {
    nsenter --target "$(pgrep -P "$booted" systemd)" --all "$@"
}
is_up() {
    case $(by_init systemctl is-system-running 2>/dev/null) in
    running | degraded) return 0 ;;
    esac
    return 1
}
# The unit is only proven where its systemd runs: a container of it, if the computer allows one.
use_booted() {
    chroot "$root" apt-get install -y -qq --no-install-recommends systemd-sysv >/dev/null 2>&1
    cp "$deb" "$root/root/ampledger.deb"
    cp "$source/tests/package_booted.sh" "$root/root/"
    SYSTEMD_NSPAWN_UNIFIED_HIERARCHY=1 systemd-nspawn --quiet --boot --directory "$root" --register=no \
        --keep-unit --console=pipe </dev/null >"$home/boot.log" 2>&1 &
    booted=$!
    n=0
    until is_up; do
        n=$((n + 1))
        if [ "$n" -ge 60 ] || ! kill -0 "$booted" 2>/dev/null; then
            cat "$home/boot.log"
            echo "NOT CHECKED: systemd does not start in a container here, so the service was not started"
            return 0
        fi
        sleep 1
    done
    by_init sh /root/package_booted.sh
    by_init systemctl poweroff 2>/dev/null || true
    wait "$booted" || true
    booted=
}

[ -x "$root/usr/bin/apt-get" ] || debootstrap --variant=minbase bookworm "$root" http://deb.debian.org/debian
# Of a use before, whole or cut off.
chroot "$root" dpkg --purge ampledger >/dev/null 2>&1 || true
rm -rf "$root/etc/ampledger" "$root/var/lib/ampledger" "$root/etc/systemd/system/ampledgerd.service.d" \
    "$root/etc/systemd/system/multi-user.target.wants/ampledgerd.service"
mount -t proc proc "$root/proc"
mount -t sysfs -o ro sysfs "$root/sys"
mount -t devpts -o newinstance,ptmxmode=0666 devpts "$root/dev/pts"
cp "$deb" "$root/tmp/ampledger.deb"
cp "$source/tests/package_inside.sh" "$root/tmp/"
chroot "$root" sh /tmp/package_inside.sh
umount "$root/proc" "$root/sys" "$root/dev/pts"
look systemd-nspawn --version >"$home/nspawn"
if grep 'NOT CHECKED' "$home/nspawn"; then
    exit 0
fi
use_booted
