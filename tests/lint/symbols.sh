#!/bin/sh
# SPDX-License-Identifier: MIT
# What the built archives of the layers give away: names outside lt_ and ltp_, mutable static data, memory that does not
# come through base/alloc.c, calls that a library must not make (printing, exiting, locale, clock, unsafe text).
#   symbols.sh ARCHIVE...
bad=0
for lib in "$@"; do
    nm -g --defined-only "$lib" | awk 'NF == 3 && $3 !~ /^ltp?_/ { print "name: " $3; e = 1 } END { exit e }' || bad=1
    size -A "$lib" | awk '/:$/ || /ex / { o = $1 } ($1 == ".data" || $1 == ".bss") && $2 > 0 { print "state: " o " " $0; e = 1 }
        END { exit e }' || bad=1
    nm -u "$lib" | awk '
        /:$/ { o = $1 }
        $2 ~ /^(m|c|re)alloc$|^free$/ && o !~ /^alloc\.c/ { print "memory: " o " " $2; e = 1 }
        $2 ~ /^(__)?(strcpy|strcat|sprintf|strtok|gets|atoi|atof|rand|srand|setlocale|localtime|gmtime|time|clock|getenv|exit|abort|v?printf|puts|putchar|perror)(_chk)?$/ {
            print "call: " o " " $2; e = 1 }
        END { exit e }' || bad=1
done
# One program links all layers: no name twice.
twice=$(for lib in "$@"; do nm -g --defined-only "$lib" | awk 'NF == 3 { print $3 }'; done | sort | uniq -d)
[ -z "$twice" ] || { echo "defined twice: $twice"; bad=1; }
exit $bad
