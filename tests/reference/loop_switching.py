# SPDX-License-Identifier: MIT
"""Voice switches simulated in NumPy, with recorded human speech (Debian package asterisk-core-sounds-en-wav): attack,
hold, release and attenuation drawn at random must come back within 5 ms and 1 dB.
Usage: loop_switching.py TOOL DATA [CASES [FIRST-SEED]]. Exit 77 without NumPy, SciPy or the package."""
import glob
import subprocess
import sys

try:
    import numpy as np
    from scipy import signal
    from scipy.io import wavfile
except ImportError:
    sys.exit(77)

PHONE = sorted(glob.glob("/usr/share/asterisk/sounds/en_US_f_Allison/*.wav"))
if len(PHONE) < 50:
    sys.exit(77)


def speech(rng, rate, seconds, hold_s, release_s):
    """Phrases of the recorded voice with pauses that are long enough for the switch to close."""
    parts, total = [np.zeros(int(0.8 * rate))], 0.0
    while total < seconds:
        r, x = wavfile.read(PHONE[rng.integers(len(PHONE))])
        x = x.astype(float) / 32768
        if len(x) < 0.4 * r or np.max(np.abs(x)) < 0.02:
            continue
        x = x[: int(2.5 * r)]
        x = x * np.minimum(1, np.arange(len(x))[::-1] / (0.01 * r))  # where a longer phrase was cut
        x = signal.resample_poly(x, rate, r) if rate != r else x
        x *= 0.1 / np.sqrt(np.mean(x ** 2)) * 10 ** (rng.uniform(-3, 3) / 20)
        parts += [x, np.zeros(int(rate * (hold_s + release_s + rng.uniform(0.25, 0.9))))]
        total += (len(parts[-1]) + len(parts[-2])) / rate
    return np.concatenate(parts)


def noise(rng, n, rate, kind):
    w = rng.normal(size=n)
    if kind == "road":  # falls 6 dB an octave above 500 Hz
        b, a = signal.butter(1, 500 / (rate / 2))
        w = signal.lfilter(b, a, w)
    return w / np.sqrt(np.mean(w ** 2))


def gain_of(control, rate, attack_s, hold_s, release_s, attenuation_db, shape):
    """Gain in dB re talking gain: 0 while the detector or its hold is active, -attenuation else (of the same direction).
    Straight ramps in dB of the given whole time, or exponential ones in amplitude with that time constant."""
    active = np.zeros(len(control), bool)
    left = 0
    hold = int(hold_s * rate)
    for i, c in enumerate(control):
        left = hold + 1 if c else max(left - 1, 0)
        active[i] = left > 0
    low = 10 ** (-attenuation_db / 20)
    g = np.empty(len(control))
    if shape == "db":
        up, down = attenuation_db / (attack_s * rate), attenuation_db / (release_s * rate)
        v = -attenuation_db
        for i, on in enumerate(active):
            v = min(0.0, v + up) if on else max(-attenuation_db, v - down)
            g[i] = v
        return 10 ** (g / 20)
    ka, kr = np.exp(-1 / (attack_s * rate)), np.exp(-1 / (release_s * rate))
    v = low
    for i, on in enumerate(active):
        v = 1 + (v - 1) * ka if on else low + (v - low) * kr
        g[i] = v
    return g


def gain_of_other(control, rate, attack_s, hold_s, release_s, attenuation_db, shape):
    """Gain of the other direction: 0 dB while nobody talks here, attenuated while somebody does."""
    if shape == "db":
        return 10 ** (-attenuation_db / 20) / gain_of(control, rate, attack_s, hold_s, release_s, attenuation_db, shape)
    low, v, left = 10 ** (-attenuation_db / 20), 1.0, 0
    ka, kr = np.exp(-1 / (attack_s * rate)), np.exp(-1 / (release_s * rate))
    g = np.empty(len(control))
    for i, c in enumerate(control):
        left = int(hold_s * rate) + 1 if c else max(left - 1, 0)
        v = low + (v - low) * ka if left > 0 else 1 + (v - 1) * kr
        g[i] = v
    return g


