#!/bin/sh
# SPDX-License-Identifier: MIT
# Remake the recordings of this folder: remake.sh LANETUNE [DIR]. DIR is this folder unless given.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
"$1" simulate "$here/windy-corner.yaml" "$scratch/site" >/dev/null
to=${2:-$here}
visit=$scratch/site/visits/2024-05-14
cp "$visit/stimulus.wav" "$to/sweep.wav"
for name in outbound lane-coupling noise-ear talk-test; do
    cp "$visit/lane-1/$name.wav" "$to/$name.wav"
done
for name in outbound lane-coupling; do
    cp "$scratch/site/truth/lane-1/$name.wav" "$to/truth-$name.wav"
done
