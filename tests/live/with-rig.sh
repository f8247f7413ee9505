#!/bin/sh
# SPDX-License-Identifier: MIT
# A sound server without a sound card, a lane between its output and its input, and a command that runs against them.
#   with-rig.sh [OPTION]... -- COMMAND [WORD]...     see tests/live/README.md
# 99 = the rig did not come up (1 where CI is set: there it must). Otherwise the status of the command.
set -u

failed() {
    echo "with-rig.sh: $1" >&2
    [ -n "${CI:-}" ] && exit 1
    exit 99
}

here=$(dirname "$0")
rate=48000 freewheel='' lane_program='' no_server='' set_lines='' ports='1 1'
words=$*
[ "${RIG_PRIVATE:-}" ] || {
    # Shared memory and processes of our own: rigs do not see each other, and nothing can stay behind.
    export RIG_PRIVATE=1
    if [ "$(id -u)" -eq 0 ] && unshare --mount --pid --fork --kill-child --mount-proc true 2>/dev/null; then
        exec unshare --mount --pid --fork --kill-child --mount-proc sh -c \
            'mount -t tmpfs -o size=160m rigshm /dev/shm && exec "$@"' sh "$0" "$@"
    fi
    # Without that right: one rig at a time.
    exec flock "${TMPDIR:-/tmp}/lanetune-rig.lock" "$0" "$@"
}
while [ $# -gt 0 ] && [ "$1" != -- ]; do
    case "$1" in
    --rate) rate=$2 && shift ;;
    --ports) ports=$2 && shift ;;   # "SPEAKERS MICROPHONES"
    --lane) lane_program=$2 && shift ;;
    --set) set_lines="$set_lines$2
" && shift ;;                       # a line of the lane's script, may be given many times
    --freewheel) freewheel=1 ;;     # faster than real time
    --no-server) no_server=1 ;;     # only the namespaces; the command starts rigs itself
    *) failed "$1: unknown option" ;;
    esac
    shift
done
[ $# -gt 1 ] || failed "no command in: $words"
shift
if [ -n "$no_server" ]; then
    "$@"
    status=$?
    [ $status -eq 0 ] || [ $status -eq 99 ] && exit $status
    # A shared machine can hold a rig in real time up for seconds. What fails twice is broken; .ci/run counts the rest.
    echo 'with-rig.sh: failed; once more' >&2
    [ -z "${RIG_RETRIED:-}" ] || echo "$*" >>"$RIG_RETRIED"
    exec "$@"
fi
[ -n "$lane_program" ] || lane_program=${RIG_LANE:-$here/lane}
for program in jackd jack_lsp jack_freewheel setpriv "$lane_program"; do
    command -v "$program" >/dev/null || failed "$program is missing; install the packages jackd2 and libjack-jackd2-dev"
done

name=rig$$
dir=$(mktemp -d) || failed 'no room for temporary files'
server='' lane=''
running() { # a child that has ended and was not waited for is not running
    [ -d "/proc/$1" ] && ! grep -q '^State:[[:space:]]*Z' "/proc/$1/status" 2>/dev/null
}
end_one() {
    [ -n "$1" ] || return
    kill "$1" 2>/dev/null
    kill -CONT "$1" 2>/dev/null
    tries=0
    while running "$1" && [ $tries -lt 100 ]; do
        tries=$((tries + 1))
        sleep 0.02
    done
    kill -KILL "$1" 2>/dev/null
    wait "$1" 2>/dev/null
}
finish() {
    end_one "$lane"
    end_one "$server"
    rm -rf "$dir"
}
trap finish EXIT
trap 'exit 130' INT TERM HUP
give_up() {
    cat "$dir"/*.log >&2
    failed "$1"
}

# Two of PortAudio's host APIs lead to the one server: JACK, and ALSA through ALSA's jack plugin.
speakers=${ports% *} microphones=${ports#* }
{
    echo 'pcm.lane {'
    echo '    type jack'
    echo '    playback_ports {'
    for i in $(seq "$speakers"); do echo "        $((i - 1)) lane:speaker_$i"; done
    echo '    }'
    echo '    capture_ports {'
    for i in $(seq "$microphones"); do echo "        $((i - 1)) lane:mic_$i"; done
    echo '    }'
    echo '}'
    echo 'pcm.!default { type null }'
} >"$dir/asound.conf"
export JACK_DEFAULT_SERVER="$name" JACK_NO_START_SERVER=1 ALSA_CONFIG_PATH="$dir/asound.conf"

# Synchronous: the server waits for its clients, so a slow machine is slow and never wrong. At most 64 ports: little
# shared memory. Real-time priority where it is allowed.
priority=-r
chrt -f 20 true 2>/dev/null && priority='-R -P 20'
# shellcheck disable=SC2086 # several words
setpriv --pdeathsig TERM jackd -n "$name" -S $priority -p 64 -d dummy -r "$rate" -p 256 -C 0 -P 0 \
    >"$dir/jackd.log" 2>&1 &
server=$!
tries=0
until jack_lsp >/dev/null 2>&1; do
    tries=$((tries + 1))
    [ $tries -gt 500 ] && give_up 'the sound server did not start'
    sleep 0.02
done

export RIG_SCRIPT="$dir/lane.script"
printf '%s' "$set_lines" >"$RIG_SCRIPT"
# shellcheck disable=SC2086
setpriv --pdeathsig TERM "$lane_program" "$RIG_SCRIPT" $ports >"$dir/lane.log" 2>&1 &
lane=$!
until jack_lsp 2>/dev/null | grep -q "^lane:mic_$microphones\$"; do
    tries=$((tries + 1))
    [ $tries -gt 1500 ] && give_up 'the lane did not start'
    running "$lane" || give_up 'the lane ended'
    sleep 0.02
done
if [ -n "$freewheel" ]; then
    jack_freewheel y </dev/null >/dev/null 2>&1 || give_up 'no freewheel'
fi
export RIG_SERVER_PID=$server RIG_LANE_PID=$lane RIG_LOG="$dir/lane.log" RIG_RATE="$rate"
"$@" # in the foreground: the shell would make a background command deaf to Ctrl-C
exit $?
