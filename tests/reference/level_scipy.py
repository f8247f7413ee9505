# SPDX-License-Identifier: MIT
"""Levels against an independent computation in NumPy and SciPy: weightings and band levels from the whole file's
spectrum, Fast percentiles from Butterworth filters of scipy.signal and a sample-by-sample detector.
Usage: level_scipy.py TOOL DATA. Exit 77 without NumPy and SciPy."""
import csv
import os
import subprocess
import sys
import tempfile

try:
    import numpy as np
    from scipy import signal
except ImportError:
    sys.exit(77)

from tally import Tally

FS_SINE = 10 * np.log10(2.0)  # dBFS: a full-scale sine reads 0


def db(mean_square):
    return 10 * np.log10(mean_square) + FS_SINE


def constants(folder):
    with open(os.path.join(folder, "iec61672_constants.csv"), encoding="utf-8") as f:
        return {r["name"]: float(r["value"]) for r in csv.DictReader(f)}


def weighting_gain(f, c):
    """A and C amplitude over frequency, formulas of IEC 61672-1 annex E."""
    f2 = f * f
    cw = c["f4"] ** 2 * f2 / ((f2 + c["f1"] ** 2) * (f2 + c["f4"] ** 2))
    aw = cw * f2 / np.sqrt((f2 + c["f2"] ** 2) * (f2 + c["f3"] ** 2))
    return aw * 10 ** (-c["a1000"] / 20), cw * 10 ** (-c["c1000"] / 20)


def spectrum(x, rate):
    n = len(x)
    p = np.abs(np.fft.rfft(x)) ** 2 * 2 / n / n
    p[0] = 0.0  # an offset is no sound
    return np.fft.rfftfreq(n, 1 / rate), p


def weighted(x, rate, gain):
    """Filter by multiplying the spectrum of the whole file, padded by its mirror image so that nothing wraps."""
    y = np.concatenate([x, x[::-1]])
    f = np.fft.rfftfreq(len(y), 1 / rate)
    return np.fft.irfft(np.fft.rfft(y) * gain(f), len(y))[: len(x)]


def fast(x, rate, zero_start=False):
    """tau 125 ms on the squares."""
    k = 1 - np.exp(-1 / (rate * 0.125))
    zi = [0.0] if zero_start else [(1 - k) * np.mean(x[: int(0.5 * rate)] ** 2)]
    return signal.lfilter([k], [1, k - 1], x * x, zi=zi)[0]


def exceeded(power, percent):
    return db(np.quantile(power, 1 - percent / 100))


def edges(index):
    mid = 1000 * 10 ** (0.1 * index)
    return mid * 10 ** -0.05, mid * 10 ** 0.05


def pink(n, rng, rate):
    f = np.fft.rfftfreq(n, 1 / rate)
    f[0] = f[1]
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) / np.sqrt(f), n)
    return x / np.std(x)


def traffic(n, rng, rate):
    """Pink noise through a gentle low-pass, with vehicles that pass: the level moves by 20 dB."""
    t = np.arange(n) / rate
    x = signal.sosfilt(signal.butter(1, 900, fs=rate, output="sos"), pink(n, rng, rate))
    envelope = 0.1 + sum(10 ** (a / 20) / (1 + ((t - at) / 1.5) ** 2) for at, a in ((4, 0), (11, -6), (17, 3)))
    return 0.02 * x * envelope / np.max(envelope)


def tones(n, rng, rate):
    t = np.arange(n) / rate
    x = 1e-4 * rng.standard_normal(n)
    for f, a in ((63, 0.1), (1000, 0.03), (0.39 * rate, 0.02), (3150, 0.05)):
        x += a * np.sin(2 * np.pi * f * t + f)
    return x


