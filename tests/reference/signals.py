# SPDX-License-Identifier: MIT
"""The recordings in signals/ are what signals/remake.sh makes, and lanetune finds in them what is true.

    signals.py LANETUNE SIGNALS-FOLDER
Samples may differ by two steps of 24 bit: another C library rounds sines and exponentials differently."""
import json
import os
import subprocess
import sys
import tempfile
import warnings

import numpy as np
from scipy import io

lanetune, folder = sys.argv[1], sys.argv[2]
step = 2.0**-23
bad = []


def load(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # SciPy does not know every chunk
        rate, x = io.wavfile.read(path)
    return rate, x.astype(float) / (2.0**31 if x.dtype == np.int32 else 1.0)


with tempfile.TemporaryDirectory() as scratch:
    subprocess.run(["sh", os.path.join(folder, "remake.sh"), lanetune, scratch], check=True)
    kept = sorted(n for n in os.listdir(folder) if n.endswith(".wav"))
    if kept != sorted(os.listdir(scratch)):
        bad.append(f"files: {kept} and {sorted(os.listdir(scratch))}")
    for name in kept:
        if os.path.getsize(os.path.join(folder, name)) >= 1_000_000:
            bad.append(f"{name}: 1 MB or more")
        (rate_a, a), (rate_b, b) = load(os.path.join(folder, name)), load(os.path.join(scratch, name))
        if rate_a != rate_b or a.shape != b.shape or np.max(np.abs(a - b)) > 2 * step:
            bad.append(f"{name}: differs from what remake.sh makes")

_, truth = load(os.path.join(folder, "truth-outbound.wav"))
power = np.abs(np.fft.rfft(truth, 1 << 18)) ** 2
hz = np.fft.rfftfreq(1 << 18, 1 / 48000)
run = subprocess.run([lanetune, "response", os.path.join(folder, "outbound.wav"), "--stimulus",
                      os.path.join(folder, "sweep.wav"), "--json"], capture_output=True, text=True, check=True)
compared = 0
for band in json.loads(run.stdout)["result"]["bands"]:
    centre = 1000 * 10 ** (round(10 * np.log10(band["hz"] / 1000)) / 10)
    inside = (hz >= centre * 10**-0.05) & (hz < centre * 10**0.05)
    if band["snr_db"] is None or band["snr_db"] < 20:
        continue
    compared += 1
    want = 10 * np.log10(power[inside].mean())
    if not abs(band["level_db"] - want) <= 0.2:
        bad.append(f"outbound, {band['hz']} Hz: {band['level_db']} dB, not {want:.2f}")
if compared < 8:
    bad.append(f"only {compared} bands above 20 dB SNR")
print("\n".join(bad) if bad else f"{len(kept)} files as remade, {compared} bands within 0.2 dB of the truth")
sys.exit(1 if bad else 0)
