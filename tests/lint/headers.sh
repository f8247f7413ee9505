#!/bin/sh
# SPDX-License-Identifier: MIT
# Each public header alone, as C17 and as C++17, with strict flags.
#   headers.sh INCLUDE-FOLDER CC CXX
bad=0
for h in "$1"/lanetune/*.h; do
    name=lanetune/$(basename "$h")
    printf '#include <%s>\n' "$name" | "$2" -std=c17 -Wall -Wextra -Wpedantic -Wconversion -Werror -I "$1" -fsyntax-only -xc - || bad=1
    printf '#include <%s>\n' "$name" | "$3" -std=c++17 -Wall -Wextra -Werror -I "$1" -fsyntax-only -xc++ - || bad=1
done
exit $bad
