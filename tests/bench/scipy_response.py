# SPDX-License-Identifier: MIT
"""The work of `lanetune response` on one sweep, written plainly with SciPy: the general reference of the benchmark.

Reads both files, finds the sweep by cross-correlation, measures the clock drift from the two markers, deconvolves,
windows, and prints what lanetune prints: one-third and 1/24-octave levels with SNR, harmonics 2 to 5, polarity, arrivals
and decay. It does each in the most common way, without lanetune's care for noise that changes."""
import sys

import numpy as np
from scipy import fft, io, signal

rate, recording = io.wavfile.read(sys.argv[1])
_, stimulus = io.wavfile.read(sys.argv[2])
recording = recording.astype(float) / 2**31
stimulus = stimulus.astype(float) / 2**31
size = fft.next_fast_len(recording.size + stimulus.size, real=True)
spectrum = fft.rfft(stimulus, size)
power = np.abs(spectrum) ** 2
recorded = fft.rfft(recording, size)
impulse = fft.irfft(recorded * np.conj(spectrum) / (power + 1e-6 * power.max()), size)
peak = int(np.argmax(np.abs(impulse)))
before, after = int(0.15 * rate), int(0.5 * rate)

# Segments of the stimulus between silences: first and last are the markers, the longest is the sweep.
loud = np.abs(stimulus) > 1e-4 * np.abs(stimulus).max()
edges = np.flatnonzero(np.diff(np.concatenate([[0], loud.astype(int), [0]])))
starts, ends = edges[::2], edges[1::2]
gap = np.flatnonzero(starts[1:] - ends[:-1] > 0.05 * rate)
starts, ends = np.concatenate([starts[:1], starts[gap + 1]]), np.concatenate([ends[gap], ends[-1:]])
longest = int(np.argmax(ends - starts))
places = []
for i in (0, starts.size - 1):
    marker = stimulus[starts[i] : ends[i]]
    part = recording[starts[i] + peak - 2400 : ends[i] + peak + 2400]
    match = np.abs(signal.correlate(part, marker, mode="valid", method="fft"))
    at = int(np.argmax(match))
    a, b, c = match[at - 1 : at + 2]
    places.append(starts[i] + at + 0.5 * (a - c) / (a - 2 * b + c))
drift = (places[1] - places[0]) / (starts[-1] - starts[0]) - 1
print(f"delay {1e3 * peak / rate:.3f} ms, drift {1e6 * drift:.2f} ppm, polarity {np.sign(impulse[peak]):+.0f}")


def window(at):
    part = np.take(impulse, np.arange(at - before, at + after), mode="wrap")
    fade = np.ones(part.size)
    fade[: before // 2] = 0.5 - 0.5 * np.cos(np.pi * np.arange(before // 2) / (before // 2))
    fade[-after // 4 :] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fade[-after // 4 :].size) / (after // 4))
    return np.abs(fft.rfft(part * fade, 1 << 16)) ** 2


seconds = (ends[longest] - starts[longest]) / rate
growth = seconds / np.log(18000 / 50)
direct, noise = window(peak), window(peak + 2 * after)
images = [window(int(peak - growth * np.log(n) * rate)) for n in range(2, 6)]
frequency = np.fft.rfftfreq(1 << 16, 1 / rate)
for fraction, first, last in ((3, -13, 12), (24, -104, 97)):
    for index in range(first, last + 1):
        ratio = 10 ** (0.15 / fraction)
        centre = 1000 * 10 ** (0.3 * index / fraction)
        a, b = np.searchsorted(frequency, [centre / ratio, centre * ratio])
        level = direct[a:b].mean()
        snr = 10 * np.log10(level / noise[a:b].mean())
        harmonic = sum(images[n - 2][n * a : n * b].mean() for n in range(2, 6) if n * b < frequency.size)
        print(f"{centre:8.1f} {10 * np.log10(level):8.2f} {snr:6.1f} {100 * np.sqrt(harmonic / level):7.3f}")

response = np.take(impulse, np.arange(peak - before, peak + after), mode="wrap")
envelope = np.abs(signal.hilbert(response))
arrivals, _ = signal.find_peaks(envelope, height=0.03 * envelope.max(), distance=int(0.0005 * rate))
print("arrivals", [round(1e3 * (i - before) / rate, 3) for i in arrivals if i > before])
band = signal.sosfiltfilt(signal.butter(4, (354, 2828), "bandpass", fs=rate, output="sos"), response)[before:]
decay = 10 * np.log10(np.cumsum(band[::-1] ** 2)[::-1] / np.sum(band**2) + 1e-12)
for name, top, bottom in (("EDT", 0, -10), ("T20", -5, -25)):
    inside = np.flatnonzero((decay <= top) & (decay >= bottom))
    slope = np.polyfit(inside / rate, decay[inside], 1)[0] if inside.size > 2 else -np.inf
    print(f"{name} {-60 / slope:.3f} s")
