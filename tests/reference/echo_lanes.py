# SPDX-License-Identifier: MIT
"""`lanetune echo` against random lanes made here with NumPy and SciPy, independent of lanetune's own simulator.

Sent is recorded human speech: 8 kHz from the Debian package asterisk-core-sounds-en-wav, 16 kHz from
pocketsphinx-testdata, brought to one of several rates. Each lane has one cause of its echo with known delay, echo loss
(ITU-T G.122, evaluated here from the path itself), tail and arrivals. The return holds traffic-like noise 15 dB under
the echo, and a second talker during 20 % of the time at the level of the echo or above.

    echo_lanes.py LANETUNE FIRST-SEED COUNT [--verbose] [--seconds S]
"""
import glob
import json
import os
import struct
import subprocess
import sys
import tempfile

try:
    import numpy as np
    import scipy.signal
except ImportError:
    print("NumPy or SciPy is missing")
    sys.exit(77)

SPEED = 343.2  # m/s at 20 C, ISO 9613-1
CAUSES = ["none", "crosstalk", "acoustic-coupling", "reflection", "processing-delay", "near-howl"]


def read_wav(path):
    with open(path, "rb") as f:
        data = f.read()
    at, fmt, body = 12, b"", b""
    while at + 8 <= len(data):
        name, size = data[at:at + 4], struct.unpack("<I", data[at + 4:at + 8])[0]
        fmt = data[at + 8:at + 8 + size] if name == b"fmt " else fmt
        body = data[at + 8:at + 8 + size] if name == b"data" else body
        at += 8 + size + (size & 1)
    tag, channels, rate, _, _, bits = struct.unpack("<HHIIHH", fmt[:16])
    assert (tag, bits) == (1, 16), path
    return rate, np.frombuffer(body, "<i2").reshape(-1, channels)[:, 0] / 32768.0


def write_wav(path, channels, rate, bits=24):
    x = np.atleast_2d(channels).T
    if bits == 16:
        body = np.clip(np.round(x * 32767), -32768, 32767).astype("<i2").tobytes()
    else:
        v = np.ascontiguousarray(np.clip(np.round(x * 8388607), -8388608, 8388607).astype("<i4"))
        body = v.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    n = x.shape[1]
    width = bits // 8
    with open(path, "wb") as f:
        f.write(b"RIFF" + struct.pack("<I", 36 + len(body)) + b"WAVEfmt " +
                struct.pack("<IHHIIHH", 16, 1, n, int(rate), int(rate) * n * width, n * width, bits) +
                b"data" + struct.pack("<I", len(body)) + body)
    return str(path)


def sources():
    eight = sorted(glob.glob("/usr/share/asterisk/sounds/en_US_f_Allison/*.wav"))
    sixteen = sorted(p for p in glob.glob("/usr/share/pocketsphinx/test/**/*.wav", recursive=True))
    return eight, sixteen


