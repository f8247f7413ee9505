# SPDX-License-Identifier: MIT
"""What a running measurement costs, on the rig of tests/live: share of a processor, longest callback, start-up time.
Prints figures and judges nothing. cmake --build BUILD --target bench_live (with-rig.sh runs it in name spaces of its own).
"""

import json
import os
import pathlib
import resource
import statistics
import subprocess
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "live"))
from rig import ALSA, JACK, TOOL, Rig  # noqa: E402

RUNS = 5
SECONDS = 4.0


def used_s():
    """Processor time of all children that have ended, and of theirs."""
    r = resource.getrusage(resource.RUSAGE_CHILDREN)
    return r.ru_utime + r.ru_stime


def row(name, value, unit, more=""):
    print(f"  {name:<44}{value:>10}  {unit:<6}{more}")


def measure(rig, host, channels):
    # A tone: making and analysing a sweep is no part of what a running stream costs.
    words = [TOOL, "play", "--host", host, "--device", "lane", "--channels", str(channels), "--kind", "tone",
             "--seconds", str(SECONDS), "--tail", "0.5"]
    runs, shares = [], []
    for _ in range(RUNS):
        before = used_s()
        done = subprocess.run(words, env=rig.env, capture_output=True, check=True)
        r = json.loads(done.stdout)
        assert r["status"] == 0 and r["complete"], r
        runs.append(r)
        shares.append(100.0 * (used_s() - before) / r["wall_s"])
    return runs, shares


def main():
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}, {RUNS} runs of {SECONDS:g} s each\n")
    for host in (JACK, ALSA):
        for channels in (1, 8):
            with Rig("route 1 1 straight", *[f"noise {m} 0.001" for m in range(1, 9)], ports="1 8") as rig:
                runs, shares = measure(rig, host, channels)
            print(f"{runs[0]['host']}, 1 played, {channels} recorded")
            row("processor, both processes", f"{statistics.median(shares):.2f}", "%", "of one core, median")
            row("in the callback", f"{100 * statistics.median(r['share'] for r in runs):.3f}", "%", "of the time of the sound")
            row("longest callback", f"{1000 * max(r['worst_ms'] for r in runs):.0f}", "us", "of 5333 us between two")
            row("start-up, call to first callback", f"{1000 * statistics.median(r['start_s'] for r in runs):.0f}", "ms",
                f"median, longest {1000 * max(r['start_s'] for r in runs):.0f}")
            over = statistics.median(r["wall_s"] - r["frames"] / r["rate_hz"] for r in runs)
            row("whole call over the sound's own length", f"{1000 * over:.0f}", "ms", "median")
            row("overruns and underruns reported", f"{sum(r['xruns'] for r in runs)}", "")
            print()


if __name__ == "__main__":
    main()
