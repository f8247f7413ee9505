# SPDX-License-Identifier: MIT
"""lanetune response: a sweep of lanetune's own and foreign stimuli through filters that NumPy knows exactly."""

import xml.etree.ElementTree

import numpy as np
import scipy.signal

from e2e import Case, band_levels, main, read_wav, run, write_wav

RATE = 48000


def known_path(rng):
    """A direct arrival at 2.5 ms, a dull tail, one strong reflection at +6 ms."""
    h = np.zeros(4800)
    h[120] = 0.5
    h[408] = 0.2
    tail = rng.standard_normal(2400) * np.exp(-np.arange(2400) / 300.0) * 0.004
    h[160:160 + 2400] += tail
    b, a = scipy.signal.butter(2, [90, 12000], "bandpass", fs=RATE)
    return scipy.signal.lfilter(b, a, h)


def voice(seed, seconds=8):
    """Pulses of a gliding pitch through three resonances, in syllables, with breath: steep slopes and gaps, as speech."""
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    t = np.arange(n) / RATE
    pitch = 200 + 50 * np.sin(2 * np.pi * 0.7 * t + rng.uniform(0, 6)) + 25 * np.sin(2 * np.pi * 2.9 * t)
    x = np.diff(np.floor(np.cumsum(pitch) / RATE), prepend=0.0) + 0.003 * rng.standard_normal(n)
    y = np.zeros(n)
    for hz, wide, gain in ((500, 80, 1.0), (1500, 120, 0.4), (2600, 200, 0.2)):
        r = np.exp(-np.pi * wide / RATE)
        y += gain * scipy.signal.lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * hz / RATE), r * r], x)
    y *= np.clip(np.sin(2 * np.pi * 3.3 * t + rng.uniform(0, 6)), 0, 1)
    return 0.4 * y / np.max(np.abs(y))


