# SPDX-License-Identifier: MIT
"""Time and memory of whole processes: lanetune against the same work in SciPy, in the same run.

    ratio.py LANETUNE [HOURS]    prints a table; never a pass or fail, for a busy machine is slow for both
HOURS: length of the recording for `noise`, default ten minutes. SciPy gets one thread, lanetune what it takes; warm files and the best of some
runs. Times are processor time, which other programs on the machine lengthen less than the clock's."""
import os
import resource
import subprocess
import sys
import tempfile
import wave

import numpy as np
from scipy import io, signal

here = os.path.dirname(os.path.abspath(__file__))
lanetune = sys.argv[1]
rate = 48000
environment = dict(os.environ, OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")


def save(path, samples):
    io.wavfile.write(path, rate, np.round(samples * (2**31 - 1)).astype(np.int32))


def run(command):
    """Processor time in seconds of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    process = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=environment, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if process.returncode != 0:
        sys.exit(f"{' '.join(command)}: {process.stderr.decode()}")
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def best(command, runs):
    return min(run(command) for _ in range(runs))


def memory_mib(command):
    """Peak memory of one process, from a fresh child that runs nothing else."""
    code = ("import resource, subprocess, sys; subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True);"
            "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)")
    out = subprocess.run([sys.executable, "-c", code, *command], capture_output=True, check=True, env=environment)
    return int(out.stdout) / 1024


def make_site(folder, lanes):
    """Lanes and counters with every coupling recorded: a direct sound and a decaying tail, weaker from farther away."""
    visit = os.path.join(folder, "site", "visits", "2024-05-14")
    os.makedirs(visit)
    sweep = os.path.join(visit, "stimulus.wav")
    subprocess.run([lanetune, "stimulus", "sweep", sweep, "--seconds", "3"], check=True, stdout=subprocess.DEVNULL)
    _, samples = io.wavfile.read(sweep)
    save(sweep, samples.astype(float) / 2**31)
    for kind, own, level in (("lane", "lane-coupling", 0.05), ("counter", "counter-coupling", 0.2)):
        for i in range(1, lanes + 1):
            os.mkdir(os.path.join(visit, f"{kind}-{i}"))
            for j in range(1, lanes + 1):
                path = 0.3 * random.standard_normal(4800) * np.exp(-np.arange(4800) / 480)
                path[0] = 1
                path = np.concatenate([np.zeros(50 + 500 * abs(i - j)), level / (1 + 3 * abs(i - j)) * path])
                played = signal.fftconvolve(samples / 2**31, path)
                save(os.path.join(visit, f"{kind}-{i}", (own if i == j else f"cross-coupling-from-{j}") + ".wav"),
                     played + 1e-5 * random.standard_normal(played.size))
    with open(os.path.join(visit, "..", "..", "site.yaml"), "w") as f:
        f.write("site: Bench\ncounters:\n" + "".join(f"  - counter: {i}\n" for i in range(1, lanes + 1)))
        f.write("lanes:\n" + "".join(f"  - {{lane: {i}, counter: {i}}}\n" for i in range(1, lanes + 1)))
    return os.path.join(folder, "site"), visit


def row(name, ours, theirs, runs, seconds=0):
    a, b = best(ours, runs), best(theirs, runs)
    if seconds:
        name += f", x real time: {seconds / a:.0f}, {seconds / b:.0f}"
    print(f"{name:52s} {a:8.3f} s {b:8.3f} s {b / a:7.1f} x {memory_mib(ours):8.0f} MiB {memory_mib(theirs):8.0f} MiB")


with tempfile.TemporaryDirectory() as folder:
    random = np.random.default_rng(20240514)
    sweep, recording, noise = (os.path.join(folder, n) for n in ("sweep.wav", "recording.wav", "noise.wav"))
    raw = os.path.join(folder, "raw.wav")
    subprocess.run([lanetune, "stimulus", "sweep", raw, "--seconds", "10"], check=True, stdout=subprocess.DEVNULL)
    # lanetune's own file is 24 bit; SciPy gets the same samples as 32 bit, and so does lanetune.
    code, samples = io.wavfile.read(raw)
    samples = samples.astype(float) / 2**31
    lane = np.zeros(4800)
    lane[[150, 420, 900]] = [0.5, 0.2, -0.1]
    save(sweep, samples)
    save(recording, 0.5 * signal.fftconvolve(samples, lane)[: samples.size] + 1e-4 * random.standard_normal(samples.size))
    minutes = 10 if len(sys.argv) < 3 else round(60 * float(sys.argv[2]))
    with wave.open(noise, "wb") as w:  # 16 bit: SciPy maps it into memory
        w.setparams((1, 2, rate, 0, "NONE", ""))
        for _ in range(minutes):
            w.writeframes(np.round(1600 * random.standard_normal(60 * rate)).astype("<i2").tobytes())
    print(f"{'whole process':52s} {'lanetune':>10s} {'SciPy':>10s} {'ratio':>9s} {'lanetune':>12s} {'SciPy':>12s}")
    row("response, 10 s sweep", [lanetune, "response", recording, "--stimulus", sweep, "--json"],
        [sys.executable, os.path.join(here, "scipy_response.py"), recording, sweep], 7)
    row(f"noise, {minutes} minutes", [lanetune, "noise", noise, "--json"],
        [sys.executable, os.path.join(here, "scipy_noise.py"), noise], 2, 60 * minutes)
    # SciPy does not look for interference; its time stands for the same recording.
    row(f"noise --interference, {minutes} minutes", [lanetune, "noise", noise, "--interference", "--json"],
        [sys.executable, os.path.join(here, "scipy_noise.py"), noise], 1, 60 * minutes)
    lanes = 5
    site, visit = make_site(folder, lanes)
    row(f"margin --site, {lanes} lanes and counters", [lanetune, "margin", "--site", site, "--json"],
        [sys.executable, os.path.join(here, "scipy_margin.py"), visit, str(lanes)], 2)
