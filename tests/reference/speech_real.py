# SPDX-License-Identifier: MIT
"""Talk test on recorded human speech (Debian packages pocketsphinx-testdata and asterisk-core-sounds-en-wav) plus noise of
known spectrum, against an independent P.56 and ideal band filters in NumPy.
Usage: speech_real.py TOOL DATA. Exit 77 without NumPy, SciPy or one of the packages."""
import subprocess
import sys
import tempfile

try:
    import numpy as np
    from scipy import signal
    from scipy.io import wavfile
except ImportError:
    sys.exit(77)

from tally import Tally
from voices import BOOK, CARDS, PHONE, are_there

SINE = 10 * np.log10(2.0)


def db(power):
    return 10 * np.log10(max(power, 1e-300)) + SINE


GUARD_S = 0.2  # before each activity: soft beginnings belong to no pause


def sentences(paths, rest_s):
    """One after the other with digital silence between; the files' own background noise is gated off."""
    parts = []
    for path in paths:
        rate, x = wavfile.read(path)
        x = x / 32768.0
        level = signal.filtfilt([0.02], [1, -0.98], np.abs(x))
        gate = np.convolve(level > 0.02 * np.max(level), np.ones(int(0.1 * rate)), "same") > 0
        gate = np.convolve(gate, np.hanning(int(0.04 * rate)) / np.sum(np.hanning(int(0.04 * rate))), "same")
        parts += [np.zeros(int(rest_s * rate)), (x - np.mean(x)) * gate]
    parts.append(np.zeros(int(rest_s * rate)))
    x = np.concatenate(parts)
    return rate, x[: len(x) // 3600 * 3600]  # a length that the FFT likes


def p56(x, rate):
    """Active level (dB re full scale squared), threshold and activity by ITU-T P.56 method B."""
    g = np.exp(-1 / (rate * 0.03))
    q = signal.lfilter([1 - g], [1, -g], signal.lfilter([1 - g], [1, -g], np.abs(x)))
    hang = int(round(0.2 * rate))

    def mask(threshold):
        over = np.concatenate([[0], np.cumsum(q >= threshold)])
        n = np.arange(len(x))
        return over[n + 1] - over[np.maximum(n - hang, 0)] > 0

    last = None
    for j in range(-30, 0):  # below -15 for the very quiet ones
        active = np.count_nonzero(mask(2.0**j))
        a = 10 * np.log10(np.sum(x * x) / active)
        d = a - 20 * np.log10(2.0**j)
        if d <= 15.9:
            level = last[0] + (15.9 - last[1]) / (d - last[1]) * (a - last[0])
            return level, mask(10 ** ((level - 15.9) / 20))
        last = (a, d)
    raise AssertionError("no crossing")


def bands(x, rate, indices):
    """Ideal band filters: the signal of each third octave."""
    spectrum = np.fft.rfft(x)
    f = np.fft.rfftfreq(len(x), 1 / rate)
    for index in indices:
        mid = 1000 * 10 ** (0.1 * index)
        inside = (f >= mid * 10**-0.05) & (f < mid * 10**0.05)
        yield index, np.fft.irfft(np.where(inside, spectrum, 0), len(x))


def coloured(n, rate, slope_db, rng):
    f = np.fft.rfftfreq(n, 1 / rate)
    f[0] = f[1]
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * (f / 1000) ** (slope_db / 6.02), n)
    return x / np.std(x)


def measure(tool, rate, x):
    with tempfile.NamedTemporaryFile(suffix=".f64") as f:
        x.astype("<f8").tofile(f.name)
        out = subprocess.run([tool, str(rate), f.name], capture_output=True, text=True, check=True).stdout
    got = {"notes": []}
    for line in out.splitlines():
        word = line.split()
        if word[0] == "band":
            got[int(word[1])] = (float(word[2]), float(word[3]))
        elif word[0] == "note":
            got["notes"].append(word[1])
        else:
            got[word[0]] = float(word[1])
    return got


def pauses(mask, rate):
    rest = ~mask
    for onset in np.flatnonzero(np.diff(mask.astype(int)) == 1):
        rest[max(0, onset - int(GUARD_S * rate)) : onset + 1] = False
    return rest


def check(tally, tool, label, rate, clean, noise, with_bands):
    noise = noise - np.mean(clean + noise)  # an offset is no sound
    x = clean + noise
    got = measure(tool, rate, x)
    level, mask = p56(x, rate)
    rest = pauses(mask, rate)
    mean_square = np.mean(x * x)
    tally.near(f"{label} active level", "active", got["active"], level + SINE, 1e-5)
    tally.near(f"{label} long-term level", "long", got["long"], db(mean_square), 1e-5)
    tally.near(f"{label} activity", "activity", got["activity"], 100 * mean_square / 10 ** (level / 10), 1e-5)
    tally.near(f"{label} pauses", "pauses", got["noise"], db(np.mean(x[rest] ** 2)), 0.1)
    tally.near(f"{label} noise", "noise", got["noise"], db(np.mean(noise[rest] ** 2)), 1.0)
    if got["notes"]:
        print(f"{label}: {got['notes']}")
        tally.bad += 1
    if not with_bands:
        return
    indices = [k for k in got if isinstance(k, int)]
    # The pauses alone, with soft edges: an ideal filter over the whole recording would ring into them.
    edge = np.hanning(int(0.03 * rate))
    soft = np.convolve(rest, edge / np.sum(edge), "same") ** 2 * rest
    paused = bands(x * soft, rate, indices)
    for (index, c), (_, n), (_, p) in zip(bands(clean, rate, indices), bands(noise, rate, indices), paused):
        name = f"{label} {1000 * 10 ** (0.1 * index):.0f} Hz"
        width = 1000 * 10 ** (0.1 * index) * 0.2307
        spread = 2 * 4.343 / np.sqrt(width * np.count_nonzero(rest) / rate)
        tally.near(f"{name} noise", "band noise", got[index][1], db(np.sum(p**2) / np.sum(soft**2)), 0.8 + spread)
        s = np.mean(c[mask] ** 2)
        if s > 4 * np.mean(n**2):  # 6 dB
            tally.near(f"{name} speech", "band speech", got[index][0], db(s), 1.0)


def main():
    tool = sys.argv[1]
    if not are_there():
        sys.exit(77)
    tally = Tally()
    rng = np.random.default_rng(20240514)
    for name, paths in (("book", BOOK), ("cards", CARDS), ("telephone", PHONE)):
        rate, clean = sentences(paths, 1.2)
        level, _ = p56(clean, rate)
        for slope_db, snr_db in ((-3, 22), (0, 26)):
            noise = coloured(len(clean), rate, slope_db, rng) * 10 ** ((level - snr_db) / 20)
            label = f"{name} {slope_db} dB/oct SNR {snr_db}"
            check(tally, tool, label, rate, clean, noise, True)
            check(tally, tool, f"{label} x 0.001", rate, clean * 0.001, noise * 0.001, False)
    return tally.status(200)


sys.exit(main())
