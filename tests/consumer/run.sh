#!/bin/sh
# SPDX-License-Identifier: MIT
# Install into an empty folder, then build and run a stranger's program through find_package and through pkg-config.
#   run.sh CMAKE BUILD-FOLDER THIS-FOLDER CC
set -eu
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
"$1" --install "$2" --prefix "$scratch/prefix" >/dev/null
mkdir "$scratch/project"
cp "$3/main.c" "$scratch/project/"
cp "$3/project.cmake.txt" "$scratch/project/CMakeLists.txt"
"$1" -S "$scratch/project" -B "$scratch/build" -DCMAKE_PREFIX_PATH="$scratch/prefix" -DCMAKE_C_COMPILER="$4" >/dev/null
"$1" --build "$scratch/build" >/dev/null
"$scratch/build/consumer"
pc=$(dirname "$(find "$scratch/prefix" -name lanetune.pc)")
# shellcheck disable=SC2046 -- flags are meant to be split
"$4" -std=c17 "$3/main.c" -o "$scratch/by-pkg-config" \
    $(PKG_CONFIG_PATH=$pc pkg-config --define-variable=prefix="$scratch/prefix" --cflags --libs lanetune)
"$scratch/by-pkg-config"
"$scratch/prefix/bin/lanetune" --version
