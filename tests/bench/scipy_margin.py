# SPDX-License-Identifier: MIT
"""The main work of `lanetune margin --site` written plainly with NumPy: the general reference of the benchmark.

    scipy_margin.py VISIT LANES    lanes and counters of the same number, lane N at counter N, every coupling recorded
Deconvolves every recording, then takes the eigenvalues and the largest singular value of the loop matrix at every bin
of 50 Hz to 18 kHz for every set of open lanes, crossings to +1 by straight lines between bins. It does not follow
eigenvalues that cross, look for peaks between the bins, or propose notches, as lanetune does."""
import itertools
import os
import sys

import numpy as np
from scipy import fft, io

visit, lanes = sys.argv[1], int(sys.argv[2])
rate, stimulus = io.wavfile.read(os.path.join(visit, "stimulus.wav"))
size = fft.next_fast_len(2 * stimulus.size, real=True)
spectrum = fft.rfft(stimulus.astype(float) / 2**31, size)
power = np.abs(spectrum) ** 2
length = 1 << 16  # as lanetune chooses it for responses of 0.65 s
bins = np.arange(int(50 * length / rate), int(18000 * length / rate))


def path(folder, name):
    _, x = io.wavfile.read(os.path.join(visit, folder, name + ".wav"))
    h = fft.irfft(fft.rfft(x.astype(float) / 2**31, size) * np.conj(spectrum) / (power + 1e-6 * power.max()), size)
    return fft.rfft(h[: length // 2], length)[bins]


def matrix(kind, own):
    return np.moveaxis(np.array([[path(f"{kind}-{i}", own if i == j else f"cross-coupling-from-{j}")
                                  for j in range(1, lanes + 1)] for i in range(1, lanes + 1)]), -1, 0)


lane, counter = matrix("lane", "lane-coupling"), matrix("counter", "counter-coupling")
for count in range(1, lanes + 1):
    for chosen in itertools.combinations(range(lanes), count):
        pick = np.ix_(range(bins.size), chosen, chosen)
        loop = counter[pick] @ lane[pick]
        values = np.linalg.eigvals(loop)
        values = values[np.arange(bins.size)[:, None], np.argsort(np.angle(values), axis=1)]
        a, b = values[:-1], values[1:]
        crosses = (a.imag >= 0) != (b.imag >= 0)
        at = a.real + (b.real - a.real) * a.imag / np.where(crosses, a.imag - b.imag, 1)
        margin = -20 * np.log10(np.max(at[crosses & (at > 0)], initial=1e-9))
        safe = -20 * np.log10(np.linalg.svd(loop, compute_uv=False)[:, 0].max())
        print([n + 1 for n in chosen], f"margin about {margin:.1f} dB, safe {safe:.2f} dB")
