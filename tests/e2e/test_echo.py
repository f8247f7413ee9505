# SPDX-License-Identifier: MIT
"""lanetune echo: paths made here with NumPy, from speech-like noise, a sweep, two files, one file, one channel."""

import re

import numpy as np
import scipy.signal

from e2e import Case, main, read_wav, run, write_wav

RATE = 16000
SPEED = 343.2  # m/s at 20 C, ISO 9613-1


def babble(seed, seconds=9, rate=RATE):
    """Noise with the slope of speech, in syllables and pauses."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate)
    x = scipy.signal.lfilter([1], [1, -0.85], rng.normal(size=n))
    syllables = np.clip(np.sin(2 * np.pi * 3.1 * np.arange(n) / rate + rng.uniform(0, 6)), 0, 1)
    sentences = np.sin(2 * np.pi * 0.21 * np.arange(n) / rate) > -0.6
    return 0.05 * x * syllables * sentences


def path(*taps, seconds=0.5, rate=RATE):
    h = np.zeros(int(seconds * rate))
    for ms, db in taps:
        h[int(round(ms * 1e-3 * rate))] += 10 ** (db / 20)
    return h


class Echo(Case):
    def pair(self, h, seed=1, noise=0.0003, rate=RATE, near=0.0):
        sent = babble(seed, rate=rate)
        rng = np.random.default_rng(seed + 100)
        back = scipy.signal.fftconvolve(sent, h)[:len(sent)] + noise * rng.normal(size=len(sent))
        back[len(sent) // 2:len(sent) // 2 + 2 * rate] += near * babble(seed + 7, 2, rate)
        return sent, back

    def result(self, h, **kw):
        sent, back = self.pair(h, **kw)
        return self.json("echo", write_wav(self.dir / "both.wav", [sent, back], kw.get("rate", RATE)))["result"]

    def test_processing(self):
        r = self.result(path((120, -18)), near=1.0)
        self.assertEqual(r["finding"], "processing-delay")
        self.assertAlmostEqual(r["delay_ms"], 120, delta=0.05)
        self.assertAlmostEqual(r["echo_loss_db"], 18, delta=0.3)
        self.assertAlmostEqual(r["talker_echo"]["telr_db"], 28, delta=0.3)
        self.assertEqual(r["talker_echo"]["verdict"], "unacceptable")  # 60 ms one way wants 42 dB, G.131
        self.assertLess(r["talker_echo"]["r"], r["talker_echo"]["r_without"] - 20)
        self.assertTrue(r["advice"] and r["evidence"])

    def test_crosstalk(self):
        r = self.result(path((0, -24)))
        self.assertEqual(r["finding"], "crosstalk")
        self.assertAlmostEqual(r["delay_ms"], 0, delta=0.05)
        self.assertAlmostEqual(r["echo_loss_db"], 24, delta=0.3)
        self.assertEqual(r["talker_echo"]["verdict"], "acceptable")

    def test_reflection_with_its_path(self):
        r = self.result(path((1, -20), (15, -22)))
        self.assertEqual(r["finding"], "reflection")
        self.assertEqual(len(r["arrivals"]), 2)
        self.assertAlmostEqual(r["arrivals"][1]["delay_ms"], 15, delta=0.05)
        self.assertAlmostEqual(r["arrivals"][1]["level_db"], -2, delta=0.3)
        self.assertAlmostEqual(r["arrivals"][1]["path_m"], 0.014 * SPEED, delta=0.02)
        self.assertAlmostEqual(r["tail_ms"], 14, delta=1)

    def test_even_repeats(self):
        r = self.result(path(*[(2 + 18 * k, -20 - 4 * k) for k in range(12)]))
        self.assertEqual(r["finding"], "near-howl")
        self.assertAlmostEqual(r["repeat_ms"], 18, delta=0.1)
        self.assertAlmostEqual(r["repeat_db"], -4, delta=0.5)

    def test_none(self):
        r = self.result(path(), near=1.0)
        self.assertEqual(r["finding"], "none")
        for key in ("delay_ms", "echo_loss_db", "tail_ms", "other_way"):
            self.assertIsNone(r[key])
        self.assertEqual((r["arrivals"], r["talker_echo"]["verdict"]), ([], "acceptable"))

    def test_none_says_what_could_hide(self):
        """Beside a return that is as loud as what was sent an echo of 20 dB could not be told: that must stand there."""
        sent, back = self.pair(path())
        rest = np.random.default_rng(8).normal(size=len(sent)) * np.sqrt(np.mean(sent**2))
        for loud, masked in ((0, False), (1, True)):
            value = self.json("echo", write_wav(self.dir / "both.wav", [0.3 * sent, 0.3 * (back + loud * rest)], RATE))
            self.assertEqual(value["result"]["finding"], "none")
            self.assertEqual("masked" in self.codes(value), masked)

    def test_two_files_at_two_rates_and_a_late_recorder(self):
        sent, back = self.pair(path((2, -20)))
        up = scipy.signal.resample_poly(back, 3, 1)
        files = ["--sent", write_wav(self.dir / "s.wav", sent, RATE), "--returned", write_wav(self.dir / "r.wav", up, 48000)]
        r = self.json("echo", *files)["result"]
        self.assertEqual(r["finding"], "acoustic-coupling")
        self.assertAlmostEqual(r["delay_ms"], 2, delta=0.05)
        write_wav(self.dir / "r.wav", up[48000 * 2:], 48000)  # the recorder of the return started 2 s late
        value = self.json("echo", *files)
        self.assertAlmostEqual(value["result"]["delay_ms"], 2 - 2000, delta=0.1)
        self.assertAlmostEqual(value["result"]["echo_loss_db"], 20, delta=0.3)
        self.assertEqual(value["result"]["finding"], "unclear")
        self.assertIn("recorder-offset", self.codes(value))
        self.assertIsNone(value["result"]["talker_echo"]["verdict"])

    def test_channels(self):
        sent, back = self.pair(path((2, -20)))
        both = write_wav(self.dir / "three.wav", [back, 0 * sent, sent], RATE)
        r = self.json("echo", both, "--sent-channel", "3", "--returned-channel", "1")["result"]
        self.assertAlmostEqual(r["delay_ms"], 2, delta=0.05)
        self.fails("echo", both, says=["silent", "three.wav"])
        self.fails("echo", both, "--sent-channel", "2", "--returned-channel", "2", says="at once")
        self.fails("echo", both, "--sent-channel", "9", "--returned-channel", "1", says="three.wav")

    def test_lines_mixed_up(self):
        sent, back = self.pair(path((2, -20)))
        both = write_wav(self.dir / "both.wav", [back, sent], RATE)
        value = self.json("echo", both)
        self.assertEqual(value["result"]["finding"], "unclear")
        self.assertIn("swapped", self.codes(value))
        self.assertIn("the other way round", " ".join(map(str, value["result"]["advice"])))
        r = self.json("echo", both, "--sent-channel", "2", "--returned-channel", "1")["result"]
        self.assertAlmostEqual(r["delay_ms"], 2, delta=0.05)
        self.fails("echo", write_wav(self.dir / "dc.wav", [sent, 0 * sent + 0.2], RATE), says=["dc.wav", "silent"])

    def test_both_ways(self):
        sent, other = babble(1, 14), babble(8, 14)
        other *= np.sin(2 * np.pi * 0.13 * np.arange(len(other)) / RATE) > -0.3
        there, here = path((1.5, -18)), path((45, -24))
        noise = 0.0003 * np.random.default_rng(3).normal(size=(2, len(sent)))
        out, back = sent + noise[0], other + noise[1]
        for _ in range(6):  # each line holds the echo of the other one
            out, back = (sent + noise[0] + scipy.signal.fftconvolve(back, here)[:len(sent)],
                         other + noise[1] + scipy.signal.fftconvolve(out, there)[:len(sent)])
        both = write_wav(self.dir / "both.wav", [out, back], RATE)
        r = self.json("echo", both, "--both")["result"]
        self.assertAlmostEqual(r["delay_ms"], 1.5, delta=0.05)
        self.assertAlmostEqual(r["echo_loss_db"], 18, delta=0.5)
        way = r["other_way"]
        self.assertEqual(way["finding"], "processing-delay")
        self.assertAlmostEqual(way["delay_ms"], 45, delta=0.1)
        self.assertAlmostEqual(way["echo_loss_db"], 24, delta=0.7)
        chart = self.dir / "ways.svg"
        self.text("echo", both, "--both", "--chart", chart)
        drawn = re.sub(r"<[^>]*>", " ", chart.read_text())
        for name, echo in (("operator", r), ("customer", way)):  # both stand in the one chart, with their figure
            self.assertRegex(drawn, rf"{name}:\s+{echo['talker_echo']['telr_db']:.1f}\s+dB")
        self.text("echo", both, "--chart", chart)
        self.assertNotIn("customer", chart.read_text())
        self.text("echo", both, "--both", "--chart", self.dir / "ways.png")
        self.assertTrue((self.dir / "ways.png").read_bytes().startswith(b"\x89PNG"))
        sent, back = self.pair(there)  # nobody talks there: not known, not "none"
        value = self.json("echo", write_wav(self.dir / "one-way.wav", [sent, back], RATE), "--both")
        self.assertIn("no-other-way", self.codes(value))
        self.assertIsNone(value["result"]["other_way"])

    def test_sweep(self):
        self.json("stimulus", "sweep", self.dir / "s.wav", "--seconds", "4")
        rate, s, _ = read_wav(self.dir / "s.wav")
        h = path((80, -22), rate=rate)
        back = np.concatenate([scipy.signal.fftconvolve(s[:, 0], h), np.zeros(rate // 2)])
        back += 1e-4 * np.random.default_rng(5).normal(size=len(back))
        r = self.json("echo", "--sent", self.dir / "s.wav", "--returned", write_wav(self.dir / "r.wav", back, rate))["result"]
        self.assertEqual((r["source"], r["finding"]), ("stimulus", "processing-delay"))
        self.assertAlmostEqual(r["delay_ms"], 80, delta=0.05)
        self.assertAlmostEqual(r["echo_loss_db"], 22, delta=0.1)

    def test_one_channel(self):
        x = babble(4)
        x = x + 0.5 * np.concatenate([np.zeros(int(0.09 * RATE)), x[:-int(0.09 * RATE)]])
        value = self.json("echo", write_wav(self.dir / "one.wav", x, RATE))
        self.assertIn("one-recording", self.codes(value))
        self.assertAlmostEqual(value["result"]["delay_ms"], 90, delta=0.1)
        self.assertLess(value["result"]["confidence"], 0.7)

    def test_canceller_and_chart(self):
        sent, back = self.pair(path((2, -15), (30, -18)))
        both = write_wav(self.dir / "both.wav", [sent, back], RATE)
        r = self.json("echo", both, "--canceller", "--chart", self.dir / "c.svg")["result"]
        self.assertGreater(r["canceller"]["erle_db"], 10)
        self.assertGreaterEqual(r["canceller"]["sufficient_tail_ms"], 32)
        self.assertIn("<svg", (self.dir / "c.svg").read_text())
        text = self.text("echo", both, "--canceller")
        self.assertIn("ERLE", text)
        self.assertIn("Next:", text)

    def test_bad_input(self):
        sent, back = self.pair(path((2, -20)))
        good = write_wav(self.dir / "good.wav", sent, RATE)
        silent = write_wav(self.dir / "silent.wav", 0 * back, RATE)
        self.fails("echo", "--sent", good, "--returned", silent, says=["silent.wav", "silent"])
        self.fails("echo", "--sent", good, "--returned", self.dir / "missing.wav", says="missing.wav")
        self.fails("echo", write_wav(self.dir / "short.wav", sent[:4000], RATE), says=["short.wav", "short"])
        (self.dir / "text.wav").write_text("no sound")
        self.fails("echo", self.dir / "text.wav", says="text.wav")
        r = run("echo", "--sent", good, "--returned", good, "--json")
        self.assertEqual(r.status, 0)


if __name__ == "__main__":
    main()
