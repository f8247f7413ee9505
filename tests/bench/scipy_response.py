# SPDX-License-Identifier: MIT
"""The work of `lanetune response` on one sweep, written plainly with SciPy: the general reference of the benchmark.

Reads both files, finds the sweep by cross-correlation, deconvolves, windows, and prints one-third-octave levels, SNR and
second-harmonic distortion. No drift, no arrivals, no decay: it does less than lanetune."""
import sys

import numpy as np
from scipy import fft, io

rate, recording = io.wavfile.read(sys.argv[1])
_, stimulus = io.wavfile.read(sys.argv[2])
recording = recording.astype(float) / 2**31
stimulus = stimulus.astype(float) / 2**31
size = fft.next_fast_len(recording.size + stimulus.size, real=True)
spectrum = fft.rfft(stimulus, size)
power = np.abs(spectrum) ** 2
response = fft.rfft(recording, size) * np.conj(spectrum) / (power + 1e-6 * power.max())
impulse = fft.irfft(response, size)
peak = int(np.argmax(np.abs(impulse)))
before, after = int(0.15 * rate), int(0.5 * rate)


def window(at):
    part = np.take(impulse, np.arange(at - before, at + after), mode="wrap")
    fade = np.ones(part.size)
    fade[: before // 2] = 0.5 - 0.5 * np.cos(np.pi * np.arange(before // 2) / (before // 2))
    fade[-after // 4 :] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fade[-after // 4 :].size) / (after // 4))
    return np.abs(fft.rfft(part * fade, 1 << 16)) ** 2


sweep_rate = 10.0 / np.log(18000 / 50)
signal, noise, second = window(peak), window(peak + 2 * after), window(int(peak - sweep_rate * np.log(2) * rate))
frequency = np.fft.rfftfreq(1 << 16, 1 / rate)
for index in range(-13, 13):
    low, high = 1000 * 10 ** ((index - 0.5) / 10), 1000 * 10 ** ((index + 0.5) / 10)
    inside = (frequency >= low) & (frequency < high)
    doubled = (frequency >= 2 * low) & (frequency < 2 * high)
    level = signal[inside].mean()
    harmonic = second[doubled].mean() if doubled.any() else 0.0
    print(f"{1000 * 10 ** (index / 10):8.1f} {10 * np.log10(level):8.2f} {10 * np.log10(level / noise[inside].mean()):6.1f} "
          f"{100 * np.sqrt(harmonic / level):7.3f}")
