#!/bin/sh
# SPDX-License-Identifier: MIT
# Rules that the compiler cannot hold: a third-party header only in the layer that owns it, an SPDX line in every file,
# no file over 600 lines, no function over 80, nothing but the agreed names at the top level.
#   source.sh PROJECT-FOLDER
cd "$1" || exit 1
bad=0
say() { echo "$1"; bad=1; }

owner() { # HEADER LAYER
    found=$(grep -rlE "^#include <$1" src include --include='*.c' --include='*.h' | grep -v "^src/$2/")
    [ -z "$found" ] || say "$1 outside src/$2: $found"
}
owner 'sndfile\.h' audio
owner 'portaudio\.h' audio
owner 'kiss_fft' dsp
owner 'soxr\.h' dsp
owner 'cyaml/' site
owner 'jansson\.h' report
owner 'popt\.h' cli
owner 'speex/' loop

for f in $(find src include tests -name '*.c' -o -name '*.h'); do
    head -n 2 "$f" | grep -q 'SPDX-License-Identifier: MIT' || say "$f: no SPDX line"
done
for f in $(find src include -name '*.c' -o -name '*.h'); do
    lines=$(wc -l <"$f")
    [ "$lines" -le 600 ] || say "$f: $lines lines"
    long=$(awk -v f="$f" '/^[a-zA-Z].*\)$/ || /^[a-zA-Z].*\) *\{$/ { start = NR }
        /^}/ { if (start && NR - start > 80) print f ":" start ": function of " NR - start " lines"; start = 0 }' "$f")
    [ -z "$long" ] || say "$long"
done
if [ -d .git ]; then
    extra=$(git ls-files | cut -d/ -f1 | sort -u |
        grep -vxE 'README\.md|DEVELOPERS\.md|CMakeLists\.txt|src|include|tests|signals|docs|LICENSE|\..*')
    [ -z "$extra" ] || say "top level: $extra"
fi
exit $bad
