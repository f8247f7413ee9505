# SPDX-License-Identifier: MIT
"""lanetune margin: loops whose margin is known in closed form or from NumPy's own spectrum."""

import numpy as np
import scipy.signal

from e2e import Case, main, read_wav, run, write_wav

RATE = 48000


def impulse(*taps, count=4800):
    h = np.zeros(count)
    for at, value in taps:
        h[at] = value
    return h


def bandpass(low=200, high=6000, count=8192):
    b, a = scipy.signal.butter(2, [low, high], "bandpass", fs=RATE)
    return scipy.signal.lfilter(b, a, impulse((0, 1.0), count=count))


def growth_onset_db(h, low=-40.0, high=40.0):
    """Gain in dB at which y = x + k (h * y) begins to grow, by bisection in time: block recursion over the taps."""
    taps = np.flatnonzero(np.abs(h) > 0)
    block = int(taps[0])  # the loop cannot answer sooner

    def grows(db):
        k = 10 ** (db / 20)
        y = np.zeros(block * (60 * len(h) // block))
        y[0] = 1.0
        for n in range(0, len(y) - block, block):
            for t in taps:
                start = n + block - t
                part = y[max(start, 0):max(start + block, 0)]
                y[n + block + max(-start, 0):n + block + max(-start, 0) + len(part)] += k * h[t] * part
        quarter = len(y) // 4
        return np.sqrt(np.mean(y[-quarter:] ** 2)) > np.sqrt(np.mean(y[quarter:2 * quarter] ** 2))
    while high - low > 0.005:
        middle = (low + high) / 2
        low, high = (low, middle) if grows(middle) else (middle, high)
    return (low + high) / 2


class Margin(Case):
    def wav(self, h, name="loop.wav", rate=RATE):
        return write_wav(self.dir / name, h, rate)

    def test_attenuated_copy(self):
        """L = 0.5 at every frequency: 6.02 dB, by the safe bound too."""
        result = self.json("margin", self.wav(impulse((96, 0.5))))["result"]
        self.assertTrue(result["stable"])
        self.assertAlmostEqual(result["margin_db"], 6.02, delta=0.02)
        self.assertAlmostEqual(result["safe_margin_db"], 6.02, delta=0.02)

    def test_unstable(self):
        result = self.json("margin", self.wav(0.8 * impulse((96, 2.0))))["result"]
        self.assertFalse(result["stable"])
        self.assertAlmostEqual(result["margin_db"], -4.08, delta=0.02)
        self.assertTrue(self.text("margin", self.dir / "loop.wav").startswith("UNSTABLE: it howls, 4.1 dB above"))

    def test_against_growth_in_time(self):
        rng = np.random.default_rng(3)
        for trial in range(3):
            h = impulse(*[(int(t), v) for t, v in zip(60 + np.sort(rng.choice(300, 6, replace=False)), rng.normal(0, 0.2, 6))],
                        count=480)
            result = self.json("margin", self.wav(h))["result"]
            self.assertAlmostEqual(result["margin_db"], growth_onset_db(h), delta=0.1, msg=f"trial {trial}")
            self.assertLessEqual(result["safe_margin_db"], result["margin_db"] + 0.01)

    def test_safe_margin_against_the_spectrum(self):
        h = np.convolve(bandpass(), impulse((100, 0.3), (340, -0.2)))[:8192]
        result = self.json("margin", self.wav(h))["result"]
        spectrum = np.abs(np.fft.rfft(h, 1 << 18))
        self.assertAlmostEqual(result["safe_margin_db"], -20 * np.log10(spectrum.max()), delta=0.05)
        margins = [c["margin_db"] for c in result["candidates"]]
        self.assertEqual(margins, sorted(margins))
        self.assertEqual(result["candidates"][0]["hz"], result["ring_hz"])
        phase = np.angle(np.sum(h * np.exp(-2j * np.pi * result["ring_hz"] / RATE * np.arange(len(h)))))
        self.assertAlmostEqual(phase, 0, delta=0.05)

    def test_notches_do_what_they_say(self):
        h = np.convolve(bandpass(), impulse((100, 0.3), (340, -0.2)))[:8192]
        b, a = scipy.signal.iirpeak(1200, 20, fs=RATE)
        h = h + scipy.signal.lfilter(b, a, h) * 2
        result = self.json("margin", self.wav(h))["result"]
        self.assertGreaterEqual(len(result["notches"]), 1)
        hz = np.arange((1 << 17) + 1) * RATE / (1 << 18)
        spectrum = np.abs(np.fft.rfft(h, 1 << 18))
        for n in result["notches"]:  # Bristow-Johnson's peaking filter with gain -cut_db
            w, gain = 2 * np.pi * n["hz"] / RATE, 10 ** (-n["cut_db"] / 40)
            alpha = np.sin(w) / (2 * n["q"])
            spectrum = spectrum * np.abs(scipy.signal.freqz([1 + alpha * gain, -2 * np.cos(w), 1 - alpha * gain],
                                                            [1 + alpha / gain, -2 * np.cos(w), 1 - alpha / gain], hz, fs=RATE)[1])
        self.assertAlmostEqual(result["safe_margin_with_notches_db"], -20 * np.log10(spectrum.max()), delta=0.1)
        self.assertGreater(result["safe_margin_with_notches_db"], result["safe_margin_db"] + 1)

    def test_pair_is_the_product(self):
        lane, counter = np.convolve(bandpass(), impulse((100, 0.3), (340, -0.2)))[:8192], impulse((20, 0.4), (31, 0.1))
        pair = ["--lane-ir", self.wav(lane, "lane.wav"), "--counter-ir", self.wav(counter, "counter.wav")]
        apart = self.json("margin", *pair)
        joined = self.json("margin", self.wav(np.convolve(lane, counter)))["result"]
        self.assertEqual(apart["inputs"], [str(self.dir / "lane.wav"), str(self.dir / "counter.wav")])
        for key in ("margin_db", "safe_margin_db"):
            self.assertAlmostEqual(apart["result"][key], joined[key], delta=0.05)
        louder = self.json("margin", *pair, "--outbound-db", "4", "--inbound-db", "-1.5")["result"]
        self.assertAlmostEqual(louder["margin_db"], apart["result"]["margin_db"] - 2.5, delta=0.01)
        self.assertAlmostEqual(louder["safe_margin_db"], apart["result"]["safe_margin_db"] - 2.5, delta=0.01)

    def test_no_loop_gain(self):
        result = self.json("margin", self.wav(np.zeros(4800)))["result"]
        self.assertEqual((result["stable"], result["margin_db"], result["safe_margin_db"], result["ring_hz"]),
                         (True, None, None, None))
        self.assertEqual((result["candidates"], result["notches"]), ([], []))
        self.assertTrue(self.text("margin", self.dir / "loop.wav").startswith("stable: there is no gain"))

    def test_channel(self):
        wav = write_wav(self.dir / "two.wav", [impulse((96, 0.5)), impulse((96, 0.25))])
        value = self.json("margin", wav)
        self.assertIn("first-channel", self.codes(value))
        self.assertAlmostEqual(self.json("margin", wav, "--channel", "2")["result"]["margin_db"], 12.04, delta=0.02)

    def test_from_response_to_margin(self):
        """A loop measured with a sweep has the margin of the loop itself."""
        h = np.convolve(bandpass(), impulse((480, 0.3), (700, -0.2)))[:8192]
        self.json("stimulus", "sweep", self.dir / "s.wav", "--seconds", "3")
        _, x, _ = read_wav(self.dir / "s.wav")
        write_wav(self.dir / "rec.wav", np.convolve(x[:, 0], h))
        self.json("response", self.dir / "rec.wav", "--stimulus", self.dir / "s.wav", "--ir", self.dir / "ir.wav")
        measured, true = (self.json("margin", p)["result"] for p in (self.dir / "ir.wav", self.wav(h)))
        self.assertAlmostEqual(measured["margin_db"], true["margin_db"], delta=0.1)
        self.assertAlmostEqual(measured["safe_margin_db"], true["safe_margin_db"], delta=0.1)
        self.assertAlmostEqual(measured["ring_hz"], true["ring_hz"], delta=1.0)

    def test_text(self):
        self.assertRegex(self.text("margin", self.wav(impulse((96, 0.5)))), r"^stable: 6\.0 dB below howling at \d+ Hz\n")


    def test_colouration_and_attenuation(self):
        """L = 0.5 exp(-j w D): 1/(1-L) goes from 1/1.5 to 1/0.5; each round of 2 ms loses 6.02 dB."""
        result = self.json("margin", self.wav(impulse((96, 0.5))), "--want-db", "8")["result"]
        self.assertAlmostEqual(result["colouration"]["ripple_db"], 9.54, delta=0.02)
        self.assertAlmostEqual(result["colouration"]["decay_s"], 0.002 * 60 / 6.0206, delta=2e-4)
        self.assertAlmostEqual(result["needed_attenuation_db"], 1.98, delta=0.02)
        self.assertAlmostEqual(result["candidates"][0]["width_hz"], 24000, delta=1)  # flat: as wide as the band
        text = self.text("margin", self.dir / "loop.wav")
        self.assertIn("rings on there for 0.020 s", text)
        self.assertIn("voice switching not needed", text)

    def test_demanded_margin(self):
        b, a = scipy.signal.iirpeak(1200, 20, fs=RATE)
        h = np.convolve(bandpass(), impulse((100, 0.2)))[:8192]
        h = h + scipy.signal.lfilter(b, a, h) * 2
        plain = self.json("margin", self.wav(h))["result"]
        want = plain["safe_margin_db"] + 5
        result = self.json("margin", self.dir / "loop.wav", "--want-db", round(want, 2))["result"]
        self.assertEqual(len(result["notches"]), 1)
        self.assertGreaterEqual(result["safe_margin_with_notches_db"], want - 0.01)
        nothing = self.json("margin", self.dir / "loop.wav", "--want-db", 0)["result"]
        self.assertEqual(nothing["notches"], [])
        self.assertEqual(run("margin", self.dir / "loop.wav", "--want-db", round(want, 2), "--check").status, 3)
        self.assertEqual(run("margin", self.dir / "loop.wav", "--want-db", 0, "--check").status, 0)

    def test_chart(self):
        h = np.convolve(bandpass(), impulse((100, 0.3), (340, -0.2)))[:8192]
        self.json("margin", self.wav(h), "--chart", self.dir / "loop.svg")
        self.assertIn("<svg", (self.dir / "loop.svg").read_text())
        self.fails("margin", self.dir / "loop.wav", "--chart", self.dir / "loop.jpg", says=[".svg"])

    def site(self, paths, site):
        """A site folder: {"lane-1/lane-coupling": h} as recordings of a sweep that runs through h at once."""
        self.json("stimulus", "sweep", self.dir / "s.wav", "--seconds", "2", "--to", "8000")
        _, x, _ = read_wav(self.dir / "s.wav")
        visit = self.dir / "site" / "visits" / "2024-05-14"
        for name, h in paths.items():
            (visit / name).parent.mkdir(parents=True, exist_ok=True)
            write_wav(visit / f"{name}.wav", scipy.signal.fftconvolve(x[:, 0], h)[:len(x)])
        write_wav(visit / "stimulus.wav", x[:, 0])
        (self.dir / "site" / "site.yaml").write_text(site)
        return self.dir / "site"

    def test_site(self):
        """Two lanes, one counter that couples flat at -10 dB: L = -10 dB x sum of all ways; NumPy's own spectra."""
        rng = np.random.default_rng(4)

        def way(gain):
            h = np.zeros(2048)
            h[150 + rng.choice(800, 12, replace=False)] = gain * rng.normal(0, 1, 12)
            return np.convolve(h, bandpass(300, 5000, 1024))
        h = {(1, 1): way(0.4), (2, 2): way(0.35), (1, 2): way(0.12), (2, 1): way(0.1)}
        names = {f"lane-{to}/" + ("lane-coupling" if to == by else f"cross-coupling-from-{by}"): v for (to, by), v in h.items()}
        site = self.site(names, "counters: [{counter: 1, coupling_db: -10}]\nlanes: [{lane: 1}, {lane: 2}]\n")
        value = self.json("margin", "--site", site)
        sets = {tuple(c["lanes"]): c for c in value["result"]["combinations"]}
        self.assertEqual(sorted(sets), [(1,), (1, 2), (2,)])
        margins = [c["margin_db"] for c in value["result"]["combinations"]]
        self.assertEqual(margins, sorted(margins))
        self.assertEqual(value["result"]["margin_db"], margins[0])
        self.assertNotIn("lane-to-lane-assumed", [n["code"] for n in value["result"]["assumptions"]])
        n, k = 1 << 18, 10 ** (-10 / 20)
        hz = np.arange(n // 2 + 1) * RATE / n
        inside = (hz >= 50) & (hz <= 8000)
        spectra = {key: k * np.fft.rfft(v, n)[inside] for key, v in h.items()}
        for lanes, c in sets.items():
            loop = sum(spectra[to, by] for to in lanes for by in lanes)  # the counter's microphone hears all
            rows = np.array([sum(spectra[to, by] for to in lanes) for by in lanes])
            crossing = np.flatnonzero((loop.imag[1:] >= 0) != (loop.imag[:-1] >= 0))
            t = loop.imag[crossing] / (loop.imag[crossing] - loop.imag[crossing + 1])
            level = loop.real[crossing] + t * (loop.real[crossing + 1] - loop.real[crossing])
            self.assertAlmostEqual(c["margin_db"], -20 * np.log10(level.max()), delta=0.1, msg=str(lanes))
            sigma = np.sqrt(len(lanes) * np.sum(np.abs(rows) ** 2, axis=0)).max()
            self.assertAlmostEqual(c["safe_margin_db"], -20 * np.log10(sigma), delta=0.1, msg=str(lanes))
            any_phase = sum(np.abs(spectra[to, by]) for to in lanes for by in lanes).max()
            self.assertAlmostEqual(c["any_phase_margin_db"], -20 * np.log10(any_phase), delta=0.1, msg=str(lanes))
        text = self.text("margin", "--site", site, "--lanes", "2")
        self.assertIn("lane 2 alone", text)
        self.assertNotIn("lane 1 alone", text)
        self.fails("margin", "--site", site, "--lanes", "3", says=["no lane 3"])
        self.fails("margin", "--site", site, "--lanes", "1;2", says=["commas"])

    def test_site_assumes_what_is_missing(self):
        h = np.convolve(impulse((200, 0.3), count=1024), bandpass(300, 5000, 1024))
        yaml = "lanes: [{lane: 1, counter: 1}, {lane: 2, counter: 2, duplex: push-to-talk}]\n"
        yaml = "counters: [{counter: 1}, {counter: 2, listening: headset}]\n" + yaml
        site = self.site({"lane-1/lane-coupling": h, "lane-2/lane-coupling": h}, yaml)
        result = self.json("margin", "--site", site, "--chart", self.dir / "sets.svg")["result"]
        codes = [n["code"] for n in result["assumptions"]]
        self.assertIn("lane-to-lane-assumed", codes)
        self.assertIn("counter-to-counter-assumed", codes)
        alone = {c["lanes"][0]: c for c in result["combinations"] if len(c["lanes"]) == 1}
        self.assertIsNone(alone[2]["margin_db"])  # push-to-talk opens the loop
        self.assertIsNotNone(alone[1]["margin_db"])
        (site / "site.yaml").write_text(yaml + "couplings: [{from: 1, to: 2, level_db: -50}, "
                                               "{between: counters, from: 2, to: 1, distance_m: 8}]\n")
        codes = [n["code"] for n in self.json("margin", "--site", site)["result"]["assumptions"]]
        self.assertIn("lane-to-lane-stated", codes)
        (site / "site.yaml").write_text(yaml + "couplings: [{from: 1, to: 3, level_db: -50}]\n")
        self.fails("margin", "--site", site, says=["no lane 3"])
        (site / "site.yaml").write_text(yaml + "couplings: [{from: 1, to: 2}]\n")
        self.fails("margin", "--site", site, says=["level_db"])


if __name__ == "__main__":
    main()
