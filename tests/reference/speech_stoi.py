# SPDX-License-Identifier: MIT
"""STOI and ESTOI of recorded human speech (Debian packages pocketsphinx-testdata and asterisk-core-sounds-en-wav) in noise,
against the equations of the papers in NumPy: Taal, Hendriks, Heusdens, Jensen 2011; Jensen, Taal 2016. Then the same
recordings at other rates, late, cut, clipped, reversed in polarity and with clock drift, and recordings of something else.
Usage: speech_stoi.py TOOL DATA. Exit 77 without NumPy, SciPy or one of the packages."""
import os
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
from voices import BOOK, PHONE, are_there

FS = 10000


def frames(x):
    w = np.hanning(258)[1:-1]
    return np.array([w * x[i : i + 256] for i in range(0, len(x) - 256, 128)])


def without_silence(x, y):
    fx, fy = frames(x), frames(y)
    level = 20 * np.log10(np.linalg.norm(fx, axis=1) + 1e-300)
    keep = np.flatnonzero(level > np.max(level) - 40)
    out = np.zeros((2, 128 * (len(keep) - 1) + 256))
    for k, f in enumerate(keep):
        out[0, k * 128 : k * 128 + 256] += fx[f]
        out[1, k * 128 : k * 128 + 256] += fy[f]
    return out


def bands(x):
    power = np.abs(np.fft.rfft(frames(x), 512)) ** 2
    f = np.arange(257) * FS / 512
    out = []
    for j in range(15):
        low, high = (np.argmin(np.abs(f - 150 * 2 ** (j / 3 + side / 6))) for side in (-1, 1))
        out.append(np.sqrt(np.sum(power[:, low:high], axis=1)))
    return np.array(out)  # [band][frame]


def unit(m, axis):
    m = m - np.mean(m, axis=axis, keepdims=True)
    return m / (np.linalg.norm(m, axis=axis, keepdims=True) + 1e-300)


def stoi(x, y):
    """Both at 10 kHz and in step."""
    x, y = (bands(s) for s in without_silence(x, y))
    d, e = [], []
    for m in range(30, x.shape[1] + 1):
        a, b = x[:, m - 30 : m], y[:, m - 30 : m]
        gain = np.linalg.norm(a, axis=1, keepdims=True) / np.linalg.norm(b, axis=1, keepdims=True)
        clipped = np.minimum(gain * b, a * (1 + 10 ** (15 / 20)))
        d.append(np.mean(np.sum(unit(a, 1) * unit(clipped, 1), axis=1)))
        e.append(np.sum(unit(unit(a, 1), 0) * unit(unit(b, 1), 0)) / 30)
    return np.mean(d), np.mean(e)


