# SPDX-License-Identifier: MIT
"""lanetune sti: closed forms, levels against a second computation, STIPA recordings of many kinds."""

from e2e import Case, main, write_wav

import xml.etree.ElementTree

import numpy as np
import scipy.signal

RATE = 24000
OCTAVES = [125, 250, 500, 1000, 2000, 4000, 8000]
# IEC 60268-16:2020; a second copy is compared in tests/reference
ALPHA = np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173])
BETA = np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095])
THRESHOLD = np.array([46, 27, 12, 6.5, 7.5, 8, 12])
FREQUENCIES = np.array([0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10, 12.5])


def index(m):
    """STI of m[7][n], male."""
    with np.errstate(divide="ignore"):
        ti = (np.clip(10 * np.log10(m / (1 - m)), -15, 15) + 15) / 30
    mti = ti.mean(axis=1)
    return ALPHA @ mti - BETA @ np.sqrt(mti[1:] * mti[:-1])


def level_factors(speech, noise):
    """Noise, masking and threshold, from the formulas of the standard."""
    s, n = 10 ** (speech / 10), 10 ** (noise / 10)
    total = s + n
    masking = np.zeros(7)
    for k in range(1, 7):
        level = 10 * np.log10(total[k - 1])
        a = 0.5 * level - 65 if level < 63 else 1.8 * level - 146.9 if level < 67 else 0.5 * level - 59.8 if level < 100 else -10
        masking[k] = total[k - 1] * 10 ** (a / 10)
    return s / (total + masking + 10 ** (THRESHOLD / 10))