def talk(rng, files, seconds, rate):
    """Sentences with pauses, each at about the same level."""
    parts, length = [], 0
    while length < seconds * rate:
        r, x = read_wav(files[rng.integers(len(files))])
        x = x[:int(8 * r)]
        if len(x) < 0.8 * r or np.sqrt(np.mean(x ** 2)) < 1e-3:
            continue
        if r != rate:
            x = scipy.signal.resample_poly(x, rate // np.gcd(rate, r), r // np.gcd(rate, r))
        x = x / np.sqrt(np.mean(x ** 2)) * 0.05 * 10 ** (rng.uniform(-2, 2) / 20)
        parts += [x, np.zeros(int(rng.uniform(0.15, 0.7) * rate))]
        length += len(parts[-2]) + len(parts[-1])
    return np.concatenate(parts)[:int(seconds * rate)]


def tap(h, at, gain, half=64):
    """A pulse between samples: windowed sinc."""
    i = np.arange(int(np.floor(at)) - half + 1, int(np.floor(at)) + half + 1)
    ok = (i >= 0) & (i < len(h))
    t = i - at
    h[i[ok]] += gain * (np.sinc(t) * (0.5 + 0.5 * np.cos(np.pi * t / (half + 1))))[ok]


def speaker(rng, rate):
    """Horn or small cone in a housing: band-pass with a few resonances; a stable filter with its own colour."""
    low, high = rng.uniform(200, 380), min(rng.uniform(3600, 6500), 0.45 * rate)
    sos = scipy.signal.butter(2, [low, high], "bandpass", fs=rate, output="sos")
    for _ in range(rng.integers(2, 5)):
        f, q, g = rng.uniform(400, 3200), rng.uniform(1.5, 5), rng.uniform(-6, 6)
        a, w = 10 ** (g / 40), 2 * np.pi * f / rate
        alpha = np.sin(w) / (2 * q)
        b0, b1, b2, a0, a1, a2 = (1 + alpha * a, -2 * np.cos(w), 1 - alpha * a, 1 + alpha / a, -2 * np.cos(w), 1 - alpha / a)
        sos = np.vstack([sos, np.array([[b0, b1, b2, a0, a1, a2]]) / a0])
    return sos


def coloured(sos, h):
    return scipy.signal.sosfilt(sos, h)


def echo_loss(h, rate):
    """ITU-T G.122: trapezoids in lg f from 300 to 3400 Hz."""
    n = 1 << int(np.ceil(np.log2(max(len(h), rate))))
    f = np.fft.rfftfreq(n, 1 / rate)
    p = np.abs(np.fft.rfft(h, n)) ** 2
    grid = np.geomspace(300, 3400, 4000)
    a = np.interp(grid, f, p)
    return 3.24 - 10 * np.log10(np.sum((a[1:] + a[:-1]) * np.diff(np.log10(grid))))


def tail(h, rate, first_s):
    e = np.cumsum(h[::-1] ** 2)[::-1]
    start = int(round(first_s * rate))
    total = e[max(start - int(0.0005 * rate), 0)]
    return (np.argmax(e < 1e-3 * total) / rate - first_s) * 1e3 if e[-1] < 1e-3 * total else np.nan


def housing(rng, h, at, gain, rate):
    """Diffuse sound of a housing: noise that dies away within a few ms."""
    n = int(0.012 * rate)
    tau = rng.uniform(0.0006, 0.0018)
    x = rng.normal(size=n) * np.exp(-np.arange(n) / rate / tau)
    x *= gain * rng.uniform(0.15, 0.45) / np.sqrt(np.sum(x ** 2))
    i = int(at + 0.0004 * rate)
    h[i:i + n] += x[:len(h) - i]


def lane(rng, cause, rate):
    """Impulse response and truth of one cause."""
    h = np.zeros(int(1.6 * rate))
    truth = {"cause": cause, "arrivals": []}
    distance = rng.uniform(0.2, 0.6)
    truth["distance"] = distance
    direct = distance / SPEED
    sos = speaker(rng, rate)
    if cause == "crosstalk":
        direct = rng.uniform(0, 0.00008)
        tap(h, direct * rate + 64, 1.0)
        if rng.random() < 0.5:  # capacitive: rises with frequency, slowly
            h = scipy.signal.lfilter([1, -rng.uniform(0.2, 0.5)], 1, h)
        h = np.concatenate([h[64:], np.zeros(64)])
        truth["arrivals"] = [(direct, 0.0)]
    else:
        if cause == "processing-delay":
            direct += rng.uniform(0.04, 0.25)
        tap(h, direct * rate, 1.0)
        truth["arrivals"] = [(direct, 0.0)]
        housing(rng, h, direct * rate, 1.0, rate)
        if cause == "reflection":
            for _ in range(rng.integers(1, 3)):
                path = 2 * rng.uniform(0.8, 4.5)
                level = rng.uniform(-8, 1)
                tap(h, (direct + path / SPEED) * rate, 10 ** (level / 20))
                truth["arrivals"].append((direct + path / SPEED, level))
        elif cause != "near-howl":  # a yard is never quite without reflections
            for _ in range(rng.integers(0, 3)):
                level = rng.uniform(-34, -20)
                path = 2 * rng.uniform(1.0, 4.5)
                tap(h, (direct + path / SPEED) * rate, 10 ** (level / 20))
        h = coloured(sos, h)
        if cause == "near-howl":
            ratio, period = rng.uniform(0.5, 0.85), rng.uniform(0.006, 0.06)
            once, gain = h.copy(), 1.0
            low = scipy.signal.butter(1, [150, min(6000, 0.47 * rate)], "bandpass", fs=rate, output="sos")
            for k in range(1, 40):
                once = coloured(low, once)
                shift = int(round(k * period * rate))
                if shift >= len(h):
                    break
                h[shift:] += ratio ** k * once[:len(h) - shift]
            truth["repeat_ms"] = round(period * rate) / rate * 1e3
            truth["ratio"] = ratio
    wanted = rng.uniform(12, 34)
    h *= 10 ** ((echo_loss(h, rate) - wanted) / 20)
    truth.update(delay_ms=direct * 1e3, echo_loss_db=echo_loss(h, rate), tail_ms=tail(h, rate, direct))
    return h, truth


def traffic(rng, n, rate):
    x = rng.normal(size=n)
    f = np.fft.rfftfreq(n, 1 / rate)
    shape = 1 / np.sqrt(1 + (f / rng.uniform(150, 800)) ** 2)
    x = np.fft.irfft(np.fft.rfft(x) * shape, n)
    return x / np.sqrt(np.mean(x ** 2)) * 10 ** (3 * np.sin(2 * np.pi * rng.uniform(0.05, 0.2) * np.arange(n) / rate) / 20)


def active_power(x, rate):
    frames = x[:len(x) // (rate // 50) * (rate // 50)].reshape(-1, rate // 50)
    p = np.mean(frames ** 2, axis=1)
    return np.mean(p[p > 0.05 * np.mean(p)])


def record(seed, folder, seconds=24, snr_db=15.0, double_talk=0.2):
    """One random lane as recordings. Returns (arguments for lanetune echo, truth)."""
    rng = np.random.default_rng(seed)
    eight, sixteen = sources()
    cause = CAUSES[seed % len(CAUSES)]
    rate = [8000, 16000, 16000, 48000][rng.integers(4)]
    wide = rate > 8000 and sixteen and rng.random() < 0.5
    sent = talk(rng, sixteen if wide else eight, seconds, rate)
    other = talk(rng, eight, seconds, rate)
    if cause == "none":
        h, truth = np.zeros(1), {"cause": "none"}
        echo = np.zeros(len(sent))
        level = active_power(sent, rate) * 10 ** (rng.uniform(-35, -20) / 10)
    else:
        h, truth = lane(rng, cause, rate)
        echo = scipy.signal.fftconvolve(sent, h)[:len(sent)]
        level = active_power(echo, rate)
    noise = traffic(rng, len(sent), rate) * np.sqrt(level * 10 ** (-snr_db / 10))
    talking = np.zeros(len(sent))
    while np.mean(talking) < double_talk:
        at = rng.integers(len(sent) - rate)
        talking[at:at + int(rng.uniform(0.6, 2.0) * rate)] = 1
    near = other * talking * np.sqrt(level / active_power(other, rate)) * 10 ** (rng.uniform(0, 8) / 20)
    back = echo + noise + near
    truth.update(rate=rate, wide=bool(wide), seed=seed, two_files=bool(rng.random() < 0.5))
    scale = 0.5 / max(np.max(np.abs(back)), np.max(np.abs(sent)))
    sent, back = sent * scale, back * scale
    distance = ["--distance-m", f"{truth['distance']:.2f}"] if cause != "none" and rng.random() < 0.3 else []
    if not truth["two_files"]:
        return [write_wav(f"{folder}/pair{seed}.wav", [sent, back], rate)] + distance, truth
    ppm = rng.uniform(-80, 80) if rng.random() < 0.5 else 0.0
    truth["drift_ppm"] = ppm
    if ppm:
        n = np.arange(len(back)) / (1 + ppm * 1e-6)
        back = fractional(back, n)
    return ["--sent", write_wav(f"{folder}/sent{seed}.wav", sent, rate), "--returned",
            write_wav(f"{folder}/returned{seed}.wav", back, rate)] + distance, truth


def fractional(x, at, half=24):
    """x between its samples by a windowed sinc."""
    base = np.floor(at).astype(int)
    y = np.zeros(len(at))
    for k in range(-half + 1, half + 1):
        i = base + k
        t = at - i
        w = np.sinc(t) * (0.5 + 0.5 * np.cos(np.pi * t / (half + 1)))
        y += w * np.where((i >= 0) & (i < len(x)), x[np.clip(i, 0, len(x) - 1)], 0)
    return y


def analyse(program, arguments):
    r = subprocess.run([program, "echo", *arguments, "--json"], capture_output=True, text=True)
    if r.returncode != 0:
        print(r.stderr)
        return None
    return json.loads(r.stdout)


def main():
    program, first, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    verbose = "--verbose" in sys.argv
    seconds = int(sys.argv[sys.argv.index("--seconds") + 1]) if "--seconds" in sys.argv else 24
    if not all(sources()):
        print("no recorded speech: asterisk-core-sounds-en-wav or pocketsphinx-testdata is missing")
        return 77
    right = unclear = wrong = 0
    delay_misses, loss_misses, worst_delay, worst_loss, tails = [], [], 0.0, 0.0, []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + count):
            arguments, truth = record(seed, folder, seconds)
            answer = analyse(program, arguments)
            for path in glob.glob(f"{folder}/*.wav"):
                os.unlink(path)
            if answer is None:
                wrong += 1
                continue
            r = answer["result"]
            right += r["finding"] == truth["cause"]
            unclear += r["finding"] == "unclear" != truth["cause"]
            wrong += r["finding"] not in (truth["cause"], "unclear")
            line = f"{seed:4d} {truth['cause']:18s} {r['finding']:18s}"
            if truth["cause"] != "none" and r["delay_ms"] is not None:
                d = r["delay_ms"] - truth["delay_ms"]
                e = r["echo_loss_db"] - truth["echo_loss_db"] if r["echo_loss_db"] is not None else np.nan
                worst_delay, worst_loss = max(worst_delay, abs(d)), max(worst_loss, abs(e))
                if abs(d) > 0.2:
                    delay_misses.append(seed)
                if not abs(e) <= 1.0:
                    loss_misses.append(seed)
                t = (r["tail_ms"] or np.nan) - truth["tail_ms"]
                tails.append(abs(t) / max(truth["tail_ms"], 1.0))
                line += (f" delay {truth['delay_ms']:7.2f} {d:+7.3f} loss {truth['echo_loss_db']:5.1f} {e:+5.2f} tail "
                         f"{truth['tail_ms']:6.1f} {t:+6.1f} {len(r['arrivals'])}/{len(truth['arrivals'])} arrivals "
                         f"snr {r['snr_db']:.0f} drift {truth.get('drift_ppm', 0):.0f} {r['drift_ppm']}")
            if verbose or r["finding"] != truth["cause"]:
                print(line, f"{truth['rate']} {'wide' if truth['wide'] else ''}", flush=True)
    print(f"finding right in {right} of {count}, unclear in {unclear}, wrong in {wrong}; delay off by more than 0.2 ms: "
          f"{delay_misses} (worst {worst_delay:.3f}), loss by more than 1 dB: {loss_misses} (worst {worst_loss:.2f}); "
          f"median error of the tail {100 * np.median(tails):.0f} %")
    ok = right >= 0.95 * count and right + unclear >= count and not delay_misses and not loss_misses
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main())
