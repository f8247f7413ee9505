# SPDX-License-Identifier: MIT
"""Recordings with one planted fault, and recordings without any: made with NumPy and SciPy from recorded speech
(Debian's asterisk-core-sounds-en-wav, pocketsphinx-testdata), music on hold (asterisk-moh-opsound-wav) and models of
traffic, wind, sweeps and telephony of their own. Nothing here comes from lanetune or its simulator.

Every fault is planted so that it can be heard or measured at its time, by rules that know nothing of a detector:
tones begin no lower than noise masks them (2 dB below the host in the critical band around them under 500 Hz, 6 dB
above, over the second that follows, a burst buzz over its first group of bursts: H. Fastl and E. Zwicker,
Psychoacoustics, chapters 4 and 6; memory), strong gusts of wind stand 10 dB over what the host has below 100 Hz, wind
begins with the first gust that stands 6 dB over the host and comes within 10 dB of the strong ones, clipping with five
samples in 0.1 s, and gaps lie in sound, be it the noise of an empty lane.

    make_faulty(seed) -> (name, rate, channels [[...], ...], bits, [(code, at)]); at: seconds, (first_s, last_s) or None
    make_clean(seed)  -> (name, rate, channels, bits)
"""
import glob
import os
import pathlib
import warnings

import numpy as np
from scipy import io, signal

SPEECH = "/usr/share/asterisk/sounds/en_US_f_Allison"
READ = "/usr/share/pocketsphinx/test/data"
MUSIC = "/usr/share/asterisk/moh"
CODES = ["clipping", "dc-offset", "mains-hum", "burst-buzz", "whine", "dropout", "dead-channel", "low-level", "crackle",
         "wind", "howl", "band-limited"]