def to_work_rate(x, rate):
    g = np.gcd(rate, FS)
    return signal.resample_poly(x, FS // g, rate // g, window=("kaiser", 12.0))


def run(tool, how, rate_x, x, rate_y, y):
    with tempfile.TemporaryDirectory() as d:
        for name, s in (("x", x), ("y", y)):
            np.asarray(s, "<f8").tofile(os.path.join(d, name))
        r = subprocess.run([tool, how, str(rate_x), os.path.join(d, "x"), str(rate_y), os.path.join(d, "y")], capture_output=True, text=True)
    if r.returncode == 1:
        return r.stderr
    assert r.returncode == 0, r
    return {k: float(v) for k, v in (line.split() for line in r.stdout.splitlines())}


def load(paths):
    parts = []
    for path in paths:
        rate, x = wavfile.read(path)
        parts += [x / 32768.0, np.zeros(int(0.5 * rate))]
    return rate, np.concatenate(parts)


def noise_like(x, rng):
    """Stationary noise with the spectrum of the speech."""
    f, p = signal.welch(x, nperseg=512)
    n = rng.standard_normal(len(x))
    return np.fft.irfft(np.fft.rfft(n) * np.interp(np.fft.rfftfreq(len(x)), f, np.sqrt(p)), len(x))


def stretch(x, ppm):
    """What a recorder writes whose clock is faster by ppm."""
    t = np.arange(int(len(x) * (1 + ppm * 1e-6))) / (1 + ppm * 1e-6)
    up = signal.resample_poly(x, 8, 1)
    return np.interp(t * 8, np.arange(len(up)), up)


def snr(x, n, db):
    return x + n * np.std(x) / np.std(n) * 10 ** (-db / 20)


def against_equations(tally, tool, rng):
    for name, paths in (("book", BOOK), ("telephone", PHONE)):
        rate, x = load(paths)
        x = x[: 25 * rate]
        n = noise_like(x, rng)
        flutter = n * np.where(np.arange(len(n)) // (rate // 8) % 2, 1.0, 0.1)  # on and off, four times a second
        for kind, noise in (("steady", n), ("interrupted", flutter), ("white", rng.standard_normal(len(x)))):
            last = (-1.0, -1.0)
            for db in (-15, -10, -5, 0, 5, 10, 20, 40):
                y = snr(x, noise, db)
                got = run(tool, "aligned", rate, x, rate, y)
                d, e = stoi(to_work_rate(x, rate), to_work_rate(y, rate))
                label = f"{name} {kind} {db} dB"
                # Two resamplers to 10 kHz with other filters; without them the measures are the same, see below.
                tally.near(label, "STOI", got["stoi"], d, 0.003)
                tally.near(label, "ESTOI", got["estoi"], e, 0.003)
                tally.true(f"{label} rises with SNR", got["stoi"] > last[0] and got["estoi"] > last[1])
                last = (got["stoi"], got["estoi"])
        at_10_khz = to_work_rate(x, rate)
        y = snr(at_10_khz, np.random.default_rng(5).standard_normal(len(at_10_khz)), 0)
        got = run(tool, "aligned", FS, at_10_khz, FS, y)
        for kind, value, want in zip(("stoi", "estoi"), (got["stoi"], got["estoi"]), stoi(at_10_khz, y)):
            tally.near(name, f"{kind} at 10 kHz", value, want, 1e-7)
        same = run(tool, "aligned", rate, x, rate, 0.01 * x)
        tally.near(name, "identical", same["stoi"], 1, 1e-6)
        tally.near(name, "identical", same["estoi"], 1, 1e-6)


def through_a_lane(tally, tool, rng):
    """Late, with drift, at another rate, in noise: as if it were in step."""
    rate, x = load(BOOK)
    cases = [(12, 1.234, 0, 48000, 1, 30), (0, 0.05, 80, 16000, -1, 40), (20, 7.3, -150, 44100, 1, 20), (-5, 2.0, 0, 8000, 1, 12),
             (5, 30.0, 300, 16000, -0.01, 30), (20, 0.0, 0, 16000, 1, 3), (10, -1.5, 50, 16000, 1, 20), (10, -0.7, 0, 16000, 1, 4)]
    for db, late_s, ppm, out_rate, gain, length_s in cases:
        clean = x[: length_s * rate]
        n = noise_like(clean, rng)
        noisy = snr(clean, n, db)
        want = stoi(to_work_rate(clean, rate), to_work_rate(noisy, rate))
        if late_s < 0:  # the recorder was started late
            cut = int(-late_s * rate)
            want = stoi(to_work_rate(clean[cut:], rate), to_work_rate(noisy[cut:], rate))
            y = noisy[cut:]
        else:
            rest = noise_like(np.resize(x, int(late_s * rate) + rate), rng)
            rest *= np.std(noisy - clean) / np.std(rest)
            y = np.concatenate([rest[: int(late_s * rate)], noisy, rest[-rate:]])
        y = stretch(y, ppm)
        g = np.gcd(out_rate, rate)
        y = gain * signal.resample_poly(y, out_rate // g, rate // g)
        label = f"SNR {db} dB, {late_s} s late, {ppm} ppm, {out_rate} Hz, {length_s} s"
        got = run(tool, "measure", rate, clean, out_rate, y)
        if isinstance(got, str):
            tally.true(f"{label}: {got}", False)
            continue
        tally.near(label, "delay, ms", got["delay"], 1e3 * late_s * (1 + ppm * 1e-6), 0.1)  # a frame at 10 kHz
        if length_s > 10:
            tally.near(label, "drift, ppm", got["drift"], ppm, 3)  # in 10 s 0.3 frames
        # The resamplers, and a lag that is told to a part of a frame; at 8 kHz the top band, to 4286 Hz, is cut off as well.
        tolerance = 0.02 if out_rate == 8000 else 0.01
        tally.near(label, "STOI in a lane", got["stoi"], want[0], tolerance)
        tally.near(label, "ESTOI in a lane", got["estoi"], want[1], tolerance)


def refused(tally, tool, rng):
    rate, x = load(BOOK)
    other = x[40 * rate : 70 * rate] if len(x) > 70 * rate else x[len(x) // 2 :]
    ref = x[: min(15 * rate, len(x) // 3)]
    noise = rng.standard_normal(20 * rate) * 0.1
    hum = np.sin(2 * np.pi * 100 * np.arange(20 * rate) / rate) + 1e-3 * rng.standard_normal(20 * rate)
    for label, r, y, says in (("other speech", ref, other, "not in the recording"), ("noise", ref, noise, "not in the recording"),
                              ("hum", ref, hum, "not in the recording"), ("short reference in other speech", ref[: 2 * rate], other, "not in the recording"),
                              ("wrong speed", ref, signal.resample_poly(ref, 11, 10), "not in the recording"),
                              ("nothing of it yet", ref[: 5 * rate], 0.01 * rng.standard_normal(60 * rate), "not in the recording"),
                              ("backwards", ref, ref[::-1], "not in the recording"),
                              ("silence", ref, np.zeros(5 * rate), "silence"), ("silent reference", 0 * ref, ref, "silence")):
        got = run(tool, "measure", rate, r, rate, y)
        tally.true(f"{label} refused: {got}", isinstance(got, str) and says in got)
    loud = int(np.argmax(np.convolve(np.abs(x[: 10 * rate]), np.ones(rate // 4), "valid")))
    got = run(tool, "aligned", rate, x[loud : loud + rate // 4], rate, x[loud : loud + rate // 4])
    tally.true(f"a quarter of a second refused: {got}", isinstance(got, str) and "30 frames" in got)


def main():
    tool = sys.argv[1]
    if not are_there():
        sys.exit(77)
    tally, rng = Tally(), np.random.default_rng(2011)
    against_equations(tally, tool, rng)
    through_a_lane(tally, tool, rng)
    refused(tally, tool, rng)
    return tally.status(150)


sys.exit(main())
