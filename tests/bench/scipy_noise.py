# SPDX-License-Identifier: MIT
"""The work of `lanetune noise`, written plainly with SciPy: the general reference of the benchmark.

One-third-octave Butterworth band-passes over 50 Hz to 16 kHz, A and C weighting, the Fast detector and percentiles, on
blocks of ten seconds so that memory stays small. No search for mains hum: it does less than lanetune."""
import sys

import numpy as np
from scipy import io, signal

rate, recording = io.wavfile.read(sys.argv[1], mmap=True)
bands = [1000 * 10 ** (i / 10) for i in range(-13, 13)]
filters = [signal.butter(3, (f * 10**-0.05, f * 10**0.05), "bandpass", fs=rate, output="sos") for f in bands]


def weighting(letter):
    corners = {"A": ([20.598997] * 2 + [107.652649, 737.862231] + [12194.217] * 2, 4),
               "C": ([20.598997] * 2 + [12194.217] * 2, 2)}[letter]
    poles = [-2 * np.pi * f for f in corners[0]]
    z, p, k = signal.bilinear_zpk([0.0] * corners[1], poles, 1.0, rate)
    _, h = signal.freqz_zpk(z, p, k, [1000.0], fs=rate)
    return signal.zpk2sos(z, p, k / abs(h[0]))


filters += [weighting("A"), weighting("C")]
states = [np.zeros((f.shape[0], 2)) for f in filters]
smooth = np.exp(-1 / (0.125 * rate))
fast = [np.zeros(1) for _ in filters]
energy = np.zeros(len(filters))
levels = [[] for _ in filters]
block = 10 * rate
for start in range(0, recording.size, block):
    x = recording[start : start + block].astype(float) / 2**31
    for i, sos in enumerate(filters):
        y, states[i] = signal.sosfilt(sos, x, zi=states[i])
        y *= y
        energy[i] += y.sum()
        y, fast[i] = signal.lfilter([1 - smooth], [1, -smooth], y, zi=fast[i])
        levels[i].append(10 * np.log10(y[:: rate // 100] + 1e-20))
for i, e in enumerate(energy):
    spread = np.percentile(np.concatenate(levels[i]), [90, 50, 10])
    print(f"{10 * np.log10(2 * e / recording.size):8.2f}", " ".join(f"{v + 3.01:8.2f}" for v in spread))
