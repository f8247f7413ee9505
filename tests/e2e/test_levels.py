# SPDX-License-Identifier: MIT
"""lanetune noise and speech-level: signals whose levels follow from their making."""

import xml.etree.ElementTree

import numpy as np
import scipy.signal

from e2e import Case, main, run, write_wav

RATE = 48000


def sine(hz, dbfs, seconds, rate=RATE):
    """dbfs: re the RMS of a full-scale sine, so that a sine of 0 dBFS has amplitude 1."""
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate)) / rate)


class Noise(Case):
    def test_tone(self):
        wav = write_wav(self.dir / "a.wav", sine(1000, -20, 10))
        value = self.json("noise", wav)
        result = value["result"]
        self.assertEqual(self.codes(value), ["uncalibrated"])
        for key in ("laeq_db", "lceq_db", "lafmax_db", "la10_db", "la50_db", "la90_db"):
            self.assertAlmostEqual(result[key], -20, delta=0.2, msg=key)
        self.assertEqual(result["seconds"], 10)
        self.assertIsNone(result["hum"])
        bands = {b["hz"]: b for b in result["bands"]}
        self.assertEqual(sorted(bands), [b["hz"] for b in result["bands"]])
        self.assertEqual((min(bands), max(bands), len(bands)), (50, 16000, 26))
        self.assertAlmostEqual(bands[1000]["leq_db"], -20, delta=0.2)
        self.assertLess(bands[500]["leq_db"], -60)

    def test_a_weighting_of_100_hz(self):
        """IEC 61672-1:2013, table 3: A -19.1 dB, C -0.3 dB at 100 Hz."""
        result = self.json("noise", write_wav(self.dir / "a.wav", sine(100, -10, 10)))["result"]
        self.assertAlmostEqual(result["laeq_db"], -29.1, delta=0.3)
        self.assertAlmostEqual(result["lceq_db"], -10.3, delta=0.3)

    def test_calibration_shifts_all_levels(self):
        wav = write_wav(self.dir / "a.wav", sine(1000, -20, 10))
        plain, shifted = self.json("noise", wav)["result"], self.json("noise", wav, "--cal-db", "118.5")
        self.assertEqual(shifted["warnings"], [])
        self.assertAlmostEqual(shifted["result"]["laeq_db"], plain["laeq_db"] + 118.5, places=2)
        for a, b in zip(plain["bands"], shifted["result"]["bands"]):
            self.assertAlmostEqual(a["leq_db"] + 118.5, b["leq_db"], places=2)

    def test_percentiles(self):
        """20 % of the time 20 dB louder: L10 is the loud level, L50 and L90 the quiet one."""
        x = np.concatenate([sine(1000, -20, 12), sine(1000, -40, 48)])
        result = self.json("noise", write_wav(self.dir / "a.wav", x))["result"]
        self.assertAlmostEqual(result["la10_db"], -20, delta=0.3)
        self.assertAlmostEqual(result["la50_db"], -40, delta=0.3)
        self.assertAlmostEqual(result["la90_db"], -40, delta=0.3)
        self.assertAlmostEqual(result["laeq_db"], 10 * np.log10(0.2 * 10 ** -2 + 0.8 * 10 ** -4), delta=0.2)

    def test_hum(self):
        rng = np.random.default_rng(1)
        for mains, lines in ((50, {50: -40, 150: -50}), (60, {120: -45, 180: -50})):
            x = sum(sine(hz, level, 20) for hz, level in lines.items()) + 1e-4 * rng.standard_normal(20 * RATE)
            hum = self.json("noise", write_wav(self.dir / "a.wav", x))["result"]["hum"]
            self.assertEqual(hum["mains_hz"], mains)
            found = {round(line["hz"]): line["level_db"] for line in hum["lines"]}
            for hz, level in lines.items():
                self.assertAlmostEqual(found[hz], level, delta=0.5)
            want = 10 * np.log10(sum(10 ** (v / 10) for v in lines.values()))
            self.assertAlmostEqual(hum["level_db"], want, delta=0.5)

    def test_interference(self):
        """Tones and a comb of 1625 / 7.5 Hz whose level and time follow from their making."""
        t = np.arange(12 * 16000) / 16000
        x = 0.002 * np.random.default_rng(3).standard_normal(len(t)) + sine(49.97, -35, 12, 16000)
        x += (t >= 4) * sine(5200, -40, 12, 16000)
        x += ((t > 6) & (t < 7)) * (np.mod(t, 0.06 / 13) < 0.06 / 104) * 0.1
        wav = write_wav(self.dir / "a.wav", x, 16000)
        result = self.json("noise", wav, "--interference", "--cal-db", "100")["result"]
        self.assertAlmostEqual(result["hum"]["mains_exact_hz"], 49.97, delta=0.02)
        self.assertIn("ground loop", result["hum"]["entry_point"])
        other = result["interference"]
        self.assertAlmostEqual(other["whines"][0]["hz"], 5200, delta=0.5)
        self.assertAlmostEqual(other["whines"][0]["level_db"], 60, delta=0.5)
        self.assertAlmostEqual(other["whines"][0]["from_s"], 4, delta=0.2)
        self.assertAlmostEqual(other["burst_buzz"]["from_s"], 6, delta=0.2)
        self.assertIsNone(other["wind"])
        self.assertIn("mobile phone", self.text("noise", wav, "--interference"))
        self.assertNotIn("interference", self.json("noise", wav)["result"])

    def test_interference_in_a_long_recording(self):
        """More than ten minutes: screened, then heard where there may be something."""
        rate, rng = 8000, np.random.default_rng(4)
        t = np.arange(640 * rate) / rate
        x = 0.002 * rng.standard_normal(len(t)) + (t >= 100) * sine(100, -45, 640, rate)
        x += ((t >= 305) & (t < 312)) * sine(3100, -50, 640, rate)
        x += ((t > 402) & (t < 403.5)) * (np.mod(t, 0.06 / 13) < 0.06 / 104) * 0.05
        gusts = np.arange(480, 560, 0.7)
        slow = np.interp(t, gusts, rng.permutation(np.linspace(-25, 0, len(gusts))))
        band = scipy.signal.butter(2, [8, 45], "bandpass", fs=rate, output="sos")
        low = scipy.signal.sosfilt(band, rng.standard_normal(len(t)))
        x += ((t > 480) & (t < 550)) * low / np.std(low) * 0.1 * 10 ** (slow / 20)
        wav = write_wav(self.dir / "a.wav", x, rate)
        result = self.json("noise", wav, "--interference")["result"]
        other = result["interference"]
        self.assertEqual(result["hum"]["mains_hz"], 50)
        self.assertAlmostEqual(other["hum_from_s"], 100, delta=1)
        self.assertEqual([round(w["hz"]) for w in other["whines"]], [3100])
        self.assertAlmostEqual(other["whines"][0]["level_db"], -50, delta=0.5)
        self.assertAlmostEqual(other["whines"][0]["from_s"], 305, delta=0.3)
        self.assertAlmostEqual(other["whines"][0]["to_s"], 312, delta=0.3)
        self.assertAlmostEqual(other["burst_buzz"]["from_s"], 402, delta=0.2)
        self.assertAlmostEqual(other["burst_buzz"]["seconds"], 1.5, delta=0.3)
        self.assertAlmostEqual(other["wind"]["from_s"], 480, delta=2)
        self.assertGreater(other["wind"]["percent"], 2)
        self.assertLess(other["wind"]["percent"], 11)
        quiet = self.json("noise", write_wav(self.dir / "b.wav", np.tile(x[: 90 * rate], 7), rate), "--interference")
        self.assertEqual(quiet["result"]["interference"]["whines"], [])

    def test_silence_is_null(self):
        result = self.json("noise", write_wav(self.dir / "a.wav", np.zeros(RATE), kind=16))["result"]
        self.assertIsNone(result["laeq_db"])
        self.assertIsNone(result["peak_dbfs"])
        self.assertEqual({b["leq_db"] for b in result["bands"]}, {None})
        self.assertIn("-", self.text("noise", self.dir / "a.wav"))

    def test_low_rate_has_fewer_bands(self):
        result = self.json("noise", write_wav(self.dir / "a.wav", sine(1000, -20, 5, 8000), 8000))["result"]
        self.assertEqual(result["bands"][-1]["hz"], 3150)

    def test_channels(self):
        wav = write_wav(self.dir / "a.wav", [sine(1000, -20, 3), sine(1000, -40, 3)])
        value = self.json("noise", wav)
        self.assertIn("first-channel", self.codes(value))
        self.assertAlmostEqual(value["result"]["laeq_db"], -20, delta=0.2)
        value = self.json("noise", wav, "--channel", "2")
        self.assertNotIn("first-channel", self.codes(value))
        self.assertAlmostEqual(value["result"]["laeq_db"], -40, delta=0.2)
        self.fails("noise", wav, "--channel", "3", says=("a.wav", "2 channels"))

    def test_formats_agree(self):
        x = sine(1000, -20, 3)
        levels = [self.json("noise", write_wav(self.dir / f"{kind}.wav", x, kind=kind))["result"]["laeq_db"]
                  for kind in (16, 24, "float")]
        np.testing.assert_allclose(levels, levels[2], atol=0.01)

    def test_chart(self):
        """Silence and a fraction of a second can be drawn too; a wrong name is told before the file is read."""
        for name, x in (("silent", np.zeros(RATE)), ("short", sine(1000, -20, 0.02)), ("tone", sine(1000, -20, 2))):
            self.text("noise", write_wav(self.dir / "a.wav", x), "--chart", self.dir / f"{name}.png")
            self.assertEqual((self.dir / f"{name}.png").read_bytes()[:8], b"\x89PNG\r\n\x1a\n")
        self.fails("noise", self.dir / "none.wav", "--chart", self.dir / "c.pdf", says=".svg")
        self.fails("noise", self.dir / "a.wav", "--chart", self.dir / "none" / "c.svg", says="none")

    def test_recorder_that_was_stopped(self):
        """A header with its sizes at 0, as it is before a recorder fills them in, and one cut off: read, with a note."""
        wav = write_wav(self.dir / "a.wav", sine(1000, -20, 15), kind=16)
        whole = self.json("noise", wav, "--cal-db", "110")
        data = bytearray(wav.read_bytes())
        cut = self.dir / "cut.wav"
        cut.write_bytes(data[:-200000])
        data[4:8] = data[40:44] = bytes(4)
        wav.write_bytes(data)
        stopped = self.json("noise", wav, "--cal-db", "110")
        self.assertEqual(self.codes(whole), [])
        self.assertEqual(self.codes(stopped), ["header-sizes"])
        self.assertEqual(stopped["result"], whole["result"])
        self.assertEqual(self.codes(self.json("noise", cut)), ["truncated-file", "uncalibrated"])
        self.assertEqual(self.codes(self.json("scan", wav)), ["header-sizes"])
        self.assertEqual(self.codes(self.json("scan", cut)), ["truncated-file"])
        for command in ("noise", "speech-level"):
            self.assertIn("header does not tell its length", run(command, wav).err)
        self.assertIn("header does not tell its length", " ".join(self.text("scan", wav).split()))

    def test_text(self):
        r = run("noise", write_wav(self.dir / "a.wav", sine(1000, -20, 5)))
        self.assertTrue(r.out.startswith("LAeq -20.0 dBFS"), r.out)
        self.assertIn("--cal-db", r.err)
        text = self.text("noise", self.dir / "a.wav", "--cal-db", "100")
        self.assertTrue(text.startswith("LAeq 80.0 dB(A) over 5.0 s"), text)