class Response(Case):
    def setUp(self):
        super().setUp()
        self.rng = np.random.default_rng(20240514)
        self.stim = self.dir / "sweep.wav"
        self.json("stimulus", "sweep", self.stim, "--seconds", "4")
        _, x, _ = read_wav(self.stim)
        self.x = x[:, 0]
        self.h = known_path(self.rng)

    def record(self, name="rec.wav", late_s=0.0, noise=1e-5, gain=1.0, kind=24, h=None):
        y = np.concatenate([np.zeros(int(late_s * RATE)), np.convolve(self.x, self.h if h is None else h), np.zeros(9600)])
        y = gain * y + noise * self.rng.standard_normal(len(y))
        return write_wav(self.dir / name, y, RATE, kind)

    def check_bands(self, result, h, tolerance=0.2, above_snr=20.0):
        want = band_levels(h, RATE, range(-13, 13))
        judged = 0
        for band in result["bands"]:
            if band["snr_db"] > above_snr:
                judged += 1
                self.assertAlmostEqual(band["level_db"], want[band["hz"]], delta=tolerance, msg=str(band))
        return judged

    def test_a_voice_is_a_stimulus(self):
        """Any file may be the stimulus: the gaps between formants are no end of its band."""
        self.x = np.concatenate([voice(1), np.zeros(RATE)])
        stim = write_wav(self.dir / "voice.wav", self.x, RATE)
        result = self.json("response", self.record(noise=1e-4), "--stimulus", stim)["result"]
        self.assertLessEqual(result["bands"][0]["hz"], 250)
        self.assertGreaterEqual(result["bands"][-1]["hz"], 4000)
        self.assertGreaterEqual(self.check_bands(result, self.h), 12)
        self.assertAlmostEqual(result["delay_ms"], 2.5, delta=0.06)
        other = write_wav(self.dir / "other.wav", np.concatenate([voice(2), np.zeros(RATE)]), RATE)
        self.fails("response", self.dir / "rec.wav", "--stimulus", other)

    def test_round_trip(self):
        value = self.json("response", self.record(), "--stimulus", self.stim)
        result = value["result"]
        self.assertEqual(value["inputs"], [str(self.dir / "rec.wav"), str(self.stim)])
        self.assertEqual([b["hz"] for b in result["bands"]],
                         [50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150,
                          4000, 5000, 6300, 8000, 10000, 12500, 16000])
        self.assertGreaterEqual(self.check_bands(result, self.h), 24)
        self.assertAlmostEqual(result["delay_ms"], 2.5, delta=0.06)  # the band-pass itself adds a part of a sample
        self.assertEqual(result["polarity"], 1)
        self.assertAlmostEqual(result["drift_ppm"], 0.0, delta=2.0)
        self.assertEqual(result["repeats"], 1)
        strongest = max(result["arrivals"], key=lambda a: a["level_db"])
        self.assertAlmostEqual(strongest["delay_ms"], 6.0, delta=0.1)
        self.assertAlmostEqual(strongest["level_db"], 20 * np.log10(0.2 / 0.5), delta=1.0)
        self.assertLess(result["bands"][10]["thd_percent"], 0.1)

    def test_late_start_inverted_and_quiet(self):
        rec = self.record(late_s=1.7, gain=-0.1, noise=1e-4)
        result = self.json("response", rec, "--stimulus", self.stim)["result"]
        self.assertEqual(result["polarity"], -1)
        self.assertAlmostEqual(result["delay_ms"], 1702.5, delta=0.06)
        self.assertGreaterEqual(self.check_bands(result, 0.1 * self.h), 15)

    def test_clock_drift(self):
        y = np.concatenate([np.convolve(self.x, self.h), np.zeros(9600)])
        ppm = 60.0
        n = np.arange(int(len(y) * (1 + ppm * 1e-6)))
        at = n / (1 + ppm * 1e-6)  # the recording is longer than what was played
        up = scipy.signal.resample_poly(y, 8, 1)
        drifted = np.interp(at * 8, np.arange(len(up)), up)
        rec = write_wav(self.dir / "rec.wav", drifted + 1e-5 * self.rng.standard_normal(len(drifted)), RATE)
        result = self.json("response", rec, "--stimulus", self.stim)["result"]
        self.assertAlmostEqual(result["drift_ppm"], ppm, delta=2.0)
        self.check_bands({"bands": [b for b in result["bands"] if b["hz"] < 8000]}, self.h)

    def test_other_sample_rate_of_the_recorder(self):
        y = np.convolve(self.x, self.h)
        rec = write_wav(self.dir / "rec.wav", scipy.signal.resample_poly(y, 147, 160), 44100)
        result = self.json("response", rec, "--stimulus", self.stim)["result"]
        self.assertEqual(result["rate_hz"], RATE)
        self.check_bands({"bands": [b for b in result["bands"] if b["hz"] < 16000]}, self.h)

    def test_impulse_response_file(self):
        out = self.dir / "ir.wav"
        self.json("response", self.record(), "--stimulus", self.stim, "--ir", out)
        rate, ir, bits = read_wav(out)
        self.assertEqual((rate, bits, ir.shape[1]), (RATE, 32, 1))
        for hz in (200, 440, 1000, 2500, 7000):  # magnitude and phase from the moment of playback
            k = np.exp(-2j * np.pi * hz / RATE * np.arange(len(ir)))
            want = np.sum(self.h * np.exp(-2j * np.pi * hz / RATE * np.arange(len(self.h))))
            self.assertLess(abs(np.sum(ir[:, 0] * k) / want - 1), 0.02, hz)

    def test_impulse_response_file_replaces_nothing(self):
        rec = self.record()
        before = rec.read_bytes()
        self.fails("response", rec, "--stimulus", self.stim, "--ir", rec, "--force", says="recording")
        self.fails("response", rec, "--stimulus", self.stim, "--ir", self.stim, "--force", says="stimulus")
        (self.dir / "old.wav").write_bytes(b"something")
        self.fails("response", rec, "--stimulus", self.stim, "--ir", self.dir / "old.wav", says="--force")
        self.assertEqual((self.dir / "old.wav").read_bytes(), b"something")
        self.assertEqual(rec.read_bytes(), before)
        self.json("response", rec, "--stimulus", self.stim, "--ir", self.dir / "old.wav", "--force")

    def test_chart(self):
        """The same drawing twice, as a document that a browser shows; the ending of the name says which kind."""
        rec = self.record()
        drawn = []
        for name in ("a.svg", "b.svg"):
            self.json("response", rec, "--stimulus", self.stim, "--chart", self.dir / name)
            drawn.append((self.dir / name).read_bytes())
        self.assertEqual(drawn[0], drawn[1])
        root = xml.etree.ElementTree.fromstring(drawn[0])
        self.assertEqual(root.tag, "{http://www.w3.org/2000/svg}svg")
        lines = [e for e in root.iter() if e.tag.endswith("path") and len(e.get("d", "")) > 1000]
        self.assertGreater(len(lines), 0)
        self.json("response", rec, "--stimulus", self.stim, "--chart", self.dir / "c.png")
        self.assertEqual((self.dir / "c.png").read_bytes()[:8], b"\x89PNG\r\n\x1a\n")
        self.fails("response", rec, "--stimulus", self.stim, "--chart", self.dir / "c.pdf", says=".svg")
        self.fails("response", rec, "--stimulus", self.stim, "--chart", self.dir / "none" / "c.svg", says="none")
        self.no_leftovers()

    def test_repeats_are_averaged(self):
        """One of three recordings is drowned in a noise between 500 and 2000 Hz for half of the sweep."""
        recs = [self.record(f"r{i}.wav", noise=3e-4) for i in range(3)]
        _, y, _ = read_wav(recs[1])
        b, a = scipy.signal.butter(4, [500, 2000], "bandpass", fs=RATE)
        truck = scipy.signal.lfilter(b, a, self.rng.standard_normal(len(y))) * 0.3
        truck[len(y) // 2:] = 0
        write_wav(recs[1], y[:, 0] + truck, RATE)
        result = self.json("response", *recs, "--stimulus", self.stim)["result"]
        self.assertEqual(result["repeats"], 3)
        self.check_bands(result, self.h, 0.3)

    def test_channels(self):
        y = np.convolve(self.x, self.h)
        rec = write_wav(self.dir / "two.wav", [1e-4 * self.rng.standard_normal(len(y)), y], RATE)
        result = self.json("response", rec, "--stimulus", self.stim, "--channel", "2")
        self.check_bands(result["result"], self.h)
        self.assertNotIn("first-channel", self.codes(result))
        good = write_wav(self.dir / "two-b.wav", [y, 0 * y], RATE)
        value = self.json("response", good, "--stimulus", self.stim)
        self.assertIn("first-channel", self.codes(value))
        self.check_bands(value["result"], self.h)
        self.fails("response", rec, "--stimulus", self.stim, "--channel", "3", says="two.wav")
        both = write_wav(self.dir / "stim2.wav", [0 * self.x, self.x], RATE)
        value = self.json("response", good, "--stimulus", both, "--stimulus-channel", "2", "--channel", "1")
        self.check_bands(value["result"], self.h)
        self.assertNotIn("first-channel", self.codes(value))

    def test_foreign_stimulus(self):
        """White noise that lanetune did not make."""
        played = 0.1 * self.rng.standard_normal(5 * RATE)
        stim = write_wav(self.dir / "foreign.wav", played, RATE)
        y = np.convolve(played, self.h)
        rec = write_wav(self.dir / "rec.wav", y + 1e-5 * self.rng.standard_normal(len(y)), RATE)
        result = self.json("response", rec, "--stimulus", stim)["result"]
        self.assertGreaterEqual(self.check_bands(result, self.h, 0.3, above_snr=25.0), 12)
        self.assertAlmostEqual(result["delay_ms"], 2.5, delta=0.06)

    def test_recordings_that_prove_nothing(self):
        noise = write_wav(self.dir / "noise.wav", 0.05 * self.rng.standard_normal(8 * RATE), RATE)
        self.fails("response", noise, "--stimulus", self.stim, says="noise.wav")
        silent = write_wav(self.dir / "silent.wav", np.zeros(8 * RATE), RATE, 16)
        self.fails("response", silent, "--stimulus", self.stim, says="silent.wav")
        short = write_wav(self.dir / "short.wav", np.convolve(self.x, self.h)[:2 * RATE], RATE)
        self.fails("response", short, "--stimulus", self.stim, says="short.wav")
        y = np.convolve(self.x, self.h)
        hard = write_wav(self.dir / "hard.wav", np.clip(y, -0.2 * np.max(np.abs(y)), 0.2 * np.max(np.abs(y))), RATE)
        r = run("response", hard, "--stimulus", self.stim, "--json")
        self.assertTrue(r.status == 1 or "clipping" in r.out, r.out)

    def test_silent_stimulus(self):
        silent = write_wav(self.dir / "silent.wav", np.zeros(4 * RATE), RATE, 16)
        self.fails("response", self.record(), "--stimulus", silent)

    def test_text(self):
        text = self.text("response", self.record(), "--stimulus", self.stim)
        self.assertRegex(text.splitlines()[0], r"direct arrival after 2\.\d+ ms, polarity \+, [\d.]+ dB above the noise")
        self.assertRegex(text, r"(?m)^ +31\.5|^ +50 ")


if __name__ == "__main__":
    main()
