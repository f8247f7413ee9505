# SPDX-License-Identifier: MIT
"""lanetune stimulus: what is written is what was asked for. Figures are recomputed here with NumPy."""

import os
import subprocess

import numpy as np

from e2e import PROGRAM, Case, main, read_wav, run


def level_dbfs(x):
    return 10 * np.log10(2 * np.mean(x ** 2))


def bands(x, rate, edges):
    power = np.abs(np.fft.rfft(x)) ** 2
    hz = np.arange(len(power)) * rate / len(x)
    return np.array([10 * np.log10(np.sum(power[(hz >= a) & (hz < b)])) for a, b in zip(edges, edges[1:])])


class Stimulus(Case):
    def make(self, kind, *options, name="a.wav"):
        result = self.json("stimulus", kind, self.dir / name, *options)["result"]
        rate, x, bits = read_wav(self.dir / name)
        self.assertEqual(x.shape[1], 1)
        self.assertEqual(result["rate_hz"], rate)
        self.assertAlmostEqual(result["seconds"], len(x) / rate, places=4)
        self.assertAlmostEqual(result["peak_dbfs"], 20 * np.log10(np.max(np.abs(x))), delta=0.01)
        self.assertAlmostEqual(result["rms_dbfs"], level_dbfs(x), delta=0.01)
        return result, rate, x[:, 0], bits

    def test_sweep(self):
        result, rate, x, bits = self.make("sweep")
        self.assertEqual((result["from_hz"], result["to_hz"], rate, bits), (50, 18000, 48000, 24))
        self.assertAlmostEqual(result["peak_dbfs"], -6.0, delta=0.05)
        self.assertGreater(result["seconds"], 11.5)
        self.assertEqual(np.max(np.abs(x[:int(0.5 * rate)])), 0.0)  # lead
        self.assertEqual(np.max(np.abs(x[-int(1.0 * rate) + 1:])), 0.0)  # tail
        # Sweep energy falls by 3 dB an octave (Farina) inside the band and is absent below it.
        octaves = bands(x, rate, [20, 40, 200, 400, 800, 1600, 3200, 6400, 12800, 19500, 24000])
        np.testing.assert_allclose(octaves[2:8], np.mean(octaves[2:8]), atol=0.7)
        self.assertLess(octaves[0], octaves[4] - 12)  # fade-in and markers reach a little below 50 Hz
        self.assertLess(octaves[-1], octaves[4] - 25)

    def test_defaults_are_those_that_help_shows(self):
        self.make("sweep", name="a.wav")
        self.make("sweep", "--rate", "48000", "--seconds", "10", "--from", "50", "--to", "18000", "--peak", "-6",
                  "--repeats", "1", "--lead", "0.5", "--tail", "1", "--bits", "24", name="b.wav")
        self.make("pink", name="c.wav")
        self.make("pink", "--rate", "48000", "--seconds", "10", "--from", "50", "--to", "18000", "--level", "-20",
                  "--seed", "1", name="d.wav")
        self.make("tone", name="e.wav")
        self.make("tone", "--rate", "48000", "--seconds", "10", "--hz", "1000", "--level", "-20", name="f.wav")
        for one, other in ("ab", "cd", "ef"):
            self.assertEqual((self.dir / f"{one}.wav").read_bytes(), (self.dir / f"{other}.wav").read_bytes(), one + other)

    def test_sweep_options(self):
        result, rate, x, bits = self.make("sweep", "--rate", "44100", "--seconds", "2", "--from", "100", "--to", "8000",
                                          "--peak", "-20", "--lead", "1", "--tail", "2", "--no-markers", "--bits", "16")
        self.assertEqual((rate, bits, result["from_hz"], result["to_hz"]), (44100, 16, 100, 8000))
        self.assertAlmostEqual(result["peak_dbfs"], -20, delta=0.05)
        sounding = np.flatnonzero(x)
        self.assertAlmostEqual((sounding[-1] - sounding[0]) / rate, 2.0, delta=0.05)  # no markers: the sweep alone
        self.assertGreaterEqual(sounding[0] / rate, 1.0)
        self.assertGreaterEqual((len(x) - sounding[-1]) / rate, 2.0)

    def test_repeats_are_equal(self):
        _, rate, x, _ = self.make("sweep", "--seconds", "1", "--repeats", "3", "--no-markers", "--bits", "float")
        loud = np.abs(x) > 1e-4
        starts = np.flatnonzero(loud & ~np.concatenate([[False] * 4800, np.convolve(loud, np.ones(4800))[:len(x) - 4800] > 0.5]))
        firsts = starts[np.concatenate([[True], np.diff(starts) > 4800])]
        self.assertEqual(len(firsts), 3)
        period = firsts[1] - firsts[0]
        self.assertEqual(firsts[2] - firsts[1], period)
        n = int(1.1 * rate)
        np.testing.assert_array_equal(x[firsts[0]:firsts[0] + n], x[firsts[1]:firsts[1] + n])

    def test_low_rate_lowers_the_end_of_the_sweep(self):
        result, _, _, _ = self.make("sweep", "--rate", "8000", "--seconds", "1")
        self.assertEqual(result["to_hz"], 3680)

    def test_tone(self):
        result, rate, x, _ = self.make("tone", "--hz", "440", "--seconds", "2", "--level", "-12")
        middle = x[rate // 2:rate // 2 + rate]
        self.assertAlmostEqual(level_dbfs(middle), -12, delta=0.01)
        self.assertEqual(np.argmax(np.abs(np.fft.rfft(middle))), 440)
        self.assertEqual((result["from_hz"], result["to_hz"]), (440, 440))

    def test_pink(self):
        result, rate, x, _ = self.make("pink", "--seconds", "20", "--level", "-25")
        self.assertAlmostEqual(result["rms_dbfs"], -25, delta=0.05)
        octaves = bands(x, rate, [100, 200, 400, 800, 1600, 3200, 6400, 12800])
        np.testing.assert_allclose(octaves, np.mean(octaves), atol=0.5)  # equal power in each octave

    def test_speech_noise(self):
        """Octave levels of the standard spectrum, ANSI S3.5-1997 table 3, normal effort."""
        result, rate, x, _ = self.make("speech-noise", "--seconds", "30", "--level", "-25")
        self.assertAlmostEqual(result["rms_dbfs"], -25, delta=0.05)
        self.assertIsNone(result["from_hz"])
        self.assertIsNone(result["to_hz"])
        spectrum = {160: 32.41, 200: 34.48, 250: 34.75, 315: 33.98, 400: 34.59, 500: 34.27, 630: 32.06, 800: 28.30,
                    1000: 25.01, 1250: 23.00, 1600: 20.15, 2000: 17.32, 2500: 13.18, 3150: 11.55, 4000: 9.33, 5000: 5.31,
                    6300: 2.59, 8000: 1.13}
        exact = [1000 * 10 ** (0.1 * i) for i in range(-8, 10)]
        got = np.array([bands(x, rate, [f * 10 ** -0.05, f * 10 ** 0.05])[0] for f in exact])
        want = np.array([s + 10 * np.log10(f * (10 ** 0.05 - 10 ** -0.05)) for s, f in zip(spectrum.values(), exact)])
        np.testing.assert_allclose(got - np.mean(got), want - np.mean(want), atol=0.5)

    def test_seed(self):
        for name, seed in (("a", 1), ("b", 1), ("c", 2)):
            self.make("pink", "--seconds", "1", "--seed", seed, name=f"{name}.wav")
        self.assertEqual((self.dir / "a.wav").read_bytes(), (self.dir / "b.wav").read_bytes())
        self.assertNotEqual((self.dir / "a.wav").read_bytes(), (self.dir / "c.wav").read_bytes())

    def test_noise_that_would_clip_is_refused(self):
        self.fails("stimulus", "pink", self.dir / "a.wav", "--level", "0", status=2, says="0")
        self.assertFalse((self.dir / "a.wav").exists())

    def test_nothing_is_lost(self):
        (self.dir / "a.wav").write_bytes(b"a recording that cannot be made again")
        self.fails("stimulus", "tone", self.dir / "a.wav", says=("a.wav", "--force"))
        self.assertEqual((self.dir / "a.wav").read_bytes(), b"a recording that cannot be made again")
        self.json("stimulus", "tone", self.dir / "a.wav", "--seconds", "1", "--force")
        self.assertEqual(read_wav(self.dir / "a.wav")[0], 48000)
        (self.dir / "empty.wav").touch()
        self.json("stimulus", "tone", self.dir / "empty.wav", "--seconds", "1")

    def test_places_that_cannot_be_written(self):
        self.fails("stimulus", "tone", self.dir / "no" / "a.wav", says="a.wav")
        self.fails("stimulus", "tone", self.dir, says=str(self.dir))
        self.fails("stimulus", "tone", f"{self.dir}/x/", says="x")
        self.fails("stimulus", "tone", "/dev/full", says="/dev/full")
        self.assertEqual(list(self.dir.iterdir()), [])

    def test_a_full_disk_leaves_nothing(self):
        """A limit on the size of files stands for a full disk; SIGXFSZ is ignored as a shell's trap does."""
        line = 'ulimit -f 100; trap "" XFSZ; "$P" stimulus tone a.wav --seconds 60'
        done = subprocess.run(["bash", "-c", line], cwd=self.dir, env=dict(os.environ, P=PROGRAM), capture_output=True)
        self.assertEqual((done.returncode, done.stdout, done.stderr.count(b"\n")), (1, b"", 1), done.stderr)
        self.assertEqual(list(self.dir.iterdir()), [])

    def test_text(self):
        text = self.text("stimulus", "sweep", self.dir / "a.wav", "--seconds", "1")
        self.assertIn("48000 Hz", text)
        self.assertEqual(run("stimulus", "sweep", self.dir / "b.wav", "--seconds", "1").err, "")


if __name__ == "__main__":
    main()