class LongNoise(Case):
    """History, traffic and what needs a calibration."""

    def road(self, seconds=90, rate=32000):
        """Pink noise of 50 dB(A), and two vehicles that pass: peak 15 and 20 dB above it, at 30 and 60 s."""
        rng = np.random.default_rng(5)
        t = np.arange(seconds * rate) / rate
        f = np.fft.rfftfreq(len(t), 1 / rate)
        f[0] = f[1]
        x = np.fft.irfft(np.fft.rfft(rng.standard_normal(len(t))) / np.sqrt(f), len(t))
        x *= 10 ** (-50 / 20) / np.std(x)
        envelope = sum(10 ** (db / 10) / (1 + ((t - at) / 1.5) ** 2) for at, db in ((30, 15), (60, 20)))
        return write_wav(self.dir / "road.wav", x * np.sqrt(1 + envelope), rate), rate

    def test_vehicles_that_pass(self):
        wav, _ = self.road()
        result = self.json("noise", wav, "--cal-db", 100)["result"]
        traffic = result["traffic"]
        self.assertEqual(traffic["passby_count"], 2)
        self.assertIsNone(traffic["busy_hour"])
        for event, at, db in zip(traffic["passbys"], (30, 60), (15, 20)):
            self.assertAlmostEqual(event["peak_s"], at, delta=0.7)
            self.assertAlmostEqual(event["lafmax_db"] - event["background_db"], db, delta=2)
            self.assertAlmostEqual(event["lae_db"] - event["lafmax_db"], 10 * np.log10(2 * 1.5 * np.arctan(3)), delta=1.2)
            self.assertAlmostEqual(event["duration_s"], 9, delta=2.5)
        for name in ("a.svg", "b.svg"):
            self.json("noise", wav, "--cal-db", 100, "--chart", self.dir / name)
        drawn = (self.dir / "a.svg").read_bytes()
        self.assertEqual(drawn, (self.dir / "b.svg").read_bytes())
        text = "".join(xml.etree.ElementTree.fromstring(drawn).itertext())
        for words in (f"LAeq {result['laeq_db']:.1f}", "dots: 2 vehicles that pass", "time in s", "31.5 Hz", "L90 to L10"):
            self.assertIn(words, text)
        masking = traffic["masking"]
        self.assertEqual((masking["speech_dba"], masking["sii"]), (67, 0.45))
        self.assertGreater(masking["limit_dba"], result["la90_db"])
        self.assertAlmostEqual(masking["share_percent"], 0, delta=25)
        # 10 dB less speech bears 10 dB less noise, while no threshold of hearing is near.
        less = self.json("noise", wav, "--cal-db", 100, "--speech-dba", 57)["result"]["traffic"]["masking"]
        self.assertAlmostEqual(less["limit_dba"], masking["limit_dba"] - 10, delta=0.5)
        self.assertGreater(less["share_percent"], masking["share_percent"])
        self.assertIsNone(self.json("noise", wav)["result"]["traffic"]["masking"])
        self.assertIn("pass-bys: 2", self.text("noise", wav, "--octaves"))

    def test_history(self):
        wav, rate = self.road(30)
        out = self.dir / "h.csv"
        result = self.json("noise", wav, "--history", out, "--interval", "500ms")["result"]
        rows = np.genfromtxt(out, delimiter=",", names=True)
        self.assertEqual(len(rows), 60)
        self.assertAlmostEqual(rows["start_s"][-1], 29.5, places=3)
        self.assertAlmostEqual(10 * np.log10(np.mean(10 ** (rows["laeq_db"] / 10))), result["laeq_db"], delta=0.01)
        self.assertAlmostEqual(10 * np.log10(np.mean(10 ** (rows["leq_1000_hz_db"] / 10))),
                               next(b["leq_db"] for b in result["bands"] if b["hz"] == 1000), delta=0.02)
        self.assertAlmostEqual(rows["lafmax_db"].max(), result["lafmax_db"], delta=0.01)
        self.fails("noise", wav, "--history", out, says=("h.csv", "--force"))
        self.json("noise", wav, "--history", out, "--interval", "1m", "--force")
        self.assertEqual(len(out.read_text().splitlines()), 2)
        self.fails("noise", wav, "--history", wav, "--force", says=("road.wav",))
        self.fails("noise", wav, "--history", self.dir / "no" / "h.csv", says=("h.csv",))
        self.assertFalse(list(self.dir.glob("*.part")))
        for word in ("0s", "1", "-1s", "1d", "s", "1e9h", "1ms", "nans"):
            r = run("noise", wav, "--history", out, "--force", "--interval", word)
            self.assertEqual(r.status, 2, word)

    def test_octaves_and_percentiles(self):
        rng = np.random.default_rng(3)
        wav = write_wav(self.dir / "a.wav", 0.01 * rng.standard_normal(RATE * 20))
        result = self.json("noise", wav, "--cal-db", 90, "--percentiles")["result"]
        octaves = {b["hz"]: b["leq_db"] for b in result["octaves"]}
        thirds = {b["hz"]: b["leq_db"] for b in result["low_bands"] + result["bands"]}
        self.assertEqual(sorted(octaves), [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000])
        self.assertEqual(sorted(thirds)[:4], [25, 31.5, 40, 50])
        for hz, parts in {63: (50, 63, 80), 1000: (800, 1000, 1250), 8000: (6300, 8000, 10000)}.items():
            want = 10 * np.log10(sum(10 ** (thirds[p] / 10) for p in parts))
            self.assertAlmostEqual(octaves[hz], want, delta=0.3 if hz == 63 else 0.1)
        self.assertAlmostEqual(octaves[1000], 90 - 37 + 10 * np.log10(2 * (1412.54 - 707.95) / RATE) - 0, delta=0.4)
        percentiles = result["percentiles"]
        for levels in [percentiles["la_db"]] + [b["exceeded_db"] for b in percentiles["bands"] + percentiles["octaves"]]:
            self.assertEqual(len(levels), 99)
            self.assertEqual(levels, sorted(levels, reverse=True))
        self.assertEqual(percentiles["la_db"][9], result["la10_db"])
        self.assertEqual(len(percentiles["bands"]), len(thirds))

    def test_nc(self):
        """A 1 kHz tone of 46 dB touches NC-45 of ANSI S12.2 in its octave, and no other."""
        wav = write_wav(self.dir / "a.wav", sine(1000, -40, 10))
        nc = self.json("noise", wav, "--cal-db", 86)["result"]["nc"]
        self.assertEqual((nc["range"], nc["governing_hz"]), ("within", 1000))
        self.assertAlmostEqual(nc["rating"], 45, delta=0.2)
        self.assertIn("NC 45", self.text("noise", wav, "--cal-db", 86))
        self.assertIsNone(self.json("noise", wav)["result"]["nc"])


