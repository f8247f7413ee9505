# SPDX-License-Identifier: MIT
"""Resampling, filter bank and biquads against SciPy.  dsp_scipy.py TOOL DATA-FOLDER"""
import subprocess
import sys

try:
    import numpy as np
    from scipy import signal
except ImportError:
    print("NumPy or SciPy is not installed: skipped")
    sys.exit(77)

tool = sys.argv[1]
misses = 0


def ours(x, *arguments):
    done = subprocess.run([tool, *map(str, arguments)], input=np.asarray(x, float).tobytes(), capture_output=True, check=True)
    return np.frombuffer(done.stdout)


def expect(label, value, lowest, highest):
    global misses
    if not lowest <= value <= highest:
        misses += 1
        print(f"{label}: {value:.6g}, want {lowest:g} to {highest:g}")


def snr_db(got, want):
    return 10 * np.log10(np.sum(want**2) / np.sum((got - want) ** 2))


def smooth_noise(count, rate, edge_hz, seed):
    """Noise without anything above edge_hz, and with soft ends."""
    x = np.random.default_rng(seed).standard_normal(count)
    spectrum = np.fft.rfft(x)
    spectrum[np.fft.rfftfreq(count, 1 / rate) > edge_hz] = 0
    return np.fft.irfft(spectrum, count) * signal.windows.tukey(count, 0.2)


def check_resampling():
    # resample_poly with a long, steep filter of our choice: flat to 1e-6 up to 0.8 of the lower half rate.
    for in_hz, out_hz, up, down in ((44100, 48000, 160, 147), (48000, 44100, 147, 160), (16000, 48000, 3, 1),
                                    (48000, 8000, 1, 6), (22050, 48000, 320, 147)):
        low = min(in_hz, out_hz)
        x = smooth_noise(2 * in_hz, in_hz, 0.4 * low, 7)
        most = max(up, down)
        taps = signal.firwin(2 * 200 * most + 1, 0.9 / most, window=("kaiser", 14.0))
        want = signal.resample_poly(x, up, down, window=taps)
        got = ours(x, "resample", in_hz, out_hz)
        expect(f"{in_hz} -> {out_hz} length", abs(len(got) - round(len(x) * out_hz / in_hz)), 0, 0)
        n = min(len(got), len(want))
        expect(f"{in_hz} -> {out_hz} SNR dB", snr_db(got[:n], want[:n]), 120, 400)


def check_drift():
    # A drift correction: a band-limited signal that is known at any time, sampled by a clock that is 63 ppm fast.
    rate, ppm, seconds = 48000, 63e-6, 12
    rng = np.random.default_rng(3)
    tones = rng.uniform(50, 20000, 40)
    phases = rng.uniform(0, 2 * np.pi, 40)

    def at(t):
        return sum(np.sin(2 * np.pi * f * t + p) for f, p in zip(tones, phases))

    fast = rate * (1 + ppm)
    got = ours(at(np.arange(round(seconds * fast)) / fast), "resample", repr(fast), rate)
    want = at(np.arange(len(got)) / rate)
    inner = slice(2000, -2000)
    expect("drift SNR dB", snr_db(got[inner], want[inner]), 100, 400)


def check_bank():
    # Band levels of pink-like noise: Welch's spectrum integrated over each band's ideal edges.
    rate = 48000
    x = signal.lfilter([1, -0.9], [1, -0.99], np.random.default_rng(11).standard_normal(60 * rate))
    got = ours(x, "bank", rate)
    expect("number of bands", len(got), 34, 34)
    hz, density = signal.welch(x, rate, nperseg=1 << 17)
    cumulated = np.concatenate(([0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(hz))))
    for i, power in enumerate(got):
        mid = 1000 * 10 ** ((i - 20) / 10)
        low, high = mid * 10**-0.05, mid * 10**0.05
        want = np.interp(high, hz, cumulated) - np.interp(low, hz, cumulated)
        # Chance: a filter and a rectangle weigh the same noise differently at their edges; 4.34 / sqrt(BT), generous.
        chance = 0.05 + 2 * 4.34 / np.sqrt((high - low) * 60)
        expect(f"band {mid:.0f} Hz, dB off", 10 * np.log10(power / want), -chance, chance)


def check_biquad():
    # The cookbook's own formula, written out here, through SciPy's filter.
    rate, hz, q, db = 16000, 2500, 6, -9
    a, w = 10 ** (db / 40), 2 * np.pi * hz / rate
    alpha = np.sin(w) / (2 * q)
    b = [1 + alpha * a, -2 * np.cos(w), 1 - alpha * a]
    c = [1 + alpha / a, -2 * np.cos(w), 1 - alpha / a]
    x = np.random.default_rng(5).standard_normal(20000)
    expect("peaking SNR dB", snr_db(ours(x, "peaking", hz, q, db, rate), signal.lfilter(b, c, x)), 250, 400)


check_resampling()
check_drift()
check_bank()
check_biquad()
print(f"{misses} misses")
sys.exit(1 if misses else 0)