class Sti(Case):
    def ir(self, seconds=0.5, name="ir.wav"):
        t = np.arange(int(1.6 * RATE)) / RATE
        h = sum(np.sin(2 * np.pi * 1000 * 10 ** (0.3 * k) * t) for k in range(-3, 4)) * 10 ** (-3 * t / seconds)
        return write_wav(self.dir / name, 0.1 * h, RATE)

    def table(self, speech, noise, name="levels.csv"):
        path = self.dir / name
        path.write_text("hz,speech_db,noise_db\n" + "".join(f"{f},{s},{n}\n" for f, s, n in zip(OCTAVES, speech, noise)))
        return path

    def test_impulse_response(self):
        """Decay and noise: Houtgast and Steeneken's closed form."""
        path = self.ir(0.5)
        decay = 1 / np.sqrt(1 + (2 * np.pi * FREQUENCIES * 0.5 / 13.8) ** 2)
        for snr in (None, 12, 0, -20):
            words = [] if snr is None else ["--snr-db", snr]
            got = self.json("sti", "--ir", path, *words)
            m = np.tile(decay / (1 + 10 ** (-snr / 10) if snr is not None else 1), (7, 1))
            self.assertAlmostEqual(got["result"]["sti"], index(m), delta=0.005)
            self.assertEqual(got["result"]["method"], "impulse-response")
            self.assertEqual([b["hz"] for b in got["result"]["bands"]], OCTAVES)
            self.assertIn("linear-only", self.codes(got))
            self.assertEqual("no-noise" in self.codes(got), snr is None)
        one = np.zeros(1000)
        one[10] = 1
        ideal = self.json("sti", "--ir", write_wav(self.dir / "one.wav", one, 48000))["result"]
        self.assertAlmostEqual(ideal["sti"], 1, delta=1e-4)
        self.assertEqual((ideal["category"], ideal["label"]), ("A+", "excellent"))
        exact = self.json("sti", "--ir", self.dir / "one.wav", "--snr-db", 3)["result"]
        self.assertEqual((exact["category"], exact["label"]), ("D", "good"))  # (3 + 15) / 30 = 0.60, the edge counts
        female = self.json("sti", "--ir", self.dir / "one.wav", "--snr-db", 3, "--voice", "female")["result"]
        self.assertAlmostEqual(female["sti"], 0.6, delta=0.005)  # weights sum to 1 but for their rounding

    def test_levels(self):
        path = self.ir(0.4)
        m = 1 / np.sqrt(1 + (2 * np.pi * FREQUENCIES * 0.4 / 13.8) ** 2)
        for speech, noise in (([62, 65, 65, 59, 53, 47, 41], [60, 55, 50, 45, 40, 35, 30]), ([30] * 7, [0] * 7), ([105] * 7, [40] * 7)):
            got = self.json("sti", "--ir", path, "--levels", self.table(speech, noise))
            factors = level_factors(np.array(speech, float), np.array(noise, float))
            self.assertAlmostEqual(got["result"]["sti"], index(m[None, :] * factors[:, None]), delta=0.005)
            self.assertNotIn("no-levels", self.codes(got))

    def test_levels_that_are_refused(self):
        path = self.ir()
        good = self.table([60] * 7, [40] * 7).read_text()
        cases = {"a band missing": (good.replace("8000,60,40\n", ""), "8000 Hz is missing"),
                 "no octave": (good.replace("125,", "160,"), "160"),
                 "a word": (good.replace("500,60", "500,loud"), "'loud'"),
                 "no noise": (good.replace("noise_db", "noise"), "noise_db")}
        for name, (text, says) in cases.items():
            with self.subTest(name):
                (self.dir / "bad.csv").write_text(text)
                self.fails("sti", "--ir", path, "--levels", self.dir / "bad.csv", says=("bad.csv", says))
        self.fails("sti", "--ir", path, "--levels", self.dir / "none.csv", says="none.csv")
        self.fails("sti", "--ir", self.dir / "none.wav", says="none.wav")
        self.fails("sti", "--ir", write_wav(self.dir / "8k.wav", np.ones(100) * 0.1, 8000), says="8000")
        self.fails("sti", "--ir", write_wav(self.dir / "quiet.wav", np.zeros(100), 48000), says="silent")

    def stipa(self):
        path = self.dir / "stipa.wav"
        made = self.json("stimulus", "stipa", path, "--rate", RATE, "--bits", "float")["result"]
        self.assertEqual((made["kind"], made["seconds"]), ("stipa", 20))
        x = np.frombuffer(path.read_bytes()[-20 * RATE * 4:], "<f4").astype(float)
        return x

    def test_chart(self):
        """Seven curves, each named with its index; a wrong ending is refused."""
        t = np.arange(RATE // 2) / RATE
        h = np.random.default_rng(2).standard_normal(len(t)) * 10 ** (-3 * t / 0.5)
        wav = write_wav(self.dir / "h.wav", h / 10, RATE)
        result = self.json("sti", "--ir", wav, "--snr-db", 10, "--chart", self.dir / "a.svg")["result"]
        text = "".join(xml.etree.ElementTree.parse(self.dir / "a.svg").getroot().itertext())
        self.assertIn(f"STI {result['sti']:.2f}", text)
        for band, name in zip(result["bands"], ("125 Hz", "250 Hz", "500 Hz", "1 kHz", "2 kHz", "4 kHz", "8 kHz")):
            self.assertIn(f"{name}: {band['mti']:.2f}", text)
        self.text("sti", "--ir", wav, "--chart", self.dir / "a.png")
        self.assertEqual((self.dir / "a.png").read_bytes()[:8], b"\x89PNG\r\n\x1a\n")
        self.fails("sti", "--ir", wav, "--chart", self.dir / "a.pdf", says=".svg")

    def test_stipa(self):
        x = self.stipa()
        rng = np.random.default_rng(1)
        noise = rng.standard_normal(len(x))
        ideal = self.json("sti", "--stipa", self.dir / "stipa.wav")["result"]
        self.assertGreater(ideal["sti"], 0.99)
        self.assertAlmostEqual(ideal["drift_ppm"], 0, delta=50)
        spectrum = [b["level_dbfs"] for b in ideal["bands"]]
        # male octave spectrum of edition 5, and its level of -20 dBFS
        self.assertLess(np.ptp(np.array(spectrum) - [-2.5, 0.5, 0, -6, -12, -18, -24]), 0.2)
        self.assertAlmostEqual(10 * np.log10(np.sum(10 ** (np.array(spectrum) / 10))), -20, delta=0.1)
        t = np.arange(int(0.5 * RATE)) / RATE
        h = rng.standard_normal(len(t)) * 10 ** (-3 * t / 0.4) * 0.03
        h[0] += 1
        y = scipy.signal.fftconvolve(x, h)[: len(x)] + 0.002 * noise
        want = self.json("sti", "--stipa", write_wav(self.dir / "plain.wav", y, RATE))["result"]["sti"]
        lead = 0.002 * rng.standard_normal(4 * RATE)
        truck = np.zeros(len(x))
        truck[8 * RATE : 11 * RATE] = rng.standard_normal(3 * RATE) * np.hanning(3 * RATE) * 0.4
        cases = {
            "starts late, ends later": (np.concatenate([lead, y, lead]), RATE, 0.01, None),
            "another rate": (scipy.signal.resample_poly(y, 147, 80), 44100, 0.005, None),
            "a slow clock": (scipy.signal.resample(y, int(len(y) * 1.0008)), RATE, 0.01, "drift"),
            "begins in the middle of a loop": (np.roll(y, 7 * RATE), RATE, 0.02, None),
            "a truck": (y + truck, RATE, 0.03, "spoiled"),
            "lost samples": (np.delete(y, slice(9 * RATE, 9 * RATE + RATE // 10)), RATE, 0.04, "samples-lost"),
            "ten seconds": (y[: 10 * RATE], RATE, 0.03, "short"),
        }
        for name, (z, rate, tolerance, code) in cases.items():
            with self.subTest(name):
                got = self.json("sti", "--stipa", write_wav(self.dir / "case.wav", z, rate))
                self.assertAlmostEqual(got["result"]["sti"], want, delta=tolerance)
                if code:
                    self.assertIn(code, self.codes(got))
                else:
                    self.assertEqual(self.codes(got), ["no-levels"])
        loud = self.json("sti", "--stipa", self.dir / "plain.wav", "--cal-db", 90)
        levels = np.array([b["level_dbfs"] for b in loud["result"]["bands"]]) + 90
        m = np.array([[v["m"] for v in b["mtf"]] for b in self.json("sti", "--stipa", self.dir / "plain.wav")["result"]["bands"]])
        factors = level_factors(levels, np.full(7, -300.0))
        self.assertAlmostEqual(loud["result"]["sti"], index(m * factors[:, None] * (1 - 1e-9)), delta=0.002)
        self.assertIn("STIPA", self.text("sti", "--stipa", self.dir / "plain.wav").splitlines()[0])
        refused = {"noise": (noise * 0.1, RATE, "no STIPA"), "a wrong rate": (y, 26000, "too slow" if 26000 < RATE else "too fast"),
                   "five seconds": (y[: 5 * RATE], RATE, "at least"), "silence": (np.zeros(20 * RATE), RATE, "silent"),
                   "telephone": (y[::3], 8000, "8000")}
        for name, (z, rate, says) in refused.items():
            with self.subTest(name):
                self.fails("sti", "--stipa", write_wav(self.dir / "bad.wav", z, rate), says=says)


if __name__ == "__main__":
    main()