class SpeechLevel(Case):
    def bursts(self):
        """Noise in bursts of 2 s with pauses of 2 s that hold a noise 40 dB lower: half active."""
        rng = np.random.default_rng(7)
        b, a = scipy.signal.butter(2, [300, 3000], "bandpass", fs=16000)
        x = scipy.signal.lfilter(b, a, rng.standard_normal(16000 * 40))
        x *= 10 ** (-23 / 20) / np.sqrt(2) / np.std(x)  # -23 dBFS while it sounds
        gate = (np.arange(len(x)) // 32000) % 2 == 0
        return np.where(gate, x, x * 0.01)

    def test_bursts(self):
        value = self.json("speech-level", write_wav(self.dir / "a.wav", self.bursts(), 16000))
        result = value["result"]
        self.assertIn("uncalibrated", self.codes(value))
        # P.56 counts a hangover of 0.2 s after each burst as active: 2.2 of 4 s, and the level falls accordingly.
        self.assertAlmostEqual(result["activity_percent"], 55, delta=2)
        self.assertAlmostEqual(result["active_level_db"], -23 - 10 * np.log10(1.1), delta=0.2)
        self.assertAlmostEqual(result["long_term_level_db"], -23 - 10 * np.log10(2), delta=0.1)
        self.assertAlmostEqual(result["noise_level_db"], -63, delta=1.0)
        bands = {b["hz"]: b for b in result["bands"]}
        self.assertGreater(bands[1000]["speech_db"], bands[1000]["noise_db"] + 30)

    def test_calibration(self):
        wav = write_wav(self.dir / "a.wav", self.bursts(), 16000)
        plain, shifted = self.json("speech-level", wav)["result"], self.json("speech-level", wav, "--cal-db", "100")
        self.assertEqual(self.codes(shifted), [])
        for key in ("active_level_db", "long_term_level_db", "noise_level_db"):
            self.assertAlmostEqual(shifted["result"][key], plain[key] + 100, places=2)
        self.assertEqual(shifted["result"]["activity_percent"], plain["activity_percent"])

    def test_channels(self):
        x = self.bursts()
        wav = write_wav(self.dir / "a.wav", [0.1 * x, x], 16000)
        first, second = self.json("speech-level", wav), self.json("speech-level", wav, "--channel", "2")
        self.assertIn("first-channel", self.codes(first))
        self.assertNotIn("first-channel", self.codes(second))
        self.assertAlmostEqual(second["result"]["active_level_db"], first["result"]["active_level_db"] + 20, delta=0.05)
        self.fails("speech-level", wav, "--channel", "3", says="a.wav")

    def test_silence(self):
        result = self.json("speech-level", write_wav(self.dir / "a.wav", np.zeros(5 * RATE), kind=16))["result"]
        self.assertIsNone(result["active_level_db"])
        self.assertEqual(result["activity_percent"], 0)
        self.assertTrue(self.text("speech-level", self.dir / "a.wav").startswith("silence"))

    def test_text(self):
        text = self.text("speech-level", write_wav(self.dir / "a.wav", self.bursts(), 16000), "--cal-db", "100")
        self.assertNotIn("STOI", text)
        self.assertRegex(text, r"^active speech level 7\d\.\d dB SPL, active 5\d % of 40\.0 s\n")

    def test_reference(self):
        """A far end that hears the reference 1.5 s late, at another rate, 12 dB over noise; and one that does not."""
        rng = np.random.default_rng(9)
        clean = self.bursts()[: 16000 * 20]
        late = np.concatenate([np.zeros(24000), clean, np.zeros(8000)])
        far = scipy.signal.resample_poly(late, 3, 1)
        heard = far + 10 ** (-12 / 20) * np.std(far) * rng.standard_normal(len(far))
        ref = write_wav(self.dir / "clean.wav", clean, 16000)
        result = self.json("speech-level", write_wav(self.dir / "far.wav", heard), "--reference", ref)["result"]
        self.assertAlmostEqual(result["reference_delay_ms"], 1500, delta=0.2)
        self.assertAlmostEqual(result["reference_drift_ppm"], 0, delta=2)
        self.assertTrue(0.3 < result["estoi"] <= result["stoi"] < 1, result)
        same = self.json("speech-level", ref, "--reference", ref)
        self.assertEqual([same["result"][k] for k in ("stoi", "estoi", "reference_delay_ms")], [1, 1, 0])
        self.assertEqual(same["inputs"], [str(ref), str(ref)])
        self.assertRegex(self.text("speech-level", self.dir / "far.wav", "--reference", ref), r"STOI +0\.\d{3} of 1")
        noise = write_wav(self.dir / "noise.wav", 0.1 * rng.standard_normal(10 * RATE))
        self.fails("speech-level", noise, "--reference", ref, says="not in the recording")
        self.fails("speech-level", ref, "--reference", self.dir / "none.wav", says="none.wav")
        silent = write_wav(self.dir / "silent.wav", np.zeros(RATE))
        slow = write_wav(self.dir / "slow.wav", clean[:16000], 6000)
        for wrong, says in ((self.dir / "none.wav", "none.wav: "), (silent, "silent.wav: the reference is silence"),
                            (slow, "slow.wav: the reference: sample rate 6000 Hz")):
            self.assertNotIn("clean.wav", self.fails("speech-level", ref, "--reference", wrong, says=says))
        self.fails("speech-level", slow, "--reference", ref, says="slow.wav: the recording: sample rate 6000 Hz")
        short = write_wav(self.dir / "short.wav", clean[:4800], 16000)
        self.fails("speech-level", short, "--reference", short, says="30 frames")


if __name__ == "__main__":
    main()