def envelope(x, rate, tau):
    k = np.exp(-1 / (tau * rate))
    return signal.lfilter([1 - k], [1, -k], np.abs(x))


def case(seed):
    rng = np.random.default_rng(seed)
    rate = int(rng.choice([8000, 16000, 48000]))
    t = {"attack": rng.uniform(2, 50), "hold": rng.uniform(50, 500), "release": rng.uniform(20, 300),
         "attenuation": rng.uniform(6, 40), "direction": "same" if rng.random() < 0.5 else "opposite",
         "shape": "db" if rng.random() < 0.7 else "exp"}
    if t["shape"] == "exp":  # time constants; the whole ramp takes several of them
        t["attack"], t["release"] = rng.uniform(2, 20), rng.uniform(20, 100)
    x = speech(rng, rate, 24, t["hold"] / 1000, t["release"] / 1000 * (1 if t["shape"] == "db" else 4))
    x = x + 10 ** (-62 / 20) * noise(rng, len(x), rate, "road")
    env = envelope(x, rate, rng.choice([0.001, 0.002, 0.005]))
    control = env > 0.1 * 10 ** (rng.uniform(-22, -12) / 20)
    g = (gain_of if t["direction"] == "same" else gain_of_other)(control, rate, t["attack"] / 1000, t["hold"] / 1000, t["release"] / 1000, t["attenuation"], t["shape"])
    delay = int(rng.uniform(0, 0.03) * rate)
    if t["direction"] == "same":
        b, a = signal.butter(1, [200 / (rate / 2), 3600 / (rate / 2)], "band")
        y = signal.lfilter(b, a, x * g * rng.uniform(0.3, 1))
        y = np.concatenate([np.zeros(delay), y])[: len(x)]
        t["delay"] = 1000 * delay / rate
        y = y + 10 ** (-112 / 20) * noise(rng, len(x), rate, "white")
    else:
        y = 10 ** (-35 / 20) * noise(rng, len(x), rate, "road") * g
        y = y + 10 ** (-95 / 20) * noise(rng, len(x), rate, "white")
    return rate, x, y, t


def run(tool, cases):
    data = b"".join(np.concatenate([[rate, len(x)], x, y]).astype("<f8").tobytes() for rate, x, y, _ in cases)
    lines = subprocess.run([tool], input=data, capture_output=True, check=True).stdout.decode().splitlines()
    assert len(lines) == len(cases)
    return [line.split() for line in lines]


def main():
    tool = sys.argv[1]
    count, first = (int(v) for v in (sys.argv[3:] + ["30", "1"][len(sys.argv[3:]):]))
    bad, errors = 0, {k: [] for k in ("attack", "hold", "release", "attenuation")}
    for seed in range(first, first + count):
        c = case(seed)
        (r,) = run(tool, [c])
        t = c[3]
        if r[0] != t["direction"] or r[1] != "1":
            print(f"seed {seed}: {t} gives {r}")
            bad += 1
            continue
        got = {"attenuation": float(r[3]), "attack": float(r[5]), "hold": float(r[8]), "release": float(r[9])}
        wrong = []
        for k, limit in (("attack", 5), ("hold", 5), ("release", 5), ("attenuation", 1)):
            errors[k].append(got[k] - t[k])
            if not abs(got[k] - t[k]) <= limit:
                wrong.append(f"{k} {got[k]:.2f}, not {t[k]:.2f}")
        if wrong:
            bad += 1
            print(f"seed {seed} ({t['direction']}, {t['shape']}, {c[0]} Hz, {t['attenuation']:.1f} dB): {'; '.join(wrong)} | {' '.join(r)}")
    for k, e in errors.items():
        print(f"{k}: mean {np.mean(e):+.2f}, largest {np.max(np.abs(e)) if e else 0:.2f}")
    print(f"{count - bad} of {count} right")
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
