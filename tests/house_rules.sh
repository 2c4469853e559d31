#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# House rules a compiler does not know. Fails when it looked at nothing.
set -eu
cd "$(dirname "$0")/.."
status=0
files=$(find src tests -name '*.[ch]')
[ "$(echo "$files" | wc -l)" -gt 20 ] || { echo "house_rules: no files to look at"; exit 1; }

# forbid WHAT PATTERN HOME: the pattern may stand only in files matching HOME
forbid() {
    # shellcheck disable=SC2086  # a list of words
    found=$(grep -nE "$2" $files | grep -vE "$3" || true)
    if [ -n "$found" ]; then
        printf 'house rule: %s\n%s\n' "$1" "$found"
        status=1
    fi
}
forbid "time comes from base/clock" '\bclock_gettime\(|\bgettimeofday\(|[^_a-z]time\(NULL|\b(u|nano)?sleep\(' '^(src/base/clock|src/virtual/|tests/)'
forbid "no unbounded or locale-bound text functions" '\b(sprintf|strtok|atoi|atof|gets|setlocale)\(' ':[0-9]+: *(/\*|\*)'
forbid "serial ports only in link" '\bsp_[a-z_]+\(' '^(src/link/|tests/)'
forbid "SQLite only in store" '\bsqlite3_[a-z_0-9]+\(' '^(src/store/|tests/)'
forbid "no blocking serial calls" '\bsp_(non)?blocking_' '^$'

# The top level of the project is what a newcomer sees first: nothing else goes there.
if top=$(git ls-files 2>/dev/null) && [ -n "$top" ]; then
    for entry in $(echo "$top" | sed 's|/.*||' | sort -u); do
        case $entry in
        README.md | DEVELOPERS.md | CMakeLists.txt | LICENSE | src | drivers | profiles | tests | udev | .*) ;;
        *)
            echo "house rule: $entry has no place at the top level"
            status=1
            ;;
        esac
    done
fi

for file in $files; do
    head -n 1 "$file" | grep -q 'SPDX-License-Identifier: GPL-3.0-or-later' || {
        echo "house rule: no licence line: $file"
        status=1
    }
done
exit "$status"
