# SPDX-License-Identifier: MIT
"""The work of `lanetune noise`, written with SciPy by a careful practitioner: the general reference of the benchmark.

31 one-third octaves, 20 Hz to 20 kHz, the rate halved octave by octave, A and C weighting, the Fast detector and
percentiles, on blocks of ten seconds so that memory stays small. No octave bands, no Slow, no peak, no pass-bys, no
search for mains hum or clipping: it does less than lanetune."""
import sys

import numpy as np
from scipy import io, signal

rate, recording = io.wavfile.read(sys.argv[1], mmap=True)
full = float(np.iinfo(recording.dtype).max) + 1
STEP_S = 0.01  # of the percentiles


def weighting(letter):
    corners = {"A": ([20.598997] * 2 + [107.652649, 737.862231] + [12194.217] * 2, 4),
               "C": ([20.598997] * 2 + [12194.217] * 2, 2)}[letter]
    poles = [-2 * np.pi * f for f in corners[0]]
    z, p, k = signal.bilinear_zpk([0.0] * corners[1], poles, 1.0, rate)
    _, h = signal.freqz_zpk(z, p, k, [1000.0], fs=rate)
    return signal.zpk2sos(z, p, k / abs(h[0]))


class Channel:
    """A filter with its Fast detector, energy and levels at a rate of its own."""

    def __init__(self, sos, fs):
        self.sos, self.fs = sos, fs
        self.state = np.zeros((sos.shape[0], 2))
        self.smooth = np.exp(-1 / (0.125 * fs))
        self.fast = np.zeros(1)
        self.energy, self.levels = 0.0, []
        self.step = max(1, round(STEP_S * fs))

    def push(self, x):
        y, self.state = signal.sosfilt(self.sos, x, zi=self.state)
        y *= y
        self.energy += y.sum() / self.fs
        y, self.fast = signal.lfilter([1 - self.smooth], [1, -self.smooth], y, zi=self.fast)
        self.levels.append(10 * np.log10(y[:: self.step] + 1e-20))

    def line(self, seconds):
        spread = np.percentile(np.concatenate(self.levels), [90, 50, 10]) + 3.01
        return f"{10 * np.log10(2 * self.energy / seconds + 1e-20):8.2f} " + " ".join(f"{v:8.2f}" for v in spread)


class Stage:
    """Three bands at one rate, and the low-pass before the next."""

    def __init__(self, fs, bands):
        self.channels = [Channel(signal.butter(3, (f * 10**-0.05, f * 10**0.05), "bandpass", fs=fs, output="sos"), fs)
                         for f in bands]
        self.lowpass = signal.cheby2(10, 80, 0.5, output="sos")
        self.state = np.zeros((self.lowpass.shape[0], 2))

    def push(self, x):
        for c in self.channels:
            c.push(x)
        y, self.state = signal.sosfilt(self.lowpass, x, zi=self.state)
        return y[::2]


indices = list(range(13, -18, -1))  # 20 kHz down to 20 Hz
stages = []
fs = float(rate)
while indices:
    count = 4 if not stages else 3
    stages.append(Stage(fs, [1000 * 10 ** (i / 10) for i in indices[:count]]))
    indices = indices[count:]
    fs /= 2
weighted = [Channel(weighting(letter), rate) for letter in "AC"]
block = 10 * rate
block -= block % 2 ** len(stages)
for start in range(0, recording.size, block):
    x = recording[start : start + block].astype(float) / full
    for c in weighted:
        c.push(x)
    for s in stages:
        x = s.push(x)
for c in weighted + [c for s in stages for c in s.channels]:
    print(c.line(recording.size / rate))