def load(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        rate, x = io.wavfile.read(path)
    return rate, x.astype(float) / 32768.0


def find(folder, least=20000):
    paths = sorted(glob.glob(os.path.join(folder, "**", "*.wav"), recursive=True))
    return [p for p in paths if os.path.getsize(p) > least]


def available():
    """What is missing for the corpus; empty if nothing is."""
    folders = {"asterisk-core-sounds-en-wav": speech_folder(), "pocketsphinx-testdata": READ,
               "asterisk-moh-opsound-wav": MUSIC}
    return [package for package, folder in folders.items() if not find(folder)]


def speech_folder():
    for folder in ("/usr/share/asterisk/sounds/en_US_f_Allison", "/usr/share/asterisk/sounds/en"):
        if os.path.isdir(folder):
            return folder
    return "/usr/share/asterisk/sounds"


def resample(x, rate, to):
    g = np.gcd(int(rate), int(to))
    return signal.resample_poly(x, int(to) // g, int(rate) // g) if rate != to else x


def fit(x, n, rng):
    """n samples from x, repeated if too short."""
    if len(x) < n:
        x = np.tile(x, n // len(x) + 1)
    start = rng.integers(0, len(x) - n + 1)
    return x[start:start + n].copy()


def lane_noise(n, rate, rng, dbfs):
    """Road and air: falls by about 5 dB an octave."""
    f = np.fft.rfftfreq(n, 1 / rate)
    shape = 1 / np.sqrt(1 + (f / 150.0) ** 1.7)
    shape[f < 20] *= 0.1
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * shape, n)
    return x * 10 ** (dbfs / 20) / np.sqrt(2) / np.std(x)


def recorded_speech(n, rate, rng):
    """Real speech with its pauses at about -26 dBov."""
    parts, have = [], 0
    pool = find(speech_folder()) if rng.random() < 0.7 else find(READ)
    while have < n:
        r, x = load(pool[rng.integers(len(pool))])
        x = x if x.ndim == 1 else x[:, 0]
        x = resample(x, r, rate)
        # the ends of a prompt fade into its pause
        edge = min(len(x) // 4, int(0.01 * rate))
        x[:edge] *= np.linspace(0, 1, edge)
        x[-edge:] *= np.linspace(1, 0, edge)
        pause = np.zeros(int(rng.uniform(0.2, 0.9) * rate))
        parts += [x, pause]
        have += len(x) + len(pause)
    x = np.concatenate(parts)[:n]
    loud = np.abs(x) > 0.05 * np.max(np.abs(x))
    return x * 10 ** (-26 / 20) / np.sqrt(np.mean(x[loud] ** 2) / 2.5)


def synthetic_speech(n, rate, rng):
    """Pulses of a wandering pitch and noise through three moving resonances, in syllables with pauses."""
    t = np.arange(n) / rate
    f0 = rng.uniform(90, 220) * (1 + 0.15 * np.sin(2 * np.pi * rng.uniform(0.3, 0.8) * t + rng.uniform(0, 6)) +
                                 0.01 * np.cumsum(rng.standard_normal(n)) / np.sqrt(rate))
    phase = np.cumsum(f0) / rate
    pulses = np.diff(np.floor(phase), prepend=0.0)
    source = pulses * np.sqrt(rate / 150.0) + 0.05 * rng.standard_normal(n)
    y = np.zeros(n)
    for low, high in ((300, 800), (900, 2200), (2300, 3200)):
        hz = rng.uniform(low, high)
        b, a = signal.iirpeak(min(hz, 0.45 * rate), hz / 120.0, fs=rate)
        y += signal.lfilter(b, a, source) * rng.uniform(0.4, 1)
    rate_hz = rng.uniform(2.5, 4.5)
    syllable = np.clip(np.sin(2 * np.pi * rate_hz * t + rng.uniform(0, 6)), 0, 1) ** 0.7
    words = np.clip(np.sin(2 * np.pi * 0.35 * t + rng.uniform(0, 6)) * 4 + 2, 0, 1)
    y *= syllable * words
    return y * 10 ** (-26 / 20) / (np.std(y) * 1.6 + 1e-9)


def music(n, rate, rng):
    pool = find(MUSIC)
    r, x = load(pool[rng.integers(len(pool))])
    x = fit(x, int(n * r / rate) + 2000, rng)
    return resample(x, r, rate)[:n] * rng.uniform(0.3, 0.9)


def held_tones(n, rate, rng):
    """Music on hold of a synthesiser: chords that are held and swell, with vibrato."""
    t = np.arange(n) / rate
    y, at = np.zeros(n), 0
    while at < n:
        length = int(rng.uniform(0.5, 2.5) * rate)
        part = slice(at, min(n, at + length))
        k = np.arange(part.stop - part.start)
        env = np.sin(np.pi * k / len(k)) ** rng.uniform(0.3, 1.0)
        root = 110 * 2 ** (rng.integers(0, 24) / 12)
        for step in (0, 4, 7, 12):
            for h in (1, 2, 3):
                hz = root * 2 ** (step / 12) * h
                if hz < 0.45 * rate:
                    y[part] += env * np.sin(2 * np.pi * hz * t[part] + 0.6 * np.sin(2 * np.pi * 5 * t[part])) / h ** 1.3
        at += length
    return y * 0.25 / np.max(np.abs(y))


def traffic(n, rate, rng):
    """Pass-bys with tyres and an engine that changes its speed, over a distant road."""
    t = np.arange(n) / rate
    x = lane_noise(n, rate, rng, -48)
    for _ in range(int(rng.integers(1, 4))):
        centre, width = rng.uniform(0, n / rate), rng.uniform(0.8, 3.0)
        shape = 1 / (1 + ((t - centre) / width) ** 2)
        tyres = lane_noise(n, rate, rng, -28)
        firing = rng.uniform(25, 45) * (1 + 0.1 * np.tanh((t - centre) / 3))
        engine = sum(np.sin(2 * np.pi * np.cumsum(firing * h) / rate + rng.uniform(0, 6)) / h for h in (1, 2, 3, 4, 6))
        x += shape * (tyres * rng.uniform(0.5, 1.5) + 0.015 * engine)
    return x


def gusts(n, rate, rng):
    """Wind: noise that falls steeply from 30 to 60 Hz on, in gusts of parts of a second."""
    f = np.fft.rfftfreq(n, 1 / rate)
    corner = rng.uniform(30, 60)
    shape = 1 / (1 + (f / corner) ** 3)
    shape[f < 4] *= 0.1
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * shape, n)
    b, a = signal.butter(2, rng.uniform(0.8, 2.0), fs=rate)
    slow = signal.lfilter(b, a, rng.standard_normal(n + rate))[rate:]
    env = 10 ** (np.clip(slow / np.std(slow), -2.5, 2) * rng.uniform(6, 9) / 20)
    return x / np.std(x) * env * 10 ** (rng.uniform(-30, -20) / 20)


def sweep(n, rate, rng):
    """Silence, an exponential or linear sweep through a room, silence."""
    seconds = 0.7 * n / rate
    t = np.arange(int(seconds * rate)) / rate
    high = min(rng.uniform(6000, 18000), 0.45 * rate)
    kind = "logarithmic" if rng.random() < 0.8 else "linear"
    x = signal.chirp(t, rng.uniform(40, 120), seconds, high, kind) * rng.uniform(0.1, 0.5)
    x *= signal.windows.tukey(len(x), 0.05)
    room = rng.standard_normal(int(0.25 * rate)) * np.exp(-np.arange(int(0.25 * rate)) / (0.04 * rate)) * 0.03
    room[0] = 1
    y = np.zeros(n)
    start = int(rng.uniform(0.1, 0.25) * n)
    x = np.convolve(x, room)[:n - start]
    y[start:start + len(x)] = x
    return y + lane_noise(n, rate, rng, rng.uniform(-75, -55))


def quiet(n, rate, rng):
    """An empty lane at night: a distant road and the hiss of the microphone."""
    hiss = rng.standard_normal(n) * 10 ** (rng.uniform(-88, -76) / 20)
    return lane_noise(n, rate, rng, rng.uniform(-60, -48)) + hiss


def telephony(n, rate, rng):
    """Dialling, beeps and call progress, with hard edges."""
    y, at = np.zeros(n), int(0.3 * rate)
    rows, columns = (697, 770, 852, 941), (1209, 1336, 1477)
    kind = rng.integers(3)
    while at < n:
        length = int((rng.uniform(0.07, 0.2), 0.4, rng.uniform(0.5, 1.1))[kind] * rate)
        t = np.arange(min(length, n - at)) / rate
        hz = ((rows[rng.integers(4)], columns[rng.integers(3)]), (440, 480), (1400, 0))[kind]
        y[at:at + len(t)] = 0.15 * sum(np.sin(2 * np.pi * h * t) for h in hz)
        at += length + int((rng.uniform(0.05, 0.15), 0.6, rng.uniform(0.5, 2.0))[kind] * rate)
    return y + lane_noise(n, rate, rng, -75)


def comfort_noise(n, rate, rng):
    """Speech whose pauses a coder fills with faint noise, after a hangover."""
    x = recorded_speech(n, rate, rng)
    env = np.maximum.accumulate(np.abs(x)) * 0
    frame = int(0.02 * rate)
    for i in range(0, n, frame):
        if np.sqrt(np.mean(x[i:i + frame] ** 2)) > 10 ** (-50 / 20):
            env[i:i + int(0.12 * rate)] = 1
    return np.where(env > 0, x, 0) + 10 ** (-62 / 20) * rng.standard_normal(n)


def gated(n, rate, rng):
    """Prompts through a noise gate without ramps, with or without hangover."""
    x = recorded_speech(n, rate, rng) + lane_noise(n, rate, rng, rng.uniform(-70, -50))
    frame = int(rng.choice([0.005, 0.01, 0.02]) * rate)
    threshold, hang = 10 ** (rng.uniform(-55, -35) / 20), int(rng.choice([0, 0.02, 0.06]) * rate)
    is_open = np.zeros(n, bool)
    for i in range(0, n, frame):
        if np.sqrt(np.mean(x[i:i + frame] ** 2)) > threshold:
            is_open[i:i + frame + hang] = True
    return np.where(is_open, x, 0)


def cut_words(n, rate, rng):
    """Prompts that an editor has trimmed where they pass a tenth of their peak, with digital silence between."""
    pool, parts, have = find(speech_folder()), [], 0
    while have < n:
        r, x = load(pool[rng.integers(len(pool))])
        x = resample(x if x.ndim == 1 else x[:, 0], r, rate)
        loud = np.nonzero(np.abs(x) > 0.1 * np.max(np.abs(x)))[0]
        parts += [x[loud[0]:loud[-1] + 1], np.zeros(int(rng.uniform(0.05, 0.8) * rate))]
        have += len(parts[-2]) + len(parts[-1])
    x = np.concatenate(parts)[:n]
    return x * 10 ** (-22 / 20) / np.sqrt(np.mean(x[np.abs(x) > 0.05 * np.max(np.abs(x))] ** 2))


def staccato(n, rate, rng):
    """Music on hold of a simple synthesiser: short notes that stop at once, silence between."""
    y, at = np.zeros(n), int(0.2 * rate)
    beat, part, decay = rng.uniform(0.12, 0.4), rng.uniform(0.3, 0.9), rng.uniform(0, 8)
    while at < n:
        t = np.arange(min(int(beat * rng.integers(1, 3) * part * rate), n - at)) / rate
        for _ in range(rng.integers(1, 4)):
            hz = 110 * 2 ** (rng.integers(0, 30) / 12)
            y[at:at + len(t)] += 0.12 * np.exp(-decay * t) * sum(np.sin(2 * np.pi * h * hz * t) / h
                                                                 for h in range(1, 6) if h * hz < 0.45 * rate)
        at += int(beat * rng.integers(1, 3) * rate)
    return y


def modem(n, rate, rng):
    """Answer tones with reversals, frequency shift keying (ITU-T V.21, V.25), with pauses of 75 ms."""
    y, at = np.zeros(n), int(0.4 * rate)
    while at < n:
        t = np.arange(min(n - at, int(rng.uniform(0.4, 2) * rate))) / rate
        shifted = np.cumsum(np.where(rng.integers(0, 2, int(t[-1] * 300) + 1)[(t * 300).astype(int)], 980, 1180)) / rate
        answer = np.sin(2 * np.pi * 2100 * t) * np.where((t / 0.45).astype(int) % 2, -1, 1)
        y[at:at + len(t)] = 0.15 * (answer if rng.random() < 0.5 else np.sin(2 * np.pi * shifted))
        at += len(t) + int(rng.choice([0, 0.075, 0.3]) * rate)
    return y + lane_noise(n, rate, rng, rng.uniform(-80, -55))


def beeper(n, rate, rng):
    """A truck reverses, a siren, an alarm: through the reflections of a yard, over traffic."""
    t = np.arange(n) / rate
    kind = rng.integers(3)
    hz = (rng.uniform(1000, 1500), 0, rng.uniform(700, 1100))[kind] + 0 * t
    if kind == 1:
        hz = 900 - 350 * np.cos(2 * np.pi * t / rng.choice([0.3, 4.0]))
    on = (t % 1.0 < 0.5, t >= 0, t % 0.4 < 0.2)[kind]
    tone = sum(w * np.sin(2 * np.pi * h * np.cumsum(hz) / rate) for h, w in ((1, 1), (2, 0.3), (3, 0.2))
               if h * np.max(hz) < 0.45 * rate)
    yard = rng.standard_normal(int(0.2 * rate)) * np.exp(-np.arange(int(0.2 * rate)) / (0.03 * rate)) * 0.05
    yard[0] = 1
    return signal.fftconvolve(tone * on, yard)[:n] * rng.uniform(0.03, 0.15) + traffic(n, rate, rng)


def weather_and_dishes(n, rate, rng):
    """Rain on a roof, or a kitchen: many small impacts, some of which ring; birds."""
    y = lane_noise(n, rate, rng, rng.uniform(-60, -42))
    kind = rng.integers(3)
    for _ in range(int(n / rate * (rng.uniform(20, 200), rng.uniform(1, 4), rng.uniform(1, 4))[kind])):
        at = rng.integers(0, n - rate)
        if kind == 0:
            k = np.arange(int(rng.uniform(0.002, 0.02) * rate))
            y[at:at + len(k)] += rng.standard_normal(len(k)) * np.exp(-4 * k / len(k)) * 10 ** (rng.uniform(-45, -26) / 20)
            continue
        t = np.arange(int((0.5, 0.12)[kind - 1] * rate)) / rate
        if kind == 1:
            hit = sum(rng.uniform(0.2, 1) * np.sin(2 * np.pi * min(rng.uniform(800, 9000), 0.45 * rate) * t) *
                      np.exp(-t * rng.uniform(8, 120)) for _ in range(rng.integers(3, 9)))
        else:
            hz = rng.uniform(1500, min(6000, 0.3 * rate)) * (1 + rng.uniform(-2, 2) * t)
            hit = np.sin(2 * np.pi * np.cumsum(hz) / rate) * np.hanning(len(t))
        y[at:at + len(t)] += hit * rng.uniform(0.01, 0.12)
    return y


def quantise(x, bits):
    if bits == 16:
        return np.clip(np.round(x * 32768), -32768, 32767) / 32768
    if bits == 24:
        return np.clip(np.round(x * 8388608), -8388608, 8388607) / 8388608
    return x


def mu_law(x):
    y = np.sign(x) * np.log1p(255 * np.minimum(np.abs(x), 1)) / np.log(256)
    y = np.round(y * 127) / 127
    return np.sign(y) * np.expm1(np.abs(y) * np.log(256)) / 255


RATES = [8000, 16000, 44100, 48000, 48000, 96000]


def setting(rng):
    rate = int(RATES[rng.integers(len(RATES))])
    n = int(rng.uniform(7, 14) * 10) * rate // 10
    return rate, n, (16, 24, "float")[rng.integers(3)]


def make_clean(seed):
    rng = np.random.default_rng([7, seed])
    rate, n, bits = setting(rng)
    kinds = [recorded_speech, recorded_speech, synthetic_speech, music, held_tones, traffic, gusts, sweep, telephony,
             comfort_noise, gated, cut_words, staccato, modem, beeper, weather_and_dishes]
    kind = kinds[seed % len(kinds)]
    x = kind(n, rate, rng)
    if kind in (recorded_speech, synthetic_speech, music) and rng.random() < 0.6:
        x = x + lane_noise(n, rate, rng, rng.uniform(-75, -50))
    if kind is gusts:
        x = x + lane_noise(n, rate, rng, -50) + (recorded_speech(n, rate, rng) if rng.random() < 0.4 else 0)
    if rate == 8000 and rng.random() < 0.5:
        x = mu_law(x)
    if rng.random() < 0.4:  # silence added at the ends
        x = x.copy()
        for part in (slice(0, int(0.5 * rate)), slice(n - int(0.5 * rate), n)):
            x[part] = 0
        fade = int(0.02 * rate)
        x[int(0.5 * rate):int(0.5 * rate) + fade] *= np.linspace(0, 1, fade)
        x[n - int(0.5 * rate) - fade:n - int(0.5 * rate)] *= np.linspace(1, 0, fade)
    peak = np.max(np.abs(x))
    x = x * (0.9 / peak if peak > 0.9 else 1.0)
    return f"clean-{seed:03d}-{kind.__name__}", rate, [quantise(x, bits)], bits


# ---- planted faults: each takes the signal and gives it back with the fault and its time ----


def start_time(n, rate, rng, tail=2.5):
    return rng.uniform(1.0, n / rate - tail)


def above_masking_db(fault, host, rate, at, seconds=1.0):
    """Level of the fault re what the host just masks, in the band where it stands out most, over the second after
    `at`. Bands are as wide as critical bands, 100 Hz or a third octave; a tone is heard in noise from 2 dB below the
    level in its critical band on at low frequencies, from 6 dB below at high ones."""
    part = slice(int(at * rate), int((at + seconds) * rate))
    n = len(host[part])
    f = np.fft.rfftfreq(n, 1 / rate)
    window = signal.windows.hann(n)
    a, b = (np.abs(np.fft.rfft(v[part] * window)) ** 2 for v in (fault, host))
    best = -np.inf
    for third in range(-12, 10):
        centre = 1000 * 10 ** (third / 10)
        half = max(50.0, 0.116 * centre)
        band = np.abs(f - centre) < half
        masked = -2.0 if centre < 500 else -6.0
        if centre + half < rate / 2 and band.any():
            best = max(best, 10 * np.log10((np.sum(a[band]) + 1e-20) / (np.sum(b[band]) + 1e-20)) - masked)
    return best


def audible(fault, host, rate, at, seconds=1.0):
    """The fault, louder if the host would mask it in its first seconds."""
    return fault * 10 ** (max(0.0, -above_masking_db(fault, host, rate, at, seconds)) / 20)


def plant_clipping(x, rate, rng):
    """Its time is from the first sample at the ceiling to the first of five within 0.1 s: fewer are neither heard nor
    surely told from a peak that just reaches it."""
    at = start_time(len(x), rate, rng)
    i = int(at * rate)
    y = x.copy()
    j = i + int(rng.uniform(1.0, 3.0) * rate)
    loud = y[i:j] * rng.uniform(3, 8)
    ceiling = rng.uniform(0.2, 0.95) if rng.random() < 0.6 else 1.0
    ceiling = min(ceiling, 0.6 * np.max(np.abs(loud)))
    low = -2.0 if rng.random() < 0.3 else -ceiling
    y[i:j] = np.clip(loud, low, ceiling)
    hit = np.nonzero((loud > ceiling) | (loud < low))[0]
    dense = hit[:-4][hit[4:] - hit[:-4] < 0.1 * rate]
    return y, ((i + hit[0]) / rate, (i + (dense[0] if len(dense) else hit[0])) / rate)


def plant_dc_offset(x, rate, rng):
    offset = rng.uniform(0.015, 0.15) * rng.choice([-1, 1])
    if rng.random() < 0.5:
        return x + offset, None
    at = start_time(len(x), rate, rng, 3.5)
    return x + offset * (np.arange(len(x)) >= at * rate), at


def plant_mains_hum(x, rate, rng):
    mains = rng.choice([50.0, 60.0]) * (1 + rng.uniform(-1e-3, 1e-3))
    level = 10 ** (rng.uniform(-48, -30) / 20)
    t = np.arange(len(x)) / rate
    hum = sum(np.sin(2 * np.pi * mains * h * t + rng.uniform(0, 6)) * w
              for h, w in ((1, 1), (2, rng.uniform(0.2, 1)), (3, rng.uniform(0.3, 0.8)), (4, 0.2), (5, 0.3), (7, 0.2)))
    if rng.random() < 0.5:
        return x + audible(level * hum, x, rate, 0.0, len(x) / rate), None
    at = start_time(len(x), rate, rng, 4.5)
    return x + audible(level * hum * (t >= at), x, rate, at), at


def plant_burst_buzz(x, rate, rng):
    at = start_time(len(x), rate, rng)
    t = np.arange(len(x)) / rate
    frame = 0.06 / 13
    slot = (t - at) % frame < frame / 8
    number = np.floor((t - at) / frame)
    on = (t >= at) & (number % 26 != 25)
    groups = rng.random() < 0.5  # the signalling at the start of a call: groups of bursts
    on &= (t < at + rng.uniform(1.2, 2.2)) & ((((t - at) % 0.6) < 0.35) | (not groups))
    buzz = np.where(on & slot, 1.0, 0.0)
    b, a = signal.butter(1, 150, "highpass", fs=rate)
    buzz = signal.lfilter(b, a, buzz)
    b, a = signal.butter(2, min(6000, 0.45 * rate), fs=rate)
    return x + audible(signal.lfilter(b, a, buzz) * 10 ** (rng.uniform(-34, -20) / 20), x, rate, at, 0.35), at


def plant_whine(x, rate, rng):
    hz = rng.uniform(1500, min(15000, 0.44 * rate))
    t = np.arange(len(x)) / rate
    tone = 10 ** (rng.uniform(-60, -38) / 20) * np.sin(2 * np.pi * hz * t)
    if rng.random() < 0.5:
        return x + tone, None
    at = start_time(len(x), rate, rng, 4.5)
    return x + tone * (t >= at), at


def plant_dropout(x, rate, rng):
    y = x.copy()
    loud = np.sqrt(signal.convolve(x ** 2, np.ones(int(0.05 * rate)) / int(0.05 * rate), "same").clip(0))
    spots = np.nonzero(loud[rate:-2 * rate] > 0.5 * np.quantile(loud, 0.8))[0] + rate
    i = int(spots[rng.integers(len(spots))])
    gap = int(rng.uniform(0.004, 0.2) * rate)
    y[i:i + gap] = 0 if rng.random() < 0.7 else y[i - 1]
    return y, i / rate


def plant_dead_channel(x, rate, rng):
    kind = rng.integers(3)
    if kind == 0:
        return np.zeros(len(x)), None
    if kind == 1:
        return rng.standard_normal(len(x)) * 10 ** (-93 / 20), None
    at = start_time(len(x), rate, rng, 3.5)
    y = x + lane_noise(len(x), rate, rng, -50)
    y[int(at * rate):] = 0
    return y, at


def plant_low_level(x, rate, rng):
    """Loud parts 35 to 45 dB below the -26 dBov of a line, or what the host has."""
    x = x * min(1.0, 10 ** (-26 / 20) / np.quantile(np.abs(x), 0.95))
    return x * 10 ** (rng.uniform(-45, -35) / 20), None


def plant_crackle(x, rate, rng):
    at = start_time(len(x), rate, rng)
    y, t = x.copy(), at
    end = at + rng.uniform(1.5, 2.4)
    fast = rng.random() < 0.6
    while t < end:
        i = int(t * rate)
        length = max(1, int(rng.uniform(0.00005, 0.001) * rate))
        click = rng.standard_normal(length) if length > 3 else np.ones(length) * rng.choice([-1, 1])
        click *= np.exp(-np.arange(length) / max(1, 0.3 * length))
        y[i:i + length] += click * rng.uniform(0.15, 0.6) / np.max(np.abs(click))
        if rng.random() < 0.2:
            y[i:i + int(0.03 * rate)] *= rng.uniform(0.1, 0.5)
        t += rng.exponential(0.06) + 0.02 if fast else rng.uniform(0.1, 0.4)
    return y, at


def plant_wind(x, rate, rng):
    at = start_time(len(x), rate, rng, 4.5)
    n = len(x) - int(at * rate)
    wind = gusts(n, rate, rng)
    low = signal.butter(2, [10, 100], "bandpass", fs=rate, output="sos")
    b, a = signal.butter(1, 2.0, fs=rate)
    beside = np.quantile(signal.lfilter(b, a, signal.sosfilt(low, x[-n:]) ** 2), 0.9)
    power = signal.lfilter(b, a, wind ** 2)
    wind *= np.sqrt(max(1.0, 10.0 * beside / np.quantile(power, 0.9)))
    y = x.copy()
    y[-n:] += wind
    return y, at + first_gust(signal.sosfilt(low, wind), signal.sosfilt(low, x)[-n:], rate)


def first_gust(wind, host, rate):
    """Since when wind can be told: for most of a tenth of a second 6 dB over what the host has in that band at that time,
    and no more than 10 dB below the strong gusts. Powers over 0.1 s, in steps of 25 ms."""
    step = int(0.025 * rate)
    powers = [v[:len(v) // step * step].reshape(-1, step) ** 2 for v in (wind, host)]
    own, beside = (np.convolve(v.mean(axis=1), np.ones(4) / 4, "same") for v in powers)
    told = (own > 4.0 * beside) & (own > 0.1 * np.quantile(own, 0.9))
    enough = np.convolve(told, np.ones(4), "valid") >= 3
    return np.argmax(enough) * step / rate


def plant_howl(x, rate, rng):
    at = start_time(len(x), rate, rng, 4.5)
    t = np.arange(len(x)) / rate - at
    hz = rng.uniform(400, min(4500, 0.4 * rate))
    growth = rng.uniform(15, 80)
    limit = rng.uniform(-20, -4)
    level_db = np.minimum(-58 + growth * t, limit)
    return x + np.where(t >= 0, 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * t), 0), at


def plant_band_limited(x, rate, rng):
    sos = signal.butter(rng.integers(6, 11), (300, 3400), "bandpass", fs=rate, output="sos") if rng.random() < 0.7 else \
        signal.ellip(9, 0.5, 60, 3600, fs=rate, output="sos")
    return signal.sosfilt(sos, x), None


def make_faulty(seed):
    rng = np.random.default_rng([11, seed])
    code = CODES[seed % len(CODES)]
    rate, n, bits = setting(rng)
    if code == "band-limited":
        rate, n = 48000, int(n / rate * 48000)
    kinds = [recorded_speech, recorded_speech, synthetic_speech, traffic, music, sweep, quiet]
    kind = kinds[rng.integers(len(kinds))]
    if kind is quiet and code in ("clipping", "low-level"):  # nothing that could overload; low as it is
        kind = recorded_speech
    if kind is sweep and code == "crackle":  # hidden by the sweep: told with --stimulus alone (tests/e2e/test_scan.py)
        kind = quiet
    if code == "band-limited":
        kind = synthetic_speech if rng.random() < 0.3 else traffic
    x = kind(n, rate, rng) + (lane_noise(n, rate, rng, rng.uniform(-70, -52)) if kind is not quiet else 0)
    if code == "band-limited":
        x = kind(n, rate, rng) + lane_noise(n, rate, rng, -45)
    peak = np.max(np.abs(x))
    x = x * (0.5 / peak if peak > 0.5 else 1.0)
    y, at = globals()["plant_" + code.replace("-", "_")](x, rate, rng)
    peak = np.max(np.abs(y))
    y = y * (0.95 / peak if peak > 1.0 else 1.0)
    return f"fault-{seed:03d}-{code}-{kind.__name__}", rate, [quantise(y, bits)], bits, [(code, at)]


def write(path, rate, channels, bits):
    x = np.stack(channels, axis=1)
    if bits == 16:
        io.wavfile.write(path, rate, np.round(x * 32768).clip(-32768, 32767).astype(np.int16))
    elif bits == 24:
        io.wavfile.write(path, rate, (np.round(x * 8388608).clip(-8388608, 8388607).astype(np.int64) * 256).astype(np.int32))
    else:
        io.wavfile.write(path, rate, x.astype(np.float32))


def make_folder(folder, faulty, clean):
    """Writes the files; {path: (planted faults or None)}."""
    truth = {}
    pathlib.Path(folder).mkdir(parents=True, exist_ok=True)
    for seed in faulty:
        name, rate, channels, bits, faults = make_faulty(seed)
        truth[os.path.join(folder, name + ".wav")] = faults
        write(os.path.join(folder, name + ".wav"), rate, channels, bits)
    for seed in clean:
        name, rate, channels, bits = make_clean(seed)
        truth[os.path.join(folder, name + ".wav")] = None
        write(os.path.join(folder, name + ".wav"), rate, channels, bits)
    return truth