def cases():
    rng = np.random.default_rng(20240514)
    for rate in (16000, 44100, 48000, 96000):
        n = 20 * rate
        yield f"white {rate}", rate, 0.01 * rng.standard_normal(n), 0.1
        yield f"pink {rate}", rate, 0.05 * pink(n, rng, rate), 0.12
        yield f"traffic {rate}", rate, traffic(n, rng, rate), 0.12
        yield f"tones {rate}", rate, tones(n, rng, rate), 0.1
    rate = 48000
    x = 0.01 * rng.standard_normal(3 * rate)
    yield "short, with offset", rate, x + 0.05, 0.3
    yield "loud rumble", rate, 0.5 * np.sin(2 * np.pi * 7 * np.arange(10 * rate) / rate + 1) + 1e-4 * rng.standard_normal(10 * rate), 0.3


def measure(tool, rate, x):
    with tempfile.NamedTemporaryFile(suffix=".f64") as f:
        x.astype("<f8").tofile(f.name)
        out = subprocess.run([tool, str(rate), f.name], capture_output=True, text=True, check=True).stdout
    got = {}
    for line in out.splitlines():
        word = line.split()
        if word[0] == "band":
            got[int(word[1])] = [float(w) for w in word[2:]]
        else:
            got[word[0]] = float(word[1])
    return got


def check(tally, tool, c, label, rate, x, tolerance):
    got = measure(tool, rate, x)
    f, p = spectrum(x, rate)
    ga, gc = weighting_gain(f, c)
    tally.near(f"{label} LAeq", "LAeq", got["laeq"], db(np.sum(p * ga**2)), tolerance)
    tally.near(f"{label} LCeq", "LCeq", got["lceq"], db(np.sum(p * gc**2)), tolerance)
    a = weighted(x, rate, lambda f: weighting_gain(f, c)[0])
    level = fast(a, rate)
    if "rumble" in label:  # the mirror image of the reference has a kink there, which A-weighting lets through
        tally.near(f"{label} LAFmax", "LAFmax", got["lafmax"], got["laeq"], 1.0)
    else:
        tally.near(f"{label} LAFmax", "LAFmax", got["lafmax"], db(np.max(fast(a, rate, True))), 0.2)
    for percent in (10, 50, 90):
        tally.near(f"{label} LA{percent}", "LA percentile", got[f"la{percent}"], exceeded(level, percent), 0.2)
    bands = [k for k in got if isinstance(k, int)]
    assert bands[0] == -13 and edges(bands[-1])[1] > 0.4 * rate or bands[-1] == 12
    for index in bands:
        lo, hi = edges(index)
        inside = (f >= lo) & (f < hi)
        name = f"{label} band {1000 * 10 ** (0.1 * index):.0f} Hz"
        # Noise in a band of the filter's shape and in the sharp band are two draws: the fewer the independent
        # samples 2 B T, the more they may differ (a third of the standard deviation, three times over).
        spread = 4.343 / np.sqrt((hi - lo) * len(x) / rate) if "tones" not in label else 0.0
        if "tones" in label and np.sum(p[inside]) < 1e-5:
            continue  # beside a tone the slope of the filter counts, not its width
        if "rumble" in label and index < -5:
            continue
        # Near half the rate the slopes of the filter are uneven, which steep spectra show.
        near_top = 0.2 if hi > 0.4 * rate else 0.0
        tally.near(name, "band Leq", got[index][0], db(np.sum(p[inside])), tolerance + spread + near_top)
        if index % 4 == 0 and "tones" not in label and "rumble" not in label and hi < 0.4 * rate:
            sos = signal.butter(3, [lo, hi], "bandpass", fs=rate, output="sos")
            y = signal.sosfilt(sos, np.concatenate([x[rate:0:-1], x]))  # the filter is settled when x begins
            power = fast(y, rate)[rate:]
            for k, percent in enumerate((10, 50, 90), 1):
                tally.near(f"{name} L{percent}", "band percentile", got[index][k], exceeded(power, percent), 0.3 + spread)


def main():
    tool, data = sys.argv[1:]
    tally = Tally()
    c = constants(data)
    for case in cases():
        check(tally, tool, c, *case)
    return tally.status(500)


sys.exit(main())
